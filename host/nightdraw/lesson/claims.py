"""What a student wrote for one item, as values: quantities, ranges and rates, and why something is none.

Hand-written answers are read with good will where a text can mean one thing only (a decimal comma, `sec` for
s, a rate for an interval), and each such reading is told. What can mean two things or nothing is no value,
with a sentence. Nothing here raises, and nothing knows the truth.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction

from nightdraw import units
from nightdraw.errors import printable
from nightdraw.report.words import Message

STEADY, PULSE, RANDOM = "steady", "pulse", "random"
KINDS = (STEADY, PULSE, RANDOM)
# Other words of the trade for the three.
ALSO = {
    "constant": STEADY, "continuous": STEADY, "dc": STEADY,
    "pulses": PULSE, "pulsed": PULSE, "pulsing": PULSE, "periodic": PULSE, "regular": PULSE,
    "irregular": RANDOM, "intermittent": RANDOM, "randomly": RANDOM,
}  # fmt: skip
ANY_PULSE = ("pulse", "pulses", "pulsed", "pulsing")  # beside another word they say nothing of the law
NOT = frozenset(("no", "not", "never", "isn", "except", "without"))  # what is denied is no answer
MOST_TEXT = 120  # characters of an item that are looked at: an answer is a quantity, not an essay
SHOWN_TEXT = 60
# Beyond these nothing of a vehicle is measured: 1 uA .. 10 kA, 1 us .. a year.
BOUNDS = {
    "current": (Fraction(1, 10**6), Fraction(10**4)),
    "time": (Fraction(1, 10**6), Fraction(366 * 86400)),
}
NO_ANSWER = Message.of("mark.none")
_RATE = re.compile(
    r"(?P<count>[0-9]+(?:\.[0-9]+)?|once|twice)\s*(?:x|pulses|times)?\s*(?:/|per|an|a|each|every)\s*"
    r"(?P<over>[0-9]+(?:\.[0-9]+)?)?\s*(?P<unit>[a-z]+)",
    re.IGNORECASE,
)
_COMMA = re.compile(r"(?<![0-9.,])([0-9]+),([0-9]+)(?![0-9.,])")
_DASH = re.compile(
    r"\s*(?:\u2013|\u2014|\bto\b|\band\b|\.{2,3}|\u2026)\s*|(?<=[A-Za-z0-9])(?<![0-9][eE])\s*-\s*(?=[0-9])"
)
_LEAD = re.compile(
    r"^(?P<word>on|off|gaps?|pauses?|every|each|between|about|approx\.?|ca\.?|~|=)\s*:?\s+|^[~\u2248]\s*",
    re.I,
)
_OFF_BY = re.compile(r"\s*(?:\u00b1|\+/-|\+-).*$")  # the student's own uncertainty: the value is what counts
_NUMBERED = re.compile(r"(?:fuse|no\.?|nr\.?|#|f)?\s*-?\s*0*([0-9]{1,4})")  # fuse 7, F 7, F07: F7
_NUMBER_UNIT = re.compile(r"^([0-9.]+(?:[eE][+-]?[0-9]+)?)\s*([A-Za-z\u00b5\u03bc]+)\.?$")
_TERM = re.compile(r"[0-9.]+\s*(?![eE][+-]?[0-9])[A-Za-z]+")
_SUM = re.compile(rf"(?:{_TERM.pattern}\s*){{2,4}}")
# What people write for a unit beside units.WRITTEN, in small letters. `m` alone is minutes to one and milli
# to another: it stays out.
SPELT = {
    "ma": "mA", "milliamp": "mA", "milliamps": "mA", "milliampere": "mA", "milliamperes": "mA", "mamp": "mA",
    "mamps": "mA", "ua": "uA", "microamps": "uA", "a": "A", "amp": "A", "amps": "A", "ampere": "A",
    "amperes": "A",
    "msec": "ms", "msecs": "ms", "millisecond": "ms", "milliseconds": "ms", "sec": "s", "secs": "s",
    "second": "s", "seconds": "s", "minute": "min", "minutes": "min", "mins": "min", "hr": "h", "hrs": "h",
    "hour": "h", "hours": "h", "day": "d", "days": "d",
}  # fmt: skip
COUNTED = {"once": "1", "twice": "2"}
OFF_WORDS = ("off", "gap", "gaps", "pause", "pauses")


@dataclass(frozen=True)
class Claim:
    """One item of an answer. text: as handed in, printable; low, high: the value in A or s, both alike unless
    it is a range (None: no value); rate: it was given as a rate; off: as a pause between pulses; why: what
    is wrong with it (None: nothing); how: how it was read where it isn't plain."""

    text: str
    low: Fraction | None = None
    high: Fraction | None = None
    rate: bool = False
    off: bool = False
    why: Message | None = None
    how: tuple[Message, ...] = ()

    @property
    def known(self) -> bool:
        """Whether there is a value."""
        return self.low is not None

    @property
    def is_range(self) -> bool:
        """Whether both ends differ."""
        return self.low != self.high


@dataclass(frozen=True)
class Word:
    """An item that is a word. value: None where it is none of those asked for, for the reason `why`."""

    text: str
    value: str | None = None
    why: Message | None = None
    how: tuple[Message, ...] = ()


def shown(text: str) -> str:
    """What a student wrote, as any page or terminal may show it."""
    flat = " ".join(text.split())
    return printable(flat if len(flat) <= SHOWN_TEXT else flat[: SHOWN_TEXT - 3] + "...")


def kind(text: str, called: Mapping[str, str] | None = None) -> Word:
    """The kind of draw; called: what the pages call each of KINDS, in whatever language."""
    word = text.strip().lower().rstrip(".")
    if not word:
        return Word("", None, NO_ANSWER)
    if word in KINDS:
        return Word(word, word)
    own = {name.lower(): one for one, name in (called or {}).items()}
    if word in own:
        return Word(shown(text), own[word])
    plain = re.fullmatch(r"[a-z ,/-]+", word[:MOST_TEXT])  # a formula or a tag is none of the words
    meant = None if plain is None else _meant_kind(re.findall(r"[a-z]+", plain.group()))
    if meant is not None:
        return Word(shown(text), meant, how=(Message.of("answer.read", value=Message.of(f"kind.{meant}")),))
    names = {one: Message.of(f"kind.{one}") for one in KINDS}
    return Word(shown(text), None, Message.of("answer.kind", text=shown(text), **names))


def _meant_kind(words: list[str]) -> str | None:
    """The one kind that some words name; None where they name none, several, or say what it is not."""
    every = {**ALSO, **{one: one for one in KINDS}}
    found = {every[word] for word in words if word in every and word not in ANY_PULSE}
    if not found and any(word in ANY_PULSE for word in words):
        found = {PULSE}
    return found.pop() if len(found) == 1 and not NOT.intersection(words) else None


def circuit(text: str, known: Iterable[str]) -> Word:
    """The fuse that is named, case aside; a sentence around the one name may stand there."""
    if not text.strip():
        return Word("", None, NO_ANSWER)
    names = {name.lower(): name for name in known}
    plain = text.strip().lower()
    if plain in names:
        return Word(shown(text), names[plain])
    words = re.findall(r"[a-z0-9-]+", plain[:MOST_TEXT])
    found = dict.fromkeys(names[word] for word in words if word in names)
    if not found and (number := _NUMBERED.fullmatch(plain)):
        found = dict.fromkeys(names[word] for word in names if word == f"f{int(number.group(1))}")
    if found and NOT.intersection(words):
        return Word(shown(text), None, Message.of("answer.denied", text=shown(text)))
    if len(found) == 1:
        name = next(iter(found))
        return Word(shown(text), name, how=(Message.of("answer.read", value=name),))
    if found:
        return Word(
            shown(text), None, Message.of("answer.circuits", count=len(found), names=", ".join(found))
        )
    return Word(shown(text), None, Message.of("answer.no_circuit", text=shown(text)))


def quantity(text: str, dimension: str) -> Claim:
    """A quantity or a range of a dimension (`current`, `time`); of times a rate as well."""
    handed, beyond = shown(text), Message.of("answer.beyond", text=shown(text))
    if not text.strip():
        return Claim("", why=NO_ANSWER)
    if len(text) > MOST_TEXT or not text.isprintable():
        return Claim(handed, why=Message.of("answer.no_quantity"))
    plain, how, word = _plain(text)
    if isinstance(plain, Message):
        return Claim(handed, why=plain)
    rated = False
    try:
        hertz = _rate(plain) if dimension == "time" else None
        if hertz:
            low = high = 1 / hertz
            rated = True
            how = (*how, Message.of("answer.rate", every=units.show(low, "time")))
        elif hertz is not None:
            return Claim(handed, why=beyond)
        else:
            low, high = _span(plain, dimension)
    except units.QuantityError as error:
        wanted = Message.of(f"answer.wanted.{dimension}")
        return Claim(handed, why=Message.of(f"answer.{error.kind}", text=handed, wanted=wanted))
    least, most = BOUNDS[dimension]
    if not high:
        return Claim(handed, why=Message.of("answer.zero", text=handed))
    if not low:  # 0 .. 1 s: as little as is measured, up to 1 s
        low = least
    if not least <= low <= high <= most:
        return Claim(handed, why=beyond)
    return Claim(handed, low, high, rated, word in OFF_WORDS, how=how)


def _plain(text: str) -> tuple[str | Message, tuple[Message, ...], str]:
    """The text with its decimal commas and leading words taken away, how it was read, and that word; in place
    of the text the reason where a comma can mean two things."""
    plain, word = text.strip(), ""
    how: tuple[Message, ...] = ()
    lead = _LEAD.match(plain)
    if lead is not None:
        word = (lead.group("word") or "").lower()
        plain = plain[lead.end() :]
    plain = _OFF_BY.sub("", plain)
    for found in _COMMA.finditer(plain):
        if len(found.group(2)) == 3 and found.group(1) != "0":
            small, large = f"{found.group(1)}.{found.group(2)}", "".join(found.groups())
            return Message.of("answer.comma_two", text=found.group(), small=small, large=large), how, word
        how = (Message.of("answer.comma"),)
    return _COMMA.sub(r"\1.\2", plain), how, word


def _span(plain: str, dimension: str) -> tuple[Fraction, Fraction]:
    ends = [part for part in _DASH.split(plain) if part.strip()]
    if len(ends) == 1:
        value = _one(ends[0], dimension)
        return value, value
    if len(ends) != 2:
        raise units.QuantityError(f"{units.shown(plain)} is neither a quantity nor a range", kind="neither")
    if ends[0].strip().replace(".", "", 1).isdigit():  # 20 .. 40 s: the unit stands once
        ends[0] = f"{ends[0].strip()} {ends[1].strip().lstrip('0123456789. ')}"
    low, high = _one(ends[0], dimension), _one(ends[1], dimension)
    return min(low, high), max(low, high)


def _one(text: str, dimension: str) -> Fraction:
    """One quantity, or a sum like `1 min 15 s`; raises QuantityError."""
    if _SUM.fullmatch(text.strip()):
        terms = [units.parse(_spelled(term, dimension), dimension) for term in _TERM.findall(text)]
        return sum(terms, Fraction(0))
    return units.parse(_spelled(text, dimension), dimension)


def _spelled(text: str, dimension: str) -> str:
    """The quantity with its unit as units.parse knows it, where what stands there can mean that unit only."""
    found = _NUMBER_UNIT.match(text.strip())
    if found is None:
        return text
    number, unit = found.groups()
    known = units.UNITS[dimension]
    meant = unit if unit in known else SPELT.get(unit.lower(), units.WRITTEN.get(unit, unit))
    return f"{number} {meant}" if meant in known and unit != "m" else text


def _rate(plain: str) -> Fraction | None:
    """How often, in hertz; None where the text is no rate. Raises QuantityError for one of nothing."""
    if plain.lower().endswith("mhz") and not plain.endswith("MHz"):
        return units.parse(plain[:-3] + "Hz", "frequency") / 1000
    if plain.lower().endswith("hz"):
        return units.parse(plain, "frequency")
    rate = _RATE.fullmatch(plain)
    if rate is None:
        return None
    unit = rate.group("unit")
    seconds = units.UNITS["time"].get(unit if unit in units.UNITS["time"] else SPELT.get(unit.lower(), ""))
    if seconds is None:
        return None
    count = COUNTED.get(rate.group("count").lower(), rate.group("count"))
    over = Fraction(rate.group("over") or 1) * seconds
    if not over:
        raise units.QuantityError(f"{units.shown(plain)} is a rate over no time", kind="no-time")
    return Fraction(count) / over

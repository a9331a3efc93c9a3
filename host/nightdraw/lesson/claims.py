"""What a student wrote for one item, as values: quantities, ranges and rates, and why something is none.

Hand-written answers are read with good will where a text can mean one thing only (a decimal comma, `sec` for
s, a rate for an interval), and each such reading is told. What can mean two things or nothing is no value,
with a sentence. Nothing here raises, and nothing knows the truth.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

from nightdraw import units
from nightdraw.errors import printable

STEADY, PULSE, RANDOM = "steady", "pulse", "random"
KINDS = (STEADY, PULSE, RANDOM)
# Other words of the trade for the three.
ALSO = {
    "constant": STEADY, "continuous": STEADY, "dc": STEADY,
    "pulses": PULSE, "pulsed": PULSE, "pulsing": PULSE, "periodic": PULSE, "regular": PULSE,
    "irregular": RANDOM, "intermittent": RANDOM, "randomly": RANDOM,
}  # fmt: skip
MOST_TEXT = 120  # characters of an item that are looked at: an answer is a quantity, not an essay
SHOWN_TEXT = 60
# Beyond these nothing of a vehicle is measured: 1 uA .. 10 kA, 1 us .. a year.
BOUNDS = {
    "current": (Fraction(1, 10**6), Fraction(10**4)),
    "time": (Fraction(1, 10**6), Fraction(366 * 86400)),
}
NO_ANSWER = "no answer"
_RATE = re.compile(
    r"(?P<count>[0-9]+(?:[.,][0-9]+)?)\s*(?:pulses|times)?\s*(?:/|per|an|a|each)\s*"
    r"(?P<unit>ms|s|second|sec|min|minute|h|hour|d|day)",
    re.IGNORECASE,
)
_PER = {"second": "s", "sec": "s", "minute": "min", "hour": "h", "day": "d"}
_COMMA = re.compile(r"(?<![0-9.,])([0-9]+),([0-9]+)(?![0-9.,])")
_DASH = re.compile(
    r"\s*(?:\u2013|\u2014|\bto\b|\.{2,3}|\u2026)\s*|(?<=[A-Za-z0-9])(?<![0-9][eE])\s*-\s*(?=[0-9])"
)
_LEAD = re.compile(
    r"^(?P<word>on|off|gap|gaps|pause|every|each|about|approx\.?|ca\.?|~|=)\s*:?\s+|^[~\u2248]\s*", re.I
)
_NUMBER_UNIT = re.compile(r"^([0-9.]+(?:[eE][+-]?[0-9]+)?)\s*(\S.*)?$")
OFF_WORDS = ("off", "gap", "gaps", "pause")


@dataclass(frozen=True)
class Claim:
    """One item of an answer. text: as handed in, printable; low, high: the value in A or s, both alike unless
    it is a range (None: no value); rate: it was given as a rate; off: as a pause between pulses; why: what
    is wrong with it; how: how it was read where it isn't plain."""

    text: str
    low: Fraction | None = None
    high: Fraction | None = None
    rate: bool = False
    off: bool = False
    why: str = ""
    how: str = ""

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
    why: str = ""
    how: str = ""


def shown(text: str) -> str:
    """What a student wrote, as any page or terminal may show it."""
    flat = " ".join(text.split())
    return printable(flat if len(flat) <= SHOWN_TEXT else flat[: SHOWN_TEXT - 3] + "...")


def kind(text: str) -> Word:
    """The kind of draw."""
    word = text.strip().lower().rstrip(".")
    if not word:
        return Word("", None, NO_ANSWER)
    if word in KINDS:
        return Word(word, word)
    if word in ALSO:
        return Word(shown(text), ALSO[word], how=f"read as {ALSO[word]}")
    return Word(shown(text), None, f"{shown(text)} is none of {', '.join(KINDS)}")


def circuit(text: str, known: Iterable[str]) -> Word:
    """The fuse that is named, case aside; a sentence around the one name may stand there."""
    if not text.strip():
        return Word("", None, NO_ANSWER)
    names = {name.lower(): name for name in known}
    plain = text.strip().lower()
    if plain in names:
        return Word(shown(text), names[plain])
    found = dict.fromkeys(
        names[word] for word in re.findall(r"[a-z0-9-]+", plain[:MOST_TEXT]) if word in names
    )
    if len(found) == 1:
        name = next(iter(found))
        return Word(shown(text), name, how=f"read as {name}")
    if found:
        return Word(
            shown(text), None, f"it names {len(found)} circuits ({', '.join(found)}): one is asked for"
        )
    return Word(shown(text), None, f"the vehicle has no circuit {shown(text)!r}")


def quantity(text: str, dimension: str) -> Claim:
    """A quantity or a range of a dimension (`current`, `time`); of times a rate as well."""
    said = shown(text)
    if not text.strip():
        return Claim("", why=NO_ANSWER)
    if len(text) > MOST_TEXT or not text.isprintable():
        return Claim(said, why="this can't be read as a quantity")
    plain, how, word = _plain(text)
    if plain is None:
        return Claim(said, why=how)
    if dimension == "time":
        rate = _RATE.fullmatch(plain)
        if rate is not None or plain.lower().endswith("hz"):
            return _rate(said, plain, rate, how)
    try:
        low, high = _span(plain, dimension)
    except units.QuantityError as error:
        return Claim(said, why=f"{error.message}" + (f" ({error.hint})" if error.hint else ""))
    least, most = BOUNDS[dimension]
    if not least <= low <= high <= most:
        return Claim(said, why=f"{said} lies beyond everything that a vehicle shows")
    return Claim(said, low, high, off=word in OFF_WORDS, how=how)


def _plain(text: str) -> tuple[str | None, str, str]:
    """The text with its decimal commas and leading words taken away, how it was read, and that word; None
    with the reason where a comma can mean two things."""
    plain, how, word = text.strip(), "", ""
    lead = _LEAD.match(plain)
    if lead is not None:
        word = (lead.group("word") or "").lower()
        plain = plain[lead.end() :]
    for found in _COMMA.finditer(plain):
        if len(found.group(2)) == 3 and found.group(1) != "0":
            said = f"{found.group()} can mean {found.group(1)}.{found.group(2)} or {''.join(found.groups())}"
            return None, f"{said}: write a decimal point", word
        how = "the comma read as a decimal point"
    return _COMMA.sub(r"\1.\2", plain), how, word


def _span(plain: str, dimension: str) -> tuple[Fraction, Fraction]:
    ends = [part for part in _DASH.split(plain) if part.strip()]
    if len(ends) == 1:
        value = units.parse(_spelled(ends[0], dimension), dimension)
        return value, value
    if len(ends) != 2:
        raise units.QuantityError(f"{shown(plain)} is neither a quantity nor a range LOW .. HIGH")
    high_text = _spelled(ends[1], dimension)
    if ends[0].strip().replace(".", "", 1).isdigit():  # 20 .. 40 s: the unit stands once
        ends[0] = f"{ends[0].strip()} {high_text.lstrip('0123456789. ')}"
    low, high = units.parse(_spelled(ends[0], dimension), dimension), units.parse(high_text, dimension)
    return min(low, high), max(low, high)


def _spelled(text: str, dimension: str) -> str:
    """The quantity with its unit as units.parse knows it, where what stands there can mean that unit only."""
    found = _NUMBER_UNIT.match(text.strip())
    if found is None or found.group(2) is None:
        return text
    number, unit = found.group(1), found.group(2).strip()
    meant = units.WRITTEN.get(unit, unit) if unit != "m" else unit  # m is min to one, milli to another
    return f"{number} {meant if meant in units.UNITS[dimension] else unit}"


def _rate(said: str, plain: str, rate: re.Match[str] | None, how: str) -> Claim:
    """How often, as the time from start to start."""
    try:
        if rate is None:
            hertz = units.parse(plain, "frequency")
        else:
            unit = rate.group("unit").lower()
            seconds = units.UNITS["time"][_PER.get(unit, unit)]
            hertz = Fraction(rate.group("count").replace(",", ".")) / seconds
    except units.QuantityError as error:
        return Claim(said, why=error.message)
    least, most = BOUNDS["time"]
    if not hertz or not least <= 1 / hertz <= most:
        return Claim(said, why=f"{said} lies beyond everything that a vehicle shows")
    told = f"a rate: one every {units.show(1 / hertz, 'time')}"
    return Claim(said, 1 / hertz, 1 / hertz, rate=True, how=f"{how}; {told}" if how else told)

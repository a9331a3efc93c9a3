"""Columns: what each is called, measures (in which unit) and holds, and which of them are the time and the
channel to read.

Units are known by their spellings, abbreviations and words, with and without brackets: what isn't in the
tables here is no unit. Decides from headers, units, the kinds of the first cells and what a person says
besides; where that leaves a choice, the person is asked.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from nightdraw.errors import Finding, InputError, nearest, printable

DAY_FIRST, MONTH_FIRST = "day-first", "month-first"
COMMA, POINT = "comma", "point"


@dataclass(frozen=True)
class Part:
    """The part of a recording to read: begin_s after its first sample, for length_s (None: to its end)."""

    begin_s: float = 0.0
    length_s: float | None = None

    @property
    def whole(self) -> bool:
        """True where nothing is left out."""
        return self.begin_s <= 0 and self.length_s is None


@dataclass(frozen=True)
class Options:
    """What the file doesn't say; None everywhere: the file says all.

    scale_ma_per_mv: of the clamp that wrote a column of voltage; rate_hz: of samples without a time column;
    invert: the clamp was the wrong way round; dates: DAY_FIRST or MONTH_FIRST; decimal: COMMA or POINT;
    voltage: a column in volts is wanted as a voltage (in mV), not as a current.
    """

    scale_ma_per_mv: float | None = None
    rate_hz: float | None = None
    invert: bool = False
    part: Part = Part()
    dates: str | None = None
    decimal: str | None = None
    voltage: bool = False


PLAIN = Options()


TIME, CURRENT, VOLTAGE = "time", "current", "voltage"
MILLIAMPERE, MILLIVOLT = "mA", "mV"
TIME_NAMES = ("time", "t", "elapsed", "elapsed time", "timestamp", "date time", "datetime", "date/time")
CURRENT_NAMES = ("current", "i", "amps", "amperes", "clamp")


@dataclass(frozen=True)
class Unit:
    """What a column measures, and how many s, mA or mV its unit is."""

    quantity: str
    factor: float


_PREFIXES = {"k": 1e3, "": 1.0, "m": 1e-3, "u": 1e-6, "\u00b5": 1e-6, "\u03bc": 1e-6, "n": 1e-9}
_PREFIX_WORDS = {"kilo": 1e3, "": 1.0, "milli": 1e-3, "micro": 1e-6, "nano": 1e-9}
_WORDS = {
    TIME: ("s", ("s", "sec", "secs", "second", "seconds", "sekunden")),
    CURRENT: ("a", ("amp", "amps", "ampere", "amperes", "adc")),
    VOLTAGE: ("v", ("volt", "volts", "vdc")),
}
_LONG_TIMES = {
    60.0: ("min", "mins", "minute", "minutes"),
    3600.0: ("h", "hr", "hrs", "hour", "hours"),
    86400.0: ("d", "day", "days"),
}


def _table() -> dict[str, Unit]:
    """Every spelling in lower case; millis and mega differ by case alone, but nobody measures megaamperes."""
    table: dict[str, Unit] = {}
    for quantity, (letter, words) in _WORDS.items():
        thousand = 1.0 if quantity == TIME else 1e3  # currents and voltages are kept in thousandths
        table |= {p + letter: Unit(quantity, size * thousand) for p, size in _PREFIXES.items()}
        for prefix, size in (_PREFIX_WORDS | _PREFIXES).items():
            table |= {prefix + word: Unit(quantity, size * thousand) for word in words if len(word) > 1}
    table |= {word: Unit(TIME, size) for size, words in _LONG_TIMES.items() for word in words}
    return table


UNITS = _table()
# Units of what is recorded beside: they make a row a row of units, and nothing more.
_OTHERS = frozenset(
    ("\u00b0c", "c", "k", "\u00b0f", "f", "%", "hz", "khz", "rpm", "1/min", "bar", "kpa", "pa", "km/h", "w",
     "kw", "va", "ohm", "\u03a9", "\u2126", "ah", "mah", "wh", "-", "--")
)  # fmt: skip
_CLOCKS = re.compile(r"[hmsdyaftz:.,/\- ]*(hh|dd|yy)[hmsdyaftz:.,/\- ]*", re.IGNORECASE)
# What a column is called, not what it is measured in: "Channel A" and "ch_a" are no amperes.
_LABELLED = (
    "ch", "chan", "channel", "probe", "input", "in", "phase", "port", "sensor", "line", "pin", "group",
)  # fmt: skip
_BRACKETED = re.compile(r"(?P<name>.*?)[\s,_/]*[\(\[\{<]\s*(?P<unit>[^\(\)\[\]\{\}<>]*?)\s*[\)\]\}>]\s*")
_JOINED = re.compile(
    r"(?P<name>.*?\S)\s*(?P<sign>[_/,;:|]|\bin\b|\s)\s*(?P<unit>[^\W\d_]+(?: dc)?)\s*", re.IGNORECASE
)


def unit_of(text: str) -> Unit | None:
    """The unit that a text spells, in brackets or not; None for any other text."""
    plain = text.strip().strip("()[]{}<>").strip().lower().rstrip(".")
    plain = plain.removesuffix(" dc").strip()
    return UNITS.get(plain)


def split_header(header: str) -> tuple[str, Unit | None]:
    """A header's name and unit; the whole header and None where it names no unit.

    `clamp_a`, `Current (mA)`, `I [\u00b5A]`, `Strom / A`, `current in milliamps`, `Amps`.
    """
    header = header.strip()
    bracketed = _BRACKETED.fullmatch(header)
    if bracketed:
        unit = unit_of(bracketed["unit"])
        return (bracketed["name"].strip() or header, unit) if unit else (header, None)
    whole = unit_of(header)
    if whole:
        return (header, None) if _is_long_time(whole) else (header, whole)
    joined = _JOINED.fullmatch(header)
    unit = unit_of(joined["unit"]) if joined else None
    if joined is None or unit is None or joined["name"].lower() in _LABELLED:
        return header, None
    if _is_long_time(unit) and joined["name"].lower() not in TIME_NAMES:
        return header, None  # "clamp_min" is a minimum
    if joined["sign"].isspace() and len(joined["unit"]) == 1 and not _is_quantity(joined["name"]):
        return header, None  # "Fuse A" may be the fuse before fuse B
    return joined["name"].strip(" _/,;:|"), unit


def _is_long_time(unit: Unit) -> bool:
    return unit.quantity == TIME and unit.factor in _LONG_TIMES


def _is_quantity(name: str) -> bool:
    return name.lower() in (*CURRENT_NAMES, *TIME_NAMES, "voltage", "u", "v")


def is_unit_row(cells: list[str]) -> bool:
    """Whether a line beneath the header holds nothing but units, one of them of time, current or voltage."""
    filled = [cell.strip() for cell in cells if cell.strip()]
    known = [cell for cell in filled if unit_of(cell)]
    return bool(known) and all(unit_of(c) or _is_other(c) for c in filled)


def _is_other(cell: str) -> bool:
    bracketed = cell[0] in "([{<" and cell[-1] in ")]}>"
    return bracketed or cell.lower() in _OTHERS or bool(_CLOCKS.fullmatch(cell))


# What the cells of a column hold.
NUMBERS, CLOCK, DATE, STAMP, TEXT = "numbers", "times of day", "dates", "dates with times", "text"
MOST_NAME = 60  # characters of a column's name in a message
MOST_LISTED = 12  # names in a message
AMPERES = Unit(CURRENT, 1e3)  # what a current without a unit is taken for, where its values allow that

Place = tuple[str, int | None]


@dataclass(frozen=True)
class Column:
    """One column: place from 0, header as it can be shown, the name without its unit, unit, what it holds."""

    index: int
    header: str
    name: str
    unit: Unit | None
    kind: str = NUMBERS

    def measures(self, quantity: str) -> bool:
        """Whether it holds numbers of that quantity."""
        return self.kind == NUMBERS and self.unit is not None and self.unit.quantity == quantity

    @property
    def is_current(self) -> bool:
        """Whether it is a current, one that only its name tells of included."""
        unnamed = self.unit is None and self.name.lower() in CURRENT_NAMES
        return self.measures(CURRENT) or (unnamed and self.kind == NUMBERS)


@dataclass(frozen=True)
class Choice:
    """What to read: the columns of time (None: counted by the rate), date (None: none) and value; the
    factors to s and to `unit` (mA or mV); what had to be assumed."""

    time: Column | None
    date: Column | None
    value: Column
    time_s: float
    factor: float
    unit: str
    notes: tuple[str, ...]

    @property
    def assumed(self) -> bool:
        """Whether nothing names the unit of the values."""
        return self.value.unit is None

    @property
    def used(self) -> list[Column]:
        """Those of them that there are."""
        return [c for c in (self.date, self.time, self.value) if c is not None]

    @property
    def channel(self) -> str:
        """The channel's name."""
        return self.value.name or self.value.header


def plain_text(text: str, most: int = MOST_NAME) -> str:
    """A file's text as a message or a page can show it: printable, not too long."""
    plain = printable(text)
    return plain if len(plain) <= most else plain[: most - 3] + "..."


def columns_of(
    headers: Sequence[str], units: Sequence[str] | None = None, kinds: Sequence[str] | None = None
) -> tuple[Column, ...]:
    """The columns of a header, of the row of units beneath it, and of what they hold.

    Raises ValueError where a header and the row beneath it name different units.
    """
    columns = []
    for index, header in enumerate(headers):
        name, unit = split_header(header)
        below = units[index].strip() if units and index < len(units) else ""
        beneath = unit_of(below)
        if below and unit is None and beneath is None:
            name = header = f"{header} {below}"  # a unit that isn't known is not the same as none
        if unit is not None and beneath is not None and unit != beneath:
            raise ValueError(f"the header says {plain_text(header)!r}, the row beneath it {below!r}")
        kind = kinds[index] if kinds and index < len(kinds) else NUMBERS
        shown = (plain_text(header.strip()), plain_text(name))
        columns.append(Column(index, *shown, unit or beneath, kind))
    return tuple(columns)


def unnamed(kinds: Sequence[str]) -> tuple[Column, ...] | None:
    """The columns of a file without a header: a time and a current, or a current alone; None for any more."""
    *times, value = kinds
    if value != NUMBERS or tuple(times) not in ((), (NUMBERS,), (STAMP,), (CLOCK,), (DATE, CLOCK)):
        return None
    names = ["date" if kind == DATE else "time" for kind in times] + ["current"]
    return tuple(
        Column(k, name, name, None, kind) for k, (name, kind) in enumerate(zip(names, kinds, strict=True))
    )


def channels_of(columns: Sequence[Column]) -> list[Column]:
    """Those that are a current or a voltage."""
    return [c for c in columns if c.is_current or c.measures(VOLTAGE)]


def choose(
    columns: Sequence[Column],
    channel: str | None,
    options: Options,
    place: Place,
    notes: tuple[str, ...] = (),
) -> Choice:
    """The columns to read; raises InputError, which names the channels where none or several would do."""
    time, date = _time_columns(columns, options, place)
    value = _value_column([c for c in columns if c is not time], channel, options, place)
    unit, factor = _measured(value, options, place)
    assumed = [*notes]
    if time is not None and time.kind == NUMBERS and time.unit is None:
        assumed.append(f"the time column {time.header!r} names no unit: taken as seconds")
    if value.unit is None:
        assumed.append(f"the column {value.header!r} names no unit: taken as amperes")
    if value.unit is not None and value.unit.quantity == VOLTAGE and unit == MILLIAMPERE:
        assumed.append(f"the column {value.header!r} is a voltage, scaled as told")
    time_s = time.unit.factor if time is not None and time.kind == NUMBERS and time.unit else 1.0
    return Choice(time, date, value, time_s, factor, unit, tuple(assumed))


def _time_columns(
    columns: Sequence[Column], options: Options, place: Place
) -> tuple[Column | None, Column | None]:
    """The column of time and, beside a time of day, that of the date."""
    counted = [c for c in columns if c.measures(TIME)]
    stamped = [c for c in columns if c.kind in (STAMP, CLOCK)]
    called = [c for c in columns if c.kind == NUMBERS and c.unit is None and c.name.lower() in TIME_NAMES]
    # A count of seconds is finer than a stamp beside it, which often has whole seconds only.
    found = counted or [c for c in stamped if c.kind == STAMP] or stamped or called
    named = [c for c in found if c.name.lower() in TIME_NAMES]
    time = next(iter(named or found), None)
    if options.rate_hz is not None:
        if time is not None:
            message = f"--rate is for a recording without a time column, here is {time.header!r}"
            raise _refuse(place, message)
        return None, None
    if time is None:
        message = "no column is known to be a time"
        hint = "name it with its unit, like time_s or 'Time (ms)', or tell the sampling rate with --rate"
        raise _refuse(place, message, hint)
    dates = [c for c in columns if c.kind == DATE]
    return time, dates[0] if time.kind == CLOCK and dates else None


def _value_column(columns: list[Column], channel: str | None, options: Options, place: Place) -> Column:
    known = channels_of(columns)
    names = [c.name for c in known]
    listed = ", ".join(names[:MOST_LISTED]) + (", ..." if len(names) > MOST_LISTED else "")
    if channel is not None:
        shown = plain_text(channel)
        found = [c for c in known if shown == c.header] or [
            c for c in known if c.name.lower() == shown.lower()
        ]
        if len(found) > 1:
            raise _refuse(place, f"{len(found)} columns are called {shown!r}", f"channels: {listed}")
        if found:
            return found[0]
        raise _refuse(place, f"there is no channel {shown!r}", nearest(shown, names) or f"channels: {listed}")
    voltages = [c for c in known if not c.is_current]
    found = (
        voltages if options.scale_ma_per_mv is not None else [c for c in known if c.is_current] or voltages
    )
    if len(found) > 1:
        found = [c for c in found if c.name.lower() in CURRENT_NAMES] or found
    if not found and known:
        raise _refuse(place, "--scale is for a column in volts, and there is none")
    texts = [c for c in columns if c.unit is not None and c.kind != NUMBERS]
    if not found and texts:
        raise _refuse(place, f"column {texts[0].header!r} holds no numbers but {texts[0].kind}")
    if not found:
        raise _refuse(place, "no column is a current", "name it with its unit, for instance current_a")
    if len(found) > 1:
        raise _refuse(place, "several columns would do", f"choose one with --channel: {listed}")
    return found[0]


def _measured(value: Column, options: Options, place: Place) -> tuple[str, float]:
    """The unit that values are given in, mA or mV, and the factor to it."""
    scale = options.scale_ma_per_mv
    unit = value.unit or AMPERES
    if unit.quantity == CURRENT:
        if scale is not None:
            raise _refuse(place, f"--scale is for a column in volts, {value.header!r} is a current")
        return MILLIAMPERE, unit.factor
    if scale is not None:
        return MILLIAMPERE, unit.factor * scale
    if unit.factor >= 1e3 and not options.voltage:
        hint = "--scale 100mV/A, or what is written on the clamp"
        raise _refuse(place, f"the column {value.header!r} is in volts: tell the clamp's scale", hint)
    return MILLIVOLT, unit.factor


def _refuse(place: Place, message: str, hint: str | None = None) -> InputError:
    return InputError(Finding(message, file=place[0], line=place[1], hint=hint))

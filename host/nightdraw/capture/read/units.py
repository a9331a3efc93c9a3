"""Units as people write them over columns: abbreviations, words, with and without brackets; and nothing else.

A column's unit is never guessed: what isn't known here is no unit.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

TIME, CURRENT, VOLTAGE = "time", "current", "voltage"
MILLIAMPERE, MILLIVOLT = "mA", "mV"


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


TIME_NAMES = ("time", "t", "elapsed", "elapsed time", "timestamp", "date time", "datetime", "date/time")
CURRENT_NAMES = ("current", "i", "amps", "amperes", "clamp")

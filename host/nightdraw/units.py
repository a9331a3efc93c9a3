"""Quantities: a number, an optional space, a unit; and ranges of them, `LOW .. HIGH`.

The one place that knows units. Values are exact fractions in the base unit of their dimension; conversion to
whole ticks, microamperes and the like happens here, once. Nothing here knows files or command lines.
"""

from __future__ import annotations

import math
import re
from fractions import Fraction
from functools import lru_cache

from nightdraw.errors import nearest

_MILLI = Fraction(1, 1000)
_MICRO = Fraction(1, 1_000_000)

# dimension -> unit -> size in the base unit (the one of size 1); AWG is a gauge, not a factor.
UNITS: dict[str, dict[str, Fraction]] = {
    "time": {
        "us": _MICRO,
        "ms": _MILLI,
        "s": Fraction(1),
        "min": Fraction(60),
        "h": Fraction(3600),
        "d": Fraction(86400),
    },
    "current": {"uA": _MICRO, "mA": _MILLI, "A": Fraction(1)},
    "voltage": {"mV": _MILLI, "V": Fraction(1)},
    "charge": {"mAh": _MILLI, "Ah": Fraction(1)},
    "frequency": {"Hz": Fraction(1), "kHz": Fraction(1000)},
    "resistance": {"ohm": Fraction(1), "kohm": Fraction(1000)},
    "power": {"W": Fraction(1)},
    "temperature": {"C": Fraction(1)},
    "absolute temperature": {"K": Fraction(1)},
    "length": {"mm": _MILLI, "m": Fraction(1)},
    "area": {"mm2": Fraction(1)},
    "percent": {"%": Fraction(1)},
    "thermal resistance": {"K/W": Fraction(1)},
    "heat capacity": {"J/K": Fraction(1)},
    "clamp scale": {"mV/A": _MILLI, "V/A": Fraction(1), "mV/mA": Fraction(1)},
    "inverse clamp scale": {"A/V": Fraction(1), "A/mV": 1 / _MILLI, "mA/mV": Fraction(1), "mA/V": _MILLI},
    "temperature coefficient": {"ppm/K": _MICRO, "%/K": Fraction(1, 100)},
}
AWG = "AWG"
AWG_RANGE = (0, 40)  # the sizes that wire tables list in plain numbers
SIGNED = ("temperature", "voltage")  # all other quantities are amounts: below zero they mean nothing
# What people write for a unit, and the unit to offer instead.
WRITTEN = {
    "sec": "s",
    "secs": "s",
    "second": "s",
    "seconds": "s",
    "m": "min",
    "mins": "min",
    "minute": "min",
    "minutes": "min",
    "hr": "h",
    "hour": "h",
    "hours": "h",
    "day": "d",
    "days": "d",
    "\u00b5s": "us",
    "\u03bcs": "us",
    "\u00b5A": "uA",
    "\u03bcA": "uA",
    "amp": "A",
    "amps": "A",
    "volt": "V",
    "volts": "V",
    "\u03a9": "ohm",
    "\u2126": "ohm",
    "k\u03a9": "kohm",
    "k\u2126": "kohm",
    "k": "kohm",
    "R": "ohm",
    "\u00b0C": "C",
    "degC": "C",
    "mm\u00b2": "mm2",
}
MAX_TEXT = 60  # characters of one quantity or range: longer ones are no quantity
MAX_EXPONENT = 30  # 10^30 of any unit is beyond everything; a larger one only burns memory
TICKS_PER_S = 10_000  # a tick is 100 us
MIN_DURATION_S = _MILLI  # shorter pulses are lost in gate and recorder transitions

_NUMBER = re.compile(r"([+-]?)([0-9]+(?:\.[0-9]+)?|\.[0-9]+)(?:[eE]([+-]?[0-9]+))?")
_RANGE_MARK = ".."


NOT_ONE, NEGATIVE, TOO_LARGE, NO_UNIT, OTHER_UNIT, UNKNOWN_UNIT = (
    "not-one", "negative", "too-large", "no-unit", "other-unit", "unknown-unit",
)  # fmt: skip


class QuantityError(ValueError):
    """The text is not the quantity that was wanted; `hint` (in the text too) says what to do, or is None;
    `kind` (of the six above) is what is wrong, for who says it in other words."""

    def __init__(self, message: str, hint: str | None = None, kind: str = NOT_ONE) -> None:
        super().__init__(f"{message} ({hint})" if hint else message)
        self.kind = kind
        self.message = message
        self.hint = hint


def shown(text: str) -> str:
    """The text in quotes for a message: cut at 40 characters, control characters escaped."""
    return repr(text if len(text) <= 40 else text[:37] + "...")


@lru_cache(maxsize=4096)  # the bounds of a key are texts, too, and asked again for each value that is read
def parse(text: str, dimension: str) -> Fraction:
    """The exact value of a quantity such as `12.6 V`, in the base unit of `dimension` (a key of UNITS).

    Base units: s, A, V, Ah, Hz, ohm, W, C, m, mm2, %, K/W, J/K, 1/K. Raises QuantityError (a ValueError) for
    anything else, a bare number, another dimension's unit and a negative amount included.
    """
    text = text.strip(" ")
    match = _NUMBER.match(text) if len(text) <= MAX_TEXT else None
    if match is None:
        raise QuantityError(f"{shown(text)} is not {_wanted(dimension)}")
    number = _value(match)
    unit = text[match.end() :]
    unit = unit[1:] if unit.startswith(" ") else unit
    value = _with_unit(text, number, unit, dimension)
    if text.startswith("-") and dimension not in SIGNED:
        raise QuantityError(f"{shown(text)} is negative, a {dimension} can't be", kind=NEGATIVE)
    return value


def _value(match: re.Match[str]) -> Fraction:
    sign, digits, exponent = match.groups()
    power = int(exponent or 0)
    if abs(power) > MAX_EXPONENT:
        raise QuantityError(f"{shown(match.group())} is out of range", kind=TOO_LARGE)
    value = Fraction(digits) * Fraction(10) ** power
    return -value if sign == "-" else value


def _with_unit(text: str, number: Fraction, unit: str, dimension: str) -> Fraction:
    units = UNITS[dimension]
    if unit in units:
        return number * units[unit]
    if unit == AWG and dimension == "area":
        return awg_mm2(number)
    if not unit:
        raise QuantityError(f"{shown(text)} has no unit: {_wanted(dimension)}", kind=NO_UNIT)
    if is_range(unit):
        raise QuantityError(f"{shown(text)} is a range, wanted one value: {_wanted(dimension)}")
    if unit[0] == ",":
        raise QuantityError(f"{shown(text)} is not {_wanted(dimension)}", "write the decimal point as '.'")
    for other, others in UNITS.items():
        if unit in others and not (unit in WRITTEN and WRITTEN[unit] in units):
            message = f"{shown(text)} is {_article(other)}, wanted {_wanted(dimension)}"
            raise QuantityError(message, kind=OTHER_UNIT)
    raise QuantityError(
        f"{shown(text)} has an unknown unit {shown(unit)}: {_wanted(dimension)}",
        _unit_hint(unit, units),
        UNKNOWN_UNIT,
    )


def _article(dimension: str) -> str:
    return ("an " if dimension[0] in "aeiou" else "a ") + dimension


def _wanted(dimension: str) -> str:
    return f"{_article(dimension)} in {', '.join(UNITS[dimension])}"


def _unit_hint(unit: str, units: dict[str, Fraction]) -> str | None:
    for known in units:
        if WRITTEN.get(unit) == known or unit.lower() == known.lower():
            return f"did you mean {known!r}?"
    return nearest(unit, units)


def awg_mm2(gauge: Fraction | int) -> Fraction:
    """The area of an AWG size (whole, 0..40), mm2: d = 0.127 mm * 92^((36-n)/39), ASTM B258."""
    low, high = AWG_RANGE
    if gauge != int(gauge) or not low <= gauge <= high:
        raise QuantityError(f"a wire gauge is a whole number of {low} to {high} AWG")
    diameter_mm = 0.127 * 92 ** ((36 - int(gauge)) / 39)
    return Fraction(math.pi / 4 * diameter_mm**2)


def parse_range(text: str, dimension: str) -> tuple[Fraction, Fraction]:
    """The two ends of `LOW .. HIGH` or `LOW..HIGH`, low <= high, each with its unit; raises QuantityError."""
    parts = text.split(_RANGE_MARK)
    if len(text) > 2 * MAX_TEXT or len(parts) != 2:
        raise QuantityError(f"{shown(text)} is not a range LOW .. HIGH of {_wanted(dimension)}")
    low, high = parse(parts[0], dimension), parse(parts[1], dimension)
    if low > high:
        raise QuantityError(f"{shown(text)} is a range with its high end first", "put the low end first")
    return low, high


def is_range(text: str) -> bool:
    """True where the text is meant as a range."""
    return _RANGE_MARK in text


def parse_span(text: str, dimension: str) -> tuple[Fraction, Fraction]:
    """The ends of a range, or one quantity as both ends; raises QuantityError."""
    if is_range(text):
        return parse_range(text, dimension)
    value = parse(text, dimension)
    return value, value


def half_up(value: Fraction) -> int:
    """The nearest whole number, halves upwards."""
    return math.floor(value + Fraction(1, 2))


def to_ticks(seconds: Fraction) -> int:
    """Seconds to the nearest tick of 100 us."""
    return half_up(seconds * TICKS_PER_S)


def to_ua(amperes: Fraction) -> int:
    """Amperes to the nearest microampere."""
    return half_up(amperes * 1_000_000)


def to_mv(volts: Fraction) -> int:
    """Volts to the nearest millivolt."""
    return half_up(volts * 1000)


def to_mas(ampere_hours: Fraction) -> int:
    """Ampere-hours to the nearest milliampere-second."""
    return half_up(ampere_hours * 3_600_000)


def to_cdeg(celsius: Fraction) -> int:
    """Degrees Celsius to the nearest hundredth."""
    return half_up(celsius * 100)


def to_ns(ohms: Fraction) -> int:
    """A resistance above zero, ohms, to the nearest nanosiemens of conductance."""
    return half_up(Fraction(1_000_000_000) / ohms)


def show(value: Fraction, dimension: str) -> str:
    """The value in the unit of its dimension that reads best, at most four decimals, such as `700 ms`."""
    units = UNITS[dimension]
    fitting = [unit for unit, size in units.items() if value and abs(value) >= size]
    unit = max(fitting, key=lambda name: units[name]) if fitting else min(units, key=lambda n: units[n])
    exact = [name for name in fitting if (value / units[name]).denominator == 1]
    if dimension == "time" and exact:
        unit = max(exact, key=lambda name: units[name])
    if not value:
        unit = next(name for name, size in units.items() if size == 1)
    return f"{round(float(value / units[unit]), 4):g} {unit}"

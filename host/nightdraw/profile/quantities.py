"""The quantities of a profile as whole numbers, and back for people: ticks and microamperes, with bounds.

Only conversion lives here; which quantity stands under which key is the readers' business.
"""

from __future__ import annotations

from fractions import Fraction

from boxcore import program as pg

from nightdraw import units
from nightdraw.units import QuantityError, shown

LONGEST = "4.97 d"  # 2^32 - 1 ticks, to the digits worth showing
LONGEST_MEAN = "14.9 h"  # an exponential gap may last 8 means
LARGEST = "100 A"  # far beyond any bank; keeps sums inside 32 bits


def duration_ticks(text: str) -> int:
    """A duration of 1 ms .. 4.97 d to the nearest tick; raises QuantityError."""
    return _ticks(text, units.parse(text, "time"))


def delay_ticks(text: str) -> int:
    """A duration, or none at all (`0 s`); raises QuantityError."""
    seconds = units.parse(text, "time")
    return _ticks(text, seconds) if seconds else 0


def duration_range_ticks(text: str) -> tuple[int, int]:
    """The two ends of a range of durations; raises QuantityError."""
    low, high = units.parse_range(text, "time")
    return _ticks(text, low), _ticks(text, high)


def duration_span_ticks(text: str) -> tuple[int, int]:
    """A range of durations, or one duration as both ends; raises QuantityError."""
    low, high = units.parse_span(text, "time")
    return _ticks(text, low), _ticks(text, high)


def mean_ticks(text: str) -> int:
    """The mean of an exponential gap, 1 ms .. 14.9 h; raises QuantityError."""
    ticks = duration_ticks(text)
    if ticks > pg.MAX_MEAN_TICKS:
        raise QuantityError(f"{shown(text)} is too long, a mean is at most {LONGEST_MEAN}")
    return ticks


def uniform_gap_ticks(text: str) -> tuple[int, int]:
    """The two ends of a uniform gap's range; raises QuantityError."""
    if not units.is_range(text):
        duration_ticks(text)
        hint = f"{text} .. {text} is a fixed gap; law: exponential takes a mean"
        raise QuantityError(f"a uniform gap takes a range LOW .. HIGH, not {shown(text)}", hint)
    return duration_range_ticks(text)


def mean_gap_ticks(text: str) -> tuple[int, int]:
    """The mean of an exponential gap, as both ends; raises QuantityError."""
    if units.is_range(text):
        raise QuantityError(f"an exponential gap takes one mean, not the range {shown(text)}")
    mean = mean_ticks(text)
    return mean, mean


def _ticks(text: str, seconds: Fraction) -> int:
    if seconds < units.MIN_DURATION_S:
        raise QuantityError(f"{shown(text)} is too short, a duration is at least 1 ms")
    ticks = units.to_ticks(seconds)
    if ticks > pg.MAX_TICKS:
        raise QuantityError(f"{shown(text)} is too long, a duration is at most {LONGEST}")
    return ticks


def level_ua(text: str) -> int:
    """A current of 0 .. 100 A to the nearest microampere; raises QuantityError."""
    ua = units.to_ua(units.parse(text, "current"))
    if ua > pg.MAX_LEVEL_UA:
        raise QuantityError(f"{shown(text)} is too much, a level is at most {LARGEST}")
    return ua


def draw_ua(text: str) -> int:
    """A current above zero, at most 100 A, to the nearest microampere; raises QuantityError."""
    ua = level_ua(text)
    if not ua:
        raise QuantityError(f"{shown(text)} draws nothing")
    return ua


def show_ticks(ticks: float) -> str:
    """Ticks for people."""
    return units.show(Fraction(ticks) / units.TICKS_PER_S, "time")


def show_ua(ua: float) -> str:
    """Microamperes for people, to a tenth of a milliampere."""
    return f"{round(ua / 1000, 1):g} mA"

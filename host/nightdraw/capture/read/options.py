"""What a person says about a recording that the file doesn't: clamp's scale, rate, polarity, a part of it."""

from __future__ import annotations

from dataclasses import dataclass

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

"""What a picture of recordings shows, whatever draws it: strips of bands, marks, histograms, ranges, ticks.

A band is a record decimated to columns of equal width, each with its lowest and highest value, so that no
spike vanishes. It is made in one pass over blocks of samples and in bounded memory: columns begin as wide as
the distance of two samples (each sample has a column of its own then), and whenever there are too many, pairs
are merged and all are twice as wide. Nothing is read, measured or drawn here.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from nightdraw.report.envelope import GAP, Envelope, Floats, stairs_envelope, with_gaps

MOST_COLUMNS = 1 << 17  # of one band: a megabyte of page
MOST_EMBEDDED = 1 << 19  # of all bands of a picture
LEAST_COLUMNS = 1 << 12  # of one band, however many there are: more than a screen has
SEGMENTS, USUAL = 32, 4  # what this many of so many parts of a recording reach is usual for it
BEYOND = 10.0  # times what is usual: whatever reaches further would flatten the rest, and is only marked
MOST_USUAL = {"mA": np.inf, "mV": 1000.0}  # no fuse that is in drops a volt
FLOOR = {"mA": 100.0, "mV": 1.0}  # nothing less than this is taken for usual: noise, a base near zero
WIDE = 30.0  # longest over shortest: from here on a histogram's bars are even in ratio
LEAST_BARS, MOST_BARS = 8, 40
MARGIN = 0.06  # of the range left free above and below

# Steps of time that people count in, s.
STEPS_S = (
    *(float(f"{n}e{power}") for power in range(-6, 0) for n in (1, 2, 5)), 1.0, 2.0, 5.0, 10.0, 15.0, 30.0,
    60.0, 120.0, 300.0, 600.0, 900.0, 1800.0, 3600.0, 7200.0, 10800.0, 21600.0, 43200.0, 86400.0, 172800.0,
    604800.0, 1209600.0, 2419200.0,
)  # fmt: skip


@dataclass(frozen=True)
class Band:
    """Columns of width_s from begin_s on; low, high: nan where no sample is; samples: how many went in."""

    begin_s: float
    width_s: float
    low: Floats
    high: Floats
    samples: int

    @property
    def end_s(self) -> float:
        """Where the last column ends."""
        return self.begin_s + self.width_s * len(self.low)

    @property
    def drawn(self) -> int:
        """How many columns have a value."""
        return int(np.count_nonzero(~np.isnan(self.low)))

    def gap_columns(self) -> float:
        """More empty columns than this in a row are a gap in the record."""
        known = np.flatnonzero(~np.isnan(self.low))
        return GAP * float(np.median(np.diff(known))) if len(known) > 1 else GAP

    def coarser(self, most: int) -> Band:
        """The same in at most so many columns."""
        factor = -(-len(self.low) // most)
        if factor <= 1:
            return self
        low, high = merged(self.low, self.high, factor)
        return Band(self.begin_s, self.width_s * factor, low, high, self.samples)

    def line(self, most: int) -> Envelope:
        """For a still picture: the columns that have a value, nan in gaps."""
        band = self.coarser(most)
        known = np.flatnonzero(~np.isnan(band.low))
        middle: Floats = band.begin_s + band.width_s * (known.astype(float) + 0.5)
        return with_gaps(Envelope(middle, band.low[known], band.high[known]))


def merged(low: Floats, high: Floats, factor: int) -> tuple[Floats, Floats]:
    """Each `factor` columns as one."""
    spare = -len(low) % factor
    lows = np.append(low, np.full(spare, np.nan)).reshape(-1, factor)
    highs = np.append(high, np.full(spare, np.nan)).reshape(-1, factor)
    return np.asarray(np.fmin.reduce(lows, axis=1)), np.asarray(np.fmax.reduce(highs, axis=1))


class Decimator:
    """Makes a band of a record's blocks; see the head of the module. most: columns that the band may have."""

    def __init__(self, most: int = MOST_COLUMNS) -> None:
        self._most = most
        self._low, self._high = np.full(2 * most, np.nan), np.full(2 * most, np.nan)
        self._begin_s = self._width_s = 0.0
        self._used = self._samples = 0

    def add(self, t_s: Floats, value: Floats) -> None:
        """The next samples, in the order of time."""
        if not len(t_s):
            return
        if not self._samples:
            self._width_s = _interval(t_s)
            self._begin_s = float(t_s[0]) - self._width_s / 2  # samples lie in the middle of their columns
        self._samples += len(t_s)
        place = self._places(t_s)
        while place[-1] >= 2 * self._most:
            low, high = merged(self._low, self._high, 2)
            self._low[:] = self._high[:] = np.nan
            self._low[: self._most], self._high[: self._most] = low, high
            self._width_s *= 2
            place = self._places(t_s)
        first = np.concatenate(([0], np.flatnonzero(np.diff(place)) + 1))
        at = place[first]
        self._low[at] = np.fmin(self._low[at], np.minimum.reduceat(value, first))
        self._high[at] = np.fmax(self._high[at], np.maximum.reduceat(value, first))
        self._used = int(place[-1]) + 1

    def _places(self, t_s: Floats) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
        return ((t_s - self._begin_s) / self._width_s).astype(np.int64)

    def band(self) -> Band:
        """What has come so far."""
        low, high = self._low[: self._used].copy(), self._high[: self._used].copy()
        whole = Band(self._begin_s, self._width_s, low, high, self._samples)
        return whole.coarser(self._most)


def _interval(t_s: Floats) -> float:
    """The distance of two samples: the mean where there are no gaps (exact where times are rounded), else
    the median."""
    if len(t_s) < 2:
        return 1.0
    mean = float(t_s[-1] - t_s[0]) / (len(t_s) - 1)
    usual = float(np.median(np.diff(t_s)))
    return mean if abs(mean - usual) < 0.1 * usual else usual


def band_of_levels(t_s: Floats, level: Floats, end_s: float, begin_s: float = 0.0) -> Band:
    """The band of levels over time from 0 to end_s, called begin_s and so on; level i holds from t_s[i]."""
    shape = stairs_envelope(t_s, level, end_s, MOST_COLUMNS)
    return Band(begin_s, end_s / MOST_COLUMNS, shape.low, shape.high, len(t_s))


@dataclass(frozen=True)
class Strip:
    """One channel: its name, its unit (mA or mV), the band of all of it, bands of parts that are finer, the
    base that its pulses rise from as corners (s, value)."""

    name: str
    unit: str
    band: Band
    details: tuple[Band, ...] = ()
    base: tuple[tuple[float, float], ...] | None = None

    def reach(self) -> tuple[float, float]:
        """Lowest and highest value of the vertical axis; see usual_range()."""
        return usual_range(self.band, self.unit)


@dataclass(frozen=True)
class PulseMark:
    """One pulse of the first strip."""

    start_s: float
    duration_s: float
    level: float


@dataclass(frozen=True)
class Histogram:
    """Counts between edges (s), the figures in words, and whether the edges are even in ratio."""

    title: str
    edges: Floats
    counts: Floats
    text: str
    ratio: bool


@dataclass(frozen=True)
class Chart:
    """A picture: title; note: a line about it; strips under each other from begin_s to end_s, in seconds;
    pulses of the first strip; events: when, and a few words; facts: name and value, in order."""

    title: str
    note: str
    strips: tuple[Strip, ...]
    begin_s: float
    end_s: float
    pulses: tuple[PulseMark, ...] = ()
    events: tuple[tuple[float, str], ...] = ()
    histograms: tuple[Histogram, ...] = ()
    facts: tuple[tuple[str, str], ...] = field(default=())

    @property
    def drawn(self) -> int:
        """How many columns of all bands have a value."""
        return sum(band.drawn for strip in self.strips for band in (strip.band, *strip.details))


def usual_range(band: Band, unit: str) -> tuple[float, float]:
    """The vertical range that shows what is usual for a record; zero is in it.

    One crank or an open fuse socket would flatten all else: what goes more than BEYOND times further than an
    eighth of the record's parts do is left out of the range (whoever draws it marks it). A single pulse
    above a quiet base stays in.
    """
    known = ~np.isnan(band.low)
    low, high = band.low[known], band.high[known]
    if not len(low):
        return 0.0, 1.0
    size = np.maximum(np.abs(low), np.abs(high))
    likely = np.where(size <= MOST_USUAL[unit], size, 0.0)
    parts = [float(part.max()) for part in np.array_split(likely, SEGMENTS) if len(part)]
    usual = max(sorted(parts)[-min(USUAL, len(parts))], FLOOR[unit])
    inside_high, inside_low = high[high <= BEYOND * usual], low[low >= -BEYOND * usual]
    top, bottom = float(np.max(inside_high, initial=0.0)), float(np.min(inside_low, initial=0.0))
    free = MARGIN * (top - bottom) or 1.0
    under = free if bottom < 0 else free / 3  # a channel that stays at zero shows as a line
    return bottom - under, top + free


def histogram(title: str, values_s: Floats) -> Histogram | None:
    """How often which duration comes; None for fewer than two values."""
    if len(values_s) < 2:
        return None
    low, middle, high = (float(x) for x in (values_s.min(), np.median(values_s), values_s.max()))
    ratio = high > WIDE * low > 0  # one that lasts minutes would put all others into one bar
    bins = min(max(int(np.sqrt(len(values_s))), LEAST_BARS), MOST_BARS)
    if high - low < 1e-6 * high:
        edges = low * np.array([0.995, 1.005])
    else:
        edges = np.geomspace(low, high, bins + 1) if ratio else np.linspace(low, high, bins + 1)
        edges[0], edges[-1] = low, high  # rounding must not leave the ends out
    counts, _ = np.histogram(values_s, edges)
    text = f"{len(values_s)}: {duration_text(low)} to {duration_text(high)}, median {duration_text(middle)}"
    return Histogram(title, edges, counts.astype(float), text, ratio)


def duration_text(t_s: float) -> str:
    """A duration in the unit that people say it in."""
    size = abs(t_s)
    per, unit = next((per, unit) for per, unit, most in _UNITS if size < most)
    return f"{t_s / per:.4g} {unit}"


_UNITS = ((1e-3, "ms", 1.0), (1.0, "s", 120.0), (60.0, "min", 7200.0), (3600.0, "h", np.inf))


def ticks(begin_s: float, end_s: float, most: int) -> tuple[list[float], float]:
    """Instants to label between two, at most so many and at steps that people count in; and the step."""
    step_s = next((s for s in STEPS_S if (end_s - begin_s) / s <= most), STEPS_S[-1])
    first, last = int(np.ceil(begin_s / step_s - 1e-9)), int(np.floor(end_s / step_s + 1e-9))
    return [step_s * k for k in range(first, last + 1)], step_s


def label(t_s: float, step_s: float, end_s: float) -> str:
    """An instant in words, as finely as ticks of this step need it, on an axis that ends there.

    `3 h`; `1:15 h` in hours and minutes; `15 min`; `2:30 min` in minutes and seconds; `0.25 s`.
    """
    sign, size = ("-" if t_s < -step_s / 2 else ""), abs(t_s)
    if step_s >= 3600:
        return f"{sign}{size / 3600:.0f} h"
    if step_s >= 60:
        minutes = round(size / 60)
        return f"{sign}{minutes // 60}:{minutes % 60:02d} h" if end_s > 7200 else f"{sign}{minutes} min"
    digits = 0 if step_s >= 1 else next(d for d in range(1, 8) if step_s * 10**d > 0.99)
    if end_s <= 120:
        return f"{sign}{size:.{digits}f} s"
    whole = round(size, digits)
    minutes, rest = int(whole // 60), f"{whole % 60:0{3 + digits if digits else 2}.{digits}f}"
    if end_s <= 7200:
        return f"{sign}{minutes}:{rest} min"
    return f"{sign}{minutes // 60}:{minutes % 60:02d}:{rest} h"

"""A long record decimated to what a picture can show: lowest and highest value of each column of pixels.

No pulse vanishes, however short it is. Works on blocks, in bounded memory.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
GAP = 3.0  # times the usual step from column to column: a longer one is a gap in the record


@dataclass(frozen=True)
class Envelope:
    """t_s: the middle of each column that has values; low, high: its lowest and highest value."""

    t_s: Floats
    low: Floats
    high: Floats


def envelope(blocks: Iterable[tuple[Floats, Floats]], from_s: float, to_s: float, columns: int) -> Envelope:
    """The envelope of (time, value) blocks between two instants, in so many columns."""
    low, high = np.full(columns, np.inf), np.full(columns, -np.inf)
    width_s = (to_s - from_s) / columns
    for t_s, value in blocks:
        inside = (t_s >= from_s) & (t_s <= to_s)
        place = np.minimum(((t_s[inside] - from_s) / width_s).astype(np.int64), columns - 1)
        np.minimum.at(low, place, value[inside])
        np.maximum.at(high, place, value[inside])
    known = np.flatnonzero(high >= low)
    middle: Floats = from_s + (known.astype(float) + 0.5) * width_s
    return Envelope(middle, low[known], high[known])


def with_gaps(band: Envelope) -> Envelope:
    """The same with a NaN in each gap, so that nothing is drawn where a record paused: nobody knows."""
    if len(band.t_s) < 2:
        return band
    steps_s = np.diff(band.t_s)
    gaps = np.flatnonzero(steps_s > GAP * np.median(steps_s)) + 1
    return Envelope(
        np.insert(band.t_s, gaps, band.t_s[gaps]),
        np.insert(band.low, gaps, np.nan),
        np.insert(band.high, gaps, np.nan),
    )


def stairs_envelope(t_s: Floats, level: Floats, end_s: float, columns: int) -> Envelope:
    """The same for levels over time from 0 on: each level holds from its instant to the next."""
    starts_s: Floats = np.linspace(0.0, end_s, columns, endpoint=False)
    lasting = level[np.maximum(np.searchsorted(t_s, starts_s, side="right") - 1, 0)]
    times = np.concatenate((starts_s + end_s / columns / 2, t_s))  # well inside the columns
    return envelope([(times, np.concatenate((lasting, level)))], 0.0, end_s, columns)


def stairs(t_s: Floats, level: Floats, end_s: float) -> tuple[Floats, Floats]:
    """The corners of levels over time as a line, the last level lasting to end_s."""
    return np.append(np.repeat(t_s, 2)[1:], end_s), np.repeat(level, 2)

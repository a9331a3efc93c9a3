"""Where the level of a noisy record changes: steps found at many time scales, in plain arrays of samples.

A step is found by comparing the mean of `w` samples after an instant with the mean of `w` before it, for
windows from one sample to about a second, short ones first. What noise does to such a comparison is measured
in the record itself at each width, so hum, slow drift and a recorder's own filter raise the threshold instead
of making steps. No times and no files here.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

FALSE_Z = 6.0  # normal noise goes beyond six deviations once in 5e8 windows: not once in a long recording
KEEP_Z = 5.0  # a step, once placed, must stand this far above the noise of the two levels beside it
PARTIAL_Z = 3.0  # beside a known step a sample this far off its level was caught in the middle of the step
QUARTER_Z = 0.31863936  # a quarter of |normal| lies below this: three in four differences may be steps
HALF_Z = 0.67448975  # half of |normal| lies below this
TRIM_Z = 2.5  # one in eighty normal differences is larger: leaving them out lowers the deviation by 2 %
QUIET_WINDOWS = 16  # fewer windows than this say too little about the noise at their width
SMALL_WIDTHS = (1, 2, 3, 4, 6, 8, 12, 16, 24, 32, 48)
SHORT_WIDTHS = (1, 2, 3, 4, 6, 8)
BESIDE = 16  # samples on either side of a short excursion: enough to tell their level better than its own
ROUNDS = 4  # steps closer than a window hide each other: each round uncovers the next
GUARD = 1  # samples left out at each end of a level: a step rarely falls between two samples
GUARD_FROM = 5  # levels of fewer samples can't spare them
DYNAMIC = 1e-4  # a recorder resolves 13 bits at the most: noise below 1e-4 of the range is arithmetic
QUANTUM_MA = 20.0  # coarser steps of the values than this are pulses, not the resolution of a recorder
FINE_MA = (
    2.0  # values in steps of this or less, or of FINE_SHARE of their range, show a recorder's resolution:
)
FINE_SHARE = 0.05  # as a zero creeps they jump by one unit, which is no pulse
SOME = 1 << 14  # values enough for a quantile: it is known to a percent then


class Noise:
    """sigma_ma: deviation of one sample; least_ma: the smallest step that the values' resolution allows."""

    def __init__(self, sigma_ma: float, least_ma: float) -> None:
        self.sigma_ma = sigma_ma
        self.least_ma = least_ma


def noise_of(value: Floats) -> Noise:
    """The noise of a record in which levels and steps are mixed, from the smaller differences of neighbours.

    Differences that can only be steps are left out and the rest measured again, until nothing changes much.
    """
    if len(value) < 3:
        return Noise(0.0, 0.0)
    low, high = np.quantile(value[:: max(len(value) // SOME, 1)], (0.001, 0.999))
    floor = DYNAMIC * float(high - low)
    differences = np.abs(np.diff(value))
    differences = differences[:: max(len(differences) // SOME, 1)]
    sigma = float(np.quantile(differences, 0.25)) / (QUARTER_Z * np.sqrt(2))
    for _ in range(ROUNDS):
        rest = differences[differences <= TRIM_Z * np.sqrt(2) * sigma]
        sigma = min(sigma, float(np.median(rest)) / (HALF_Z * np.sqrt(2)))
    real = differences[differences > max(floor, 1e-9)]
    quantum = float(real.min()) if len(real) and 2 * sigma < real.min() <= QUANTUM_MA else 0.0
    if quantum:
        flicker = differences[differences < 3.5 * quantum]
        floor = max(floor, quantum / np.sqrt(12), float(np.sqrt(np.mean(flicker**2) / 2)))
    resolution = quantum <= max(FINE_MA, FINE_SHARE * float(high - low))
    return Noise(max(sigma, floor), 1.5 * quantum if resolution else 0.0)


class _Known:
    """The places that are steps or gaps already, and how many of them lie in any stretch of samples."""

    def __init__(self, samples: int, gaps: Ints) -> None:
        self._marks = np.zeros(samples + 1, dtype=bool)
        self.add(gaps)

    def add(self, places: Ints) -> None:
        """Mark further places."""
        self._marks[places] = True
        self._count = np.concatenate(([0], np.cumsum(self._marks, dtype=np.int32)))

    def places(self) -> Ints:
        """All of them, ascending."""
        return np.flatnonzero(self._marks)

    def free(self, length: int) -> Bools:
        """For each stretch of `length` samples, by its first: True where nothing is marked inside it."""
        inside = self._count[length : len(self._marks)] - self._count[1 : len(self._marks) - length + 1]
        free: Bools = inside == 0
        return free

    def free_at(self, start: Ints, length: int) -> Bools:
        """The same for some stretches only."""
        free: Bools = self._count[start + length] == self._count[start + 1]
        return free


def find(value: Floats, gaps: Ints, noise: Noise, widest: int) -> Ints:
    """Positions k where the level before sample k differs from the level from k on; ascending.

    gaps: positions before which samples are missing (no window spans one); widest: the widest window.
    """
    total = np.concatenate(([0.0], np.cumsum(value - np.median(value[:: max(len(value) // SOME, 1)]))))
    known = _Known(len(value), gaps)
    _scan(total, known, 1, noise)
    _scan_short(total, known, noise)
    for width in _widths(widest)[1:]:
        if 2 * width >= len(value):
            break
        if not _scan(total, known, width, noise):
            break
    found = known.places()
    return _settle(total, found[~np.isin(found, gaps)], gaps, noise, widest)


def _widths(widest: int) -> list[int]:
    widths = list(SMALL_WIDTHS)
    while widths[-1] < widest:
        widths.append(64 if widths[-1] < 64 else widths[-1] * 2)
    return widths


def _scan(total: Floats, known: _Known, width: int, noise: Noise) -> bool:
    """Mark the steps that windows of one width show; False where too few windows are free of steps."""
    jump = total[2 * width :] - 2 * total[width:-width] + total[: -2 * width]
    size = np.abs(jump)
    white = noise.sigma_ma * np.sqrt(2 * width)
    if width == 1:  # sigma itself comes from this width: there is nothing else to measure
        known.add(1 + np.flatnonzero(known.free(2) & (size > max(FALSE_Z * white, noise.least_ma))))
        return True
    for _ in range(ROUNDS):
        free = known.free(2 * width)
        if np.count_nonzero(free) < QUIET_WINDOWS * width:
            return False
        apart = max(width // 2, len(size) // SOME, 1)
        spread = _spread(jump[::apart][free[::apart]])
        hits = np.flatnonzero(size > max(FALSE_Z * max(white, spread), noise.least_ma * width))
        hits = hits[free[hits]]
        if not len(hits):
            return True
        known.add(width + _peaks(hits, jump[hits]))
    return True


def _spread(differences: Floats) -> float:
    """The deviation of normal differences among which are steps."""
    return float(np.quantile(np.abs(differences), 0.25)) / QUARTER_Z if len(differences) else 0.0


def _scan_short(total: Floats, known: _Known, noise: Noise) -> None:
    """Mark both ends of short excursions that stand above, or below, the longer levels on both sides."""
    for width in SHORT_WIDTHS:
        length = width + 2 * BESIDE
        size = len(total) - length
        if size < 1:
            return
        before = (total[BESIDE : BESIDE + size] - total[:size]) / BESIDE
        middle = (total[BESIDE + width : BESIDE + width + size] - total[BESIDE : BESIDE + size]) / width
        rise = middle - before
        some = np.arange(0, size, max(size // SOME, 1))
        spread = _spread(rise[some[known.free_at(some, length)]])
        white = noise.sigma_ma * np.sqrt(1 / width + 1 / BESIDE)
        least = max(FALSE_Z * max(white, spread), noise.least_ma)
        hits = np.flatnonzero(np.abs(rise) > least)
        fall = middle[hits] - (total[hits + length] - total[hits + BESIDE + width]) / BESIDE
        good = (np.abs(fall) > least) & (fall * rise[hits] > 0) & known.free_at(hits, length)
        hits, fall = hits[good], fall[good]
        if len(hits):
            start = BESIDE + _peaks(hits, np.sign(fall) * np.minimum(np.abs(fall), np.abs(rise[hits])))
            known.add(np.concatenate((start, start + width)))


def _peaks(hits: Ints, jump: Floats) -> Ints:
    """The largest of each run of neighbouring hits that have the same sign; jump: theirs."""
    sign = jump > 0
    starts = np.concatenate(([True], (np.diff(hits) > 1) | (sign[1:] != sign[:-1])))
    run = np.cumsum(starts) - 1
    order = np.lexsort((-np.abs(jump), run))
    peaks: Ints = hits[order[np.searchsorted(run, np.arange(run[-1] + 1))]]
    return peaks


def _settle(total: Floats, found: Ints, gaps: Ints, noise: Noise, widest: int) -> Ints:
    """Drop the steps that the levels beside them don't bear out, move the rest to their likeliest place."""
    for _ in range(ROUNDS):
        found = _drop(total, found, gaps, noise, widest)
        placed = _place(total, found, gaps, noise, widest)
        if np.array_equal(placed, found):
            break
        found = placed
    return _drop(total, found, gaps, noise, widest)


def _drop(total: Floats, found: Ints, gaps: Ints, noise: Noise, widest: int) -> Ints:
    """Leave out insignificant steps, of neighbours the weaker first: two found for one weaken each other."""
    while len(found):
        z = _significance(total, found, gaps, noise, widest)
        beside = np.minimum(np.append(z[1:], np.inf), np.append(np.inf, z[:-1]))
        weak = (z < KEEP_Z) & (z <= beside)
        if not weak.any():
            break
        found = found[~weak]
    return found


def _bounds(total: Floats, found: Ints, gaps: Ints, widest: int) -> tuple[Ints, Ints]:
    """For each step: the start of the level before it and the end of the level after it, within `widest`."""
    ends = np.sort(np.concatenate((found, gaps, [0, len(total) - 1])))
    at = np.searchsorted(ends, found)
    return np.maximum(ends[at - 1], found - widest), np.minimum(ends[at + 1], found + widest)


def _significance(total: Floats, found: Ints, gaps: Ints, noise: Noise, widest: int) -> Floats:
    low, high = _bounds(total, found, gaps, widest)
    before = (total[found] - total[low]) / (found - low)
    after = (total[high] - total[found]) / (high - found)
    deviation = noise.sigma_ma * np.sqrt(1.0 / (found - low) + 1.0 / (high - found))
    z: Floats = np.abs(after - before) / np.maximum(deviation, 1e-12)
    return z


def _place(total: Floats, found: Ints, gaps: Ints, noise: Noise, widest: int) -> Ints:
    """The place between its neighbours where a step splits the record best (least squares), for the steps
    that are small enough for noise to have moved them."""
    low, high = _bounds(total, found, gaps, widest)
    before = (total[found] - total[low]) / (found - low)
    after = (total[high] - total[found]) / (high - found)
    placed = found.copy()
    for i in np.flatnonzero(np.abs(after - before) < 2 * FALSE_Z * noise.sigma_ma):
        start, end = int(low[i]), int(high[i])
        if end - start < 3:
            continue
        k = np.arange(start + 1, end)
        mean = (total[end] - total[start]) / (end - start)
        excess = total[k] - total[start] - mean * (k - start)
        split = excess * excess / ((k - start) * (end - k))
        placed[i] = k[int(np.argmax(split))]
        if i + 1 < len(low) and low[i + 1] == found[i]:
            low[i + 1] = placed[i]
    return np.unique(placed)

"""Where the level of a record changes: candidate instants at all time scales, each then tested. Arrays only.

Theory of operation. The record is a piecewise constant current, plus noise that is nearly white, plus what
wanders slowly (a clamp's zero, a car that falls asleep) or hums. Two matched filters look for changes: the
mean of w samples less the mean of the w before them (an edge), and the mean of n samples less the mean of
those on both sides (a pulse shorter than its surroundings; a straight drift cancels in it). Both run over
sums of 1, 2, 4 ... samples, so all widths up to a second together cost about twice the narrowest. A candidate
must exceed z deviations of white noise, and z deviations of what that very filter shows in the same stretch
of the record, so that hum and wander raise the threshold of the widths they are seen in, and of no other.
Narrow filters go first and mark what they find; wider ones leave windows with marks in them alone, or every
edge would be found ten times.

What remains is tested in the record itself, by windows just long enough for the height in question: a long
window would take a drift for a step. A candidate that a straight line explains better than a step is dropped.

z follows from the rate of false alarms (see noise). Cost: some sixty passes over the record in single
precision.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nightdraw.capture.noise import PIECE, QUARTER_Z, SOME, Noise
from nightdraw.capture.seen import Bools, Floats, Ints

Singles = NDArray[np.float32]

QUIET_WINDOWS = 16  # fewer windows than this say too little about what a filter shows
LOOKED_AT = 256  # windows of a piece enough for a quantile: it is known to a tenth then
SIDES = 12  # blocks on either side of a pulse that its level is held against
ROUNDS = 4  # changes closer than a window hide each other: each round uncovers the next
KEEP_LESS = (
    1.0  # a change, once placed, may stand this much less than z above the noise of the levels beside it
)
SURE_Z = 10.0  # deviations that show a height to a tenth
TEST_LEAST = 8  # samples at least
PLACE_SHARE = 10.0  # where a change of h deviations may really lie: within (PLACE_SHARE / h)^2 samples
HALF_TOP = (
    0.6  # of a pulse's threshold that each of its two flanks must reach: a single edge has one flank only
)
UNEVEN = 8  # times as long may one side of a change be looked at for a line
LINE_REACH = 4  # times as far as a change is tested over, a line is looked for
LINE_BETTER = 16.0  # variances by which a line must fit better: at less chance takes real steps for one


@dataclass(frozen=True)
class _Filter:
    """A matched filter over blocks: blocks it spans, energy (its variance for blocks of deviation 1), where
    its edges lie, and how many samples its answer is the sum of."""

    span: int
    energy: float
    edges: tuple[int, ...]
    top: int

    def run(self, sums: _Sums) -> Singles:
        """The filter's answer at every block it fits."""
        size = sums.count - self.span + 1
        if len(self.edges) == 1:  # an edge: `top` blocks on either side
            right = sums.of(self.top)
            return right[self.top : self.top + size] - right[:size]
        sides = sums.of(SIDES)
        answer: Singles = sides[:size] + sides[SIDES + self.top : SIDES + self.top + size]
        answer *= np.float32(-self.top / (2 * SIDES))
        answer += sums.of(self.top)[SIDES : SIDES + size]
        return answer


class _Sums:
    """Sums of some neighbouring blocks, each width summed once."""

    def __init__(self, blocks: Singles) -> None:
        self.count = len(blocks)
        self._of = {1: blocks}

    def of(self, width: int) -> Singles:
        """Sums of `width` neighbours at every block."""
        if width not in self._of:
            half = self.of(width // 2)
            size = self.count - width + 1
            total: Singles = half[:size] + half[width // 2 : width // 2 + size]
            if width % 2:
                total += self._of[1][width - 1 :]
            self._of[width] = total
        return self._of[width]


def _edge(width: int) -> _Filter:
    return _Filter(2 * width, 2.0 * width, (width,), width)


def _pulse(width: int) -> _Filter:
    return _Filter(width + 2 * SIDES, width + width**2 / (2 * SIDES), (SIDES, SIDES + width), width)


# Pulses before edges: where an edge was marked, no window over the whole pulse is left. But high edges first
# of all, for the samples in them look like pulses.
SAMPLES = (
    _edge(1),
    _pulse(1),
    _pulse(2),
    _pulse(3),
    _pulse(4),
    _pulse(6),
    _edge(2),
    _edge(4),
)  # of single samples
BLOCKS = (_pulse(4), _pulse(6), _edge(4))  # of sums of 2, 4, 8 ... samples


def find(value: Floats, gaps: Ints, noise: Noise, z: float, widest: int) -> Ints:
    """Positions k where the level before sample k differs from the level from k on; ascending.

    gaps: positions before which samples are missing (no window spans one); widest: the widest window.
    """
    middle = float(np.median(value[:: max(len(value) // SOME, 1)]))
    total = np.concatenate(([0.0], np.cumsum(value - middle)))
    blocks = (value - middle).astype(np.float32)
    known, size = gaps, 1
    while 4 * size <= widest and len(blocks) > BLOCKS[1].span:
        sums = _Sums(blocks)
        for matched in SAMPLES if size == 1 else BLOCKS:
            known = _scan(sums, size, matched, known, noise, z, total)
        even = len(blocks) // 2 * 2
        blocks, size = blocks[0:even:2] + blocks[1:even:2], 2 * size
    found = known[~np.isin(known, gaps)]
    return _settle(total, found, gaps, noise, z - KEEP_LESS, widest)


def _scan(
    sums: _Sums, size: int, matched: _Filter, known: Ints, noise: Noise, z: float, total: Floats
) -> Ints:
    """The known changes and those that one filter adds."""
    if sums.count < matched.span:
        return known
    answer = matched.run(sums)
    threshold = _thresholds(answer, size, matched, known, noise, z)
    per = max(PIECE // size, 1)
    hits = np.concatenate(
        [
            start + np.flatnonzero(np.abs(answer[start : start + per]) > threshold[k])
            for k, start in enumerate(range(0, len(answer), per))
        ]
    )
    for _ in range(ROUNDS):
        hits = hits[_free(hits, size, matched, known)]
        if not len(hits):
            break
        peaks = _peaks(hits, answer[hits])
        if len(matched.edges) == 2:
            least = threshold[np.minimum(peaks // per, len(threshold) - 1)] / (matched.top * size)
            peaks = peaks[_has_two_flanks(peaks, size, matched, total, least)]
        if not len(peaks):
            break
        known = np.union1d(known, np.concatenate([(peaks + edge) * size for edge in matched.edges]))
    return known


def _free(hits: Ints, size: int, matched: _Filter, known: Ints) -> Bools:
    """True for windows without a known change strictly inside."""
    inside = np.searchsorted(known, (hits + matched.span) * size, side="left")
    free: Bools = inside == np.searchsorted(known, hits * size, side="right")
    return free


def _thresholds(answer: Singles, size: int, matched: _Filter, known: Ints, noise: Noise, z: float) -> Floats:
    """What the filter's answer must exceed, for each PIECE of samples."""
    per = max(PIECE // size, 1)
    count = -(-len(answer) // per)
    sigma = noise.sigma[np.minimum(np.arange(count), len(noise.sigma) - 1)]
    white = sigma * np.sqrt(matched.energy * size)
    # the narrowest edge is what sigma was measured by: there is nothing else to learn from it
    if matched.span > 2:
        white = np.maximum(white, _spreads(answer, size, matched, known, per, count))
    threshold: Floats = np.maximum(z * white, noise.least * matched.top * size)
    return threshold


def _spreads(answer: Singles, size: int, matched: _Filter, known: Ints, per: int, count: int) -> Floats:
    """The deviation that a filter's answers show in each piece, among which may be steps; inf where too few
    windows are free of known ones to tell."""
    apart = max(per // LOOKED_AT, matched.span // 4, 1)
    each = max(per // apart, 1)
    some = np.arange(count)[:, None] * per + np.arange(each) * apart
    inside = np.minimum(some, len(answer) - 1)
    quiet = np.abs(answer[inside])
    free = (_free(inside.ravel(), size, matched, known) & (some < len(answer)).ravel()).reshape(some.shape)
    quiet[~free] = np.inf
    number = free.sum(axis=1)
    # a short record, or one full of known changes: all its pieces together, if they are enough
    if int(number.max()) < QUIET_WINDOWS or len(answer) < QUIET_WINDOWS * matched.span // 4:
        quiet, number = quiet.reshape(1, -1), number.sum(keepdims=True)
    quiet.sort(axis=1)
    quarter = quiet[np.arange(len(quiet)), number // 4].astype(float)
    known_enough = number >= QUIET_WINDOWS
    rest = float(np.median(quarter[known_enough])) if known_enough.any() else np.inf
    spread: Floats = np.broadcast_to(np.where(known_enough, quarter, rest) / QUARTER_Z, (count,))
    return spread


def _has_two_flanks(peaks: Ints, size: int, matched: _Filter, total: Floats, least: Floats) -> Bools:
    """True where a pulse's level stands out on both sides; beside a lone edge only one of them does."""
    side, top = SIDES * size, matched.top * size
    start = peaks * size
    before = (total[start + side] - total[start]) / side
    middle = (total[start + side + top] - total[start + side]) / top
    after = (total[start + 2 * side + top] - total[start + side + top]) / side
    rise, fall = middle - before, middle - after
    two: Bools = (rise * fall > 0) & (np.minimum(np.abs(rise), np.abs(fall)) >= HALF_TOP * least)
    return two


def _peaks(hits: Ints, answer: Singles) -> Ints:
    """The largest of each run of neighbouring hits that have the same sign; answer: theirs."""
    sign = answer > 0
    starts = np.concatenate(([True], (np.diff(hits) > 1) | (sign[1:] != sign[:-1])))
    run = np.cumsum(starts) - 1
    order = np.lexsort((-np.abs(answer), run))
    peaks: Ints = hits[order[np.searchsorted(run, np.arange(run[-1] + 1))]]
    return peaks


def _settle(total: Floats, found: Ints, gaps: Ints, noise: Noise, keep_z: float, widest: int) -> Ints:
    """Move the changes to their likeliest places, drop those that the levels beside them don't bear out."""
    for _ in range(ROUNDS):
        kept = _drop(total, found, gaps, noise, keep_z, widest)
        placed = _place(total, kept, gaps, noise, keep_z, widest)
        if np.array_equal(placed, found):
            break
        found = placed
    # a step off its place looks like a slope: lines are looked for only now
    return _drop(total, found, gaps, noise, keep_z, widest, lines=True)


def _drop(
    total: Floats, found: Ints, gaps: Ints, noise: Noise, keep_z: float, widest: int, lines: bool = False
) -> Ints:
    """Leave out insignificant changes, of neighbours the weaker first: two found for one weaken each
    other."""
    while len(found):
        z = _significance(total, found, gaps, noise, keep_z, widest, lines)
        beside = np.minimum(np.append(z[1:], np.inf), np.append(np.inf, z[:-1]))
        weak = (z < keep_z) & (z <= beside)
        if not weak.any():
            break
        found = found[~weak]
    return found


def _bounds(total: Floats, found: Ints, gaps: Ints, reach: Ints) -> tuple[Ints, Ints]:
    """For each change: the start of the level before it and the end of the level after it, within reach."""
    ends = np.sort(np.concatenate((found, gaps, [0, len(total) - 1])))
    at = np.searchsorted(ends, found)
    return np.maximum(ends[at - 1], found - reach), np.minimum(ends[at + 1], found + reach)


def _height(total: Floats, found: Ints, low: Ints, high: Ints) -> Floats:
    """The mean after each change less the mean before it."""
    height: Floats = (total[high] - total[found]) / (high - found) - (total[found] - total[low]) / (
        found - low
    )
    return height


def _reach(total: Floats, found: Ints, gaps: Ints, noise: Noise, widest: int) -> tuple[Ints, Floats]:
    """Over how many samples on either side each change is best tested, and its height over that many.

    As few as show the height to a tenth (SURE_Z), for what wanders would add to it over more, or take away;
    of all lengths the one that shows it best where none does so.
    """
    sigma = np.maximum(noise.at(found), 1e-12)
    best, reach, height = (np.zeros(len(found)) for _ in range(3))
    length = TEST_LEAST
    while True:
        low, high = _bounds(total, found, gaps, np.full(len(found), length))
        step = _height(total, found, low, high)
        z = np.abs(step) / (sigma * np.sqrt(1.0 / (found - low) + 1.0 / (high - found)))
        better = (best < SURE_Z) & (z > best)
        best, reach, height = (
            np.where(better, new, old) for new, old in ((z, best), (length, reach), (step, height))
        )
        if length >= widest:
            return reach.astype(np.int64), height
        length = min(2 * length, widest)


def _significance(
    total: Floats, found: Ints, gaps: Ints, noise: Noise, keep_z: float, widest: int, lines: bool
) -> Floats:
    """How many deviations each change stands out by; lines: 0 where a straight line explains it better."""
    sigma = np.maximum(noise.at(found), 1e-12)
    reach, height = _reach(total, found, gaps, noise, widest)
    low, high = _bounds(total, found, gaps, reach)
    z: Floats = np.abs(height) / (
        sigma * np.sqrt(1.0 / np.maximum(found - low, 1) + 1.0 / np.maximum(high - found, 1))
    )
    if not lines:
        return z
    low, high = _around(total, found, gaps, height, reach * LINE_REACH, np.abs(height) < keep_z * sigma)
    z[_is_line(total, found, low, high, sigma)] = 0.0
    return z


def _around(
    total: Floats, found: Ints, gaps: Ints, height: Floats, reach: Ints, slight: Bools
) -> tuple[Ints, Ints]:
    """Where a line is looked for: further around a change than it takes to see it, for a slow recorder's edge
    is a slope at first sight; and for slight changes past others of the same direction, which may be pieces
    of the same slope: each piece by itself would be too short to tell."""
    low, high = _bounds(total, found, gaps, reach)
    for way in (1, -1):
        pieces = slight & (height * way > 0)
        ends = np.sort(np.concatenate((found[~pieces], gaps, [0, len(total) - 1])))
        at = np.searchsorted(ends, found[pieces])
        low[pieces] = np.maximum(ends[at - 1], found[pieces] - reach[pieces])
        high[pieces] = np.minimum(ends[np.minimum(at, len(ends) - 1)], found[pieces] + reach[pieces])
    return low, high


def _is_line(total: Floats, found: Ints, low: Ints, high: Ints, sigma: Floats) -> Bools:
    """True where the halves of both windows lie on a line rather than on two levels (both of two
    parameters)."""
    left, right = (found - low) // 2, (high - found) // 2
    # one side may be cut short by a pulse or the recording's end: the other is looked at further, or a slope
    # in so few samples looks like a step; but not so far that it is another slope
    left, right = np.minimum(left, UNEVEN * right), np.minimum(right, UNEVEN * left)
    ok = np.minimum(left, right) >= TEST_LEAST // 2  # shorter windows are too short for any drift
    near, far = np.maximum(left, 1), np.maximum(right, 1)
    ends = (found - 2 * near, found - near, found, found + far, found + 2 * far)
    at = [np.clip(end, 0, len(total) - 1) for end in ends]
    weights = (near, near, far, far)
    a, b, c, d = ((total[at[k + 1]] - total[at[k]]) / weights[k] for k in range(4))
    about_levels = near * (a - b) ** 2 / 2 + far * (c - d) ** 2 / 2
    points = ((a, -1.5 * near, near), (b, -0.5 * near, near), (c, 0.5 * far, far), (d, 1.5 * far, far))
    whole = 2.0 * (near + far)
    middle_x = sum(w * x for _, x, w in points) / whole
    middle_y = sum(w * y for y, _, w in points) / whole
    slope = sum(w * (x - middle_x) * (y - middle_y) for y, x, w in points)
    slope = slope / sum(w * (x - middle_x) ** 2 for _, x, w in points)
    about_line = sum(w * (y - middle_y - slope * (x - middle_x)) ** 2 for y, x, w in points)
    line: Bools = ok & (about_levels > about_line + LINE_BETTER * sigma**2)
    return line


def _place(total: Floats, found: Ints, gaps: Ints, noise: Noise, keep_z: float, widest: int) -> Ints:
    """The place between its neighbours where a change splits the record best (least squares), for the changes
    that are small enough for noise to have moved them."""
    sigma = np.maximum(noise.at(found), 1e-12)
    height = np.abs(_reach(total, found, gaps, noise, widest)[1]) / sigma
    reach = np.clip((PLACE_SHARE / np.maximum(height, 1e-3)) ** 2 + TEST_LEAST, 0, widest).astype(np.int64)
    low, high = _bounds(total, found, gaps, 2 * reach)
    placed = found.copy()
    for i in np.flatnonzero(height < 2 * (keep_z + KEEP_LESS)):
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

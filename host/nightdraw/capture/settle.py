"""Changes that were found, put where they most likely are, and tested.

Theory of operation. Between changes the record is a level with noise of known deviation, and a drift that is
straight over a window. `total` are the sums of the samples up to each, so that any mean costs two look-ups.

1. A change stands out by the difference of the means on both sides over sigma sqrt(1/n + 1/m). Its windows
   are as short as show its height to a tenth (SURE_Z): a longer one would take a drift for a step.
2. Of what stands out too little, the weaker of two neighbours is dropped first; two found for one weaken each
   other.
3. A small change moves to the split of least squares between its neighbours, the likeliest place of a step in
   white noise; then 1 and 2 again, until nothing moves.
4. What a line through four means explains better than two levels, by LINE_BETTER variances, is a drift.

Cost: a few passes over the changes, each log(widest) look-ups a change; for those moved, their windows.
"""

from __future__ import annotations

import numpy as np

from nightdraw.capture.noise import Noise
from nightdraw.capture.seen import Bools, Floats, Ints

KEEP_LESS = (
    1.0  # a change, once placed, may stand this much less than z above the noise of the levels beside it
)
SURE_Z = 10.0  # deviations that show a height to a tenth
TEST_LEAST = 8  # samples at least
PLACE_SHARE = 10.0  # where a change of h deviations may really lie: within (PLACE_SHARE / h)^2 samples
UNEVEN = 8  # times as long may one side of a change be looked at for a line
LINE_REACH = 4  # times as far as a change is tested over, a line is looked for
LINE_BETTER = 16.0  # variances by which a line must fit better: at less chance takes real steps for one
# A piece of a slope that is z deviations high rises by half of that within the levels on either side: z^2 / 4
# variances that a line explains. Chance takes off 3 of their deviations (z / 2 - 3 >= 4): such a piece needs
# no others to be told, and a tread of a staircase isn't taken for one of them.
SURELY_BENT = 14.0
LINE_TAUS = 4.0  # time constants
ROUNDS = 4  # of placing: what is moved moves the levels beside its neighbours


def settle(total: Floats, found: Ints, gaps: Ints, noise: Noise, z: float, widest: int, tau: float) -> Ints:
    """Move the changes to their likeliest places, drop those that the levels beside them don't bear out;
    z: the deviations that they were found by; tau: the recorder's time constant (samples), whose edges are
    slopes."""
    keep_z = z - KEEP_LESS
    for _ in range(ROUNDS):
        kept = _drop(total, found, gaps, noise, keep_z, widest)
        placed = _place(total, kept, gaps, noise, keep_z, widest)
        if np.array_equal(placed, found):
            break
        found = placed
    # a step off its place looks like a slope: lines are looked for only now
    return _drop(total, found, gaps, noise, keep_z, widest, tau)


def _drop(
    total: Floats, found: Ints, gaps: Ints, noise: Noise, keep_z: float, widest: int, tau: float | None = None
) -> Ints:
    """Leave out insignificant changes, of neighbours the weaker first: two found for one weaken each
    other."""
    while len(found):
        z = _significance(total, found, gaps, noise, keep_z, widest, tau)
        # of two alike the first alone: both may be found for the same step
        weak = (z < keep_z) & (z <= np.append(z[1:], np.inf)) & (z < np.append(np.inf, z[:-1]))
        if not weak.any():
            break
        found = found[~weak]
    return found


def bounds(total: Floats, found: Ints, gaps: Ints, reach: Ints) -> tuple[Ints, Ints]:
    """For each change: the start of the level before it and the end of the level after it, within reach."""
    ends = np.sort(np.concatenate((found, gaps, [0, len(total) - 1])))
    at = np.searchsorted(ends, found)
    return np.maximum(ends[at - 1], found - reach), np.minimum(ends[at + 1], found + reach)


def height(total: Floats, found: Ints, low: Ints, high: Ints) -> Floats:
    """The mean after each change less the mean before it."""
    before, after = (total[found] - total[low]) / (found - low), (total[high] - total[found]) / (high - found)
    return np.asarray(after - before)


def _reach(total: Floats, found: Ints, gaps: Ints, noise: Noise, widest: int) -> tuple[Ints, Floats]:
    """Over how many samples on either side each change is best tested, and its height over that many.

    As few as show the height to a tenth (SURE_Z), for what wanders would add to it over more, or take away;
    of all lengths the one that shows it best where none does so.
    """
    sigma = np.maximum(noise.at(found), 1e-12)
    best, reach, high_by = (np.zeros(len(found)) for _ in range(3))
    length = TEST_LEAST
    while True:
        low, high = bounds(total, found, gaps, np.full(len(found), length))
        step = height(total, found, low, high)
        z = np.abs(step) / (sigma * np.sqrt(1.0 / (found - low) + 1.0 / (high - found)))
        better = (best < SURE_Z) & (z > best)
        best, reach, high_by = (
            np.where(better, new, old) for new, old in ((z, best), (length, reach), (step, high_by))
        )
        if length >= widest:
            return reach.astype(np.int64), high_by
        length = min(2 * length, widest)


def _significance(
    total: Floats, found: Ints, gaps: Ints, noise: Noise, keep_z: float, widest: int, tau: float | None
) -> Floats:
    """How many deviations each change stands out by; tau: with it 0 where a straight line explains
    it better, looked for over more than a low-pass takes."""
    sigma = np.maximum(noise.at(found), 1e-12)
    reach, height = _reach(total, found, gaps, noise, widest)
    low, high = bounds(total, found, gaps, reach)
    z = _deviations(found, low, high, height, sigma)
    if tau is None:
        return z
    reach = reach * LINE_REACH
    low, high = bounds(total, found, gaps, reach)
    slight = (np.abs(height) < keep_z * sigma) & (_deviations(found, low, high, height, sigma) < SURELY_BENT)
    low, high = _around(total, found, gaps, height, reach, slight)
    z[_is_line(total, found, low, high, sigma, tau)] = 0.0
    return z


def _deviations(found: Ints, low: Ints, high: Ints, height: Floats, sigma: Floats) -> Floats:
    """By how many deviations of the means on both sides some heights stand out."""
    sides = 1.0 / np.maximum(found - low, 1) + 1.0 / np.maximum(high - found, 1)
    z: Floats = np.abs(height) / (sigma * np.sqrt(sides))
    return z


def _around(
    total: Floats, found: Ints, gaps: Ints, height: Floats, reach: Ints, slight: Bools
) -> tuple[Ints, Ints]:
    """Where a line is looked for: further around a change than it takes to see it, for a slow recorder's edge
    is a slope at first sight; and for slight changes past others of the same direction, which may be pieces
    of the same slope: each piece by itself would be too short to tell."""
    low, high = bounds(total, found, gaps, reach)
    for way in (1, -1):
        pieces = slight & (height * way > 0)
        ends = np.sort(np.concatenate((found[~pieces], gaps, [0, len(total) - 1])))
        at = np.searchsorted(ends, found[pieces])
        low[pieces] = np.maximum(ends[at - 1], found[pieces] - reach[pieces])
        high[pieces] = np.minimum(ends[np.minimum(at, len(ends) - 1)], found[pieces] + reach[pieces])
    return low, high


def _is_line(total: Floats, found: Ints, low: Ints, high: Ints, sigma: Floats, tau: float) -> Bools:
    """True where the halves of both windows lie on a line rather than on two levels (both of two
    parameters)."""
    left, right = (found - low) // 2, (high - found) // 2
    # one side may be cut short by a pulse or the recording's end: the other is looked at further, or a slope
    # in so few samples looks like a step; but not so far that it is another slope
    left, right = np.minimum(left, UNEVEN * right), np.minimum(right, UNEVEN * left)
    # shorter windows are too short for any drift, or see a slow edge from within
    ok = np.minimum(left, right) >= max(TEST_LEAST // 2, LINE_TAUS * tau)
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
    low, high = bounds(total, found, gaps, 2 * reach)
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

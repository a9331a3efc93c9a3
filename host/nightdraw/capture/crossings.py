"""Transitions in one stretch of samples: changes joined to edges, levels beside them, instants of their
crossings.

Theory of operation. Changes of one direction that no settled level divides are one edge: samples caught in
the middle of it, ramps, the tail that a low-pass leaves. The level on either side is the mean of as many
samples as the height needs and no more, after the edge has settled. The instant is where the record crosses
half of the height (IEEE 181), by linear interpolation, of a slow edge in the smoothed record. Strong slow
edges tell the time constant of a first-order low-pass (see response), by which the levels beside all edges
are then taken once it has settled; of a pulse too short for that the levels are what it reaches. No stream
and no file here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from nightdraw.capture import response as rsp
from nightdraw.capture.noise import SOME, Noise
from nightdraw.capture.seen import Bools, Floats, Ints
from nightdraw.capture.transitions import Trace, Transitions

GUARD = 1  # samples left out at each end of a level: a step rarely falls between two samples
GUARD_FROM = 5  # levels of fewer samples can't spare them
RAMP_SHARE = 0.25  # a level that itself rises by this much of the steps beside it is part of a ramp
RAMP_Z = 2.0  # and its rise stands out of the noise
SHARPER = 8.0  # times as high as the piece of a slope before it
STEEP, STEEP_LEAST = 5, 16  # samples over which a step is looked at, and that half of the slope must have
STRONG_STEP = 6.0  # deviations
TAIL_SHARE = 0.35  # of what an edge has risen so far: a low-pass leaves 37 % after each time constant
TAIL_LATE = 2.0  # lengths of the edge so far: a tail is found in pieces, each from further samples
NEAR = 32  # samples beside a step that tell its direction
PARTIAL_RUN = 1  # a single sample between two steps of one direction was caught in the middle of one step
PARTIAL_Z = 3.0  # beside a known step a sample this far off its level was caught in the middle of the step
LEVEL_LEAST = 16  # samples that a level beside an edge is averaged over, however it creeps
CREEP_Z = 4.0  # deviations by which that stands out
SMOOTHED = 4  # a slow edge is smoothed over a quarter of its length before it is asked for its middle,
SMOOTH_SHARE = 100.0  # or until noise is this small a part of the height: a tail is long without noise
ROOM_EDGES = 3  # lengths of an edge that the level after it lasts, for it to have settled,
ROOM_HALVES = 6  # or times what lies between 25 and 75 %: without noise an edge's tail is in its length
SETTLED_TAUS = 6.0  # time constants after which an edge has settled to 0.3 %
FITS = 2  # of a slow recorder's edges: what is added or left out moves tau and the neighbours


@dataclass(frozen=True)
class Chunk:
    """Samples with their surroundings; transitions that begin in [core, core_end) belong to this chunk.

    total: the running sum, from 0 on; before: the recording's samples and their sum ahead of this chunk's
    first sample.
    """

    time_s: Floats
    value: Floats
    total: Floats
    core: int
    core_end: int
    before: tuple[int, float]


class _Stretch:
    """The transitions of one chunk while they are measured."""

    fitted: rsp.Fitted | None = None

    def __init__(self, chunk: Chunk, found: Ints, gaps: Ints, noise: Noise, window: int, tau: float) -> None:
        self.chunk, self.total, self.noise, self.window = chunk, chunk.total, noise, window
        first, last, is_gap = _merge(self.total, found, gaps, noise, tau)
        self.set(*_trim(chunk.value, self.total, first, last, is_gap, noise), is_gap)
        self.measure(tau)

    def set(self, first: Ints, last: Ints, is_gap: Bools) -> None:
        """The transitions by the samples they begin and end with."""
        self.first, self.last, self.is_gap, self.inside = first, last, is_gap, last - first
        self.sigma = np.maximum(self.noise.at(first), 1e-12)
        self.bias = self.noise.bias_at(first)

    def measure(self, tau: float) -> None:
        """Levels beside the transitions, and their crossings; tau: the recorder's time constant, samples."""
        first, last, total = self.first, self.last, self.total
        opens = np.concatenate(([0], last))  # where each level begins, the first at the chunk's edge
        closes = np.concatenate((first, [len(self.chunk.value)]))  # and where it ends
        room = closes - opens
        guard = np.where(room >= GUARD_FROM, GUARD, 0)
        # after a slow edge what is left of it would be taken for the level: later, where there is room for it
        late = np.where(self.inside > SMOOTHED, self.inside // 2, 0)
        if tau:
            late = np.maximum(late, np.ceil(SETTLED_TAUS * tau).astype(np.int64) - self.inside)
        settling = np.minimum(np.append(0, late), room // 3)
        self.opens, self.closes = opens + np.maximum(guard, settling), closes - guard
        low, high = _beside(total, self.opens, self.closes, self.sigma, self.window)
        self.n_before, self.n_after = self.closes[:-1] - low, high - self.opens[1:]
        self.before = _means(total, low, self.closes[:-1])
        self.after = _means(total, self.opens[1:], high)
        enough = (SMOOTH_SHARE * self.sigma / np.maximum(np.abs(self.after - self.before), 1e-12)) ** 2 / 2
        self.around = np.minimum(
            self.inside // SMOOTHED // 2, np.ceil(np.minimum(enough, 1e9)).astype(np.int64)
        )
        if tau:  # alike for all edges: what smoothing moves them by is then nothing to a duration
            self.around = np.where(self.inside > SMOOTHED, int(tau / 8), 0)
        self.at_s, self.slope, self.smooth = self.crossing(slice(None), 0.5)

    def fit(self, tau: float) -> float:
        """Fit the edges as a recorder of a time constant (samples) shows them; returns the best one."""
        time_s = self.chunk.time_s
        row = np.clip(np.searchsorted(time_s, self.at_s), 1, len(time_s) - 1)
        onset = row - (time_s[row] - self.at_s) / (time_s[row] - time_s[row - 1]) - tau * np.log(2)
        height = self.after - self.before
        if self.fitted is not None:  # once more, from where they are
            onset = np.where(np.isfinite(self.fitted.onset), self.fitted.onset, onset)
            height = self.fitted.height
        given = rsp.Given(onset, height, self.first, self.last, self.sigma, self.is_gap)
        self.fitted, tau = rsp.fit(self.chunk.value, given, tau)
        self._rearrange(self.fitted, rsp.SETTLED_TAUS * tau)
        self.measure(tau)
        return tau

    def _rearrange(self, fitted: rsp.Fitted, settled: float) -> None:
        """Leave out the edges that don't stand out, take in those that were missing.

        A missing one was part of the edge before it, which now ends where it has settled (after so many
        samples) or this one begins.
        """
        known, is_gap = np.isfinite(fitted.onset), self.is_gap[fitted.origin] & (fitted.origin >= 0)
        first, last = self.first[fitted.origin], self.last[fitted.origin]
        first[known] = np.ceil(fitted.onset[known]).astype(np.int64)
        first = np.maximum.accumulate(np.clip(first, 1, len(self.chunk.value) - 2))
        most = np.minimum(first + max(int(settled), 1), len(self.chunk.value) - 1)
        last = np.where(known & ((fitted.origin < 0) | (last <= first) | (last > most)), most, last)
        last[:-1] = np.minimum(last[:-1], first[1:])
        self.set(first, np.maximum(last, first + ~is_gap), is_gap)

    def take(self, tau: float) -> None:
        """Take what was fitted for instants and levels, and the low-pass out of the other instants."""
        assert self.fitted is not None
        time_s, onset, level = self.chunk.time_s, self.fitted.onset, self.fitted.level
        known = np.isfinite(onset)
        row = np.clip(onset[known].astype(np.int64), 0, len(time_s) - 2)
        self.at_s -= tau * np.log(2) * float(np.median(np.diff(time_s[:SOME])))
        self.at_s[known] = time_s[row] + (onset[known] - row) * (time_s[row + 1] - time_s[row])
        short = np.flatnonzero(np.isfinite(level))
        self.after[short] = self.before[short + 1] = level[short]
        n = (self.sigma[short] / self.fitted.level_u[short]) ** 2
        self.n_after, self.n_before = self.n_after.astype(float), self.n_before.astype(float)
        self.n_after[short] = self.n_before[short + 1] = n

    def crossing(self, which: slice | Bools, share: float) -> tuple[Floats, Floats, Floats]:
        """See _crossing; of some transitions."""
        columns: tuple[Any, ...] = (self.first, self.last, self.before, self.after)
        first, last, before, after = (column[which] for column in columns)
        aim = before + share * (after - before)
        return _crossing(self.chunk, self.total, first, last, aim, after - before, self.around[which])


def assemble(
    chunk: Chunk,
    found: Ints,
    find: Callable[[float], Ints],
    gaps: Ints,
    noise: Noise,
    window: int,
    count: int,
    shape: rsp.Shape,
) -> tuple[Transitions, Trace]:
    """The transitions of a chunk and the means between them.

    found: the changes in it; find: gives them anew by another time constant (samples); window: samples that a
    level is averaged over at most; count: the transitions before the chunk; shape: what is known of the
    recorder, learns from this chunk.
    """
    known = shape.tau
    m = _Stretch(chunk, found, gaps, noise, window, known)
    _learn(m, shape)
    tau = shape.tau
    if tau and not known:  # learnt only now
        found = find(tau)
        m = _Stretch(chunk, found, gaps, noise, window, tau)
    for _ in range(FITS if tau else 0):
        tau = m.fit(tau)
    if tau:
        m.take(tau)
        shape.refine(tau)
    m.at_s[m.is_gap] = np.nan
    nothing = np.full(len(m.first), np.nan)
    fitted = m.fitted
    at_u, level, lasting_u = (
        (nothing,) * 3 if fitted is None else (fitted.at_u, fitted.level, fitted.lasting_u)
    )
    mine = (m.first >= chunk.core) & (m.first < chunk.core_end)
    before, summed = chunk.before
    levels = m.before, m.after, m.n_before, m.n_after, level, lasting_u
    beside = chunk.time_s[m.first - 1], chunk.time_s[m.last]
    sums = summed + m.total[m.closes[:-1]], summed + m.total[m.opens[1:]]
    counts = before + m.closes[:-1], before + m.opens[1:]
    shown = m.sigma, m.bias, m.slope, m.smooth, m.inside
    columns = (m.at_s, at_u, *levels, *beside, *sums, *counts, *shown)
    here = Transitions(*(column[mine].astype(float) for column in columns))
    return here, _trace(chunk, m.total, m.opens, m.closes, m.first, window, count)


def _learn(m: _Stretch, shape: rsp.Shape) -> None:
    """What the transitions of a chunk tell of the recorder."""
    time_s = m.chunk.time_s
    slow = m.inside > SMOOTHED  # only edges of several samples have quarters worth asking for
    strong = ~m.is_gap & (np.abs(m.after - m.before) > rsp.STRONG_Z * m.sigma)
    quarter_s, three_s = m.at_s.copy(), m.at_s.copy()
    quarter_s[slow], three_s[slow] = m.crossing(slow, 0.25)[0], m.crossing(slow, 0.75)[0]
    interval_s = float(np.median(np.diff(time_s[:SOME]))) if len(time_s) > 1 else 1.0
    # of a pulse too short to reach its top the rise tells less than the time constant; what follows must be
    # long
    room = np.append(m.first[1:], len(time_s)) - m.last
    halves = np.nan_to_num((three_s - quarter_s) / interval_s)
    telling = strong & (room > np.minimum(ROOM_EDGES * m.inside, ROOM_HALVES * np.maximum(halves, 1.0)))
    shape.learn(quarter_s[telling], m.at_s[telling], three_s[telling], interval_s)
    shape.weigh(m.chunk.value, m.first, ~m.is_gap & ~strong, m.sigma)


def _trace(
    chunk: Chunk, total: Floats, opens: Ints, closes: Ints, first: Ints, window: int, count: int
) -> Trace:
    """Means of the levels within the chunk's own samples; count: the transitions before the chunk."""
    grid = np.arange(chunk.core + window - (chunk.before[0] + chunk.core) % window, chunk.core_end, window)
    bounds = np.unique(np.concatenate(([chunk.core, chunk.core_end], grid, opens, closes)))
    bounds = bounds[(bounds >= chunk.core) & (bounds <= chunk.core_end)]
    low, high = bounds[:-1], bounds[1:]
    level = np.searchsorted(opens, low, side="right") - 1
    settled = (level >= 0) & (high <= closes[np.maximum(level, 0)])
    low, high, level = low[settled], high[settled], level[settled]
    own = count + level - int(np.count_nonzero(first < chunk.core))
    middle_s = (chunk.time_s[low] + chunk.time_s[high - 1]) / 2
    return Trace(middle_s, _means(total, low, high), (high - low).astype(float), own.astype(float))


def _means(total: Floats, low: Ints, high: Ints) -> Floats:
    means: Floats = (total[high] - total[low]) / np.maximum(high - low, 1)
    return means


def _beside(total: Floats, opens: Ints, closes: Ints, sigma: Floats, window: int) -> tuple[Ints, Ints]:
    """From where on the level before each transition, and up to where the one after it, is averaged."""
    low = np.maximum(opens[:-1], closes[:-1] - window)
    high = np.minimum(closes[1:], opens[1:] + window)
    before, after = _still(total, low, closes[:-1], sigma), _still(total, opens[1:], high, sigma)
    return np.maximum(low, closes[:-1] - before), np.minimum(high, opens[1:] + after)


def _still(total: Floats, low: Ints, high: Ints, sigma: Floats) -> Ints:
    """Over how many samples beside an edge the mean is least off: of n the noise leaves sigma / sqrt(n), a
    slope that stands out n times it. Its halves tell the slope."""
    half = np.maximum((high - low) // 2, 1)
    apart = np.abs(_means(total, high - half, high) - _means(total, low, low + half))
    slope = np.maximum(apart - CREEP_Z * sigma * np.sqrt(2 / half), 0.0) / half
    most = (sigma / np.maximum(slope, 1e-12)) ** (2 / 3)
    return np.asarray(np.minimum(np.maximum(most, LEVEL_LEAST), high - low), dtype=np.int64)


def _merge(total: Floats, found: Ints, gaps: Ints, noise: Noise, tau: float) -> tuple[Ints, Ints, Bools]:
    """Join steps of one direction that no settled level divides; returns first and last step of each."""
    at = np.concatenate((found, gaps)).astype(np.int64)
    order = np.argsort(at, kind="stable")
    at = at[order]
    is_gap = order >= len(found)
    if not len(at):
        return at, at, is_gap
    # levels right beside the steps: over a whole level what wanders may be more than the step
    low = np.maximum(np.append(0, at[:-1]), at - NEAR)
    high = np.minimum(np.append(at[1:], len(total) - 1), at + NEAR)
    jump = _means(total, at, high) - _means(total, low, at)
    length = np.diff(at)
    same = (jump[1:] * jump[:-1] > 0) & ~is_gap[1:] & ~is_gap[:-1]
    # a level between two steps that lasts no longer than the time constant can't have been one
    joined = same & (length <= max(PARTIAL_RUN, tau))
    # a step behind a slope is none of it; what a low-pass leaves gets smaller
    whole = np.abs(jump)
    whole[:-1] += np.where(length <= PARTIAL_RUN, np.abs(jump[1:]), 0.0)
    before = np.maximum(np.abs(jump[:-1]), np.append(0.0, np.abs(jump[:-2])))
    joined |= same & _ramps(total, at, jump, noise) & (whole[1:] <= SHARPER * before)
    joined |= _tails(at, np.abs(jump), whole, same, joined, tau)
    # the ramp before a sharp step is an edge by itself, which ends right there
    split = joined & _sharp(total, at, jump, noise)
    joined &= ~split
    first = np.concatenate(([True], ~joined))
    last = np.concatenate((~joined, [True]))
    ends = at.copy()
    ends[:-1][split] = np.maximum(at[:-1], at[1:] - STEEP)[split]
    return at[first], ends[last], is_gap[first]


def _sharp(total: Floats, at: Ints, jump: Floats, noise: Noise) -> Bools:
    """For each pair of neighbouring steps: True where the second is much steeper than the level before it is,
    as at the end of a ramp: by its height alone it would be taken for a piece of that ramp."""
    k, low = at[1:], at[:-1]
    half = (k - low) // 2
    inside = (half >= STEEP_LEAST) & (k + STEEP + 1 < len(total))
    k, low, half = np.where(inside, k, STEEP + 1), np.where(inside, low, 0), np.maximum(half, 1)
    # over STEEP samples, but for the one that may have been caught in the middle
    near = _means(total, k + 1, k + STEEP - 1) - _means(total, k - STEEP + 1, k - 1)
    slope = (_means(total, k - half, k - 1) - _means(total, low, low + half)) / half
    least = np.maximum(SHARPER * STEEP * np.abs(slope), 2 * STRONG_STEP * noise.at(k))
    sharp: Bools = inside & (np.abs(near) > np.maximum(least, np.abs(jump[1:]) / 2))
    return sharp


def _tails(at: Ints, height: Floats, behind: Floats, same: Bools, joined: Bools, tau: float) -> Bools:
    """For each pair of neighbouring steps of one direction: True where the second is the tail of the first,
    which a low-pass leaves: much smaller, and no later than the edge so far is long; behind: heights with
    that of the next sample, where a step has one in its middle."""
    tails = np.zeros(len(same), dtype=bool)
    first, whole = 0, 0.0
    for i in np.flatnonzero(same).tolist():
        if i == 0 or not (joined[i - 1] or tails[i - 1]):
            first, whole = int(at[i]), float(height[i])
        late = at[i + 1] - at[i] <= max(TAIL_LATE * (at[i] - first), SETTLED_TAUS / 2 * tau)
        tails[i] = late and behind[i + 1] <= TAIL_SHARE * whole
        if joined[i] or tails[i]:
            whole += float(height[i + 1])
    return tails


def _ramps(total: Floats, at: Ints, jump: Floats, noise: Noise) -> Bools:
    """For each level between two steps: True where it rises (or falls) so much that it is part of a ramp."""
    start, end = at[:-1], at[1:]
    half = np.maximum((end - start) // 2, 1)
    left, right = _means(total, start, start + half), _means(total, end - half, end)
    rise = 2 * (right - left)  # the halves' means lie half the length apart
    steps = np.abs(jump[:-1]) + np.abs(jump[1:])
    least = np.maximum(RAMP_SHARE * steps, RAMP_Z * 2 * noise.at(start) * np.sqrt(2 / half))
    ramps: Bools = (np.sign(rise) == np.sign(jump[1:])) & (np.abs(rise) > least)
    return ramps


def _trim(
    value: Floats, total: Floats, first: Ints, last: Ints, is_gap: Bools, noise: Noise
) -> tuple[Ints, Ints]:
    """Widen each transition by the sample beside it that was caught in the middle of the step."""
    first, last = first.copy(), last.copy()
    for _ in range(2):
        opens, closes = np.concatenate(([0], last)), np.concatenate((first, [len(value)]))
        length = closes - opens
        mean = (total[closes] - total[opens]) / np.maximum(length, 1)
        jump = mean[1:] - mean[:-1]
        rest = np.maximum(length - 1, 1)
        summed = total[closes] - total[opens]
        limit = PARTIAL_Z * noise.at(opens) * np.sqrt(1 + 1 / rest)
        # the first sample of the level after, and the last of the one before, against the rest of theirs
        lag = (summed[1:] - value[last]) / rest[1:] - value[last]
        lead = value[first - 1] - (summed[:-1] - value[first - 1]) / rest[:-1]
        late = (lag * np.sign(jump) > limit[1:]) & (length[1:] >= 2) & ~is_gap
        early = (lead * np.sign(jump) > limit[:-1]) & (length[:-1] >= 2) & ~is_gap
        early[1:] &= ~(late[:-1] & (length[1:-1] < 3))  # of two claims on two samples the first is granted
        last[late] += 1
        first[early] -= 1
        if not late.any() and not early.any():
            break
    return first, last


def _crossing(
    chunk: Chunk, total: Floats, first: Ints, last: Ints, aim: Floats, height: Floats, around: Ints
) -> tuple[Floats, Floats, Floats]:
    """The instants at which the record crosses `aim` in each transition, between two samples (IEEE
    181: for a half the mid-reference level instant), the slope there per sample, and over how many samples it
    was smoothed.

    An edge of many samples is smoothed first, or its noise would cross too early. Halfway between the samples
    where noise hides the crossing.
    """
    time_s = chunk.time_s
    sign = np.where(height > 0, 1.0, -1.0)
    limit = np.minimum(np.minimum(first - 1, len(time_s) - 1 - last), around)
    around = np.maximum(limit, 0)
    width = 2 * around + 1

    def smoothed(k: Ints, of: Ints) -> Floats:
        found: Floats = (total[k + around[of] + 1] - total[k - around[of]]) / width[of]
        return found

    at_s = (time_s[first - 1] + time_s[first]) / 2
    slope = np.abs(height)
    open_ = np.arange(len(first))
    for offset in range(int((last - first).max(initial=0)) + 1):
        k = first[open_] + offset
        here, ahead = smoothed(k, open_), smoothed(k - 1, open_)
        over = sign[open_] * (here - aim[open_]) >= 0
        hit = over & (sign[open_] * (ahead - aim[open_]) < 0)
        rows, k = open_[hit], k[hit]
        part = (aim[rows] - ahead[hit]) / (here[hit] - ahead[hit])
        at_s[rows] = time_s[k - 1] + part * (time_s[k] - time_s[k - 1])
        slope[rows] = np.abs(here[hit] - ahead[hit])
        open_ = open_[~over & (first[open_] + offset < last[open_])]
        if not len(open_):
            break
    return at_s, slope, width.astype(float)

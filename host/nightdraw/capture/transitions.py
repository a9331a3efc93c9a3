"""From a recording to its transitions: the instants, and the levels on either side, of every change of level.

A stream: blocks overlap by what the step finder looks around a place, and memory holds two blocks and the
transitions. Instants are IEEE 181's mid-reference level instants. Which level is a base is not known here.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields

import numpy as np

from nightdraw.capture import steps as st
from nightdraw.capture.read import BLOCK_SAMPLES, Recording

Floats = st.Floats
Ints = st.Ints
Bools = st.Bools

LEAST_SAMPLES = 10  # with fewer no level can be told from its noise
WINDOW_S = 1.0  # levels are compared over up to a second: clamps drift over minutes, not within one
LEAST_WINDOW = 64  # slow recorders: at least so many samples, or noise is never averaged
MOST_WINDOW = BLOCK_SAMPLES >> 4  # the overlap of blocks (four windows) stays small beside a block
GAP_INTERVALS = 2.5  # a distance of more than this many sampling intervals is a gap: samples are missing
RAMP_SHARE = 0.25  # a level that itself rises by this much of the steps beside it is part of a ramp
RAMP_Z = 2.0  # and its rise stands out of the noise
PARTIAL_RUN = 1  # a single sample between two steps of one direction was caught in the middle of one step


@dataclass
class Transitions:
    """Arrays with one entry a transition, in order of time.

    at_s: mid-reference level instant (nan where it fell into a gap); before, after: levels beside it (mA);
    n_before, n_after: samples those means are of; last_s, first_s: instants of the last sample before and the
    first one after; sum_to, sum_from: the recording's running sum (mA samples) up to there, and n_to, n_from
    the samples it is of, so that a level's mean is (sum_to[i + 1] - sum_from[i]) / (n_to[i + 1] - n_from[i]);
    sigma: the noise there.
    """

    at_s: Floats
    before: Floats
    after: Floats
    n_before: Floats
    n_after: Floats
    last_s: Floats
    first_s: Floats
    sum_to: Floats
    sum_from: Floats
    n_to: Floats
    n_from: Floats
    sigma: Floats

    def __len__(self) -> int:
        return len(self.at_s)


@dataclass(frozen=True)
class Scan:
    """What one pass over a recording found: its transitions and the whole of it.

    interval_s: the sampling interval; noise_ma: rms of one sample; total: the sum of all samples (mA).
    """

    transitions: Transitions
    samples: int
    start_s: float
    end_s: float
    interval_s: float
    noise_ma: float
    total: float
    gaps: int

    @property
    def mean_ma(self) -> float:
        """The mean of all samples."""
        return self.total / self.samples if self.samples else 0.0


def scan(recording: Recording) -> Scan:
    """Find every transition of a recording, in one pass and bounded memory."""
    state = _Progress()
    parts = [_part(chunk, state) for chunk in _chunks(recording, state)]
    joined = {
        f.name: np.concatenate([getattr(p, f.name) for p in parts] or [np.empty(0)])
        for f in fields(Transitions)
    }
    return Scan(
        Transitions(**joined),
        samples=state.samples,
        start_s=state.start_s,
        end_s=state.end_s,
        interval_s=float(np.median(state.intervals_s)) if state.intervals_s else 0.0,
        noise_ma=float(np.median(state.sigmas)) if state.sigmas else 0.0,
        total=state.total,
        gaps=state.gaps,
    )


class _Progress:
    """What a pass has seen so far."""

    def __init__(self) -> None:
        self.samples = 0
        self.gaps = 0
        self.total = 0.0
        self.start_s = self.end_s = 0.0
        self.intervals_s: list[float] = []
        self.sigmas: list[float] = []


@dataclass(frozen=True)
class _Chunk:
    """Samples with their surroundings; transitions that begin in [core, core_end) belong to this chunk.

    before: the recording's samples and their sum ahead of this chunk's first sample.
    """

    time_s: Floats
    value: Floats
    core: int
    core_end: int
    before: tuple[int, float]


def _chunks(recording: Recording, state: _Progress) -> Iterator[_Chunk]:
    time_s = value = np.empty(0)
    core = 0
    before = (0, 0.0)
    for more_s, more in recording.blocks():
        if not state.samples:
            state.start_s = float(more_s[0])
        state.samples += len(more)
        state.total += float(more.sum())
        state.end_s = float(more_s[-1])
        time_s, value = np.concatenate((time_s, more_s)), np.concatenate((value, more))
        if len(value) < BLOCK_SAMPLES:
            continue
        halo = 4 * _window(float(np.median(np.diff(time_s))))
        core_end = len(value) - halo
        yield _Chunk(time_s, value, core, core_end, before)
        keep = max(core_end - halo, 0)
        before = (before[0] + keep, before[1] + float(value[:keep].sum()))
        time_s, value, core = time_s[keep:], value[keep:], core_end - keep
    if len(value) - core > 0:
        yield _Chunk(time_s, value, core, len(value), before)


def _window(interval_s: float) -> int:
    return min(max(round(WINDOW_S / interval_s), LEAST_WINDOW), MOST_WINDOW)


def _part(chunk: _Chunk, state: _Progress) -> Transitions:
    time_s, value = chunk.time_s, chunk.value
    distances_s = np.diff(time_s)
    interval_s = float(np.median(distances_s)) if len(distances_s) else 1.0
    gaps = np.flatnonzero(distances_s > GAP_INTERVALS * interval_s) + 1
    noise = st.noise_of(value)
    window = _window(interval_s)
    state.intervals_s.append(interval_s)
    state.sigmas.append(noise.sigma_ma)
    state.gaps += int(np.count_nonzero((gaps >= chunk.core) & (gaps < chunk.core_end)))
    found = st.find(value, gaps, noise, window)
    return _assemble(chunk, found, gaps, noise.sigma_ma, window)


def _assemble(chunk: _Chunk, found: Ints, gaps: Ints, sigma: float, window: int) -> Transitions:
    time_s, value = chunk.time_s, chunk.value
    total = np.concatenate(([0.0], np.cumsum(value)))
    first, last, is_gap = _merge(total, found, gaps, sigma)
    first, last = _trim(value, total, first, last, is_gap, sigma)
    opens = np.concatenate(([0], last))  # where each level begins, the first at the chunk's edge
    closes = np.concatenate((first, [len(value)]))  # and where it ends
    guard = np.where(closes - opens >= st.GUARD_FROM, st.GUARD, 0)
    opens_in, closes_in = opens + guard, closes - guard
    low = np.maximum(opens_in[:-1], closes_in[:-1] - window)
    high = np.minimum(closes_in[1:], opens_in[1:] + window)
    n_before, n_after = closes_in[:-1] - low, high - opens_in[1:]
    before = (total[closes_in[:-1]] - total[low]) / np.maximum(n_before, 1)
    after = (total[high] - total[opens_in[1:]]) / np.maximum(n_after, 1)
    at_s = _crossings(time_s, value, first, last, (before + after) / 2, after > before)
    at_s[is_gap] = np.nan
    mine = (first >= chunk.core) & (first < chunk.core_end)
    count, summed = chunk.before
    columns = (
        at_s,
        before,
        after,
        n_before,
        n_after,
        time_s[first - 1],
        time_s[last],
        summed + total[closes_in[:-1]],
        summed + total[opens_in[1:]],
        count + closes_in[:-1],
        count + opens_in[1:],
        np.full(len(first), sigma),
    )
    return Transitions(*(column[mine].astype(float) for column in columns))


def _merge(total: Floats, found: Ints, gaps: Ints, sigma: float) -> tuple[Ints, Ints, Bools]:
    """Join steps of one direction that no settled level divides; returns first and last step of each."""
    at = np.concatenate((found, gaps)).astype(np.int64)
    order = np.argsort(at, kind="stable")
    at = at[order]
    is_gap = order >= len(found)
    if not len(at):
        return at, at, is_gap
    ends = np.concatenate(([0], at, [len(total) - 1]))
    means = np.diff(total[ends]) / np.diff(ends)
    jump = np.diff(means)
    length = np.diff(at)
    same = (jump[1:] * jump[:-1] > 0) & ~is_gap[1:] & ~is_gap[:-1]
    joined = same & ((length <= PARTIAL_RUN) | _ramps(total, at, jump, sigma))
    first = np.concatenate(([True], ~joined))
    last = np.concatenate((~joined, [True]))
    return at[first], at[last], is_gap[first]


def _ramps(total: Floats, at: Ints, jump: Floats, sigma: float) -> Bools:
    """For each level between two steps: True where it rises (or falls) so much that it is part of a ramp."""
    start, end = at[:-1], at[1:]
    half = np.maximum((end - start) // 2, 1)
    left = (total[start + half] - total[start]) / half
    right = (total[end] - total[end - half]) / half
    rise = 2 * (right - left)  # the halves' means lie half the length apart
    steps = np.abs(jump[:-1]) + np.abs(jump[1:])
    least = np.maximum(RAMP_SHARE * steps, RAMP_Z * 2 * sigma * np.sqrt(2 / half))
    ramps: Bools = (np.sign(rise) == np.sign(jump[1:])) & (np.abs(rise) > least)
    return ramps


def _trim(
    value: Floats, total: Floats, first: Ints, last: Ints, is_gap: Bools, sigma: float
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
        noise = st.PARTIAL_Z * sigma * np.sqrt(1 + 1 / rest)
        # the first sample of the level after, and the last of the one before, against the rest of theirs
        lag = (summed[1:] - value[last]) / rest[1:] - value[last]
        lead = value[first - 1] - (summed[:-1] - value[first - 1]) / rest[:-1]
        late = (lag * np.sign(jump) > noise[1:]) & (length[1:] >= 2) & ~is_gap
        early = (lead * np.sign(jump) > noise[:-1]) & (length[:-1] >= 2) & ~is_gap
        early[1:] &= ~(late[:-1] & (length[1:-1] < 3))  # of two claims on two samples the first is granted
        last[late] += 1
        first[early] -= 1
        if not late.any() and not early.any():
            break
    return first, last


def _crossings(
    time_s: Floats, value: Floats, first: Ints, last: Ints, middle: Floats, rising: Bools
) -> Floats:
    """The instants at which the record crosses each transition's middle, between two samples (IEEE 181:
    mid-reference level instant); halfway between the samples where noise hides the crossing."""
    at_s = (time_s[first - 1] + time_s[first]) / 2
    sign = np.where(rising, 1.0, -1.0)
    open_ = np.arange(len(first))
    for offset in range(int((last - first).max(initial=0)) + 1):
        k = first[open_] + offset
        over = sign[open_] * (value[k] - middle[open_]) >= 0
        under = sign[open_] * (value[k - 1] - middle[open_]) < 0
        hit = open_[over & under]
        k = k[over & under]
        share = (middle[hit] - value[k - 1]) / (value[k] - value[k - 1])
        at_s[hit] = time_s[k - 1] + share * (time_s[k] - time_s[k - 1])
        open_ = open_[~over & (first[open_] + offset < last[open_])]
        if not len(open_):
            break
    return at_s

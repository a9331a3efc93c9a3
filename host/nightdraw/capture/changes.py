"""Where the level of a record changes: candidate instants at all time scales, each then tested. Arrays only.

Theory of operation. The record is a piecewise constant current, plus noise that is nearly white, plus what
wanders slowly (a clamp's zero, a car that falls asleep) or hums. Two matched filters find changes: the mean
of w samples less the mean of the w before them (an edge), and the mean of n samples less the mean of those
on both sides (a pulse shorter than its surroundings; a straight drift cancels in it), at all widths up to a
second. Nearly everywhere nothing happens, so they are not run over the record: differences of neighbouring
sums of 1, 2, 4 samples, and so on over halved records, are compared with SCREEN of what counts, which shows
every edge and both flanks of every pulse; the matched filters then look around those places alone, in the
running sum. High edges are found first and their levels taken off, so that no wider look sees them again.

A candidate must exceed z deviations of white noise, and z deviations of what that very filter shows in the
same stretch of the record, so that hum and wander raise the threshold of the widths they are seen in, and of
no other. Narrow filters go first and mark what they find; wider ones leave windows with marks in them alone,
or every edge would be found ten times.

What is found is then placed and tested in the record itself (see settle).

z follows from the rate of false alarms (see noise). Cost: some twenty passes over the record in single
precision, in pieces that stay in a processor's cache, and one running sum.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nightdraw.capture.noise import PIECE, QUARTER_Z, RUN, SOME, Noise
from nightdraw.capture.seen import Bools, Floats, Ints
from nightdraw.capture.settle import bounds, height, settle

Singles = NDArray[np.float32]
Sums = Callable[[Ints], Floats]  # the running sum before some samples

# Of z: a pulse that exceeds z shows at either flank as 0.68 of it or more; noise passes once in a thousand.
SCREEN = 0.6
SCREEN_LEAST = 3.0  # deviations at least
CROWDED = 0.02  # of the windows passed a screen: it hums, and the screen is raised to what counts there
TILE = 1 << 16  # samples at a time: 256 KB stay in the cache from one step to the next
LANES = 16  # values one of which is high are looked at one by one
QUIET_WINDOWS = 16  # fewer windows than this say too little about what a filter shows
LOOKED_AT = 1024  # windows of a piece enough for a quantile: it is known to a twentieth then
STEP_SIDE = 64  # samples on either side that tell a known step: more would take off what wanders
SIDES = 12  # blocks on either side of a pulse that its level is held against
PLACES = 4  # a block's fractions at which a step that is tried may lie
ROUNDS = 4  # changes closer than a window hide each other: each round uncovers the next
# Of a pulse's threshold that each of its two flanks must reach: a single edge has one flank only
HALF_TOP = 0.6


@dataclass(frozen=True)
class _Filter:
    """A matched filter over blocks: `top` blocks against `side` on each side of them (an edge: against those
    on one side)."""

    top: int
    side: int
    two_sided: bool

    @property
    def span(self) -> int:
        """Blocks it spans."""
        return self.top + (2 if self.two_sided else 1) * self.side

    @property
    def energy(self) -> float:
        """Its variance for blocks of deviation 1."""
        return self.top + self.top**2 / ((2 if self.two_sided else 1) * self.side)

    @property
    def edges(self) -> tuple[int, ...]:
        """Where its edges lie, in blocks from its start."""
        return (self.side, self.side + self.top) if self.two_sided else (self.side,)

    def levels(self, total: Sums, start: Ints, size: int) -> tuple[Floats, Floats, Floats]:
        """The means of the windows from some samples on: before, on and after the top (an edge has no after:
        its before once more)."""
        side, top = self.side * size, self.top * size
        a, b, c = total(start), total(start + side), total(start + side + top)
        before, on = (b - a) / side, (c - b) / top
        if not self.two_sided:
            return before, on, before
        return before, on, (total(start + 2 * side + top) - c) / side

    def answers(self, total: Sums, start: Ints, size: int) -> Floats:
        """The filter's answer to the windows from some samples on, as a sum over its top."""
        before, on, after = self.levels(total, start, size)
        answer: Floats = (on - (before + after) / 2) * (self.top * size)
        return answer


def _edge(width: int) -> _Filter:
    return _Filter(width, width, False)


def _pulse(width: int) -> _Filter:
    return _Filter(width, SIDES, True)


# High edges first, for the samples in them look like pulses. Then pulses before edges, and before the edges
# of LAG levels narrower: where one flank of a pulse is marked, no window over the whole pulse is left, and
# its other flank by itself may be missed.
HIGH = _edge(1)
NARROW = _pulse(1), _pulse(2)
PULSES_OF_SAMPLES = *NARROW, _pulse(3), _pulse(4), _pulse(6)
PULSES = _pulse(4), _pulse(6)  # of sums of 2, 4, 8 ... samples
EDGES_OF_SAMPLES = _edge(2), _edge(4)
EDGES = (_edge(4),)
LAG = 2


def find(value: Floats, total: Floats, gaps: Ints, noise: Noise, z: float, widest: int, tau: float) -> Ints:
    """Positions k where the level before sample k differs from the level from k on; ascending.

    total: the running sum, from 0 on; gaps: positions before which samples are missing (no window spans one);
    widest: the widest window; tau: the recorder's time constant in samples, 0 where it has none.
    """
    search = _Search(total, gaps, noise, z)
    blocks, middle = np.empty(len(value), dtype=np.float32), np.median(value[:: max(len(value) // SOME, 1)])
    for start in range(0, len(value), TILE):
        blocks[start : start + TILE] = value[start : start + TILE] - middle
    neighbours = _Screen(blocks, 1, noise, z).passed((1,))
    search.look(HIGH, 1, neighbours)
    search.is_first = False  # of a pulse of a sample or two noise may have hidden one flank
    for matched in NARROW:
        search.look(matched, 1, neighbours)
    search.is_first = True
    ends = np.concatenate(([0], search.known, [len(value)]))
    level = np.diff(total[ends]) / np.maximum(np.diff(ends), 1) - middle
    blocks -= np.repeat(level.astype(np.float32), np.diff(ends))
    size, screened = 1, []
    while 4 * size <= widest and len(blocks) > PULSES[-1].span:
        at = _Screen(blocks, size, noise, z).passed((2, 4) if size == 1 else (4,))
        screened.append((size, np.union1d(neighbours, at) if size == 1 else at))
        even = len(blocks) // 2 * 2
        blocks, size = blocks[0:even:2] + blocks[1:even:2], 2 * size
    for _ in range(ROUNDS):
        before = search.known
        for k in range(len(screened) + LAG):
            for size, at in screened[k : k + 1]:
                for matched in PULSES_OF_SAMPLES if size == 1 else PULSES:
                    search.look(matched, size, at)
            for size, at in screened[k - LAG : k - LAG + 1] if k >= LAG else ():
                for matched in EDGES_OF_SAMPLES if size == 1 else EDGES:
                    search.look(matched, size, at)
        # Once more: what wasn't known was part of what the filters showed, and a pulse's flank that was found
        # alone tells where the other one may be.
        if len(search.known) == len(before):
            break
        search.is_first = False
    found = search.known[~np.isin(search.known, gaps)]
    return settle(total, found, gaps, noise, z, widest, tau)


class _Screen:
    """Where it is worth to look: blocks at which the sum of some differs from the sum of as many before."""

    def __init__(self, blocks: Singles, size: int, noise: Noise, z: float) -> None:
        self.blocks = blocks
        self.per = max(RUN // size, 1)  # blocks that share a threshold
        self.least = max(SCREEN * z, SCREEN_LEAST)
        pieces = -(-len(blocks) // self.per)
        self.sigma = np.sqrt(size) * noise.at(np.arange(pieces) * self.per * size)

    def passed(self, widths: tuple[int, ...]) -> Ints:
        """The blocks, ascending; widths: powers of two, ascending, of how many blocks the sums are."""
        found = np.zeros(len(self.blocks), dtype=bool)
        for start in range(0, len(self.blocks), TILE):
            sums = self.blocks[start : start + TILE + 2 * widths[-1]]
            width = 1
            for wanted in widths:
                while width < wanted:
                    sums = sums[:-width] + sums[width:]
                    width *= 2
                if len(sums) > width:
                    move = sums[width:] - sums[:-width]
                    found[start + width + self._high(move[:TILE], start, np.sqrt(2.0 * width))] = True
        return np.flatnonzero(found)

    def _high(self, move: Singles, start: int, energy: float) -> Ints:
        """Where a difference from block `start` on is high enough; energy: its deviation, for blocks of 1."""
        first = start // self.per
        least = self.least * energy * self.sigma[first : (start + len(move) - 1) // self.per + 1]
        lowest = least.min()
        rows = move[: len(move) // LANES * LANES].reshape(LANES, -1)  # their highest are found without a copy
        some = np.flatnonzero((rows.max(axis=0) > lowest) | (rows.min(axis=0) < -lowest))
        hits = (np.arange(LANES)[:, None] * rows.shape[1] + some).ravel()
        hits = np.concatenate((hits, np.arange(rows.size, len(move))))
        hits = hits[np.abs(move[hits]) > lowest]
        if len(hits) > CROWDED * len(move):
            some = np.sort(np.abs(move[:: max(len(move) // SOME, 1)]))
            least = np.maximum(least, self.least * some[len(some) // 4] / QUARTER_Z)
        passed: Ints = hits[np.abs(move[hits]) > least[(start + hits) // self.per - first]]
        return passed


class _Search:
    """The changes found so far; each look of a filter adds to them."""

    def __init__(self, total: Floats, gaps: Ints, noise: Noise, z: float) -> None:
        self.total, self.noise, self.z = total, noise, z
        self.gaps = self.known = gaps
        self.samples = len(total) - 1
        self.is_first = True  # later a window may have known changes at its own edges

    def sums(self, at: Ints) -> Floats:
        """The running sum before some samples."""
        found: Floats = self.total[at]
        return found

    def look(self, matched: _Filter, size: int, at: Ints) -> None:
        """Look with one filter, over blocks of a size, around some blocks."""
        count = self.samples // size - matched.span + 1
        starts = np.sort(np.concatenate([at - edge + k for edge in matched.edges for k in (-1, 0, 1)]))
        starts = starts[(starts >= 0) & (starts < count) & (np.diff(starts, append=-1) != 0)]
        starts = starts[self._free(starts, size, matched)]
        if not len(starts):
            return
        answer = matched.answers(self.sums, starts * size, size)
        piece = self.noise.piece(starts * size)
        white = self.noise.at(starts * size) * np.sqrt(matched.energy * size)
        least = np.maximum(self.z * white, self.noise.least[piece] * matched.top * size)
        hits = np.abs(answer) > least
        # the narrowest edge is what sigma was measured by: there is nothing else to learn from it
        if hits.any() and matched.span > 2:
            spread = self._spreads(matched, size, count, self.known)[piece]
            if (hits & (np.abs(answer) <= self.z * spread)).any():
                # A train of pulses is most of what wide filters show, and would hide itself. Without the
                # steps that stand out of white noise little is left of it, but nearly all of hum and wander.
                peaks = np.flatnonzero(hits)[_peaks(starts[hits], answer[hits])]
                tried = np.concatenate([(starts[peaks] + edge) * size for edge in matched.edges])
                tried = self._placed(tried, size, matched.top * size)
                without = self._spreads(matched, size, count, np.union1d(self.known, tried))[piece]
                spread = np.minimum(spread, without)
            least = np.maximum(least, self.z * spread)
            hits = np.abs(answer) > least
        starts, answer, least = starts[hits], answer[hits], least[hits] / (matched.top * size)
        for _ in range(ROUNDS):
            free = self._free(starts, size, matched)
            starts, answer, least = starts[free], answer[free], least[free]
            if not len(starts):
                return
            peaks = _peaks(starts, answer)
            if matched.two_sided:
                peaks = peaks[self._has_two_flanks(starts[peaks], size, matched, least[peaks])]
            if not len(peaks):
                return
            edges = np.concatenate([(starts[peaks] + edge) * size for edge in matched.edges])
            if not self.is_first:
                near = min(size, matched.top * size - 1)  # a sample's two flanks are neighbours, not one
                edges = edges[self._count(edges, -near, near) == 0]
            self.known = np.union1d(self.known, edges)

    def _free(self, starts: Ints, size: int, matched: _Filter) -> Bools:
        """True for windows without a known change strictly inside; later with some at a pulse's edges at
        most."""
        inside = self._count(starts * size, 1, matched.span * size - 1)
        if matched.two_sided and not self.is_first and inside.any():
            rise, width = (starts + matched.side) * size, matched.top * size
            inside -= self._count(rise, -size, size)
            # one that lies at both edges of a narrow pulse is one all the same
            inside -= self._count(rise, max(width - size, size + 1), width + size)
        free: Bools = inside == 0
        return free

    def _count(self, at: Ints, first: int, last: int) -> Ints:
        """How many known changes lie between at + first and at + last, both included."""
        counts: Ints = np.searchsorted(self.known, at + last, side="right")
        return counts - np.searchsorted(self.known, at + first, side="left")

    def _placed(self, at: Ints, size: int, reach: int) -> Ints:
        """Where around some blocks' bounds the means over `reach` on both sides differ most: a step taken off
        half a block from its place would leave a pulse."""
        places = at[:, None] + np.arange(-size, size + 1, max(size // PLACES, 1))
        k = np.clip(places, reach, self.samples - reach)
        apart = np.abs(self.total[k + reach] + self.total[k - reach] - 2 * self.total[k])
        found: Ints = k[np.arange(len(k)), np.argmax(apart, axis=1)]
        return found

    def _spreads(self, matched: _Filter, size: int, count: int, known: Ints) -> Floats:
        """The deviation that a filter's answers show in each piece without some changes; inf where too few
        windows can tell. count: windows."""
        per = max(PIECE // size, 1)
        apart = max(per // LOOKED_AT, matched.span // 4, 1)
        pieces = np.arange(len(self.noise.least))[:, None]
        some = pieces * per + np.arange(max(per // apart, 1)) * apart
        quiet = np.abs(matched.answers(self._without_steps(known), np.minimum(some, count - 1) * size, size))
        quiet[some >= count] = np.inf
        number = np.count_nonzero(some < count, axis=1)
        # a short record: all its pieces together, if they are enough
        if int(number.max()) < QUIET_WINDOWS or count < QUIET_WINDOWS * matched.span // 4:
            quiet, number = quiet.reshape(1, -1), number.sum(keepdims=True)
        quiet.sort(axis=1)
        quarter = quiet[np.arange(len(quiet)), number // 4]
        enough = number >= QUIET_WINDOWS
        rest = float(np.median(quarter[enough])) if enough.any() else np.inf
        spread: Floats = np.broadcast_to(np.where(enough, quarter, rest) / QUARTER_Z, (len(pieces),))
        return spread

    def _without_steps(self, known: Ints) -> Sums:
        """The running sum of the record without the steps at some changes; what wanders stays."""
        at = known[(known > 0) & (known < self.samples)]
        if not len(at):
            return self.sums
        low, high = bounds(self.total, at, self.gaps[:0], np.full(len(at), STEP_SIDE))
        nodes = np.concatenate(([0], at, [self.samples]))
        level = np.concatenate(([0.0], np.cumsum(height(self.total, at, low, high))))
        steps = np.concatenate(([0.0], np.cumsum(level * np.diff(nodes))))
        return lambda k: np.asarray(self.total[k] - np.interp(k, nodes, steps))

    def _has_two_flanks(self, starts: Ints, size: int, matched: _Filter, least: Floats) -> Bools:
        """True where a pulse's level stands out on both sides; beside a lone edge only one of them does."""
        before, on, after = matched.levels(self.sums, starts * size, size)
        rise, fall = on - before, on - after
        two: Bools = (rise * fall > 0) & (np.minimum(np.abs(rise), np.abs(fall)) >= HALF_TOP * least)
        return two


def _peaks(starts: Ints, answer: Floats) -> Ints:
    """The rows of the largest of each run of neighbouring windows that answer with the same sign."""
    sign = answer > 0
    begins = np.concatenate(([True], (np.diff(starts) > 2) | (sign[1:] != sign[:-1])))
    run = np.cumsum(begins) - 1
    order = np.lexsort((-np.abs(answer), run))
    peaks: Ints = order[np.searchsorted(run, np.arange(run[-1] + 1))]
    return peaks

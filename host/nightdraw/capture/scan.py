"""From a recording to its transitions, in a stream: blocks overlap by what the search looks around a place.

Memory holds two blocks, the transitions, and a trace of means about a second apart. Which level is a base is
not known here.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from nightdraw.capture import changes as ch
from nightdraw.capture.crossings import Chunk, assemble
from nightdraw.capture.noise import RUN, SOME, deviations, hum_of, noise_of
from nightdraw.capture.read import BLOCK_SAMPLES, Recording
from nightdraw.capture.response import Shape
from nightdraw.capture.seen import Floats, Ints, stacked
from nightdraw.capture.transitions import Pieces, Scan, Trace, Transitions, empty

WINDOW_S = 1.0  # levels are compared over up to a second: clamps drift over minutes, not within one
LEAST_WINDOW = 64  # slow recorders: at least so many samples, or noise is never averaged
MOST_WINDOW = BLOCK_SAMPLES >> 4  # the overlap of blocks (four windows) stays small beside a block
NOTHING = empty(Transitions), empty(Trace), empty(Pieces)
ALIKE = 0.05  # of a deviation: pieces of one noise differ by a tenth of it
GAP_INTERVALS = 2.5  # a distance of more than this many sampling intervals is a gap: samples are missing


def scan(recording: Recording, false_alarms_per_h: float) -> Scan:
    """Find every transition of a recording, in one pass and bounded memory."""
    state = _Progress(false_alarms_per_h)
    parts = [NOTHING, *(_part(chunk, state) for chunk in _chunks(recording, state))]
    transitions, trace, pieces = (stacked(tables) for tables in zip(*parts, strict=True))
    return Scan(
        transitions,
        trace,
        pieces,
        samples=state.samples,
        start_s=state.start_s,
        end_s=state.end_s,
        interval_s=float(np.median(state.intervals_s)) if state.intervals_s else 0.0,
        noise=_typical(pieces.own),
        least_change=float(np.median(pieces.least)) if len(pieces) else 0.0,
        hum=max(state.hums, default=0.0),
        total=state.total,
        z=state.z,
        tau=state.shape.tau,
        width=state.shape.width,
        window=_window(float(np.median(state.intervals_s))) if state.intervals_s else LEAST_WINDOW,
    )


def _typical(sigma: Floats) -> float:
    """The deviation of most of the record: the mean of what differs from the median by chance alone, for the
    median by itself is that of a single piece."""
    middle = np.median(sigma) if len(sigma) else 0.0
    near = np.abs(sigma - middle) <= ALIKE * middle
    return float(sigma[near].mean()) if near.any() else 0.0


class _Progress:
    """What a pass has seen so far."""

    def __init__(self, false_alarms_per_h: float) -> None:
        self.false_alarms_per_h = false_alarms_per_h
        self.z = 0.0
        self.samples = self.transitions = self.halo = 0
        self.total = 0.0
        self.start_s = self.end_s = 0.0
        self.intervals_s: list[float] = []
        self.hums: list[float] = []
        self.shape = Shape()


class _Held:
    """The samples at hand and their running sum, in memory that is used again: fresh pages from the system
    cost more than all that is done with what lies in them."""

    def __init__(self) -> None:
        self._rows = np.empty((3, 0))
        self.count = 0

    def add(self, time_s: Floats, value: Floats) -> None:
        """Append a block."""
        count = self.count + len(value)
        if count >= self._rows.shape[1]:
            rows = np.empty((3, count + count // 2 + 1))  # a running sum has one entry more
            rows[:, : self.count] = self._rows[:, : self.count]
            self._rows = rows
        self._rows[0, self.count : count], self._rows[1, self.count : count] = time_s, value
        self.count = count

    def drop(self, count: int) -> None:
        """Forget the first samples."""
        self.count -= count
        self._rows[:2, : self.count] = self._rows[:2, count : count + self.count]

    def chunk(self, core: int, core_end: int, before: tuple[int, float]) -> Chunk:
        """All of them as a chunk, until the next change."""
        time_s, value, total = self._rows[:, : self.count + 1]
        total[0] = 0.0
        np.cumsum(value[:-1], out=total[1:])
        return Chunk(time_s[:-1], value[:-1], total, core, core_end, before)


def _chunks(recording: Recording, state: _Progress) -> Iterator[Chunk]:
    held, core, before = _Held(), 0, (0, 0.0)
    for time_s, value in recording.blocks():
        if not state.samples:
            state.start_s = float(time_s[0])
            state.halo = 4 * _window(_interval(time_s[:SOME]))
        state.samples += len(value)
        state.end_s = float(time_s[-1])
        held.add(time_s, value)
        if held.count < BLOCK_SAMPLES:
            continue
        chunk = held.chunk(core, held.count - state.halo, before)
        keep = max(chunk.core_end - state.halo, 0)
        before = (before[0] + keep, before[1] + float(chunk.total[keep]))
        core = chunk.core_end - keep
        yield chunk
        held.drop(keep)
    if held.count - core > 0:
        chunk = held.chunk(core, held.count, before)
        state.total = before[1] + float(chunk.total[-1])
        yield chunk


def _window(interval_s: float) -> int:
    return min(max(round(WINDOW_S / interval_s), LEAST_WINDOW), MOST_WINDOW)


def _interval(time_s: Floats) -> float:
    """The median sampling interval."""
    if len(time_s) < 2:
        return 1.0
    apart = max(len(time_s) // SOME, 1)
    return float(np.median(time_s[1::apart] - time_s[: len(time_s) - 1 : apart]))


def _gaps(time_s: Floats, longest_s: float) -> Ints:
    """Positions before which samples are missing; a piece at a time, which stays in the cache."""
    found, apart = [np.empty(0, dtype=np.int64)], np.empty(ch.TILE)
    for start in range(0, len(time_s) - 1, ch.TILE):
        here = time_s[start : start + ch.TILE + 1]
        step = np.subtract(here[1:], here[:-1], out=apart[: len(here) - 1])
        if step.max() > longest_s:
            found.append(start + 1 + np.flatnonzero(step > longest_s))
    return np.concatenate(found)


def _part(chunk: Chunk, state: _Progress) -> tuple[Transitions, Trace, Pieces]:
    interval_s = _interval(chunk.time_s)
    gaps = _gaps(chunk.time_s, GAP_INTERVALS * interval_s)
    noise = noise_of(chunk.value)
    window = _window(interval_s)
    if not state.z:
        state.z = deviations(state.false_alarms_per_h, 1 / interval_s)

    def find(tau: float) -> Ints:
        return ch.find(chunk.value, chunk.total, gaps, noise, state.z, window, tau)

    found = find(state.shape.tau)
    hum = hum_of(chunk.value, found, gaps, 1 / interval_s)
    if hum is not None:
        rms = float(np.sqrt(np.mean(hum**2)))
        state.hums.append(rms)
        value = chunk.value - hum
        chunk = replace(chunk, value=value, total=np.concatenate(([0.0], np.cumsum(value))))
        noise = noise.without(value, rms)
        found = find(state.shape.tau)
    state.intervals_s.append(interval_s)
    here, trace = assemble(chunk, found, find, gaps, noise, window, state.transitions, state.shape)
    state.transitions += len(here)
    starts = np.clip(np.arange(len(noise.sigma)) * RUN, chunk.core, chunk.core_end - 1)
    ends = np.append(starts[1:], chunk.core_end - 1)
    some = ends > starts
    times = chunk.time_s[starts[some]], chunk.time_s[ends[some]]
    least = noise.least[noise.piece(starts[some])]
    return here, trace, Pieces(*times, noise.own[some], noise.sigma[some], least)

"""From a recording to its transitions, in a stream: blocks overlap by what the search looks around a place.

Memory holds two blocks, the transitions, and a trace of means about a second apart. Which level is a base is
not known here.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields
from typing import TypeVar

import numpy as np

from nightdraw.capture import changes as ch
from nightdraw.capture.crossings import Chunk, Trace, Transitions, assemble
from nightdraw.capture.edgeshape import Shape
from nightdraw.capture.noise import SOME, deviations, noise_of
from nightdraw.capture.read import BLOCK_SAMPLES, Recording
from nightdraw.capture.seen import Columns, Floats

Table = TypeVar("Table", bound=Columns)

WINDOW_S = 1.0  # levels are compared over up to a second: clamps drift over minutes, not within one
LEAST_WINDOW = 64  # slow recorders: at least so many samples, or noise is never averaged
MOST_WINDOW = BLOCK_SAMPLES >> 4  # the overlap of blocks (four windows) stays small beside a block
GAP_INTERVALS = 2.5  # a distance of more than this many sampling intervals is a gap: samples are missing


@dataclass(frozen=True)
class Scan:
    """What one pass over a recording found.

    interval_s: the sampling interval; noise: rms of one sample; total: the sum of all samples; z: the
    deviations that changes were asked for.
    """

    transitions: Transitions
    trace: Trace
    samples: int
    start_s: float
    end_s: float
    interval_s: float
    noise: float
    total: float
    z: float
    window: int
    tau: float
    width: float

    @property
    def mean(self) -> float:
        """The mean of all samples."""
        return self.total / self.samples if self.samples else 0.0


def scan(recording: Recording, false_alarms_per_h: float) -> Scan:
    """Find every transition of a recording, in one pass and bounded memory."""
    state = _Progress(false_alarms_per_h)
    parts = [_part(chunk, state) for chunk in _chunks(recording, state)]
    return Scan(
        _joined(Transitions, [found for found, _ in parts]),
        _joined(Trace, [trace for _, trace in parts]),
        samples=state.samples,
        start_s=state.start_s,
        end_s=state.end_s,
        interval_s=float(np.median(state.intervals_s)) if state.intervals_s else 0.0,
        noise=float(np.median(np.concatenate(state.sigmas))) if state.sigmas else 0.0,
        total=state.total,
        z=state.z,
        tau=state.shape.tau,
        width=state.shape.width,
        window=_window(float(np.median(state.intervals_s))) if state.intervals_s else LEAST_WINDOW,
    )


def _joined(kind: type[Table], parts: list[Table]) -> Table:
    names = [f.name for f in fields(kind)]  # type: ignore[arg-type]
    return kind(**{n: np.concatenate([getattr(p, n) for p in parts] or [np.empty(0)]) for n in names})


class _Progress:
    """What a pass has seen so far."""

    def __init__(self, false_alarms_per_h: float) -> None:
        self.false_alarms_per_h = false_alarms_per_h
        self.z = 0.0
        self.samples = self.transitions = 0
        self.total = 0.0
        self.start_s = self.end_s = 0.0
        self.intervals_s: list[float] = []
        self.sigmas: list[Floats] = []
        self.shape = Shape()


def _chunks(recording: Recording, state: _Progress) -> Iterator[Chunk]:
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
        halo = 4 * _window(float(np.median(np.diff(time_s[:SOME]))))
        core_end = len(value) - halo
        yield Chunk(time_s, value, core, core_end, before)
        keep = max(core_end - halo, 0)
        before = (before[0] + keep, before[1] + float(value[:keep].sum()))
        time_s, value, core = time_s[keep:], value[keep:], core_end - keep
    if len(value) - core > 0:
        yield Chunk(time_s, value, core, len(value), before)


def _window(interval_s: float) -> int:
    return min(max(round(WINDOW_S / interval_s), LEAST_WINDOW), MOST_WINDOW)


def _part(chunk: Chunk, state: _Progress) -> tuple[Transitions, Trace]:
    time_s, value = chunk.time_s, chunk.value
    distances_s = np.diff(time_s)
    interval_s = (
        float(np.median(distances_s[:: max(len(distances_s) // SOME, 1)])) if len(distances_s) else 1.0
    )
    gaps = np.flatnonzero(distances_s > GAP_INTERVALS * interval_s) + 1
    noise = noise_of(value)
    window = _window(interval_s)
    if not state.z:
        state.z = deviations(state.false_alarms_per_h, 1 / interval_s)
    state.intervals_s.append(interval_s)
    state.sigmas.append(noise.sigma)
    found = ch.find(value, gaps, noise, state.z, window)
    here, trace = assemble(chunk, found, gaps, noise, window, state.transitions, state.shape)
    state.transitions += len(here)
    return here, trace

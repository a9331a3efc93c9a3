"""Blocks of samples: rows put in order, those of one time averaged, cut to one size; no file is known."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from nightdraw.capture.read.options import Part
from nightdraw.errors import InputError

Floats = NDArray[np.float64]
Blocks = Iterator[tuple[Floats, Floats]]

BLOCK_SAMPLES = 1 << 20  # 16 MB of time and value: the measure of bounded memory
# Rows may be out of order by this much: a recorder's buffers swapped, not a second recording.
CARRY_SAMPLES = 1024


class Counts:
    """What one pass over the file mended."""

    def __init__(self) -> None:
        self.blank = 0
        self.absurd = 0
        self.sorted = 0
        self.doubled = 0
        self.beyond = 0
        self.share = 0.0  # of the file that has been read

    def notes(self) -> list[str]:
        """One line for each kind of mending that was needed."""
        told = (
            (self.blank, "rows without a number left out"),
            (self.absurd, "rows left out that no instrument on a vehicle reads (above 100 kA or 100 kV)"),
            (self.sorted, "rows out of order put in order"),
            (self.beyond, "rows of more than 1 V left out: that is no fuse's drop, the fuse was out"),
            (self.doubled, "rows share their time with another: averaged"),
        )
        return [f"{count} {what}" for count, what in told if count]


def in_order(raw: Blocks, counts: Counts, refuse: Callable[[float, float], InputError]) -> Blocks:
    """Put rows in order and average those of the same time; CARRY_SAMPLES are held back for late ones."""
    held_t = held_v = np.empty(0)
    latest = -np.inf
    for time_s, value in raw:
        time_s, value = np.concatenate((held_t, time_s)), np.concatenate((held_v, value))
        steps = np.diff(time_s)
        if np.any(steps < 0):
            counts.sorted += int(np.count_nonzero(steps < 0))
            order = np.argsort(time_s, kind="stable")
            if np.any(np.abs(order - np.arange(len(order))) > CARRY_SAMPLES):
                late = int(np.argmax(steps < 0))
                raise refuse(float(time_s[late + 1]), float(time_s[late]))
            time_s, value = time_s[order], value[order]
        if len(time_s) and time_s[0] <= latest:
            raise refuse(float(time_s[0]), latest)
        cut = int(np.searchsorted(time_s, time_s[max(len(time_s) - CARRY_SAMPLES, 0)])) if len(time_s) else 0
        held_t, held_v = time_s[cut:], value[cut:]
        if cut:
            latest = float(time_s[cut - 1])
            yield _merge(time_s[:cut], value[:cut], counts)
    if len(held_t):
        yield _merge(held_t, held_v, counts)


def _merge(time_s: Floats, value: Floats, counts: Counts) -> tuple[Floats, Floats]:
    first = np.concatenate(([True], np.diff(time_s) > 0))
    if first.all():
        return time_s, value
    counts.doubled += int(len(first) - first.sum())
    at = np.flatnonzero(first)
    rows = np.diff(np.append(at, len(time_s)))
    return time_s[at], np.add.reduceat(value, at) / rows


def part_of(ordered: Blocks, part: Part, zero_s: float | None = None) -> Blocks:
    """The rows of a part by their times; zero_s: the recording's first instant (None: the first row's)."""
    for time_s, value in ordered:
        if not len(time_s):
            continue
        zero_s = float(time_s[0]) if zero_s is None else zero_s
        begin_s = zero_s + part.begin_s
        end_s = np.inf if part.length_s is None else begin_s + part.length_s
        first, last = np.searchsorted(time_s, (begin_s, end_s))
        if first < last:
            yield time_s[first:last], value[first:last]
        if last < len(time_s):
            return  # what comes later needn't be read


def even(blocks: Blocks) -> Blocks:
    """The same rows in blocks of BLOCK_SAMPLES each but the last."""
    times: list[Floats] = []
    values: list[Floats] = []
    have = 0
    for time_s, value in blocks:
        times.append(time_s)
        values.append(value)
        have += len(time_s)
        if have < BLOCK_SAMPLES:
            continue
        time_s, value = np.concatenate(times), np.concatenate(values)
        while have >= BLOCK_SAMPLES:
            yield time_s[:BLOCK_SAMPLES], value[:BLOCK_SAMPLES]
            time_s, value = time_s[BLOCK_SAMPLES:], value[BLOCK_SAMPLES:]
            have -= BLOCK_SAMPLES
        times, values = [time_s], [value]
    if have:
        yield np.concatenate(times), np.concatenate(values)

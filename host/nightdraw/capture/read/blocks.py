"""Blocks of samples: rows put in order, those of one time averaged, cut to one size; no file is known."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numpy.typing import NDArray

from nightdraw.capture.read.columns import Part
from nightdraw.errors import InputError

Floats = NDArray[np.float64]
Blocks = Iterator[tuple[Floats, Floats]]
Refuse = Callable[[str, float], InputError]

BLOCK_SAMPLES = 1 << 20  # 16 MB of time and value: the measure of bounded memory
# Rows may be out of order by this much: a recorder's buffers swapped, not a second recording.
CARRY_SAMPLES = 1024
MOST_SAME = 1 << 20  # rows of one time: a clock of whole seconds at 1 MHz; more would only fill the memory
MOST = 1e8  # mA or mV: a thousand times what a starter draws
OVER_RANGE = 1e30  # instruments write 9.9E37 for a value beyond their range (SCPI-1999), others infinity
MOST_TIME_S = 1e11  # three thousand years: no such time is one in seconds


class Counts:
    """What one pass over the file mended."""

    def __init__(self) -> None:
        self.blank = 0
        self.over = 0
        self.absurd = 0
        self.sorted = 0
        self.doubled = 0
        self.beyond = 0
        self.share = 0.0  # of the file that has been read

    def notes(self) -> list[str]:
        """One line for each kind of mending that was needed."""
        kinds = (
            (self.blank, "rows without a number left out"),
            (self.over, "samples beyond the recorder's range left out"),
            (self.absurd, "rows left out that no instrument on a vehicle reads (above 100 kA or 100 kV)"),
            (self.sorted, "rows out of order put in order"),
            (self.beyond, "rows of more than 1 V left out: that is no fuse's drop, the fuse was out"),
            (self.doubled, "rows share their time with another: averaged"),
        )
        return [f"{count} {what}" for count, what in kinds if count]


def in_order(raw: Blocks, counts: Counts, refuse: Refuse) -> Blocks:
    """The rows of numbers that can be measurements, put in order, those of the same time averaged.

    CARRY_SAMPLES or more are held back for late ones. refuse: makes the error for a text with {} in it and an
    instant. Blocks that are in order stay as they are: nearly all are, and two quick looks tell.
    """
    held_t = held_v = np.empty(0)
    held_rises = True
    latest = -np.inf
    for block in raw:
        time_s, value, rises = _cleared(*block, counts, refuse)
        if not len(time_s):
            continue
        ahead = not len(held_t) or bool(time_s[0] > held_t[-1])
        if rises and ahead and len(time_s) >= CARRY_SAMPLES:
            if len(held_t):
                latest = float(held_t[-1])
                yield (held_t, held_v) if held_rises else _merge(held_t, held_v, counts)
            if time_s[0] <= latest:
                raise refuse("time runs backwards at {:.9g} s", float(time_s[0]))
            held_t, held_v, held_rises = time_s, value, True
            continue
        time_s, value = np.concatenate((held_t, time_s)), np.concatenate((held_v, value))
        time_s, value = _sorted(time_s, value, counts, refuse)
        if time_s[0] <= latest:
            raise refuse("time runs backwards to {:.9g} s", float(time_s[0]))
        # All rows of one time stay together.
        cut = int(np.searchsorted(time_s, time_s[max(len(time_s) - CARRY_SAMPLES, 0)]))
        held_t, held_v, held_rises = time_s[cut:], value[cut:], False
        if len(held_t) > MOST_SAME:
            raise refuse("more than a million rows have the same time, {:.9g} s", float(held_t[0]))
        if cut:
            latest = float(time_s[cut - 1])
            yield _merge(time_s[:cut], value[:cut], counts)
    if len(held_t):
        yield _merge(held_t, held_v, counts)


def _cleared(time_s: Floats, value: Floats, counts: Counts, refuse: Refuse) -> tuple[Floats, Floats, bool]:
    """A block without the rows that are no measurements, and whether its times rise from row to row."""
    # No comparison with nan holds, and a single nan makes the least and the most one.
    rises = len(time_s) > 1 and bool((time_s[1:] > time_s[:-1]).all())
    if rises and time_s[0] >= -MOST_TIME_S and time_s[-1] <= MOST_TIME_S and _within(value):
        return time_s, value, True
    timed, given = np.isfinite(time_s), ~np.isnan(value)
    absurd = timed & (np.abs(time_s) > MOST_TIME_S)
    if absurd.any():
        raise refuse("a time of {:.4g} s is none: is the column's unit right?", float(time_s[absurd][0]))
    size = np.abs(value)
    over = timed & given & (size > OVER_RANGE)
    good = timed & given & (size <= MOST)
    counts.over += int(over.sum())
    counts.absurd += int((timed & given & ~over & ~good).sum())
    counts.blank += int((~(timed & given)).sum())
    return time_s[good], value[good], False


def _within(value: Floats) -> bool:
    return bool(value.min() >= -MOST and value.max() <= MOST)


def _sorted(time_s: Floats, value: Floats, counts: Counts, refuse: Refuse) -> tuple[Floats, Floats]:
    steps = np.diff(time_s)
    back = steps < 0
    if not back.any():
        return time_s, value
    order = np.argsort(time_s, kind="stable")
    if np.any(np.abs(order - np.arange(len(order))) > CARRY_SAMPLES):
        raise refuse("time runs backwards to {:.9g} s", float(time_s[int(np.argmax(back)) + 1]))
    counts.sorted += int(np.count_nonzero(back))
    return time_s[order], value[order]


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


def ahead(blocks: Blocks) -> Blocks:
    """The same blocks, the next one read by a thread of its own while the last one is worked on."""
    with ThreadPoolExecutor(1, "read ahead") as pool:
        coming = pool.submit(next, blocks, None)
        while (block := coming.result()) is not None:
            coming = pool.submit(next, blocks, None)
            yield block


def even(blocks: Blocks) -> Blocks:
    """The same rows in blocks of BLOCK_SAMPLES each but the last; a block of that size is passed on."""
    times: list[Floats] = []
    values: list[Floats] = []
    have = 0
    for time_s, value in blocks:
        if not have and len(time_s) == BLOCK_SAMPLES:
            yield time_s, value
            continue
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

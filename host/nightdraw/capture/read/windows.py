"""Means of a recording over windows of time, exactly, in one pass and bounded memory.

The running sum is read at chosen instants; a window's mean is a difference of two readings.
"""

from __future__ import annotations

import numpy as np

from nightdraw.capture.read.blocks import Floats
from nightdraw.capture.read.recording import Recording


class Sums:
    """Running number and sum of the samples before each of some instants; see sums_at()."""

    def __init__(self, counts: Floats, totals: Floats) -> None:
        self.counts = counts
        self.totals = totals


def sums_at(recording: Recording, instants_s: Floats) -> Sums:
    """Number and sum (mA) of the samples earlier than each instant; instants in any order."""
    order = np.argsort(instants_s, kind="stable")
    ordered = instants_s[order]
    counts, totals = np.zeros(len(ordered)), np.zeros(len(ordered))
    count, total, done = 0, 0.0, 0
    for time_s, value in recording.blocks():
        reached = int(np.searchsorted(ordered, time_s[-1], side="right"))
        places = np.searchsorted(time_s, ordered[done:reached], side="left")
        running = np.concatenate(([0.0], np.cumsum(value)))
        counts[done:reached] = count + places
        totals[done:reached] = total + running[places]
        count, total, done = count + len(value), total + float(running[-1]), reached
    counts[done:], totals[done:] = count, total
    back = np.empty_like(order)
    back[order] = np.arange(len(order))
    return Sums(counts[back], totals[back])


def means(recording: Recording, from_s: Floats, to_s: Floats) -> tuple[Floats, Floats]:
    """For each window the mean of its samples (nan without any) and their number; from_s in, to_s not."""
    sums = sums_at(recording, np.concatenate((from_s, to_s)))
    half = len(from_s)
    numbers = sums.counts[half:] - sums.counts[:half]
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(numbers > 0, (sums.totals[half:] - sums.totals[:half]) / numbers, np.nan)
    return mean, np.maximum(numbers, 0.0)

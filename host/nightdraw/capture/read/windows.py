"""Means of a recording over windows of time, exactly, in one pass and bounded memory.

The running sum is read at chosen instants; a window's mean is a difference of two readings.
"""

from __future__ import annotations

import numpy as np

from nightdraw.capture.read.blocks import Floats
from nightdraw.capture.read.recording import Recording


class Sums:
    """Running number and sum of the samples before each of some instants, and the time of the last of them
    (-inf before the first); see sums_at()."""

    def __init__(self, counts: Floats, totals: Floats, last_s: Floats) -> None:
        self.counts = counts
        self.totals = totals
        self.last_s = last_s


def sums_at(recording: Recording, instants_s: Floats) -> Sums:
    """Number and sum (mA) of the samples earlier than each instant; instants in any order."""
    order = np.argsort(instants_s, kind="stable")
    ordered = instants_s[order]
    counts, totals = np.zeros(len(ordered)), np.zeros(len(ordered))
    last_s = np.full(len(ordered), -np.inf)
    count, total, done, latest_s = 0, 0.0, 0, -np.inf
    for time_s, value in recording.blocks():
        reached = int(np.searchsorted(ordered, time_s[-1], side="right"))
        places = np.searchsorted(time_s, ordered[done:reached], side="left")
        running = np.concatenate(([0.0], np.cumsum(value)))
        counts[done:reached] = count + places
        totals[done:reached] = total + running[places]
        last_s[done:reached] = np.where(places > 0, time_s[np.maximum(places - 1, 0)], latest_s)
        count, total, done = count + len(value), total + float(running[-1]), reached
        latest_s = float(time_s[-1])
    counts[done:], totals[done:], last_s[done:] = count, total, latest_s
    back = np.empty_like(order)
    back[order] = np.arange(len(order))
    return Sums(counts[back], totals[back], last_s[back])


def means(recording: Recording, from_s: Floats, to_s: Floats) -> tuple[Floats, Floats]:
    """For each window the mean of its samples (nan without any) and their number; from_s in, to_s not."""
    sums = sums_at(recording, np.concatenate((from_s, to_s)))
    half = len(from_s)
    numbers = sums.counts[half:] - sums.counts[:half]
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(numbers > 0, (sums.totals[half:] - sums.totals[:half]) / numbers, np.nan)
    return mean, np.maximum(numbers, 0.0)

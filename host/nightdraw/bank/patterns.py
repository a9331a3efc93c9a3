"""The sums of all subsets of a set of conductances, and how far the nearest lies from each target.

A pattern is a subset: bit k set means that channel k is on. Arrays of siemens in, arrays of numbers out.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class Targets:
    """What the bank is asked for: `wanted` siemens each (ascending, without repetition), and what an error
    is relative to: `scale` siemens, the level that the circuit sees over the nominal supply."""

    def __init__(self, wanted: Floats, scale: Floats) -> None:
        self.wanted, first = np.unique(wanted, return_index=True)
        self.scale = scale[first]
        self.count = len(self.wanted)

    def also(self, more: Targets) -> Targets:
        """These and more."""
        return Targets(np.concatenate([self.wanted, more.wanted]), np.concatenate([self.scale, more.scale]))


def subset_sums(conductances: Sequence[float] | Floats) -> Floats:
    """The 2^n sums of all subsets, siemens; element k is the subset whose bits are k's, bit 0 the first."""
    sums = np.zeros(1)
    for conductance in conductances:
        sums = np.concatenate([sums, sums + conductance])
    return sums


def nearest_distance(sorted_sums: Floats, wanted: Floats) -> Floats:
    """For each wanted value (any shape) the distance to the nearest of the sums (ascending)."""
    above = np.searchsorted(sorted_sums, wanted)
    high = sorted_sums[np.minimum(above, len(sorted_sums) - 1)]
    low = sorted_sums[np.maximum(above - 1, 0)]
    distance: Floats = np.minimum(np.abs(high - wanted), np.abs(wanted - low))
    return distance


def errors(conductances: Sequence[float] | Floats, targets: Targets) -> Floats:
    """For each target the relative error of the best pattern."""
    relative: Floats = nearest_distance(np.sort(subset_sums(conductances)), targets.wanted) / targets.scale
    return relative


def largest_error(conductances: Sequence[float] | Floats, targets: Targets) -> float:
    """The largest relative error over the targets, each with its best pattern: what sizing minimises."""
    return float(errors(conductances, targets).max())


def best_patterns(conductances: Sequence[float] | Floats, wanted: Floats) -> Ints:
    """For each wanted value the pattern whose sum is nearest; of two equally near ones the lower sum, as the
    box's own bank chooses."""
    sums = subset_sums(conductances)
    order = np.argsort(sums, kind="stable")
    chosen: Ints = order[nearest_index(sums[order], wanted)]
    return chosen


def nearest_index(ascending: Floats, wanted: Floats) -> Ints:
    """For each wanted value the index of the nearest of the sums, of two equally near ones the lower."""
    above = np.minimum(np.searchsorted(ascending, wanted), len(ascending) - 1)
    below = np.maximum(above - 1, 0)
    lower = wanted - ascending[below] <= ascending[above] - wanted
    return np.where(lower, below, above)

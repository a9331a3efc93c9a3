"""The fewest levels that follow a record within an error: optimal partitioning.

Theory of operation. The record may change its level only at candidate instants. A piece from one to a later
one costs the squared error of its samples about their mean, each further piece a penalty. For one penalty the
partition of least cost is found exactly by dynamic programming over the candidates, with the pruning of PELT
(Killick, Fearnhead and Eckley 2012): a candidate from which even a free split would not pay is never looked
at again, which loses nothing (but where sharp edges lie so near that a piece has no sample besides theirs: a
split may cost more than the whole there, and a better one be missed). That partition has the least squared
error of all with as many pieces: this is its bound. The penalty is raised by bisection as far as the error
allows. O(candidates x survivors) for a penalty; memory for the samples and their sums.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from nightdraw.capture.seen import Bools, Floats, Ints

ROUNDS = 18  # of bisection: the penalty to a ten-thousandth of its range's logarithm


class Pieces:
    """The pieces that a record can be cut into.

    t_s, value: samples in order of time; at_s: candidates, ascending, the first and last are the record's
    ends; edge: True where a candidate is a sharp edge, beside which one sample is caught in it and left out.
    """

    def __init__(self, t_s: Floats, value: Floats, at_s: Floats, edge: Bools) -> None:
        self.at_s = at_s
        beside_s = np.where(edge, float(np.median(np.diff(t_s))) if len(t_s) > 1 else 0.0, 0.0)
        self._from, self._to = np.searchsorted(t_s, at_s + beside_s), np.searchsorted(t_s, at_s - beside_s)
        self._at = np.searchsorted(t_s, at_s)
        self._to[-1] = self._at[-1] = len(t_s)
        self._middle = float(value.mean())
        rest = value - self._middle  # sums of squares stay exact where the level is high
        self._sum = np.concatenate(([0.0], np.cumsum(rest)))
        self._square = np.concatenate(([0.0], np.cumsum(rest * rest)))

    def _span(self, first: Ints, last: Ints | int) -> tuple[Ints, Ints]:
        """First sample and the one after the last; without the guard where it would leave nothing."""
        low, high = self._from[first], np.broadcast_to(self._to[last], np.shape(first))
        short = high <= low
        return np.where(short, self._at[first], low), np.where(short, self._at[last], high)

    def counts(self, first: Ints, last: Ints) -> Ints:
        """How many samples pieces from one candidate to another have."""
        low, high = self._span(first, last)
        return np.asarray(high - low)

    def levels(self, first: Ints, last: Ints) -> Floats:
        """Their means; nan where a piece has no sample."""
        low, high = self._span(first, last)
        with np.errstate(invalid="ignore", divide="ignore"):
            mean: Floats = (self._sum[high] - self._sum[low]) / (high - low) + self._middle
        return mean

    def errors(self, first: Ints, last: Ints | int) -> Floats:
        """Their squared errors about their means."""
        low, high = self._span(first, last)
        total = self._sum[high] - self._sum[low]
        error: Floats = self._square[high] - self._square[low] - total * total / np.maximum(high - low, 1)
        return np.maximum(error, 0.0)

    def best(self, penalty: float) -> Ints:
        """The candidates at which the partition of least cost is cut, both ends included."""
        count = len(self.at_s)
        cost, before = np.full(count, np.inf), np.zeros(count, dtype=np.int64)
        cost[0] = -penalty
        alive = np.zeros(1, dtype=np.int64)
        for last in range(1, count):
            whole = cost[alive] + self.errors(alive, last)
            least = int(np.argmin(whole))
            cost[last], before[last] = whole[least] + penalty, alive[least]
            alive = np.append(alive[whole <= cost[last]], last)
        cuts = [count - 1]
        while cuts[-1]:
            cuts.append(int(before[cuts[-1]]))
        return np.array(cuts[::-1])

    def fewest(self, variance: float, good: Callable[[Ints], bool]) -> Ints | None:
        """The cuts of the partition with the fewest pieces that is good; None where not even all are.

        variance: of one sample's noise; no penalty below it is tried.
        """
        found = np.arange(len(self.at_s))
        if not good(found):
            return None
        total = float(self.errors(found[:1], len(found) - 1)[0])
        low, high = np.log(max(variance, 1e-9)), np.log(max(total, 1e-6) + 1.0)
        for _ in range(ROUNDS):
            middle = (low + high) / 2
            cuts = self.best(float(np.exp(middle)))
            if good(cuts):
                found, low = cuts if len(cuts) <= len(found) else found, middle
            else:
                high = middle
        return found

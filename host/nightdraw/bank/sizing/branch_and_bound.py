"""Branch and bound over the channels in ascending order: it finds the best choice, and proves that it is.

Let the channels be sorted, g1 <= g2 <= ... <= gN, and let a relative error e be given. Of a prefix g1..gk
take the smallest target u that none of its subset sums meets within e. Two facts bound the next channel:

- some channel beyond the prefix must help to make u, all of them are g(k+1) or more, and no part of a sum
  exceeds it: g(k+1) <= u + e * scale(u);
- that also bounds how fast the prefix total T may grow: the first target that T can't reach is not met, so
  one channel raises T by no more than that target's upper edge. Backwards from the largest target this gives
  the least total that a prefix with r channels to come must have, hence the least g(k+1).

Nothing else is cut, so when no prefix is left no choice with an error below e exists. Each improvement found
lowers e at once. Prefixes of one length are worked on together as rows of an array.

Assumptions: errors are judged at the given targets only (channel_search adds the points between them), and
tolerance is the same for all channels, so that it doesn't change which choice is best. The derivation is our
own; the method is Land and Doig's (1960) with a depth-first stack. Worst case: candidates^N prefixes of 2^N
sums; in practice the smallest error that is proven doubles the work for each halving. Memory is bounded by
CHUNK_SUMS for each length of prefix.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nightdraw.bank.patterns import Floats, Ints, Targets, nearest_distance

CHUNK_SUMS = 1 << 19  # sums held in one array: 4 MB, near the size of a processor's cache
ROUNDING = 1e-12  # totals are compared this much more loosely, so that rounding never excludes a choice
SAME = 1e-13  # relative errors closer than this count as equal; rounding of the sums is a thousandth of it

Bools = NDArray[np.bool_]


@dataclass
class _Prefixes:
    """Prefixes of one length k: their 2^k sums, last pick, total, first target not met, and all picks."""

    sums: Floats
    last: Ints
    total: Floats
    unmet: Ints
    picks: Ints

    def take(self, index: Ints | slice) -> _Prefixes:
        return _Prefixes(
            self.sums[index], self.last[index], self.total[index], self.unmet[index], self.picks[index]
        )


class Proof:
    """One search for choices better than `error` among multisets of `channels` candidates.

    candidates: ascending siemens. After `run`, `picks` holds the best found (None: nothing better than the
    error given), `error` its largest relative error, `complete` whether nothing better can exist, `work` the
    sums computed.
    """

    def __init__(self, candidates: Floats, targets: Targets, channels: int, error: float) -> None:
        self._candidates = candidates
        self._targets = targets
        self._channels = channels
        self.picks: Ints | None = None
        self.complete = False
        self.work = 0
        self._better_than(error)

    def _better_than(self, error: float) -> None:
        """From now on look only for choices with a largest error below `error`."""
        self.error = error
        targets = self._targets
        reach = (error - SAME) * targets.scale
        self._low = targets.wanted - reach
        self._high = targets.wanted + reach
        self._least_total = self._least_totals()

    def _least_totals(self) -> list[float]:
        """The least total of a prefix that r = 0, 1, ... further channels can still complete."""
        wanted, low, high = self._targets.wanted, self._low, self._high
        least = [float(low[-1])]
        for _ in range(self._channels):
            # The first target whose upper edge lifts a total just short of its lower edge far enough.
            first = min(int(np.searchsorted(2 * wanted, least[-1], side="right")), len(wanted) - 1)
            before = float(low[first - 1]) if first else 0.0
            least.append(max(0.0, before, least[-1] - float(high[first])))
        return [total * (1 - ROUNDING) - ROUNDING * float(wanted[0]) for total in least]

    def run(self, budget: float, stop: Callable[[], bool] = lambda: False) -> None:
        """Search until done, until `budget` sums were computed or until `stop` says so."""
        empty = np.zeros((1, 0), dtype=np.int64)
        zero = np.zeros(1, dtype=np.int64)
        stack = [_Prefixes(np.zeros((1, 1)), zero, np.zeros(1), zero, empty)]
        while stack:
            if self.work > budget or stop():
                return
            rows = self._expand(stack.pop(), stack)
            if rows is not None:
                stack.append(rows)
        self.complete = True

    def _expand(self, rows: _Prefixes, stack: list[_Prefixes]) -> _Prefixes | None:
        """The rows' children that may lead to something better; what is too much goes back on the stack."""
        length = rows.picks.shape[1]
        left = self._channels - length
        # below `lowest` the remaining channels can't reach the largest target any more; picks ascend, so that
        # each multiset is met once
        lowest = np.searchsorted(self._candidates, self._least_total[left - 1] - rows.total)
        first = np.maximum(rows.last, lowest)
        # above the unmet target's upper edge a channel can't take part in making it (first fact above)
        beyond = np.searchsorted(self._candidates, self._high[rows.unmet], side="right")
        counts = np.maximum(beyond - first, 0)
        kept = self._fitting(counts, CHUNK_SUMS >> (length + 1))
        if kept < len(counts):  # the rest waits, so that one array stays within CHUNK_SUMS
            stack.append(rows.take(slice(kept, None)))
        counts = counts[:kept]
        parents = np.repeat(np.arange(kept), counts)
        if not len(parents):
            return None
        step = np.arange(len(parents)) - np.repeat(np.cumsum(counts) - counts, counts)
        return self._children(rows, parents, first[parents] + step, left)

    @staticmethod
    def _fitting(counts: Ints, limit: int) -> int:
        """How many rows may be expanded at once: at least one, else no more than `limit` children."""
        ends = np.cumsum(counts)
        return min(len(counts), max(1, int(np.searchsorted(ends, limit, side="right"))))

    def _children(self, rows: _Prefixes, parents: Ints, index: Ints, left: int) -> _Prefixes | None:
        conductance = self._candidates[index]
        base = rows.sums[parents]
        self.work += base.size
        with_it = base + conductance[:, None]
        unmet = rows.unmet[parents]
        if left == 1:  # the last channel must make the target itself: most rows end here
            meets = self._meets(with_it, unmet)
            parents, index, conductance = parents[meets], index[meets], conductance[meets]
            base, with_it, unmet = base[meets], with_it[meets], unmet[meets]
            if not len(parents):
                return None
        picks = np.concatenate([rows.picks[parents], index[:, None]], axis=1)
        sums = np.concatenate([base, with_it], axis=1)
        self.work += sums.size
        unmet = self._record(sums, picks, self._first_unmet(sums, unmet))
        if left == 1:
            return None
        children = _Prefixes(sums, index, rows.total[parents] + conductance, unmet, picks)
        kept = self._unpruned(children, left - 1)
        return children.take(kept) if len(kept) else None

    def _unpruned(self, rows: _Prefixes, left: int) -> Ints:
        """The rows that have at least one candidate for the next channel."""
        beyond = np.searchsorted(self._candidates, self._high[rows.unmet], side="right")
        grown = rows.total + self._high[rows.unmet]
        return np.flatnonzero((rows.last < beyond) & (grown >= self._least_total[left - 1]))

    def _meets(self, sums: Floats, target: Ints) -> Bools:
        """For each row whether one of its sums makes the row's target within the error."""
        low, high = self._low[target][:, None], self._high[target][:, None]
        meets: Bools = np.any((sums >= low) & (sums <= high), axis=1)
        return meets

    def _first_unmet(self, sums: Floats, start: Ints) -> Ints:
        """For each row the first target from `start` on that none of its sums makes; the count if all are."""
        unmet = start.copy()
        active = np.flatnonzero(unmet < self._targets.count)
        while len(active):
            active = active[self._meets(sums[active], unmet[active])]
            unmet[active] += 1
            active = active[unmet[active] < self._targets.count]
        return unmet

    def _record(self, sums: Floats, picks: Ints, unmet: Ints) -> Ints:
        """Keep the best of the rows that meet every target; returns the first unmet target under its error.

        A row's search starts at its parent's target, which was met under an older, larger error: rows
        that seem to be done are therefore measured in full.
        """
        done = np.flatnonzero(unmet == self._targets.count)
        if not len(done):
            return unmet
        errors = np.array([self._largest(row) for row in sums[done]])
        best = int(errors.argmin())
        # a better choice tightens every later bound at once; one within rounding would loop without gain
        if errors[best] < self.error - SAME:
            self.picks = picks[done[best]]
            self._better_than(float(errors[best]))
        return self._first_unmet(sums, np.zeros_like(unmet))

    def _largest(self, sums: Floats) -> float:
        return float((nearest_distance(np.sort(sums), self._targets.wanted) / self._targets.scale).max())

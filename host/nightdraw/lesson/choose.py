"""Which candidates the groups get: the most even choice, proven, by mixed integer programs (HiGHS).

Theory of operation. One binary variable for each candidate; rows limit sums of them (at most one at a place,
a box's stock, ...). Evenness is the ratio of the longest to the shortest expected time. Minimising a ratio is
no linear program, but for a fixed shortest time it is a search: the least longest time for which a feasible
choice exists, found by bisection over the candidates' times (`_least`), each step a feasibility program
(`window`). Shortest times are tried in ascending order, and only windows better than the best so far: what
none of them holds is proven not to exist.

Then (`finest`), in windows that are wider by SLACK, one more program minimises the range of difficulties plus
the costs of pairs with one fault, one answer or one car: pairs, so that repeats are spread. Equal choices are
separated by tiny random costs from the seed.

Cost: times * log(times) feasibility programs; each ends at NODES of the search tree, a bound on work that is
the same on all machines. A program that ends there proves nothing, and the bound of the answer says so.
"""

from __future__ import annotations

import bisect
import random
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from nightdraw.lesson.candidates import Candidate
from nightdraw.lesson.rows import Row

SLACK = 1.08  # times the best evenness count as even: chance alone moves a search by more
# Costs in points of difficulty of two groups with one fault, one answer, one car
AGAIN, SAME_ANSWER, SHARED = 2.0, 1.0, 0.5
COSTS = {"fault": AGAIN, "answer": SAME_ANSWER, "car": SHARED}
NODES, LAST_NODES = 20_000, 400  # of a search tree: a bound on work that is the same on all machines
WINDOWS = 40  # that the last program looks at: neighbours among them hold nearly the same
GAP = 0.01  # of the last program's objective, in points of difficulty; less has no meaning
NO_BETTER = 1e-9  # relative: times are rounded to a millisecond
OPTIMAL, LIMIT, INFEASIBLE = 0, 1, 2  # scipy.optimize.milp's status


@dataclass(frozen=True)
class Chosen:
    """Candidates, one for each group; evenness, and the bound that no choice goes below."""

    found: tuple[Candidate, ...]
    bound: float

    @property
    def evenness(self) -> float:
        """The longest expected time over the shortest."""
        times = [one.expected_s for one in self.found]
        return max(times) / min(times)


class Choice:
    """All choices of `groups` candidates under rows; floor: weights whose sum must reach a least value; own:
    candidates that go to one group, by its place in the row of groups: then neighbours in that row get
    different faults in every choice (without them any choice of the rows can be put in such an order)."""

    def __init__(
        self,
        found: Sequence[Candidate],
        rows: Sequence[Row],
        groups: int,
        floor: tuple[dict[int, float], float] | None = None,
        own: Mapping[int, int] | None = None,
    ) -> None:
        self.found, self.groups = found, groups
        self._own = own or {}
        self._rows, self._floor = list(rows), floor
        self.times = sorted({one.expected_s for one in found})

    def most(
        self, weights: dict[int, float] | None = None, any_number: bool = False
    ) -> tuple[float, list[int]]:
        """The largest sum of weights (None: the number chosen), and who; any_number: no more than `groups`.

        (-1, []) where there is no choice at all.
        """
        gain = dict.fromkeys(range(len(self.found)), 1.0) if weights is None else weights
        cost = {k: -value for k, value in gain.items()}
        chosen = self._solve(cost, self.found, NODES, least=0 if any_number else self.groups)
        if chosen is None or chosen == []:
            return (0.0, []) if any_number and self.found else (-1.0, [])
        return sum(gain.get(k, 0.0) for k in chosen), chosen

    def window(self, low_s: float, high_s: float) -> list[int] | None:
        """A choice with all times within both ends; None where there is none. Raises UnprovenError."""
        inside = [one if low_s <= one.expected_s <= high_s else None for one in self.found]
        return self._solve({}, inside, NODES)

    def most_even(
        self, progress: Callable[[float], None] = lambda share: None, below: float = float("inf")
    ) -> Chosen | None:
        """The most even choice, if more even than `below`; progress: called with the share of windows that
        were tried."""
        best: list[int] | None = None
        ratio, bound = below, below
        for place, low_s in enumerate(self.times):
            progress(place / len(self.times))
            inside = [t for t in self.times if low_s <= t < low_s * ratio * (1 - NO_BETTER)]
            try:
                chosen = self.window(low_s, inside[-1]) if inside else None
                if chosen is None and ratio == float("inf"):
                    return None  # what all times together don't hold is in no window
                if chosen is None:
                    continue
                best, high_s = self._least(low_s, inside, chosen)
                ratio = high_s / low_s
            except UnprovenError:
                # a better choice may exist in this window: nothing above 1 is proven any more
                bound = min(bound, 1.0)
            if ratio <= 1 + NO_BETTER:  # all times are equal: no choice is more even
                break
        if best is None:
            return None
        return Chosen(tuple(self.found[k] for k in best), min(bound, ratio))

    def _least(self, low_s: float, inside: list[float], chosen: list[int]) -> tuple[list[int], float]:
        """The least longest time for a shortest one, by halving."""
        bad = -1
        good = inside.index(max(self.found[k].expected_s for k in chosen))
        while good - bad > 1:
            middle = (good + bad) // 2
            better = self.window(low_s, inside[middle])
            if better is None:
                bad = middle
            else:
                chosen = better
                good = inside.index(max(self.found[k].expected_s for k in chosen))
        return chosen, inside[good]

    def finest(self, chosen: Chosen, seed: int) -> Chosen:
        """About as even, with difficulties evened and faults repeated as little as they can; by the seed
        among equals."""
        most = chosen.evenness * SLACK
        best, best_cost = chosen, float("inf")
        for low_s in self._starts(chosen, most):
            inside = [one if low_s <= one.expected_s <= low_s * most else None for one in self.found]
            picked = self._solve_last(inside, seed)
            if picked is not None:
                made = Chosen(tuple(self.found[k] for k in picked), chosen.bound)
                cost = roughness(made.found)
                if cost < best_cost:
                    best, best_cost = made, cost
        return best

    def _starts(self, chosen: Chosen, most: float) -> list[float]:
        """Shortest times of windows of ratio `most`: the chosen one's own, and of those that no other window
        holds, all or WINDOWS evenly."""
        ends = [bisect.bisect_right(self.times, low_s * most) for low_s in self.times]
        apart = [t for k, t in enumerate(self.times) if k == 0 or ends[k] > ends[k - 1]]
        step = -(-len(apart) // WINDOWS)
        return [min(one.expected_s for one in chosen.found), *apart[::step]]

    def _solve_last(self, inside: Sequence[Candidate | None], seed: int) -> list[int] | None:
        draw = random.Random(seed)
        cost = {k: draw.uniform(0, GAP / 4 / self.groups) for k in range(len(inside))}
        extra = _Extra(len(inside))
        high, low = extra.variable(1.0), extra.variable(-1.0)
        hardest = max((one.difficulty for one in inside if one is not None), default=0.0)
        repeated: dict[tuple[str, ...], list[int]] = defaultdict(list)
        at_place: dict[object, dict[int, float]] = defaultdict(dict)
        for k, one in enumerate(inside):
            if one is not None:
                at_place[one.place][k] = one.difficulty
                repeated["fault", one.profile].append(k)
                repeated["answer", one.profile, one.fuse].append(k)
                repeated["car", str(one.car)].append(k)
        for hard in at_place.values():  # one at most at each place: a sum says more to the solver than each
            extra.at_most({**hard, high: -1.0}, 0.0)
            extra.at_most({**{k: hardest - d for k, d in hard.items()}, low: 1.0}, hardest)
        for key, members in repeated.items():
            pairs = extra.variable(COSTS[key[0]])
            for n in range(1, self.groups):  # n (n - 1) / 2 lies on the highest of these lines
                extra.at_most({**dict.fromkeys(members, float(n)), pairs: -1.0}, n * (n + 1) / 2)
        try:
            return self._solve(cost, inside, LAST_NODES, extra=extra)
        except UnprovenError:
            return None

    def _solve(
        self,
        cost: dict[int, float],
        inside: Sequence[Candidate | None],
        nodes: int,
        least: int | None = None,
        extra: _Extra | None = None,
    ) -> list[int] | None:
        import numpy as np
        from scipy.optimize import Bounds, LinearConstraint, milp
        from scipy.sparse import csr_array

        count = len(self.found)
        extra = extra or _Extra(count)
        if self._own:
            self._assign_groups(extra)
        total = count + len(extra.costs)
        lines = [(row.weights, -np.inf, row.most) for row in self._rows]
        lines += [(weights, -np.inf, most) for weights, most in extra.rows]
        everyone = dict.fromkeys(range(count), 1.0)
        lines.append((everyone, self.groups if least is None else least, self.groups))
        if self._floor is not None:
            lines.append((self._floor[0], self._floor[1] - 1e-6, np.inf))
        places = [(i, k, w) for i, (weights, _, _) in enumerate(lines) for k, w in weights.items()]
        at, of, values = (np.array(part) for part in zip(*places, strict=True))
        matrix = csr_array((values, (at, of)), shape=(len(lines), total))
        limits = LinearConstraint(matrix, [row[1] for row in lines], [row[2] for row in lines])
        upper = np.r_[[float(one is not None) for one in inside], np.full(len(extra.costs), np.inf)]
        objective = np.r_[[cost.get(k, 0.0) for k in range(count)], extra.costs]
        whole = np.r_[np.ones(count), extra.whole]
        options = {"node_limit": nodes, "mip_rel_gap": GAP if any(extra.costs) else 0.0}
        answer: Any = milp(
            objective, integrality=whole, bounds=Bounds(0, upper), constraints=limits, options=options
        )
        if answer.x is not None:
            return [k for k in range(count) if answer.x[k] > 0.5]
        if answer.status == INFEASIBLE:
            return None
        raise UnprovenError(answer.message)

    def _assign_groups(self, extra: _Extra) -> None:
        """Variables that say which group gets which fault: as many of each as are chosen, side by side no two
        alike, and what is a group's own goes to it."""
        of: dict[str, list[int]] = defaultdict(list)
        for k, one in enumerate(self.found):
            of[one.profile].append(k)
        gets = [{fault: extra.variable(0.0, whole=True) for fault in of} for _ in range(self.groups)]
        for mine in gets:
            extra.at_most(dict.fromkeys(mine.values(), 1.0), 1.0)
        for fault, members in of.items():
            given = {mine[fault]: -1.0 for mine in gets}
            extra.at_most({**dict.fromkeys(members, 1.0), **given}, 0.0)
            for mine, next_ones in pairwise(gets):
                extra.at_most({mine[fault]: 1.0, next_ones[fault]: 1.0}, 1.0)
        for k, group in self._own.items():
            extra.at_most({k: 1.0, gets[group][self.found[k].profile]: -1.0}, 0.0)


class UnprovenError(Exception):
    """The solver ended without an answer, by its bound on work."""


class _Extra:
    """Further variables (0 and up), their costs, which are whole numbers, and rows."""

    def __init__(self, first: int) -> None:
        self._next = first
        self.costs: list[float] = []
        self.whole: list[bool] = []
        self.rows: list[tuple[dict[int, float], float]] = []

    def variable(self, cost: float, whole: bool = False) -> int:
        """A new variable's place."""
        self.costs.append(cost)
        self.whole.append(whole)
        self._next += 1
        return self._next - 1

    def at_most(self, weights: dict[int, float], most: float) -> None:
        """A row."""
        self.rows.append((weights, most))


def roughness(found: Sequence[Candidate]) -> float:
    """What the last choice makes small: the spread of difficulties; faults, answers and cars given again."""
    hard = [one.difficulty for one in found]
    again = AGAIN * _pairs(one.profile for one in found)
    again += SAME_ANSWER * _pairs((one.profile, one.fuse) for one in found)
    again += SHARED * _pairs(one.car for one in found)
    return max(hard) - min(hard) + again


def _pairs(given: Iterable[object]) -> int:
    """How many pairs are alike: twice two are fewer (2) than once three (3), so repeats are spread."""
    return sum(n * (n - 1) // 2 for n in Counter(given).values())

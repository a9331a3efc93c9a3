"""A plain simulation of searches, for the tests of finding: it imports nothing of the project.

It is written from the words of `nightdraw.bench.findable` alone, holds pulses as lists of (start, end) and
goes through one trial after the other.
"""

from __future__ import annotations

import bisect
import math
import random
from collections.abc import Callable
from statistics import fmean, stdev


class Periodic:
    """A pulse of `on_s` every `every_s`, seen from a random instant: its phase is random."""

    def __init__(self, every_s: float, on_s: float) -> None:
        self.every_s, self.on_s = every_s, on_s

    def begin(self, source: random.Random) -> Callable[[float], float]:
        phase = source.uniform(0, self.every_s)

        def wait(at: float) -> float:
            # a hair's breadth of rounding must not cost a period
            return phase + math.ceil((at - phase) / self.every_s - 1e-9) * self.every_s + self.on_s

        return wait


class Alternating:
    """Gap, pulse, gap, pulse; it ran for long before the search begins."""

    def __init__(self, gap: Callable[[random.Random], float], on: Callable[[random.Random], float]) -> None:
        self.gap, self.on = gap, on
        source = random.Random(1)
        self.cycle_s = fmean(gap(source) + on(source) for _ in range(4000))

    def begin(self, source: random.Random) -> Callable[[float], float]:
        now = -source.uniform(20, 30) * self.cycle_s
        starts: list[float] = []
        ends: list[float] = []

        def wait(at: float) -> float:
            nonlocal now
            while not starts or starts[-1] < at:
                now += self.gap(source)
                starts.append(now)
                now += self.on(source)
                ends.append(now)
            return ends[bisect.bisect_left(starts, at)]

        return wait


class Told:
    """Mean and 95 % quantile of trials, with the standard error of both."""

    def __init__(self, taken: list[float]) -> None:
        taken.sort()
        count = len(taken)
        self.mean, self.mean_error = fmean(taken), stdev(taken) / math.sqrt(count)
        rank = 0.95 * count
        spread = math.sqrt(0.05 * rank)
        self.p95 = taken[math.ceil(rank) - 1]
        low, high = taken[int(rank - 3 * spread)], taken[min(count - 1, int(rank + 3 * spread))]
        self.p95_error = (high - low) / 6  # three standard errors either way, by the order of the values

    def agrees(
        self, mean: float, p95: float, errors: tuple[float, float] = (0.0, 0.0), rel: float = 0.0
    ) -> bool:
        """Whether other figures (with their own standard errors) lie within 4 of both errors together."""
        by_mean = 4 * math.hypot(self.mean_error, errors[0]) + rel * abs(mean)
        by_p95 = 4 * math.hypot(self.p95_error, errors[1]) + rel * abs(p95)
        return abs(self.mean - mean) <= by_mean and abs(self.p95 - p95) <= by_p95


def sets_of(
    pulses: Periodic | Alternating, groups: list[tuple[int, int, int]], move_s: float, trials: int, seed: int
) -> Told:
    """Set after set until the one that it is is among them; groups of (sets, candidates, at once)."""
    source = random.Random(seed)
    taken = []
    for _ in range(trials):
        wait, now = pulses.begin(source), 0.0
        for sets, candidates, at_once in groups:
            last = min(source.randrange(candidates) // at_once, sets - 1)
            for _ in range(last + 1):
                now = wait(now + move_s)
        taken.append(now)
    return Told(taken)


def number_of(pulses: Periodic | Alternating, number: int, trials: int, seed: int) -> Told:
    """Until so many whole pulses were seen, one after the other."""
    source = random.Random(seed)
    taken = []
    for _ in range(trials):
        wait, now = pulses.begin(source), 0.0
        for _ in range(number):
            now = wait(now)
        taken.append(now)
    return Told(taken)

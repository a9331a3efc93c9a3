"""How far a level can be off: over the supply's range, the resistors' tolerance and their temperature.

The box picks a pattern anew for the supply that it measures, so over the range it is the bank's gaps that
count, not the supply's ratio. Three views of the same spread: worst case, root-sum-square, Monte Carlo.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from nightdraw.bank.patterns import Floats, nearest_index, subset_sums

SAMPLES = 2000  # the 99th percentile then rests on 20 samples
PERCENTILE = 99.0
REPICK = 0.01  # the box picks anew when the supply has moved by more than this


@dataclass(frozen=True)
class Spread:
    """What is believed of a bank, and how far the truth may be: siemens, and relative limits a channel.

    tolerance: the resistor's class. drift: temperature coefficient times its greatest distance from 25 C.
    """

    siemens: Floats
    tolerance: Floats
    drift: Floats
    supply_v: tuple[float, float]
    own_a: float


@dataclass(frozen=True)
class LevelError:
    """Relative errors of one level, as fractions of it: worst case, root-sum-square of the limits, the
    PERCENTILE of a Monte Carlo, and the worst case while a standing level waits to be picked anew."""

    worst: float
    rss: float
    monte_carlo: float
    held: float


class Sums:
    """All patterns of a bank by ascending conductance, with the limits of each sum, siemens.

    more, less: how far a sum may lie above and below what is believed, every channel at its limits; likely:
    the root of the sum of the limits' squares.
    """

    def __init__(self, spread: Spread) -> None:
        sums = subset_sums(spread.siemens)
        order = np.argsort(sums, kind="stable")
        more = spread.siemens * (1 / ((1 - spread.tolerance) * (1 - spread.drift)) - 1)
        less = spread.siemens * (1 - 1 / ((1 + spread.tolerance) * (1 + spread.drift)))
        squares = (spread.siemens * spread.tolerance) ** 2 + (spread.siemens * spread.drift) ** 2
        self.siemens = sums[order]
        self.more = subset_sums(more)[order]
        self.less = subset_sums(less)[order]
        self.likely = np.sqrt(subset_sums(squares))[order]


def level_error(level_a: float, spread: Spread, sums: Sums) -> tuple[float, float, float]:
    """The worst-case, root-sum-square and held relative errors of one level (as the circuit sees it).

    Candidates: the two ends of the supply range, and between them every change of pattern, where the error of
    rounding to the bank's steps is greatest: half the gap, on either side. Exact, not sampled.
    """
    low, high = (max(0.0, level_a - spread.own_a) / volts for volts in reversed(spread.supply_v))
    middles = (sums.siemens[1:] + sums.siemens[:-1]) / 2
    first, last = np.searchsorted(middles, [low, high])
    inner = middles[first:last]
    wanted = np.concatenate([[low, high], inner, inner])
    ends = np.searchsorted(middles, [low, high])
    index = np.concatenate([ends, np.arange(first, last), np.arange(first, last) + 1])
    # A level's own scale in siemens at the supply where it wants `wanted`: the own consumption is part of it.
    scale = wanted if not spread.own_a else wanted * level_a / max(level_a - spread.own_a, 1e-12)
    offset = (sums.siemens[index] - wanted) / scale
    above = float((offset + sums.more[index] / scale).max())
    below = float((sums.less[index] / scale - offset).max())
    rss = float(np.sqrt(offset**2 + (sums.likely[index] / scale) ** 2).max())
    held = max((1 + above) * (1 + REPICK) - 1, 1 - (1 - below) * (1 - REPICK))
    return max(above, below), rss, held


def monte_carlo(levels_a: Floats, spread: Spread, seed: int, samples: int = SAMPLES) -> Floats:
    """The PERCENTILE of each level's relative error: supply, tolerance and drift drawn evenly from their
    limits, the pattern picked for that supply from what is believed of the bank."""
    random = np.random.default_rng(seed)
    channels = len(spread.siemens)
    supply = random.uniform(*spread.supply_v, samples)
    tolerance = random.uniform(-1, 1, (samples, channels)) * spread.tolerance
    drift = random.uniform(-1, 1, (samples, channels)) * spread.drift
    true = spread.siemens / ((1 + tolerance) * (1 + drift))
    bits = 1 << np.arange(channels)
    sums = subset_sums(spread.siemens)
    order = np.argsort(sums, kind="stable")
    ascending = sums[order]
    found = np.empty(len(levels_a))
    for number, level_a in enumerate(levels_a):
        wanted = np.maximum(0.0, level_a - spread.own_a) / supply
        patterns = order[nearest_index(ascending, wanted)]
        on = (patterns[:, None] & bits) > 0
        current = (true * on).sum(axis=1) * supply + spread.own_a
        found[number] = np.percentile(np.abs(current / level_a - 1), PERCENTILE)
    return found


def errors_of(levels_a: Floats, spread: Spread, seed: int) -> list[LevelError]:
    """All three views of every level."""
    sums = Sums(spread)
    drawn = monte_carlo(levels_a, spread, seed)
    found = []
    for level_a, likely in zip(levels_a, drawn, strict=True):
        worst, rss, held = level_error(float(level_a), spread, sums)
        found.append(LevelError(worst, rss, float(likely), held))
    return found

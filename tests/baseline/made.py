"""Recordings of sleeping vehicles made by numpy alone: nothing of the bench, the truth beside them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from nightdraw.capture.read import Recording, from_arrays


@dataclass(frozen=True)
class Twitch:
    """Level above the base, duration, start to start (uniform), asleep only or always."""

    ma: float
    on_s: float
    every_s: tuple[float, float]
    asleep_only: bool


@dataclass(frozen=True)
class Truth:
    """A vehicle as it was made: (mA, seconds) of each level on the way to sleep."""

    stairs: tuple[tuple[float, float], ...]
    asleep_ma: float
    twitches: tuple[Twitch, ...]
    noise_ma: float
    rate_hz: float


def at_random(source: np.random.Generator) -> Truth:
    """A vehicle such as practice has them: 10 .. 50 mA asleep, up to four levels, up to three twitches."""
    asleep_ma = float(source.uniform(10, 50))
    levels = np.sort(source.uniform(80, 2500, int(source.integers(0, 5))))[::-1]
    levels = [ma for k, ma in enumerate(levels) if not k or levels[k - 1] - ma > 20]
    stairs = tuple((float(ma), float(source.uniform(8, 120))) for ma in levels)
    twitches: list[Twitch] = []
    for _ in range(int(source.integers(0, 4))):
        low_s = float(np.exp(source.uniform(np.log(1.0), np.log(60))))
        high_s = low_s if source.random() < 0.5 else low_s * float(source.uniform(1.2, 1.8))
        ma = float(source.uniform(8, 200))
        # sums of two are not a third, and levels are told apart: what a reader of the file could tell
        if all(not 0.75 < ma / one.ma < 1.33 for one in twitches):
            on_s = float(np.exp(source.uniform(np.log(0.02), np.log(0.4 * low_s))))
            twitches.append(Twitch(ma, on_s, (low_s, high_s), bool(source.random() < 0.5)))
    return Truth(stairs, asleep_ma, tuple(twitches), float(source.uniform(0.3, 2.0)), 500.0)


def recorded(truth: Truth, source: np.random.Generator, asleep_s: float, name: str = "made.csv") -> Recording:
    """A recording from its locking on; samples are means over their intervals."""
    falls_s = sum(length for _, length in truth.stairs)
    count = int((falls_s + asleep_s) * truth.rate_hz)
    edges_s, heights = [0.0], [truth.stairs[0][0] if truth.stairs else truth.asleep_ma]
    at_s = 0.0
    for k, (ma, length_s) in enumerate(truth.stairs):
        at_s += length_s
        after = truth.stairs[k + 1][0] if k + 1 < len(truth.stairs) else truth.asleep_ma
        edges_s.append(at_s)
        heights.append(after - ma)
    for twitch in truth.twitches:
        begin_s = source.uniform(0, twitch.every_s[0])
        while begin_s < falls_s + asleep_s:
            if not twitch.asleep_only or begin_s >= falls_s:
                edges_s += [begin_s, begin_s + twitch.on_s]
                heights += [twitch.ma, -twitch.ma]
            begin_s += source.uniform(*twitch.every_s)
    # the charge up to the end of each sample, from every edge on its own: exact means
    time_s = np.arange(count + 1) / truth.rate_hz
    order = np.argsort(edges_s)
    edge, height = np.array(edges_s)[order], np.array(heights)[order]
    place = np.searchsorted(edge, time_s, side="right")
    sums, moments = np.append(0, np.cumsum(height)), np.append(0, np.cumsum(height * edge))
    charge = sums[place] * time_s - moments[place]
    means = np.diff(charge) * truth.rate_hz + source.normal(0, truth.noise_ma, count)
    return from_arrays(time_s[:-1], means, name=name, unit="mA")

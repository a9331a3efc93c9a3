"""Recordings with an exactly known truth, by code of its own: nothing here comes from the box or its
schedule.

The truth is a slow base and rectangular events on it, each of one level or several. A recorder sees it at
instants or as the mean over each sampling interval, through a first-order low-pass if it has one, with noise,
hum and stray samples. Everything is integrated in closed form, so the truth is known to the last bit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from nightdraw.capture.read import Recording, from_arrays
from numpy.typing import NDArray

Floats = NDArray[np.float64]
SETTLED = 40.0  # time constants after which nothing of an edge is left


@dataclass(frozen=True)
class Event:
    """An excursion from the base: its start (s) and its parts (seconds, mA above the base), one after the
    other."""

    start_s: float
    parts: tuple[tuple[float, float], ...]

    @property
    def duration_s(self) -> float:
        return sum(seconds for seconds, _ in self.parts)

    @property
    def top_ma(self) -> float:
        return max(level for _, level in self.parts)


@dataclass(frozen=True)
class World:
    """What there is to be measured. base_ma wanders as a sine of wander_ma within wander_s, drifts by
    drift_ma_per_h, falls asleep from asleep_ma more with a time constant of asleep_s, and steps by (s, mA) of
    steps; hum on top."""

    seconds: float
    events: tuple[Event, ...]
    base_ma: float = 40.0
    wander_ma: float = 0.0
    wander_s: float = 20.0
    drift_ma_per_h: float = 0.0
    asleep_ma: float = 0.0
    asleep_s: float = 60.0
    steps: tuple[tuple[float, float], ...] = ()
    hum_ma: float = 0.0
    hum_hz: float = 50.3

    def base(self, t_s: Floats) -> Floats:
        """The slow base without steps and hum."""
        base: Floats = (
            self.base_ma
            + self.wander_ma * np.sin(2 * np.pi * t_s / self.wander_s + 0.7)
            + self.drift_ma_per_h * t_s / 3600
            + self.asleep_ma * np.exp(-t_s / self.asleep_s)
        )
        return base

    def edges(self) -> tuple[Floats, Floats]:
        """Instants and heights of all changes."""
        rows = list(self.steps)
        for event in self.events:
            at_s, before = event.start_s, 0.0
            for seconds, level in (*event.parts, (0.0, 0.0)):
                rows.append((at_s, level - before))
                at_s, before = at_s + seconds, level
        table = np.array(sorted(rows), dtype=float).reshape(-1, 2)
        return table[:, 0], table[:, 1]


@dataclass(frozen=True)
class Recorder:
    """How it is seen. averaging: each sample is the mean over the interval that ends with it; else its value
    there."""

    rate_hz: float = 1000.0
    noise_ma: float = 1.0
    time_constant_s: float = 0.0
    averaging: bool = True
    seed: int = 1
    stray: tuple[tuple[float, float], ...] = ()  # (s, mA): samples that are somebody else's
    digit_ma: float = 0.0  # the values are whole multiples of it

    def samples(self, world: World) -> tuple[Floats, Floats]:
        """Times (s) and currents (mA)."""
        rng = np.random.default_rng(self.seed)
        step_s = 1 / self.rate_hz
        t_s = np.arange(round(world.seconds * self.rate_hz)) * step_s
        value = world.base(t_s) + world.hum_ma * np.sin(2 * np.pi * world.hum_hz * t_s)
        value += self._response(world, t_s, step_s)
        value += rng.normal(0.0, self.noise_ma, len(t_s)) if self.noise_ma else 0.0
        for at_s, ma in self.stray:
            value[round(at_s * self.rate_hz)] = ma
        if self.digit_ma:
            value = np.round(value / self.digit_ma) * self.digit_ma
        return t_s, value

    def recording(self, world: World) -> Recording:
        """The same as a recording."""
        t_s, ma = self.samples(world)
        return from_arrays(t_s, ma / 1000)

    def _response(self, world: World, t_s: Floats, step_s: float) -> Floats:
        """What all edges add to each sample: far behind an edge its height, near it the exact response."""
        at_s, height = world.edges()
        reach_s = SETTLED * self.time_constant_s + 2 * step_s
        settled = np.append(0.0, np.cumsum(height))[np.searchsorted(at_s, t_s - reach_s, side="right")]
        for instant, high in zip(at_s, height, strict=True):
            low, end = np.searchsorted(t_s, (instant, instant + reach_s), side="left")
            settled[low:end] += high * self._share(t_s[low:end] - instant, step_s)
        return settled

    def _share(self, after_s: Floats, step_s: float) -> Floats:
        """The response to a step of one, some seconds after it."""
        if not self.averaging:
            share: Floats = (
                1 - np.exp(-after_s / self.time_constant_s) if self.time_constant_s else np.ones(len(after_s))
            )
            return share
        return (self._integral(after_s) - self._integral(after_s - step_s)) / step_s

    def _integral(self, after_s: Floats) -> Floats:
        risen = np.maximum(after_s, 0.0)
        tau = self.time_constant_s
        return risen + tau * np.expm1(-risen / tau) if tau else risen


def train(
    seconds: float, level_ma: float, on_s: float, every_s: float, seed: int, jitter_s: float = 0.0
) -> tuple[Event, ...]:
    """Pulses alike, at a period, each moved at random by up to jitter_s, the whole by a part of a sample."""
    rng = np.random.default_rng(seed)
    starts = np.arange(rng.uniform(0.3, 1.0) * min(every_s, 3.0) + 0.2, seconds - on_s - 0.3, every_s)
    moved = starts + rng.uniform(0, jitter_s, len(starts)) if jitter_s else starts
    return tuple(Event(float(at), ((on_s, level_ma),)) for at in moved if at + on_s < seconds - 0.3)


def varied(
    seconds: float,
    levels_ma: tuple[float, float],
    on_s: tuple[float, float],
    gap_s: tuple[float, float],
    seed: int,
) -> tuple[Event, ...]:
    """Pulses whose level, duration and gap are each drawn anew."""
    rng = np.random.default_rng(seed)
    events, at_s = [], 0.0
    while True:
        at_s += float(rng.uniform(*gap_s))
        lasting_s = float(np.exp(rng.uniform(*np.log(on_s))))
        if at_s + lasting_s > seconds - gap_s[0]:
            return tuple(events)
        events.append(Event(at_s, ((lasting_s, float(rng.uniform(*levels_ma))),)))
        at_s += lasting_s


def staircases(seconds: float, least_ma: float, tread_s: tuple[float, float], seed: int) -> tuple[Event, ...]:
    """Events of two to four levels, neighbours at least so many mA apart, each lasting within `tread_s`."""
    rng = np.random.default_rng(seed)
    events, at_s = [], 1.0
    while True:
        level = rng.uniform(least_ma, 600.0, rng.integers(2, 5))
        if np.min(np.abs(np.diff(np.concatenate(([0.0], level, [0.0]))))) < least_ma:
            continue
        lasting = np.exp(rng.uniform(*np.log(tread_s), len(level)))
        if at_s + lasting.sum() > seconds - 1.5:
            return tuple(events)
        events.append(Event(at_s, tuple(zip(lasting.tolist(), level.tolist(), strict=True))))
        at_s += float(lasting.sum() + rng.uniform(0.6, 6.0))

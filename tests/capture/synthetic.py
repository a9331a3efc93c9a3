"""Truth for the measuring side: runs of the firmware's own schedule, seen by an ideal or a troubled clamp.

The clamp averages over each sampling interval, by the exact integral of the truth. No bench is involved.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from boxcore import program as pg
from boxcore import schedule
from boxcore.bank import Bank
from nightdraw import programs
from nightdraw.capture import read
from nightdraw.capture.compare import Asked
from nightdraw.capture.journal import Did, did_of
from numpy.typing import NDArray

Floats = NDArray[np.float64]

OWN_MA = 11.0
SUPPLY_MV = 12_600
CHANNELS_OHM = (9100, 4700, 2400, 1200, 620, 330, 160, 82, 43, 22)
CHANNELS_NS = tuple(round(1e9 / (ohm + 0.05)) for ohm in CHANNELS_OHM)
FOREVER_S = 1e6


def steady(level_ma: float) -> tuple[Any, ...]:
    """A steady draw."""
    return (pg.STEADY, round(level_ma * 1000))


def pulse(level_ma: float, on_s: float, every_s: float, first_s: float = 0.3) -> tuple[Any, ...]:
    """A periodic draw."""
    return (pg.PULSE, round(level_ma * 1000), *(round(t * pg.TICKS_PER_S) for t in (on_s, every_s, first_s)))


def random_draw(level_ma: float, on_s: tuple[float, float], gap_s: tuple[float, float]) -> tuple[Any, ...]:
    """A draw at random, uniform gaps."""
    on, gap = ([round(t * pg.TICKS_PER_S) for t in pair] for pair in (on_s, gap_s))
    return (pg.RANDOM, round(level_ma * 1000), on[0], on[1], pg.UNIFORM, gap[0], gap[1])


@dataclass(frozen=True)
class Truth:
    """Levels (mA) from instants (s since the run's start) on; `idle_ma` before, and after `end_s`."""

    t_s: Floats
    level_ma: Floats
    end_s: float
    idle_ma: float = OWN_MA

    def charge(self, t_s: Floats) -> Floats:
        """The integral of the current up to each instant, mA s, from far in the past."""
        corners = np.concatenate(([-FOREVER_S], self.t_s, [self.end_s, FOREVER_S]))
        levels = np.concatenate(([self.idle_ma], self.level_ma, [self.idle_ma]))
        total = np.concatenate(([0.0], np.cumsum(levels * np.diff(corners))))
        place = np.clip(np.searchsorted(corners, t_s, side="right") - 1, 0, len(levels) - 1)
        charge: Floats = total[place] + levels[place] * (t_s - corners[place])
        return charge

    def pulses(self, base_ma: float) -> Floats:
        """Rows of start, duration, mean level above the base: whole excursions, by a plain loop."""
        rows, since, charge = [], None, 0.0
        for t_s, level, until_s in zip(self.t_s, self.level_ma, [*self.t_s[1:], self.end_s], strict=True):
            if level > base_ma + 0.5:
                since = t_s if since is None else since
                charge += (level - base_ma) * (until_s - t_s)
            elif since is not None:
                rows.append((since, t_s - since, charge / (t_s - since)))
                since, charge = None, 0.0
        return np.array(rows).reshape(-1, 3)


def truth_of(draws: list[tuple[Any, ...]], seconds: float, seed: int = 1, run: int = 1) -> Truth:
    """What the firmware's schedule plays."""
    plan = schedule.Schedule(pg.Program("truth", draws, seed=seed), run, round(OWN_MA * 1000))
    edges = np.array(list(programs.edges(plan, round(seconds * pg.TICKS_PER_S))), dtype=float)
    return Truth(edges[:, 0] / pg.TICKS_PER_S, edges[:, 1] / 1000, seconds)


@dataclass(frozen=True)
class Clamp:
    """How the recorder sees: rate, noise of a sample, seconds before the run, its clock's error, drift of
    zero (amplitude of a sine of five minutes), zero and gain."""

    rate_hz: float = 1000.0
    sigma_ma: float = 1.0
    before_s: float = 0.0
    ppm: float = 0.0
    drift_ma: float = 0.0
    zero_ma: float = 0.0
    gain: float = 1.0
    seed: int = 1

    def samples(self, truth: Truth) -> tuple[Floats, Floats]:
        """Times on the recorder's clock (s) and currents (mA)."""
        count = round((truth.end_s * (1 + self.ppm * 1e-6) + self.before_s) * self.rate_hz)
        t_s = np.arange(count) / self.rate_hz
        ends = (t_s - self.before_s) / (1 + self.ppm * 1e-6)
        step = 1 / self.rate_hz / (1 + self.ppm * 1e-6)
        mean = (truth.charge(ends) - truth.charge(ends - step)) / step
        noise = np.random.default_rng(self.seed).normal(0, self.sigma_ma, count) if self.sigma_ma else 0.0
        drift = self.drift_ma * np.sin(2 * np.pi * t_s / 300 + 1)
        return t_s, self.gain * mean + self.zero_ma + drift + noise

    def recording(self, truth: Truth) -> read.Recording:
        """The same as a recording."""
        t_s, ma = self.samples(truth)
        return read.from_arrays(t_s, ma / 1000)


@dataclass(frozen=True)
class Run:
    """One run in all three accounts."""

    asked: Asked
    did: Did
    truth: Truth

    def with_channels(self, **change: Any) -> Run:
        """The same run with the truth of a broken bank: see plant_of()."""
        return replace(self, truth=plant_of(self.did, **change))


def run_of(draws: list[tuple[Any, ...]], seconds: float, seed: int = 1) -> Run:
    """A run on a box whose bank is exactly as it believes."""
    truth = truth_of(draws, seconds, seed)
    bank = Bank(CHANNELS_NS)
    head = {
        "kind": "box",
        "board": "bench-12v",
        "own_ma": OWN_MA,
        "channels_ns": list(CHANNELS_NS),
        "profile": "truth",
        "slot": 0,
        "run": 1,
        "seed": seed,
        "run_start_tick": 0,
    }
    records = [_edge(bank, t_s, level) for t_s, level in zip(truth.t_s, truth.level_ma, strict=True)]
    did = did_of(head, records)
    plan = pg.Program("truth", draws, seed=seed)
    done = Truth(did.account.t_s, did.account.level_ma, seconds)
    return Run(Asked(plan, 1, round(OWN_MA * 1000)), did, done)


def _edge(bank: Bank, t_s: float, level_ma: float) -> dict[str, Any]:
    pattern = bank.pattern(max(0, round((level_ma - OWN_MA) * 1000)), SUPPLY_MV)
    true_ma = OWN_MA + bank.current_ua(pattern, SUPPLY_MV) / 1000
    return {
        "kind": "edge",
        "t_s": float(t_s),
        "level_ma": true_ma,
        "pattern": pattern,
        "supply_mv": SUPPLY_MV,
    }


def plant_of(did: Did, stuck: int = 0, opened: int = 0, off: tuple[int, float] = (0, 1.0)) -> Truth:
    """What a box with that journal really draws when channel `stuck` conducts always, `opened` never, or the
    resistor of channel off[0] has off[1] times its resistance (channels from 1; 0: none)."""
    real = np.array(CHANNELS_NS, dtype=float)
    if off[0]:
        real[off[0] - 1] /= off[1]
    pattern = did.pattern
    if stuck:
        pattern = pattern | 1 << (stuck - 1)
    if opened:
        pattern = pattern & ~(1 << (opened - 1))
    bits = pattern[:, None] >> np.arange(len(real)) & 1
    level_ma = did.own_ma + bits @ real * 1e-9 * SUPPLY_MV
    return Truth(did.account.t_s, level_ma, did.account.end_s)

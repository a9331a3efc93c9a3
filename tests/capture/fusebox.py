"""An independent generator of fuse boxes on recorders: nothing of the program's measuring is used here.

A fault behind one fuse, or behind none that is looked at; fuses with loads of their own at instants of their
own; a clamp that sees all of it; inputs with white noise, hum, slow drift, leakage from a neighbour; fuses
that differ from their rating's resistance; several captures of a few fuses.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from nightdraw.capture import read
from nightdraw.capture.fuses import Capture
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# rating of a miniature blade -> milliohm: makers' values as quoted in the trade, most of medium blades
MOHM = {5.0: 17.85, 7.5: 10.85, 10.0: 7.70, 15.0: 4.58, 20.0: 3.38, 25.0: 2.52, 30.0: 1.97}


@dataclass(frozen=True)
class Setup:
    """How hard it is: noise (mV rms of a sample), rate, length of a capture, the fault's level or the rise
    that it makes, one rating for all fuses, fuses to a capture, and whether there are loads, hum, drift and
    leakage."""

    noise_mv: float = 0.05
    rate_hz: float = 200.0
    length_s: float = 240.0
    level_ma: float = 300.0
    rise_mv: float | None = None
    rating: float | None = None
    on_s: tuple[float, float] = (0.3, 1.5)
    gap_s: tuple[float, float] = (4.0, 20.0)
    fuses: int = 12
    together: int = 3
    busy: bool = True


@dataclass(frozen=True)
class Box:
    """Captures of a fuse box, what is written on its fuses, and the fuse behind which the fault is (None:
    none of these)."""

    captures: tuple[Capture, ...]
    fuses: str
    culprit: str | None


def train(
    rng: np.random.Generator, t_s: Floats, on_s: tuple[float, float], gap_s: tuple[float, float]
) -> Floats:
    """1 inside pulses at random, 0 between them."""
    level, at_s = np.zeros(len(t_s)), rng.uniform(*gap_s)
    while at_s < t_s[-1]:
        lasting_s = rng.uniform(*on_s)
        level[(t_s >= at_s) & (t_s < at_s + lasting_s)] = 1.0
        at_s += lasting_s + rng.uniform(*gap_s)
    return level


def own_load(rng: np.random.Generator, t_s: Floats, blinks: bool) -> Floats:
    """What a fuse's own loads draw, mA: a base, a lamp that blinks, on some a module that wakes once."""
    draw = np.full(len(t_s), rng.uniform(0, 12))
    if blinks:
        period_s = rng.uniform(1.5, 3.0)
        draw += rng.uniform(4, 12) * ((t_s + rng.uniform(0, period_s)) % period_s < rng.uniform(0.05, 0.3))
    if rng.random() < 0.15:
        begin_s = rng.uniform(0, t_s[-1])
        draw += rng.uniform(50, 400) * ((t_s >= begin_s) & (t_s < begin_s + rng.uniform(2, 12)))
    return draw


def box(seed: int, setup: Setup, guilty: bool) -> Box:
    """A fuse box by its seed."""
    rng = np.random.default_rng(seed)
    names = [f"F{k + 1}" for k in range(setup.fuses)]
    ratings = [setup.rating or list(MOHM)[k] for k in rng.integers(0, len(MOHM), setup.fuses)]
    ohms = [MOHM[rating] / 1e3 * rng.uniform(0.85, 1.15) + rng.uniform(0, 3e-4) for rating in ratings]
    culprit = int(rng.integers(setup.fuses)) if guilty else None
    level_ma = setup.level_ma
    if setup.rise_mv is not None:  # the drop that it makes across the fuse that carries it
        level_ma = setup.rise_mv / ohms[int(rng.integers(setup.fuses)) if culprit is None else culprit]
    captures, lamp = [], int(rng.integers(setup.fuses))
    for first in range(0, setup.fuses, setup.together):
        t_s = np.arange(round(setup.length_s * setup.rate_hz)) / setup.rate_hz
        fault = level_ma * train(rng, t_s, setup.on_s, setup.gap_s)
        own = [
            own_load(rng, t_s, k == lamp) if setup.busy else np.full(len(t_s), 5.0)
            for k in range(setup.fuses)
        ]
        clamp = 15 + fault + sum(own) + rng.normal(0, 1.5, len(t_s))
        drops, before = [], np.zeros(len(t_s))
        for k in range(first, min(first + setup.together, setup.fuses)):
            mv = ohms[k] * (own[k] + (fault if k == culprit else 0.0))
            seen = mv + rng.normal(0, setup.noise_mv, len(t_s)) + rng.uniform(-0.2, 0.2)
            if setup.busy:
                seen += rng.uniform(0, setup.noise_mv) * np.sin(2 * np.pi * rng.uniform(49, 51) * t_s)
                seen += rng.uniform(0, 0.1) * np.sin(2 * np.pi * t_s / rng.uniform(60, 600))
                seen += 0.01 * before  # the neighbouring input leaks into this one
            before = mv
            drops.append(read.from_arrays(t_s, seen, f"capture{first}", "mV", names[k]))
        captures.append(Capture(read.from_arrays(t_s, clamp / 1e3, f"capture{first}"), tuple(drops)))
    written = ",".join(f"{name}:{rating:g}A" for name, rating in zip(names, ratings, strict=True))
    return Box(tuple(captures), written, None if culprit is None else names[culprit])

"""A healthy box on a circuit that other loads share: cases as in tests.capture.cases, in a vehicle.

The loads are of the generator's own invention: a sleeping base, modules that wake evenly or at random, one
that falls asleep in steps.
"""

from __future__ import annotations

import numpy as np
from nightdraw.capture import read as reading

from tests.capture.cases import Case, a_run, given, recorder
from tests.capture.synthetic import Floats


def right(seed: int) -> Case:
    """A healthy box, honestly recorded, among other loads."""
    rng = np.random.default_rng((seed, 3))
    run = a_run(rng)
    made, _ = recorder(rng)
    t_s, ma = made.samples(run.truth, rng)
    ma = ma + float(rng.uniform(8, 60))
    for _ in range(int(rng.integers(1, 4))):
        ma = ma + _wakes(rng, t_s)
    if rng.random() < 0.5:
        ma = ma + _falls_asleep(rng, t_s)
    return Case(seed, *given(rng, run, reading.from_arrays(t_s, ma / 1000)), instrument="vehicle")


def _wakes(rng: np.random.Generator, t_s: Floats) -> Floats:
    """A module that wakes: evenly with one length, or at random with any."""
    level = float(np.exp(rng.uniform(np.log(15), np.log(1500))))
    every_s = float(rng.uniform(4, 40))
    even = rng.random() < 0.5
    count = int(t_s[-1] / every_s) + 1
    gaps = np.full(count, every_s) if even else rng.exponential(every_s, count) + 0.5
    begin = np.cumsum(gaps) - every_s * rng.random()
    least = float(rng.uniform(0.03, 1.0))
    lasting = np.full(count, least) if even else rng.uniform(least, 3 * least, count)
    on = np.zeros(len(t_s))
    for start, length in zip(begin, lasting, strict=True):
        on[(t_s > start) & (t_s <= start + length)] = level
    return on


def _falls_asleep(rng: np.random.Generator, t_s: Floats) -> Floats:
    """What is awake at first and goes to sleep in two or three steps."""
    steps = int(rng.integers(2, 4))
    at_s = np.sort(rng.uniform(0.1, 0.8, steps)) * t_s[-1]
    levels: Floats = sum(float(rng.uniform(20, 300)) * (t_s < end) for end in at_s)
    return levels

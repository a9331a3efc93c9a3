"""Fuse warmth: the mean square of pulses in closed form, and a fine-stepped solution of the same equation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from nightdraw.bench.rig import Rig
from nightdraw.vehicle.model import Feed, Fuse, Lamp, Main, Module, Stage, Twitch, Vehicle
from nightdraw.vehicle.network import NOTED_V, WARM_S
from nightdraw.vehicle.script import EMPTY, Event, Script
from nightdraw.vehicle.simulated import SLOW_TICKS
from scipy.integrate import solve_ivp

from tests.vehicle.circuits import BATTERY, S, vehicle

RATING_A = 10.0


def one_fuse(**changes: object) -> Vehicle:
    said: dict[str, object] = {
        "feeds": (Feed("f", 0.002, Main("f-main", "E", 40.0)),),
        "fuses": (Fuse("F1", "f", "C", RATING_A, 0.01), Fuse("F2", "f", "C", 5.0, 0.01)),
        "splices": (), "modules": (), "charger": None, "alternator": None, "starter": None,
    }  # fmt: skip
    return vehicle(**{**said, **changes})


@pytest.mark.parametrize(("on_ticks", "every_ticks"), [(100, 1000), (5000, 100_000), (1, 50_000)])
def test_pulses_in_step_with_the_sampling_warm_by_their_mean_square(on_ticks: int, every_ticks: int) -> None:
    """One instant in ten seconds sees such pulses always or never; their mean square is duty x square."""
    twitch = Twitch("t", "F1", 8.0, on_ticks, (every_ticks, every_ticks), False)
    rig = Rig(one_fuse(twitches=(twitch,)), [], ("battery",))
    rig.advance(10 * 60 * S)
    seen = []
    for _ in range(every_ticks // 100 if every_ticks > SLOW_TICKS else 100):
        rig.advance(rig.tick + SLOW_TICKS // 7)
        fused_path = rig.network.fused_paths["F1"]
        fused_path.warm_to(rig.tick)
        seen.append(fused_path.warmth)
    mean_square = on_ticks / every_ticks * (8.0 / RATING_A) ** 2
    # within a period it swings by what one pulse adds; its mean over many phases is the mean square
    ripple = (1 - math.exp(-on_ticks / S / WARM_S)) * (8.0 / RATING_A) ** 2
    assert np.mean(seen) == pytest.approx(mean_square, abs=0.15 * ripple + 1e-6)


def shown_ohms(rig: Rig, name: str) -> float:
    return rig.network.fused_paths[name].fuse_ohms


def test_the_resistance_follows_the_mean_square() -> None:
    twitch = Twitch("t", "F1", 8.0, 5000, (50_000, 50_000), False)
    rig = Rig(one_fuse(twitches=(twitch,)), [], ("battery",))
    rig.advance(10 * 60 * S)
    fused_path = rig.network.fused_paths["F1"]
    mean_square = 0.1 * 0.64
    expected = fused_path.cold_ohms * (1 + (fused_path.hot - 1) * mean_square)
    assert shown_ohms(rig, "F1") == pytest.approx(expected, rel=0.01)


@given(st.data())
@settings(max_examples=12, deadline=None)
def test_warmth_is_what_an_equation_solver_gives(data: st.DataObject) -> None:
    """dw/dt = ((i / rating)^2 - w) / 30 s over the noted truth, by Runge-Kutta between its changes."""
    amps = st.floats(0.1, 12.0)
    stages = tuple(
        Stage(data.draw(amps), data.draw(st.integers(200, 20 * S)))
        for _ in range(data.draw(st.integers(1, 4)))
    )
    twitch = Twitch("t", "F2", data.draw(amps), 3000, (4000, 60_000), False)
    module = Module("m", "F1", stages, 0.0, (), False)
    rig = Rig(
        one_fuse(modules=(module,), twitches=(twitch,)), [], ("F1", "F2", "f"), Script("s", True, ()),
        seed=data.draw(st.integers(0, 99)),
    )  # fmt: skip
    ohms = []

    def note() -> None:
        ohms.append([rig.network.fused_paths[name].fuse_ohms * 1000 for name in ("F1", "F2")] + [1.0])

    while rig.tick < 60 * S:
        note()
        rig.advance(rig.tick + SLOW_TICKS - 1)  # the resistances are the same until the next slow step
        rig.advance(rig.tick + 1)
    truth = rig.take()
    slow = np.minimum(truth.ticks // SLOW_TICKS, len(ohms) - 1).astype(int)
    amperes = truth.levels / np.array(ohms)[slow]
    for k, (name, rating) in enumerate((("F1", 10.0), ("F2", 5.0), ("f-main", 40.0))):
        fused_path = rig.network.fused_paths[name]
        fused_path.warm_to(rig.tick)
        expected = solved(truth.ticks, amperes[:, k] / rating, rig.tick)
        # a main fuse may overlook 0.5 % of its rating: twice that of its warmth, at most
        assert fused_path.warmth == pytest.approx(expected, rel=1e-4, abs=1e-6 if k < 2 else 0.01)


def solved(ticks: np.ndarray, shares: np.ndarray, stop: int) -> float:
    warmth = np.zeros(1)
    for begin, end, share in zip(ticks, [*ticks[1:], stop], shares, strict=True):
        if end > begin:
            warmth = solve_ivp(
                lambda _, w, share=share: (share**2 - w) / WARM_S,
                (begin / S, end / S), warmth, rtol=1e-9, atol=1e-12,
            ).y[:, -1]  # fmt: skip
    return float(warmth[0])


def test_a_lamp_beside_a_heavy_load_stays_within_the_bound() -> None:
    """A lamp's current follows its fuse box's voltage; what the warmth may overlook is 2 x 0.05 V of it."""
    lamp = Lamp("l", "F2", 0.3, ("door",), 1000 * S)
    twitch = Twitch("t", "F1", 30.0, 2500, (5000, 5000), False)
    made = one_fuse(
        feeds=(Feed("f", 0.0015),), lamps=(lamp,), twitches=(twitch,), battery=BATTERY,
        fuses=(Fuse("F1", "f", "C", 30.0, 0.01), Fuse("F2", "f", "C", 5.0, 0.01)),
    )  # fmt: skip
    rig = Rig(made, [], ("F2",), Script("s", False, (Event(0, "door", "opens"),)))
    rig.advance(300 * S)
    truth = rig.take()
    late = truth.ticks >= 200 * S
    mean_square = np.mean(np.square(truth.levels[late, 0] / 1000 / shown_ohms(rig, "F2") / 5.0))
    fused_path = rig.network.fused_paths["F2"]
    fused_path.warm_to(rig.tick)
    assert fused_path.warmth == pytest.approx(mean_square, rel=2 * 2 * NOTED_V / 12)


def test_a_cold_fuse_is_cold() -> None:
    rig = Rig(one_fuse(), [], ("battery",), EMPTY)
    rig.advance(100 * S)
    assert [fused_path.warmth for fused_path in rig.network.fused_paths.values()] == [0.0] * 3

"""Twitches: their instants follow their law, kept to sleep where they should be, their mean is their duty."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from nightdraw import data
from nightdraw.bench.rig import Rig
from nightdraw.vehicle import load_vehicle
from nightdraw.vehicle.model import Feed, Fuse, Main, Module, Stage, Twitch, Vehicle
from nightdraw.vehicle.script import EMPTY, Event, Script
from scipy import stats

from tests.vehicle.circuits import S, vehicle

ALPHA = 1e-3  # of a true law, so many seeds fail; the seeds here are fixed
LAW = Twitch("t", "F1", 0.5, 300, (2 * S, 6 * S), False)


def alone(*twitches: Twitch, modules: tuple[Module, ...] = ()) -> Vehicle:
    return vehicle(
        feeds=(Feed("f", 0.004, Main("f-main", "E", 40.0)),),
        fuses=(Fuse("F1", "f", "C", 10.0, 0.03), Fuse("F2", "f", "C", 10.0, 0.03)),
        modules=modules, twitches=twitches, splices=(),
    )  # fmt: skip


def pulses(rig: Rig, stop: int) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Starts and ends of what the battery gives above half of the twitch's draw, ticks."""
    rig.advance(stop)
    truth = rig.take()
    on = truth.levels[:, 0] > 0.25
    rises = np.flatnonzero(on & ~np.r_[False, on[:-1]])
    falls = np.flatnonzero(~on & np.r_[False, on[:-1]])
    return truth.ticks[rises], truth.ticks[falls]


def kolmogorov(seen: npt.NDArray[np.float64], law: Callable[..., object]) -> float:
    return float(stats.kstest(seen, law).pvalue)


@pytest.mark.parametrize("seed", [0, 1, 2, 3])
def test_intervals_are_uniform_in_their_range_and_independent(seed: int) -> None:
    starts, ends = pulses(Rig(alone(LAW), [], ("battery",), seed=seed), 4 * 3600 * S)
    gaps = np.diff(starts)
    low, high = LAW.every_ticks
    assert low <= gaps.min()
    assert gaps.max() <= high
    assert kolmogorov(gaps, stats.uniform(low, high - low).cdf) > ALPHA
    lag = float(np.corrcoef(gaps[1:], gaps[:-1])[0, 1])
    assert abs(lag) < 3.5 / np.sqrt(len(gaps))  # white noise: 1.96 at 5 %, here 0.05 %
    assert set(ends - starts[: len(ends)]) == {LAW.on_ticks}


def test_zero_is_no_special_instant_for_the_first() -> None:
    """The first start follows renewal theory's forward-recurrence law: density (1 - F(t)) / mean."""
    wide = replace(LAW, every_ticks=(4000, 6 * S))  # so that long intervals are met much more often
    low, high = wide.every_ticks
    mean = (low + high) / 2
    firsts = np.array(
        [pulses(Rig(alone(wide), [], ("battery",), seed=seed), 7 * S)[0][0] for seed in range(1500)]
    )

    def law(t: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        inside = np.clip(t, low, high)
        return (np.minimum(t, low) + (inside - low) - (inside - low) ** 2 / 2 / (high - low)) / mean

    assert law(np.array([high]))[0] == pytest.approx(1)
    assert kolmogorov(firsts, law) > ALPHA


def test_a_fixed_interval_has_a_uniform_phase() -> None:
    fixed = replace(LAW, every_ticks=(2 * S, 2 * S))
    firsts = []
    for seed in range(300):
        starts, _ = pulses(Rig(alone(fixed), [], ("battery",), seed=seed), 9 * S)
        assert set(np.diff(starts)) == {2 * S}
        firsts.append(starts[0])
    assert kolmogorov(np.array(firsts), stats.uniform(0, 2 * S).cdf) > ALPHA


def test_seeds_and_names_make_other_instants() -> None:
    other = replace(LAW, name="u")
    found = [
        tuple(pulses(Rig(alone(twitch), [], ("battery",), seed=seed), 60 * S)[0])
        for twitch in (LAW, other)
        for seed in (1, 2)
    ]
    assert len(set(found)) == 4
    again = tuple(pulses(Rig(alone(LAW), [], ("battery",), seed=1), 60 * S)[0])
    assert again == found[0]


def test_one_that_is_for_sleep_keeps_to_it() -> None:
    module = Module("m", "F2", (Stage(0.1, 100 * S),), 0.0, ("door",), False)
    plan = Script("s", False, (Event(200 * S, "door", "opens"), Event(500 * S, "engine", "", 60 * S)))
    made = replace(
        alone(replace(LAW, asleep_only=True), replace(LAW, name="u", fuse="F2"), modules=(module,)),
        alternator=None,
    )
    rig = Rig(made, [], ("F1", "F2"), plan)
    rig.advance(800 * S)
    truth = rig.take()
    drop_mv = truth.levels[:, 0]
    on = truth.ticks[drop_mv > 1]
    assert made.starter is not None
    awake = [(200, 300), (500, 560 + made.starter.ticks / S + 100)]
    for begin, end in awake:
        # one that began asleep ends in its own time
        inside = (on > begin * S + LAW.on_ticks) & (on < end * S)
        assert not inside.any()
        always = truth.ticks[truth.levels[:, 1] > 0.3 * 7.7]
        assert ((always > begin * S) & (always < end * S)).any()
    assert (on < 200 * S).sum() > 10
    assert ((on > 300 * S) & (on < 500 * S)).sum() > 10
    assert (on > 700 * S).sum() > 5


@pytest.mark.parametrize("fuse", ["F1", "f-main"])
def test_none_draws_while_its_fuse_is_out(fuse: str) -> None:
    plan = Script("s", False, (Event(100 * S, "pull", fuse), Event(200 * S, "back", fuse)))
    rig = Rig(alone(LAW), [], ("battery",), plan)
    rig.advance(300 * S)
    truth = rig.take()
    out = (truth.ticks >= 100 * S) & (truth.ticks < 200 * S)
    assert not truth.levels[out].any()
    assert truth.levels[truth.ticks < 100 * S].max() == pytest.approx(0.5)
    assert truth.levels[truth.ticks >= 200 * S].max() == pytest.approx(0.5)


def test_a_module_without_power_is_not_awake() -> None:
    """A long way to sleep, cut short by its fuse: what is for sleep comes again."""
    module = Module("m", "F2", (Stage(0.1, 1000 * S),), 0.0, ("door",), False)
    plan = Script("s", True, (Event(50 * S, "pull", "F2"),))
    starts, _ = pulses(
        Rig(alone(replace(LAW, asleep_only=True), modules=(module,)), [], ("battery",), plan), 200 * S
    )
    assert starts.min() > 50 * S
    assert starts.min() <= 50 * S + LAW.every_ticks[1]


@pytest.mark.parametrize("name", ["vehicle-1", "vehicle-2", "vehicle-3"])
def test_the_duty_is_the_recorded_mean(name: str) -> None:
    made = load_vehicle(data.shipped("vehicles", name))
    rig = Rig(made, [], ("battery",), EMPTY, seed=7)
    stop = 6 * 3600 * S
    rig.advance(stop)
    truth = rig.take()
    ends = np.append(truth.ticks[1:], truth.stop)
    mean_a = float((truth.levels[:, 0] * (ends - truth.ticks)).sum()) / stop
    # the number of a renewal process's pulses has the variance t var / mean^3; four sigma
    sigma_a = 0.0
    for twitch in made.twitches:
        low, high = twitch.every_ticks
        mean, spread = (low + high) / 2, (high - low) / np.sqrt(12)
        count_sigma = np.sqrt(stop * spread**2 / mean**3) + 1  # and one that is cut
        sigma_a += twitch.draw_a * twitch.on_ticks * count_sigma / stop
    assert mean_a == pytest.approx(made.asleep_a(), abs=4 * sigma_a)
    assert 4 * sigma_a < 0.02 * made.asleep_a()

"""What a vehicle is expected to do under a script, against what the bench then does."""

from __future__ import annotations

import dataclasses
from itertools import groupby

import numpy as np
import pytest
from nightdraw import data
from nightdraw.bench.rig import Rig
from nightdraw.vehicle import load_vehicle
from nightdraw.vehicle.expected import Change, again, changes
from nightdraw.vehicle.script import load_script

from tests.vehicle.circuits import S

CARS = ["vehicle-1", "vehicle-2", "vehicle-3"]


@pytest.mark.parametrize("name", CARS)
def test_each_step_of_a_fuses_current_is_expected_and_each_expected_one_is_there(name: str) -> None:
    """The script of a class's morning without its lamps' share: instants to the tick, sizes to the
    microampere."""
    car = dataclasses.replace(load_vehicle(data.shipped("vehicles", name)), twitches=(), lamps=())
    plan = load_script(
        data.shipped("scripts", "class-morning"), load_vehicle(data.shipped("vehicles", "vehicle-1"))
    )
    events = tuple(event for event in plan.events if event.word != "F7" or "F7" in car.fuse_names())
    plan = dataclasses.replace(plan, events=events)
    ticks = 40 * 60 * S
    told = [change for change in changes(car, plan, ticks) if change.fuse is not None]
    assert told
    names = tuple(fuse.name for fuse in car.fuses)
    rig = Rig(car, [], names, plan)
    branches = [rig.network.branches[rig.network.fuse_places[fuse]] for fuse in names]
    rig._readers = [lambda branch=branch: branch.current_a for branch in branches]  # amperes, warm or not
    rig._levels[:] = rig._levels[:0]
    rig._levels.extend([branch.current_a for branch in branches])
    rig._last = [branch.current_a for branch in branches]
    rig.advance(ticks - 1)
    truth = rig.take()
    steps = np.diff(truth.levels, axis=0)
    seen = {
        (round(tick), names[k]): step
        for tick, row in zip(truth.ticks[1:], steps, strict=True)
        for k, step in enumerate(row)
        if abs(step) > 1e-9
    }
    expected: dict[tuple[int, str], float] = {}
    for change in told:
        key = round(change.at_s * S), str(change.fuse)
        expected[key] = expected.get(key, 0.0) + change.to_a - change.from_a
    expected = {key: step for key, step in expected.items() if abs(step) > 1e-9}
    assert set(seen) == set(expected)
    for key, step in expected.items():
        assert seen[key] == pytest.approx(step, abs=1e-9)


def test_sources_and_twitches_are_told_by_name() -> None:
    car = load_vehicle(data.shipped("vehicles", "vehicle-1"))
    plan = load_script(data.shipped("scripts", "class-morning"), car)
    told = list(changes(car, plan, 60 * 60 * S))
    assert [change.at_s for change in told] == sorted(change.at_s for change in told)
    sources = [(change.who, round(change.at_s)) for change in told if change.fuse is None]
    assert sources == [
        ("engine", 26 * 60 + 1), ("engine", 31 * 60 + 1), ("support charger", 3000), ("support charger", 3300)
    ]  # fmt: skip
    lamps = [change for change in told if change.who == "lamp courtesy"]
    assert lamps[0] == Change(300.0, "lamp courtesy", "F4", 0.0, pytest.approx(10 / 12))
    for _, group in groupby(lamps, key=lambda change: change.at_s):
        assert len(list(group)) == 1
    assert [twitch.who for twitch in again(car)] == ["alarm-lamp", "keep-alive"]

"""Findable in vehicles with defects of their own, buses and a second battery: each is weighed or refused."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest
from nightdraw import data
from nightdraw.bench import findable
from nightdraw.bench.rig import Rig
from nightdraw.instruments.read import load_instruments
from nightdraw.vehicle import model
from nightdraw.vehicle.model import BATTERY

from tests.bench.finding import profile, vehicle

STEADY = "  - steady: 300 mA\n"
MAX = "MAX on a meter"
KIT = load_instruments(data.shipped("instruments", "workshop"))


def search(tmp_path: Path, car: model.Vehicle, draws: str = STEADY, at: str = "socket") -> findable.Search:
    return findable.Search(profile(tmp_path, draws), car, KIT, at, 1)


def sick(name: str) -> model.Vehicle:
    car = vehicle("vehicle-6")
    return dataclasses.replace(
        car,
        second=None,
        defects=tuple(dataclasses.replace(defect, on=defect.name == name) for defect in car.defects),
    )


def test_one_battery_of_two_shows_a_healthy_vehicle(tmp_path: Path) -> None:
    """The meter in one cable has a hundredth of the draw: nobody would go on from that."""
    row = {row.method: row for row in search(tmp_path, vehicle("vehicle-6")).methods()}[MAX]
    assert not row.shows
    assert "a second battery gives the rest" in row.why
    alone = dataclasses.replace(vehicle("vehicle-6"), second=None)
    assert {row.method: row for row in search(tmp_path, alone).methods()}[MAX].shows


@pytest.mark.parametrize(
    ("name", "more_a"),
    [("welded-fan", 2.0), ("dead-fan", 0.0), ("chafed-wire", 0.2), ("wet-plug", 0.031), ("dirty-posts", 0.0),
     ("leaking-diode", 0.082), ("hasty-sensor", 0.0)],
)  # fmt: skip
def test_every_defect_is_in_the_currents_that_methods_are_weighed_on(
    name: str, more_a: float, tmp_path: Path
) -> None:
    one = search(tmp_path, sick(name))
    healthy = search(tmp_path, sick("none"))
    grew_a = one.site.circuit.amps(BATTERY, 0.0) - healthy.site.circuit.amps(BATTERY, 0.0)
    assert grew_a == pytest.approx(more_a, rel=0.06, abs=1e-4)
    rig = Rig(sick(name), [], (BATTERY,))
    assert one.site.circuit.amps(BATTERY, 0.0) == pytest.approx(rig.network.battery_a, rel=1e-9)
    row = {row.method: row for row in one.methods()}[MAX]
    assert row.shows == (more_a <= 0.04), row.why  # beside more than a healthy draw one reading tells nothing
    assert one.site.remarks() == [f"the vehicle has defects of its own, which are weighed: {name}"]


def test_a_vehicle_that_never_sleeps_is_weighed_awake(tmp_path: Path) -> None:
    car = vehicle("vehicle-5")
    restless = dataclasses.replace(
        car, defects=tuple(dataclasses.replace(d, on=d.kind == model.NO_SLEEP) for d in car.defects)
    )
    one = search(tmp_path, restless)
    assert not one.site.circuit.asleep
    row = {row.method: row for row in one.methods()}[MAX]
    assert not row.shows
    assert "modules are awake" in row.why


def test_what_wakes_by_itself_often_is_a_twitch_and_what_does_seldom_is_told(tmp_path: Path) -> None:
    car = vehicle("vehicle-5")
    assert [t.name for t in search(tmp_path, car).site.twitches()] == ["alarm-lamp", "keyless-search"]
    assert "telematics wakes by itself every 6 h" in search(tmp_path, car).site.remarks()[0]
    wet = dataclasses.replace(
        car, defects=tuple(dataclasses.replace(d, on=d.kind == model.WAKES_ITSELF) for d in car.defects)
    )
    names = [t.name for t in search(tmp_path, wet).site.twitches()]
    assert "wiper, which wakes by itself" in names

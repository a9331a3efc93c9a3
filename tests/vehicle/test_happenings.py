"""What can't happen to a vehicle and why, an engine without a starter, and when the sensor says it."""

from __future__ import annotations

from dataclasses import replace

import pytest
from nightdraw.bench.rig import Rig
from nightdraw.vehicle import model
from nightdraw.vehicle.model import Module, Second, Sensor, Stage
from nightdraw.vehicle.network import Network
from nightdraw.vehicle.script import EMPTY, Event, Script

from tests.vehicle.circuits import BATTERY, S, vehicle

DEFECT = model.Defect("wet", model.GROUND_FAULT, False, fuse="F2", siemens=0.01)


@pytest.fixture
def rig() -> Rig:
    return Rig(vehicle(defects=(DEFECT,)), [], ("battery",), EMPTY)


@pytest.mark.parametrize(
    ("there", "gone", "word", "already"),
    [
        ("pull", "back", "F1", "fuse F1 is out already"),
        ("back", "pull", "F1", "fuse F1 is in already"),
        ("defect", "mended", "wet", "the defect wet is there already"),
        ("mended", "defect", "wet", "the defect wet is not there"),
    ],
)
def test_what_is_so_already_cannot_happen_again(
    rig: Rig, there: str, gone: str, word: str, already: str
) -> None:
    one = rig.simulated
    if there in ("back", "mended"):
        one.happen(Event(0, gone, word))
    assert one.refuses(Event(0, there, word)) is None
    one.happen(Event(0, there, word))
    assert one.refuses(Event(0, there, word)) == already
    assert one.refuses(Event(0, gone, word)) is None


def test_a_latch_is_reached_through_an_open_door_and_blocks_it(rig: Rig) -> None:
    one = rig.simulated
    assert one.refuses(Event(0, "latch", "closes")) == "the door is closed, its latch can't be reached"
    one.happen(Event(0, "door", "opens"))
    assert one.refuses(Event(0, "latch", "closes")) is None
    assert one.refuses(Event(0, "door", "closes")) is None
    one.happen(Event(0, "latch", "closes"))
    assert "open the latch before" in str(one.refuses(Event(0, "door", "closes")))
    assert one.refuses(Event(0, "door", "opens")) is None


def test_an_engine_whose_starter_is_not_described_runs_at_once() -> None:
    made = vehicle(starter=None)
    rig = Rig(made, [], ("battery",), Script("engine", False, (Event(5 * S, "engine", "", 10 * S),)))
    rig.advance(5 * S + 10)
    assert rig.simulated.engine
    assert rig.network.battery_a < 0  # the alternator charges
    rig.advance(16 * S)
    assert not rig.simulated.engine


def test_the_sensor_says_when_in_minutes_from_zero() -> None:
    heavy = Module("body", "F1", (Stage(0.8, 600 * S),), 0.8, ("door",), False)
    made = vehicle(
        modules=(heavy,),
        charger=None,
        sensor=Sensor(0.3, 60 * S, 0.0),
        battery=replace(BATTERY, charge_pct=90.0),
    )
    said: list[str] = []
    rig = Rig(made, [], ("battery",), EMPTY, say=said.append, zero=30 * S)
    rig.advance(300 * S)
    (note,) = [text for text in said if "notes a draw" in text]
    assert "800 mA" in note
    assert note.endswith("(at 0.5 min)")


def test_what_a_second_battery_gives_and_takes_is_counted_apart() -> None:
    net = Network(vehicle(second=Second(BATTERY, 0.01, model.JOINED[0], "joint")))
    net.battery_a = 3.0
    net.second_now_a = 2.0
    net.count(100)
    net.second_now_a = -4.0
    net.count(150)
    assert (net.second_drawn, net.second_entered) == (200.0, 200.0)
    assert (net.drawn, net.entered) == (450.0, 0.0)
    net.second_now_a = 0.0
    net.battery_a = -3.0
    net.count(160)
    net.count(160)
    assert (net.second_drawn, net.second_entered, net.drawn, net.entered) == (200.0, 200.0, 450.0, 30.0)
    net.clear()
    assert (net.second_drawn, net.second_entered, net.drawn, net.entered, net.posts) == (0.0,) * 5


def test_only_a_vehicle_in_which_all_sleep_and_whose_engine_stands_is_asleep() -> None:
    rig = Rig(vehicle(), [], ("battery",), Script("door", False, (Event(5 * S, "door", "opens"),)))
    assert rig.simulated.asleep()
    assert rig.simulated.largest_draw_a() == pytest.approx(0.01)
    rig.advance(6 * S)
    assert not rig.simulated.asleep()
    assert rig.simulated.largest_draw_a() == pytest.approx(0.9)
    assert rig.simulated.drawn()["body", "F1"] == pytest.approx(0.9)

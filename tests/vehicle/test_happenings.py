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


def test_an_engine_that_stalls_stays_off_whatever_its_cranking_had_planned() -> None:
    made = vehicle(battery=replace(BATTERY, charge_pct=95.0))
    rig = Rig(made, [], ("battery",), Script("engine", False, (Event(5 * S, "engine", "", 20 * S),)))
    rig.advance(5 * S + 1_000)
    assert rig.network.starter_a > 0
    rig.simulated.stall()
    assert (rig.simulated.engine, rig.network.starter_a, rig.network.on[1]) == (False, 0.0, False)
    rig.advance(10 * S)  # its cranking would have ended by now, with the engine running
    assert (rig.simulated.engine, rig.network.on[1]) == (False, False)


def test_an_engine_cranked_anew_runs_its_new_time() -> None:
    events = (Event(5 * S, "engine", "", 10 * S), Event(12 * S, "engine", "", 10 * S))
    rig = Rig(
        vehicle(battery=replace(BATTERY, charge_pct=95.0)), [], ("battery",), Script("twice", False, events)
    )
    rig.advance(17 * S)  # the first time was over at 15.8 s
    assert rig.simulated.engine
    rig.advance(23 * S)
    assert not rig.simulated.engine


def test_locking_darkens_what_doors_and_unlocking_light_and_no_other_lamp() -> None:
    lamps = (
        model.Lamp("courtesy", "F1", 0.05, ("door", "unlock"), 600 * S, 900 * S),
        model.Lamp("boot", "F1", 0.07, ("key",), 600 * S, 900 * S),
    )
    rig = Rig(vehicle(modules=(), lamps=lamps), [], ("battery",), EMPTY)
    one = rig.simulated
    for lamp in one._lamps:
        lamp.light(0, stays=False)
    one.happen(Event(0, "car", "locked"))
    assert [lamp.conducts for lamp in one._lamps] == [0.0, 0.07]
    one.happen(Event(0, "door", "opens"))
    assert one._lamps[0].conducts == 0.05
    one.happen(Event(0, "car", "locked"))
    assert one._lamps[0].conducts == 0.05  # a door is open


def test_what_loads_draw_is_told_at_twelve_volts_and_nothing_behind_a_pulled_fuse() -> None:
    made = vehicle(
        lamps=(model.Lamp("l", "F2", 0.5, ("door",), 600 * S, 900 * S),), defects=(replace(DEFECT, on=True),)
    )
    one = Rig(made, [], ("battery",), EMPTY).simulated
    one.happen(Event(0, "door", "opens"))
    drawn = one.drawn()
    assert (drawn["lamp l", "F2"], drawn["defect wet", "F2"]) == (6.0, 0.12)
    one.happen(Event(0, "pull", "F2"))
    drawn = one.drawn()
    assert (drawn["lamp l", "F2"], drawn["defect wet", "F2"]) == (0.0, 0.0)

"""Cranking: a sag holds a box, a deeper one kills it; recording and journal tell the same. Real boxes."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from boxcore import program as pg
from boxcore import schedule
from boxcore.guard import RELEASE_TICKS
from nightdraw import data, programs
from nightdraw.bench import drive
from nightdraw.bench.rig import POWER_BACK_V, POWER_LOST_V, Rig
from nightdraw.bench.setup import build
from nightdraw.vehicle import battery, load_vehicle
from nightdraw.vehicle.model import Battery, Vehicle
from nightdraw.vehicle.script import Event, Script

from tests.bench.support import program
from tests.bench.test_drive import lines, recorded
from tests.vehicle.circuits import S, vehicle

VAN = load_vehicle(data.shipped("vehicles", "vehicle-3"))
PLAN = program((pg.STEADY, 40_000), (pg.PULSE, 350_000, 7_000, 30_000, 12_345))
CRANKED = Script("cranked", False, (Event(20 * S, "engine", "", 30 * S),))
CRANK_S = VAN.starter.ticks / S if VAN.starter else 0.0


def van(ohms: float, **changes: object) -> Vehicle:
    """The van with an older, colder battery; its feeds' and modules' small draws left out."""
    cell = replace(VAN.battery, ohms=ohms, temp_c=-10.0, crank_min_v=5.0, no_start_pct=10.0)
    return replace(VAN, battery=replace(cell, **changes), twitches=(), modules=())  # type: ignore[arg-type]


def sag_v(cell: Battery) -> float:
    """At the battery while it is cranked, by Ohm's law."""
    assert VAN.starter is not None
    rest_v = battery.ocv_v(cell.type, cell.charge_pct, cell.temp_c)
    return rest_v - VAN.starter.draw_a * battery.ohms(cell, cell.charge_pct)


def run(
    made: Vehicle, tmp_path: Path, script: Script = CRANKED, **fields: object
) -> tuple[dict[str, np.ndarray], list[dict], list[str]]:
    plan = program(*PLAN.draws, **fields)
    said: list[str] = []
    wanted = drive.Drive(
        60 * S, ("battery", "F5"), Fraction(1000), out=tmp_path / "r.csv", fronts=drive.ideal
    )
    boxes = [drive.Placed("load-space", plan, build(seed=1), 1)]
    done = drive.drive(made, boxes, wanted, script, said.append)
    return recorded(tmp_path / "r.csv"), lines(done.journals[0]), said


def test_a_mild_sag_holds_the_box_and_lets_it_go_again(tmp_path: Path) -> None:
    made = van(0.0134)
    assert POWER_BACK_V + 1 < sag_v(made.battery) < 8.9  # below the board's 9 V, and alive
    seen, log, _ = run(made, tmp_path)
    assert [r["kind"] for r in log].count("boot") == 1
    holds = [r["at_s"] for r in log if r["kind"] == "hold"]
    releases = [r["at_s"] for r in log if r["kind"] == "release"]
    assert holds == pytest.approx([20.0], abs=0.05)
    assert releases == pytest.approx([20 + CRANK_S + RELEASE_TICKS / S], abs=0.1)
    time_s, fuse_a = seen["time_s"], seen["F5_mv"] / 4.8
    held = (time_s > holds[0] + 0.002) & (time_s < releases[0])
    assert fuse_a[held] == pytest.approx(0.011, abs=1e-6)  # its own consumption and nothing else
    asked = programs.edges(schedule.Schedule(PLAN, 1, 11_000), 59 * S)
    wanted = dict(asked)
    for at, level_ua in wanted.items():  # the schedule's time went on
        if at / S > releases[0] + 0.1:
            place = np.searchsorted(time_s, at / S + 0.01)
            assert fuse_a[place] == pytest.approx(level_ua / 1e6, rel=0.02, abs=0.002)


def test_a_deep_sag_kills_the_box_and_it_comes_back_by_its_rule(tmp_path: Path) -> None:
    made = van(0.04)
    assert sag_v(made.battery) < POWER_LOST_V - 0.5
    seen, log, said = run(made, tmp_path)
    boots = [r["at_s"] for r in log if r["kind"] == "boot"]
    assert boots == pytest.approx([-1.0, 20 + CRANK_S], abs=1e-4)
    starts = [r["at_s"] for r in log if r["kind"] == "start"]
    assert starts == pytest.approx([0.0, 20 + CRANK_S], abs=1e-3)  # restart: from the schedule's zero
    time_s, fuse_a = seen["time_s"], seen["F5_mv"] / 4.8
    dead = (time_s > 20.001) & (time_s < 20 + CRANK_S)
    assert not fuse_a[dead].any()
    assert not [r for r in log if r["kind"] == "edge" and 20 < r["at_s"] < 20 + CRANK_S]
    asked = list(programs.edges(schedule.Schedule(PLAN, 1, 11_000), 30 * S))
    edges = [r for r in log if r["kind"] == "edge" and r["boot"] == 2][: len(asked)]
    assert [r["at_s"] for r in edges] == pytest.approx([starts[1] + at / S for at, _ in asked])
    for record in edges:  # what the journal says is what was drawn
        place = np.searchsorted(time_s, record["at_s"] + 0.01)
        assert fuse_a[place] == pytest.approx(record["level_ma"] / 1000, rel=0.02, abs=0.002)
    assert said == ["the engine doesn't start: the battery is too weak (at 0.4 min)"]


def test_a_box_that_is_to_continue_goes_on_where_it_was(tmp_path: Path) -> None:
    _, log, _ = run(van(0.04), tmp_path, resume=pg.RESUME_CONTINUE)
    assert [r["kind"] for r in log].count("boot") == 2
    starts = [r for r in log if r["kind"] == "start"]
    assert starts[1]["position"] > 15 * S  # of its own time: it had run for 20 s


def test_a_box_that_stays_off_stays_off_after_a_crank(tmp_path: Path) -> None:
    _, log, said = run(van(0.04), tmp_path, resume=pg.RESUME_STAY_OFF)
    assert [r["kind"] for r in log if r.get("boot") == 2] == ["boot", "halt"]
    assert any("at the end the box at load-space is idle" in line for line in said)


def test_the_supply_dies_and_lives_where_it_says() -> None:
    """Through the whole range of sags: a box is dead exactly where its own voltage is too low for it."""
    plan = Script("s", False, (Event(10 * S, "engine", "", 5 * S),))
    dead = []
    for ohms in np.linspace(0.01, 0.05, 21):
        rig = Rig(van(float(ohms)), [("load-space", build())], ("battery",), plan)
        rig.advance(10 * S + 5000)
        volts = rig.worlds[0].outlet.supply_v
        assert (rig.worlds[0].box is None) == (volts < POWER_LOST_V)
        dead.append(rig.worlds[0].box is None)
        rig.advance(13 * S)
        assert rig.worlds[0].box is not None
    assert dead == sorted(dead)
    assert 0 < sum(dead) < len(dead)


def test_an_engine_that_the_battery_is_too_weak_for_does_not_run() -> None:
    said: list[str] = []
    weak = vehicle(battery=replace(vehicle().battery, charge_pct=20.0))
    for made, runs in ((vehicle(), True), (weak, False)):
        rig = Rig(made, [], ("battery",), CRANKED, say=said.append)
        rig.advance(20 * S + 100)
        assert rig.network.starter_a > 0
        rig.advance(30 * S)
        assert rig.network.on[1] == runs
        assert rig.network.starter_a == 0
        assert (rig.network.battery_a < 0) == runs
    assert len(said) == 1
    assert "the engine doesn't start: the battery is too weak (at 0.3 min)" in said[0]


@pytest.mark.parametrize("again", [10 * S + 4000, 20 * S])
def test_cranking_anew_takes_its_whole_time(again: int) -> None:
    """A file can't say so, but whoever builds a script can: neither crank nor run ends by the first's end."""
    events = (Event(10 * S, "engine", "", 20 * S), Event(again, "engine", "", 60 * S))
    rig = Rig(vehicle(), [], ("battery",), Script("s", False, events))
    rig.advance(again + 5000)
    assert rig.network.starter_a > 0
    rig.advance(again + 9000)
    assert rig.network.starter_a == 0
    for second, runs in ((20, True), (50, True), (60, True), (63, False)):
        rig.advance(again + second * S)
        assert rig.network.on[1] == runs

"""Defects of the vehicle itself, relays and a second battery: by hand reckoning on the bench's rig."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from nightdraw import data
from nightdraw.bench.rig import Rig
from nightdraw.cli import main
from nightdraw.errors import InputError
from nightdraw.vehicle import battery, load_vehicle, model, standing
from nightdraw.vehicle.charge_forecast import ChargeForecast
from nightdraw.vehicle.model import Defect, Relay, Second, Sensor
from nightdraw.vehicle.script import EMPTY, Event, Script

from tests.vehicle.circuits import BATTERY, S, vehicle

HOUR = 3600 * S
QUIET = replace(BATTERY, self_discharge_pct=0.0)


def rig(made, plan: Script = EMPTY, hours: float = 0.0) -> Rig:
    found = Rig(made, [], ("battery",), plan)
    found.advance(round(hours * HOUR))
    return found


def one(kind: str, on: bool = True, **more: object) -> tuple[Defect, ...]:
    return (Defect("sick", kind, on, **more),)  # type: ignore[arg-type]


def test_a_ground_fault_draws_behind_its_fuse_by_ohms_law() -> None:
    well, sick = rig(vehicle()), rig(vehicle(defects=one(model.GROUND_FAULT, fuse="F2", siemens=1 / 60)))
    drawn_a = sick.network.branches[1].current_a
    assert drawn_a == pytest.approx(sick.network.branches[1].end_v / 60, rel=1e-9)
    assert sick.network.battery_a - well.network.battery_a == pytest.approx(drawn_a, rel=1e-9)
    mended = rig(sick.simulated.vehicle, Script("m", False, (Event(S, "mended", "sick"),)), 0.01)
    assert mended.network.branches[1].current_a == 0
    assert mended.network.battery_a == pytest.approx(well.network.battery_a, rel=1e-6)


def test_corrosion_across_the_posts_empties_the_battery_and_no_clamp_shows_it() -> None:
    sick = replace(vehicle(defects=one(model.CORROSION, siemens=1 / 100)), battery=QUIET)
    well = replace(vehicle(), battery=QUIET)
    wet, dry = rig(sick, hours=24), rig(well, hours=24)
    assert wet.network.battery_a == pytest.approx(dry.network.battery_a, rel=1e-9)
    volts = battery.rest_v(QUIET, 83.0)
    lost_pct = 100 * volts / 100 * 24 / QUIET.capacity_ah
    assert dry.simulated.charge_pct - wet.simulated.charge_pct == pytest.approx(lost_pct, rel=0.01)
    # the same by the reckoning of days
    assert ChargeForecast(sick, 0.0).after(24) == pytest.approx(wet.simulated.charge_pct, abs=0.01)


def test_a_leaking_diode_shows_at_the_battery_and_on_no_feed() -> None:
    well, sick = rig(vehicle()), rig(vehicle(defects=one(model.DIODE, siemens=1 / 150)))
    leak_a = sick.network.bus_v / 150
    assert sick.network.battery_a - well.network.battery_a == pytest.approx(leak_a, rel=1e-3)
    assert sum(sick.network.feed_a(k) for k in range(2)) == pytest.approx(well.network.battery_a, rel=1e-3)
    made = replace(sick.simulated.vehicle, battery=QUIET)
    after = rig(made, hours=24).simulated
    assert ChargeForecast(made, 0.0).after(24) == pytest.approx(after.charge_pct, abs=0.01)


def test_a_stuck_contact_keeps_its_load_on() -> None:
    fan = Relay("fan", "F2", 1 / 6, ("engine", "ignition"))
    on_off = Script("s", False, (Event(S, "ignition", "on"), Event(5 * S, "ignition", "off")))
    well = rig(vehicle(relays=(fan,)), on_off)
    currents = []
    for at in (0.5, 3, 7):
        well.advance(round(at * S))
        currents.append(well.network.branches[1].current_a)
    assert currents[0] == currents[2] == 0
    assert currents[1] == pytest.approx(well_v(well) / 6, rel=0.02)
    stuck = rig(vehicle(relays=(fan,), defects=one(model.STUCK_CONTACT, relay="fan")), on_off, 0.01)
    assert stuck.network.branches[1].current_a == pytest.approx(12.4 / 6, rel=0.03)
    assert ("relay fan", "F2") in standing.stands(stuck.simulated.vehicle)
    assert standing.stays_a(stuck.simulated.vehicle, "F2") == pytest.approx(2.0)


@pytest.mark.parametrize("also_stuck", [False, True])
def test_a_contact_that_fails_open_keeps_its_load_off(also_stuck: bool) -> None:
    """Ignition on from 1 s, the contact open from the start and mended at 3 s; a welded one is closed
    whatever its coil does."""
    fan = Relay("fan", "F2", 1 / 6, ("engine", "ignition"), "body")
    sick = one(model.OPEN_CONTACT, relay="fan")
    if also_stuck:
        sick += (Defect("welded", model.STUCK_CONTACT, True, relay="fan"),)
    on = (Event(S, "ignition", "on"), Event(S, "door", "opens"), Event(3 * S, "mended", "sick"))
    life = rig(vehicle(relays=(fan,), defects=sick), Script("o", False, on))
    closed = []
    for at in (0.5, 2, 4):
        life.advance(round(at * S))
        closed.append(life.network.branches[1].current_a > 1)
    assert closed == ([True, True, True] if also_stuck else [False, False, True])
    assert (standing.stays_a(life.simulated.vehicle, "F2") > 1) == also_stuck


def well_v(one: Rig) -> float:
    return one.network.bus_v


def test_a_relay_that_a_module_holds_follows_it() -> None:
    held = Relay("held", "F2", 1 / 12, (), "body")
    life = rig(vehicle(relays=(held,)), Script("s", False, (Event(S, "door", "opens"),)))
    seen = []
    for at in (0.5, 30, 70):  # the module's stages last 20 and 40 s
        life.advance(round(at * S))
        seen.append(life.network.branches[1].current_a > 0.5)
    assert seen == [False, True, False]


def test_a_sensor_that_sheds_too_early() -> None:
    shed = replace(vehicle().modules[0], sheds=True, asleep_a=0.3)
    said = Sensor(5.0, HOUR, 20.0)
    well = vehicle(modules=(shed,), sensor=said)
    sick = replace(well, defects=one(model.SHEDS_EARLY, below_pct=90.0))
    assert rig(well, hours=0.1).network.battery_a == pytest.approx(0.3, rel=1e-6)
    assert rig(sick, hours=0.1).network.battery_a == pytest.approx(0.0, abs=1e-9)
    assert standing.sheds_below_pct(sick) == 90
    after = rig(sick, hours=1).simulated
    assert ChargeForecast(sick, 0.0).after(1) == pytest.approx(after.charge_pct, abs=0.01)


def second(joined: str, charge_pct: float = 85.0) -> Second:
    return Second(replace(QUIET, capacity_ah=20.0, ohms=0.02, charge_pct=charge_pct), 0.01, joined)


def test_two_batteries_share_a_draw_by_their_resistances() -> None:
    made = replace(vehicle(second=second(model.ALWAYS)), battery=QUIET)
    net = rig(made).network
    assert net.battery_a + net.second_now_a == pytest.approx(0.01, rel=1e-9)
    first_ohms = battery.ohms(QUIET, 85.0)
    second_ohms = 0.01 + battery.ohms(made.second.cell, 85.0)
    assert net.second_now_a / net.battery_a == pytest.approx(first_ohms / second_ohms, rel=1e-6)


def test_an_empty_second_battery_is_charged_by_the_first_and_no_charge_is_lost() -> None:
    made = replace(vehicle(second=second(model.ALWAYS, 40.0), modules=()), battery=QUIET)
    after = rig(made, hours=2)
    cells = after.simulated.cells
    gave_ah = (85.0 - cells.charge_pct) / 100 * QUIET.capacity_ah
    took_ah = (cells.second_pct - 40.0) / 100 * 20
    assert gave_ah > 0.2
    assert took_ah == pytest.approx(gave_ah * battery.STORED[model.FLOODED], rel=1e-9)


@pytest.mark.parametrize("surface_v", [0.0, 0.4])
@pytest.mark.parametrize("ohms", [100.0, 2000.0])
def test_dirty_posts_drain_a_battery_whose_cable_is_off(surface_v: float, ohms: float) -> None:
    """Ohm's law behind the battery's own resistances, found by halving."""
    leak = Defect("posts", model.CORROSION, True, siemens=1 / ohms)
    alone = Rig(replace(vehicle(defects=(leak,), modules=(), charger=None), battery=QUIET), [], ())
    net = alone.network
    net.cut, net.surface_v = True, surface_v
    net.touch()
    net.solve()
    low, high = 0.0, 20.0
    for _ in range(60):
        volts = (low + high) / 2
        out_a = max(0.0, net.voc_v + surface_v - volts) / net.battery_ohms
        gives = out_a - max(0.0, volts - net.voc_v) / net.charge_ohms > volts / ohms
        low, high = (volts, high) if gives else (low, volts)
    assert net.posts_v == pytest.approx(volts, abs=1e-9)
    assert net.bus_v == net.battery_a == 0
    alone.advance(10 * S)
    gone_ah = (QUIET.charge_pct - alone.simulated.charge_pct) / 100 * QUIET.capacity_ah
    assert gone_ah == pytest.approx(volts / ohms * 10 / 3600, rel=0.01)


@pytest.mark.parametrize("joined", model.JOINED)
@pytest.mark.parametrize(("kind", "there"), [(model.STUCK_CONTACT, True), (model.OPEN_CONTACT, False)])
def test_a_failed_joint_joins_always_or_never_until_it_is_mended(joined: str, kind: str, there: bool) -> None:
    """Cranked, running, parked: whatever its coil does; then a relay like any other."""
    defect = Defect("joint", kind, True, relay="separator")
    plan = Script("s", False, (Event(S, "engine", "", 5 * S), Event(20 * S, "mended", "joint")))
    made = replace(vehicle(defects=(defect,)), second=replace(second(joined), relay="separator"))
    life = Rig(made, [], (), plan)
    for at_s in (0.5, 1.5, 4.0, 15.0):
        life.advance(round(at_s * S))
        assert life.network.joined == there
        assert (life.network.second_a() != 0) == there
    life.advance(21 * S)
    assert life.network.joined == (joined != model.ENGINE)


def test_a_joint_is_named_by_its_file(tmp_path: Path) -> None:
    text = data.shipped("vehicles", "vehicle-6").read_text()
    path = tmp_path / "v.yaml"
    path.write_text(text.replace("relay: joint\n", "relay: fan\n", 1))
    with pytest.raises(InputError, match="taken by the relay"):
        load_vehicle(path)
    path.write_text(text.replace("  relay: joint\n", "", 1))
    with pytest.raises(InputError, match="there is no relay 'joint'"):
        load_vehicle(path)


@pytest.mark.parametrize(
    ("joined", "while_cranking", "while_running", "after"),
    [(model.ALWAYS, True, True, True), (model.ENGINE, False, True, False),
     (model.NOT_CRANKING, False, True, True)],
)  # fmt: skip
def test_when_a_second_battery_is_joined(
    joined: str, while_cranking: bool, while_running: bool, after: bool
) -> None:
    made = vehicle(second=second(joined))
    life = Rig(made, [], (), Script("s", False, (Event(S, "engine", "", 5 * S),)))
    seen = []
    for at in (1.4, 4, 20):  # cranked from 1 to 1.8 s
        life.advance(round(at * S))
        seen.append(life.network.joined)
    assert seen == [while_cranking, while_running, after]


def test_days_with_two_batteries_are_refused_and_the_vehicles_warnings_said(capsys) -> None:
    with pytest.raises(InputError, match="two batteries"):
        ChargeForecast(vehicle(second=second(model.ALWAYS)), 0.0)
    words = ("figures", "glovebox-lamp", "--vehicle", "vehicle-6", "--for", "3h")
    assert main.run(["profile", *words]) == 2
    assert "two batteries" in capsys.readouterr().err
    assert main.run(["bench", "record", "--vehicle", "vehicle-6", "--for", "1s"]) == 0
    assert "caution: Two batteries: both negative cables come off" in capsys.readouterr().err


MISTAKES = [
    ("kind: diode, ohms: 150 ohm,", "kind: diode,", "diode lacks the key 'ohms'"),
    ("kind: diode, ohms: 150 ohm,", "kind: diode, ohms: 150 ohm, fuse: F6,", "diode takes no fuse"),
    ("relay: fan, on: no", "relay: fun, on: no", "did you mean 'fan'"),
    ("fuse: F6, ohms: 60 ohm", "fuse: F6, ohms: 1 ohm", "the loads on fuse F6 may draw"),
    ("joined: not-cranking", "joined: sometimes", "joined must be one of always, engine, not-cranking"),
    ("sensor: {logs_above: 120 mA, logs_after: 20 min, sheds_below: 50 %}\n", "", "has no sensor"),
    ("below: 95 %", "below: 101 %", "below must be 0 % .. 100 %"),
    ("closed: [engine]}", "closed: [door]}", "closed must be one of"),
]


@pytest.mark.parametrize(("old", "new", "words"), MISTAKES)
def test_mistakes_are_found(old: str, new: str, words: str, tmp_path: Path) -> None:
    source = data.shipped("vehicles", "vehicle-6").read_text()
    assert old in source
    (tmp_path / "v.yaml").write_text(source.replace(old, new, 1))
    with pytest.raises(InputError) as raised:
        load_vehicle(tmp_path / "v.yaml")
    assert any(words in finding.text() for finding in raised.value.findings), raised.value.findings

"""A battery to its end and after a charge: balance over a whole life, the knee, cold, age, surface,
brown-outs."""

from __future__ import annotations

import dataclasses
import itertools
import math
import random
from pathlib import Path

import numpy as np
import pytest
from boxcore import program as pg
from nightdraw import data
from nightdraw.bench import drive
from nightdraw.bench.rig import Rig, Stretch
from nightdraw.bench.setup import build
from nightdraw.vehicle import battery, cranking, load_vehicle, model
from nightdraw.vehicle.model import Battery, Lamp, Module, Source, Stage, Starter, Vehicle
from nightdraw.vehicle.root import Root
from nightdraw.vehicle.script import EMPTY, Event, Script, load_script
from scipy.optimize import brentq

from tests.bench.support import program
from tests.vehicle.circuits import BATTERY, S, vehicle
from tests.vehicle.test_discharge import hours_to

HOUR = 3600 * S
SLEEPER = Module("m", "F1", (), 0.4, (), False, 5.0)
FUSSY = Module("n", "F2", (Stage(1.0, 10 * S),), 0.3, (), False, 8.0)


def cell(**changes: object) -> Battery:
    return dataclasses.replace(BATTERY, self_discharge_pct=0.0, **changes)  # type: ignore[arg-type]


def ampere_hours(truth: Stretch) -> tuple[float, float]:
    """Out of the battery and into it, by the truth of its channel."""
    spans = np.append(truth.ticks[1:], truth.stop) - truth.ticks
    amps = truth.levels[:, 0]
    return (
        float((amps.clip(min=0) * spans).sum()) / HOUR,
        float((-amps.clip(max=0) * spans).sum()) / HOUR,
    )


def scripted(source: random.Random, hours: int) -> Script:
    """A life: the charger comes and goes, the engine runs now and then, a fuse is out for a while."""
    events, at = [], 0
    while at < hours * HOUR:
        at += source.randrange(HOUR // 2, 6 * HOUR)
        what = source.choice(["charger", "engine", "fuse", "door"])
        if what == "charger":
            events += [Event(at, "charger", "on"), Event(at + HOUR, "charger", "off")]
        elif what == "engine":
            events.append(Event(at, "engine", "", source.randrange(S, HOUR)))
        elif what == "fuse":
            events += [Event(at, "pull", "F2"), Event(at + HOUR // 3, "back", "F2")]
        else:
            events.append(Event(at, "door", "opens"))
        at += HOUR
    return Script("a life", False, tuple(sorted(events, key=lambda event: event.at_ticks)))


@pytest.mark.parametrize("case", range(6))
def test_charge_balances_to_rounding_over_a_whole_life(case: int, seed: int) -> None:
    """What left the battery less what was stored of what entered it is what is gone, from full or half full
    through flat; and no more came out than was in it."""
    source = random.Random(f"life {case} {seed}")
    made = cell(
        type=source.choice(model.BATTERY_TYPES),
        capacity_ah=source.uniform(4, 20),
        charge_pct=source.uniform(10, 60),
        temp_c=source.choice([-20.0, 5.0, 25.0]),
        health_pct=source.choice([60.0, 100.0]),
        crank_min_v=5.0,
        no_start_pct=0.0,
    )
    car = vehicle(battery=made, modules=(SLEEPER, FUSSY), charger=Source(13.4, 0.1, 1.0))
    rig = Rig(car, [], ("battery",), scripted(source, 30) if case % 2 else EMPTY, seed=seed)
    out_ah = in_ah = 0.0
    lowest = made.charge_pct
    for hour in range(1, 40):
        rig.advance(hour * HOUR)  # a slow step ends at each hour: the charge is up to date
        out, into = ampere_hours(rig.take())
        out_ah, in_ah = out_ah + out, in_ah + into
        gone_ah = (made.charge_pct - rig.simulated.charge_pct) / 100 * battery.stored_ah(made)
        stored_ah = in_ah * battery.STORED[made.type]
        assert gone_ah == pytest.approx(out_ah - stored_ah, abs=1e-9)
        lowest = min(lowest, rig.simulated.charge_pct)
        assert 0 <= rig.simulated.charge_pct < 100
    assert out_ah <= made.charge_pct / 100 * battery.stored_ah(made) + stored_ah
    if not case % 2:
        left = min(battery.stays_in(made) * 100, made.charge_pct)
        assert left - 1e-6 <= lowest <= left + 3  # flat: what doesn't come out, and what no module can use


@pytest.mark.parametrize("charge_pct", [60.0, 8.0, 0.5, 0.01])
def test_energy_balances_at_every_charge(charge_pct: float) -> None:
    """What the cell gives is what resistances, wires and loads take (Tellegen's theorem, summed by hand)."""
    made = cell(charge_pct=charge_pct, capacity_ah=10.0)
    lamp = Lamp("l", "F3", 21 / 144, ("door",), HOUR)
    car = vehicle(battery=made, modules=(SLEEPER, FUSSY), lamps=(lamp,), charger=None)
    rig = Rig(car, [], ("battery",), Script("lit", False, (Event(S, "door", "opens"),)))
    rig.advance(2 * S)
    net = rig.network
    net.solve()
    taken_w = net.battery_a**2 * net.battery_ohms
    for feed in net.feeds:
        taken_w += feed.current_a**2 * (feed.fuse_ohms + feed.wire_ohms)
    for branch in net.branches:
        taken_w += branch.current_a**2 * (branch.fuse_ohms + branch.wire_ohms)
        taken_w += branch.end_v * (branch.draw_a * branch.feed.share + branch.siemens * branch.end_v)
    assert net.voc_v * net.battery_a == pytest.approx(taken_w, rel=1e-9, abs=1e-12)


# -- the end -----------------------------------------------------------------------------------------------


# A maker's specification of a 40 Ah sealed battery (read): capacity 100 % at 25 C, 90 % at 10 C, 74 % at
# -10 C
@pytest.mark.parametrize(("temp_c", "share"), [(25.0, 1.0), (10.0, 0.90), (-10.0, 0.74)])
def test_cold_a_part_of_the_charge_stays_in(temp_c: float, share: float) -> None:
    made = cell(type=model.AGM, capacity_ah=40.0, charge_pct=100.0, temp_c=temp_c)
    assert hours_to(made, 2.0, 10.5) == pytest.approx(20 * share, abs=0.8)


def test_what_stays_in_comes_out_when_it_is_warm_again() -> None:
    made = cell(capacity_ah=40.0, charge_pct=20.0, temp_c=-10.0)
    assert battery.ohms(made, 20.0) > 1e3  # 26 % stay in
    warm = dataclasses.replace(made, temp_c=25.0)
    assert battery.ohms(warm, 20.0) < 0.05


def test_age_takes_capacity_and_adds_resistance() -> None:
    """Half as much resistance again at four fifths of the capacity (common practice)."""
    new, old = cell(charge_pct=100.0), cell(charge_pct=100.0, health_pct=80.0)
    assert battery.ohms(old, 100.0) == pytest.approx(1.5 * battery.ohms(new, 100.0))
    assert battery.after(old, 100.0, 3.0, 4.0) == pytest.approx(100 - 12 / 0.8 / 60 * 100)


def test_the_voltage_falls_off_a_knee_and_recovers_without_load() -> None:
    made = cell(capacity_ah=20.0, charge_pct=50.0)
    car = vehicle(battery=made, modules=(dataclasses.replace(SLEEPER, asleep_a=0.8, dies_below_v=9.0),))
    rig = Rig(car, [], ("battery",))
    volts = []
    for hour in range(1, 15):
        rig.advance(hour * HOUR)
        volts.append(rig.network.bus_v)
    slopes = -np.diff(volts)
    assert slopes[:5].max() < 0.1  # volts an hour
    assert slopes.max() > 0.5
    assert rig.network.battery_a == 0  # the module has stopped
    assert volts[-1] > 11.7  # and the voltage has come back


# -- modules whose supply is too low ------------------------------------------------------------------------


def cranked(**changes: object) -> Vehicle:
    """A cranking that pulls the battery down to some 7 V."""
    made = cell(ohms=0.035, temp_c=25.0, crank_min_v=5.0, no_start_pct=0.0)
    modules = (dataclasses.replace(SLEEPER, asleep_a=0.1), dataclasses.replace(FUSSY, asleep_a=0.05))
    said = {"battery": made, "modules": modules, "starter": Starter(140.0, S, **changes)}
    return vehicle(**said)


def test_a_dip_resets_the_modules_that_cannot_bear_it() -> None:
    plan = Script("cranked", False, (Event(20 * S, "engine", "", 2 * S),))
    rig = Rig(cranked(), [], ("F1", "F2"), plan)
    rig.advance(60 * S)
    truth = rig.take()
    mohm = [1000 * rig.network.fused_paths[name].cold_ohms for name in ("F1", "F2")]

    def amps(at_s: float) -> list[float]:
        row = np.searchsorted(truth.ticks, at_s * S, side="right") - 1
        return (truth.levels[row] / mohm).round(3).tolist()

    assert amps(19.0) == [0.1, 0.05]
    assert amps(20.5) == [0.1, 0.0]  # 8 V aren't there
    assert amps(21.0 + 0.3 + 0.1) == [0.1, 1.0]  # it starts anew, the engine keeps it awake
    assert amps(59.0) == [0.1, 0.05]


def test_modules_on_a_flat_battery_try_again_and_again_ever_more_seldom() -> None:
    made = cell(capacity_ah=1.0, charge_pct=3.0)
    car = vehicle(battery=made, modules=(SLEEPER, FUSSY), charger=Source(13.4, 0.1, 5.0))
    plan = Script("charged", False, (Event(3 * HOUR, "charger", "on"),))
    rig = Rig(car, [], ("battery",), plan)
    rig.advance(3 * HOUR - 1)
    assert [module.live for module in rig.simulated._modules] == [False, False]
    before = rig.simulated.agenda._entries
    rig.advance(3 * HOUR + 90 * S)
    assert [module.live for module in rig.simulated._modules] == [True, True]
    assert before < 3 * 360 + 2 * 300  # a slow step every 10 s, each module a try a minute


def test_a_box_that_pulls_its_own_supply_down_gives_up_ever_longer() -> None:
    """A hundred-thousandth of the charge is left: 11 mA are too much. It starts, dies at once, starts
    later."""
    car = vehicle(battery=cell(charge_pct=0.001), modules=(), charger=None)
    rig = Rig(car, [("a", build(seed=1))], ("battery",))
    rig.advance(600 * S)
    assert rig.network.battery_ohms > 600
    assert 2 < len(rig.worlds[0].boots) < 30
    assert rig.simulated.charge_pct >= 0


# -- the starter -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ticks", "inrush", "ripple"),
    [(9_000, 0.0, 0.0), (9_000, 600.0, 0.3), (25_000, 500.0, 0.0), (900, 400.0, 0.5)],
)
def test_a_starters_steps(ticks: int, inrush: float, ripple: float) -> None:
    steps = cranking.levels(Starter(150.0, ticks, inrush, ripple))
    at = [tick for tick, _ in steps]
    assert at == sorted(set(at))
    assert at[0] == 0
    assert steps[-1] == (ticks, 0.0)
    assert steps[0][1] == (inrush or 150.0)
    begun = 1000 if inrush and ticks > 1000 else 0
    spans = [(b - a, amps) for (a, amps), (b, _) in itertools.pairwise(steps) if a >= begun]
    if ticks > 1000:
        mean = sum(span * amps for span, amps in spans) / sum(span for span, _ in spans)
        assert mean == pytest.approx(150.0)


def test_inrush_dips_deeper_than_cranking_does() -> None:
    plan = Script("cranked", False, (Event(S, "engine", "", 2 * S),))
    rig = Rig(cranked(inrush_a=200.0, ripple=0.2), [], ("battery",), plan)
    rig.advance(S)
    first_v = rig.network.bus_v
    rig.advance(S + 5_000)
    later_v = rig.network.bus_v
    assert first_v == pytest.approx(rig.network.voc_v - 200 * rig.network.battery_ohms, abs=0.05)
    assert later_v > first_v + 1


# -- surface charge ----------------------------------------------------------------------------------------


def test_a_drive_leaves_a_surface_charge_that_decays() -> None:
    """0.3 V and more above its rest at first, a twentieth of it after six hours (common practice)."""
    plan = Script("drive", False, (Event(0, "engine", "", HOUR // 6),))
    made = cell(charge_pct=80.0, crank_min_v=5.0)
    rig = Rig(vehicle(battery=made, modules=(), charger=None), [], ("battery",), plan)
    rig.advance(HOUR // 6 + 60 * S)
    rest_v = battery.rest_v(made, rig.simulated.charge_pct)
    first_v = rig.network.bus_v - rest_v
    assert 0.3 < first_v <= battery.SURFACE_V
    rig.advance(HOUR // 6 + 60 * S + 6 * HOUR)
    assert rig.network.bus_v - rest_v == pytest.approx(first_v * math.exp(-3), rel=0.02)


def test_lamps_take_it_away_within_minutes() -> None:
    plan = Script(
        "drive", False, (Event(0, "engine", "", HOUR // 6), Event(HOUR // 6 + 90 * S, "door", "opens"))
    )
    lamp = Lamp("l", "F2", 120 / 144, ("door",), HOUR)
    made = cell(charge_pct=80.0, crank_min_v=5.0)
    rig = Rig(vehicle(battery=made, modules=(), lamps=(lamp,), charger=None), [], ("battery",), plan)
    rig.advance(HOUR // 6 + 80 * S)
    assert rig.simulated.surface_v > 0.3
    rig.advance(HOUR // 6 + 90 * S + 180 * S)
    assert rig.simulated.surface_v == 0


@pytest.mark.parametrize("case", range(8))
def test_the_root_is_where_all_currents_cancel(case: int, seed: int) -> None:
    """With a surface's volts, a meter, sources and loads: by bisection of the sum of currents."""
    source = random.Random(f"root {case} {seed}")
    car = vehicle(charger=Source(source.uniform(12.5, 14.5), 0.05, source.uniform(0.5, 10)))
    root = Root(car, source.choice([0.0, source.uniform(0.01, 2.0)]))
    root.voc_v, root.surface_v = source.uniform(11.9, 12.8), source.choice([0.0, source.uniform(0.01, 0.5)])
    root.battery_ohms, root.charge_ohms = source.uniform(0.005, 0.5), source.uniform(0.02, 3)
    root.on[0] = bool(case % 2)
    root.forget()
    amps, siemens = source.uniform(0, 2), source.uniform(0, 0.2)
    charger = car.charger
    assert charger is not None

    def battery_a(bus_v: float) -> float:
        """Out of the battery: its terminals lie above the root by the meter's drop."""

        def flows(at_v: float) -> float:
            gives = max(0.0, root.voc_v + root.surface_v - at_v) / root.battery_ohms
            return gives - max(0.0, at_v - root.voc_v) / root.charge_ohms

        if not root.meter_ohms:
            return flows(bus_v)
        at_v = brentq(lambda v: flows(v) - (v - bus_v) / root.meter_ohms, -50, 100, xtol=1e-13)
        return (at_v - bus_v) / root.meter_ohms

    def left(bus_v: float) -> float:
        fed = min(max(0.0, (charger.volts - bus_v) / charger.ohms), charger.most_a) if root.on[0] else 0.0
        return battery_a(bus_v) + fed - amps * min(1.0, bus_v / root.weak_v) - siemens * bus_v

    assert root.settle(amps, siemens) == pytest.approx(brentq(left, 1e-6, 60, xtol=1e-12), abs=1e-7)


def test_a_rest_rule_waits_until_the_surface_has_gone(tmp_path: Path) -> None:
    """Below 12.9 V for ten seconds: behind ten minutes of driving that takes hours without a load."""
    made = cell(charge_pct=80.0, crank_min_v=5.0)
    car = vehicle(battery=made, modules=(), charger=None)
    plan = program((pg.STEADY, 40_000), start=pg.START_REST, start_below_mv=12_900, start_steady_ticks=10 * S)
    began = []
    for events in ((), (Event(0, "engine", "", HOUR // 6),)):
        boxes = [drive.Placed("a", plan, build(seed=1), 1)]
        wanted = drive.Drive(4 * HOUR, ("battery",))
        run = drive.VehicleRecording(car, boxes, wanted, Script("s", False, events), lambda text: None)
        rig = run.rig
        while rig.worlds[0].box.run_started is None:
            rig.advance(rig.tick + 30 * S)
            assert rig.tick < 5 * HOUR
        began.append(rig.tick / S)
    assert began[0] < 60
    surface_v = battery.SURFACE_V
    least_s = battery.SURFACE_H * 3600 * math.log(surface_v / (12.9 - 12.49))
    assert began[1] > 600 + 0.5 * least_s


# -- flat on Monday ----------------------------------------------------------------------------------------


def test_flat_on_monday() -> None:
    """A draw of 0.6 A in a small hatchback from Friday evening on: the run says when and that it doesn't
    start."""
    car = load_vehicle(data.shipped("vehicles", "vehicle-1"))
    fault = Module("stuck", "F7", (), 0.6, (), False)
    car = dataclasses.replace(car, twitches=(), modules=(*car.modules, fault))
    plan = load_script(data.shipped("scripts", "weekend"), car)
    monday = max(event.at_ticks for event in plan.events)
    said: list[str] = []
    rig = Rig(car, [], ("battery",), plan, say=said.append)
    rig.advance(monday + 60 * S)
    assert any("wouldn't start" in line for line in said)
    assert any("the engine doesn't start" in line for line in said)
    assert rig.simulated.charge_pct < 50
    healthy = dataclasses.replace(car, modules=car.modules[:-1])
    quiet: list[str] = []
    rig = Rig(healthy, [], ("battery",), plan, say=quiet.append)
    rig.advance(monday + 60 * S)
    assert not quiet

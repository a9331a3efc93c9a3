"""What a drain does over days, against the closed form, a plain stepping reckoning, and the bench itself."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from nightdraw import data
from nightdraw.bench.rig import Rig
from nightdraw.vehicle import battery, load_vehicle, model
from nightdraw.vehicle.drain_effect import drain_effect
from nightdraw.vehicle.model import Battery, Module, Sensor, Source, Starter, Twitch, Vehicle
from nightdraw.vehicle.script import EMPTY

from tests.vehicle.circuits import BATTERY, S, days_to_no_start, vehicle

SLEEPERS = (Module("m", "F1", (), 0.02, (), False), Module("n", "F2", (), 0.05, (), True))


LONGEST_DAYS = 60


def into_a(made: Vehicle, pct: float, load_a: float) -> float:
    """Amperes into the battery with the charger beside it: of two sources in parallel, by Ohm's law."""
    cell, charger = made.battery, made.charger
    assert charger is not None
    rest_v = battery.rest_v(cell, pct)
    spare_v = (
        charger.volts - load_a * charger.ohms - rest_v
    )  # what it would have left at the battery's terminals
    if spare_v > 0:
        free_a = spare_v / (charger.ohms + battery.charge_ohms(cell, pct))
    else:
        free_a = max(-load_a, spare_v / (charger.ohms + battery.ohms(cell, pct)))
    return min(free_a, charger.most_a - load_a)


def gives_out(cell: Battery, pct: float, load_a: float) -> float:
    """What of a load a battery bears: below 3 V at its terminals a load is a resistance (Ohm's law)."""
    rest_v, inner = battery.rest_v(cell, pct), battery.ohms(cell, pct)
    return load_a if rest_v - load_a * inner >= 3 else rest_v / (inner + 3 / load_a)


def stepped(made: Vehicle, drain_a: float, hours: float) -> tuple[float, float | None]:
    """Charge after `hours`, and days to no start (None beyond LONGEST_DAYS): minutes at a time."""
    cell, pct, passed_h, end, days = made.battery, made.battery.charge_pct, 0.0, math.nan, None
    crank_a = 0.0 if made.starter is None else made.starter.draw_a
    lost = -math.log(1 - cell.self_discharge_pct / 100) / 730 * 2 ** ((cell.temp_c - 25) / 10)
    twitches_a = sum(t.draw_a * t.on_ticks / (sum(t.every_ticks) / 2) for t in made.twitches)
    shed = False
    while passed_h < hours or (days is None and passed_h < 24 * LONGEST_DAYS):
        if days is None and not battery.starts(cell, pct, crank_a):
            days = passed_h / 24
        shed = shed or (made.sensor is not None and pct < made.sensor.sheds_below_pct)
        load_a = drain_a + twitches_a + sum(m.asleep_a for m in made.modules if not (shed and m.sheds))
        amps = -load_a
        if made.charger is not None and made.charger.on:
            amps = into_a(made, pct, load_a)
        if amps < 0:
            amps = -gives_out(cell, pct, -amps)
        stored = {"flooded": 0.85, "agm": 0.95}[cell.type] if amps > 0 else 1.0
        step_h = 0.02 if passed_h < hours else 0.1
        if pct < 100 * battery.stays_in(cell) + 3:  # the end comes within minutes
            step_h = 0.0005 if passed_h < hours else 0.005
        before_pct = pct
        pct += 100 * (amps * stored / cell.capacity_ah - lost * pct / 100) * step_h
        pct = min(100.0, max(0.0, pct))
        passed_h += step_h
        end = pct if passed_h < hours + 0.019 else end
        if pct == before_pct and passed_h > hours + 0.1:  # it stands still, and does so for ever
            break
    return end, days


@st.composite
def sensed(draw: st.DrawFn) -> tuple[Vehicle, float]:
    cell = replace(
        BATTERY,
        type=draw(st.sampled_from(model.BATTERY_TYPES)),
        charge_pct=draw(st.integers(0, 100)),
        temp_c=draw(st.sampled_from([-10.0, 10.0, 25.0, 40.0])),
        self_discharge_pct=draw(st.sampled_from([0.0, 5.0, 30.0])),
        no_start_pct=draw(st.sampled_from([0.0, 30.0, 50.0])),
        capacity_ah=draw(st.sampled_from([30.0, 60.0])),
    )  # fmt: skip
    charger = Source(draw(st.sampled_from([12.2, 13.6, 14.4])), 0.05, draw(st.sampled_from([0.1, 1.0, 5.0])))
    below = draw(st.sampled_from([None, 0.0, 40.0, 60.0, 90.0]))
    made = vehicle(
        battery=cell, modules=SLEEPERS,
        sensor=None if below is None else Sensor(0.1, 600 * S, below),
        charger=replace(charger, on=draw(st.booleans())),
        starter=draw(st.sampled_from([None, Starter(150.0, 8000)])),
        twitches=(Twitch("t", "F1", 0.3, 500, (10_000, 20_000), False),),
    )  # fmt: skip
    return made, draw(st.sampled_from([0.0, 0.05, 0.5, 3.0]))


@given(sensed())
@settings(max_examples=settings.default.max_examples // 2)  # 15 each day, 30 in CI: 0.3 s each
def test_a_plain_stepping_reckoning_says_the_same(case: tuple[Vehicle, float]) -> None:
    made, drain_a = case
    end_pct, days = stepped(made, drain_a, 30.0)
    said = drain_effect(made, drain_a, 30.0)
    assert said.charge_end_pct == pytest.approx(end_pct, abs=0.1)
    if days is None:
        assert said.days_to_no_start is None or said.days_to_no_start > LONGEST_DAYS - 1
    else:
        assert said.days_to_no_start == pytest.approx(days, rel=0.01, abs=0.05)


@given(st.integers(0, 100), st.floats(0.001, 5.0), st.floats(0.1, 500.0), st.sampled_from([0.0, 5.0]))
def test_without_charger_and_sensor_it_is_the_closed_form(
    pct: int, drain_a: float, hours: float, loss_pct: float
) -> None:
    cell = replace(BATTERY, charge_pct=float(pct), self_discharge_pct=loss_pct)
    made = vehicle(battery=cell, modules=(), charger=None)
    said = drain_effect(made, drain_a, hours)
    end_pct = battery.after(cell, pct, drain_a, hours)
    # its last hundredth comes slower and slower, which the closed form doesn't know
    assert said.charge_end_pct == pytest.approx(end_pct, abs=1e-9 if end_pct > 1 else 1.0)
    days = days_to_no_start(cell, pct, drain_a, 150.0)
    assert said.days_to_no_start == pytest.approx(days, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize("on", [False, True])
@pytest.mark.parametrize("name", ["vehicle-1", "vehicle-2", "vehicle-3", "vehicle-4"])
def test_the_bench_says_the_same(name: str, on: bool) -> None:
    """Half a day of a sleeping vehicle, twitches and all, with a drain in its first module."""
    made = load_vehicle(data.shipped("vehicles", name))
    assert made.charger is not None
    made = replace(made, charger=replace(made.charger, on=on))
    sleepy = replace(made.modules[0], asleep_a=made.modules[0].asleep_a + 0.4)
    rig = Rig(replace(made, modules=(sleepy, *made.modules[1:])), [], (), EMPTY)
    hours = 12.0
    rig.advance(round(hours * 3600 * S) + 1)
    said = drain_effect(made, 0.4, hours)
    assert rig.simulated.charge_pct == pytest.approx(said.charge_end_pct, abs=0.05)
    assert (said.charge_end_pct > said.charge_start_pct) == on


def test_the_bench_sheds_where_it_says() -> None:
    made = vehicle(
        battery=replace(BATTERY, charge_pct=51.0), modules=SLEEPERS, sensor=Sensor(9.0, S, 50.0), charger=None
    )
    rig = Rig(made, [], (), EMPTY)
    rig.advance(40 * 3600 * S + 1)
    said = drain_effect(made, 0.0, 40.0)
    assert rig.simulated.charge_pct == pytest.approx(said.charge_end_pct, abs=0.005)
    assert said.assumptions[-1] == "below 50 % of charge the battery sensor sheds 50.0 mA"
    unshed = drain_effect(replace(made, sensor=None), 0.0, 40.0)
    assert said.charge_end_pct > unshed.charge_end_pct + 1


def test_an_empty_battery_is_empty() -> None:
    made = vehicle(battery=replace(BATTERY, charge_pct=0.0), charger=None)
    said = drain_effect(made, 1.0, 10.0)
    assert (said.charge_end_pct, said.starts_after, said.days_to_no_start) == (0.0, False, 0.0)


def test_a_charger_smaller_than_the_drain_puts_it_off() -> None:
    made = vehicle(modules=(), charger=Source(13.6, 0.05, 0.5, on=True))
    bare, helped = drain_effect(replace(made, charger=None), 0.6, 24.0), drain_effect(made, 0.6, 24.0)
    assert bare.days_to_no_start is not None
    assert helped.days_to_no_start is not None
    assert helped.days_to_no_start > 4 * bare.days_to_no_start
    assert helped.days_to_no_start == pytest.approx(
        days_to_no_start(BATTERY, 85.0, 0.1, 150.0) or 0, rel=1e-9
    )
    assert "hides a part of it: it feeds up to 0.5 A" in helped.assumptions[2]


def test_a_charger_that_carries_all_keeps_it_for_ever() -> None:
    made = vehicle(modules=(), charger=Source(13.6, 0.05, 5.0, on=True))
    said = drain_effect(made, 0.6, 24.0)
    assert said.days_to_no_start is None
    assert said.charge_end_pct > 85
    assert "hides all of it" in said.assumptions[2]


def test_a_charger_of_too_few_volts_lets_it_fall_and_then_holds() -> None:
    made = vehicle(modules=(), charger=Source(12.2, 0.05, 5.0, on=True))
    said = drain_effect(made, 0.6, 5000.0)
    # 12.2 V less what 0.6 A drop in 0.05 ohm is what a battery of some 40 % has
    assert 35 < said.charge_end_pct < 45
    assert said.days_to_no_start is not None
    assert drain_effect(made, 0.6, 50_000.0).charge_end_pct == pytest.approx(said.charge_end_pct, abs=0.2)


def test_without_a_starter_only_the_charge_counts() -> None:
    weak = replace(BATTERY, ohms=0.9, self_discharge_pct=0.0)
    made = vehicle(battery=weak, starter=None, charger=None, modules=())
    said = drain_effect(made, 0.1, 1.0)
    assert said.starts_after
    assert said.days_to_no_start == pytest.approx((85 - 50) / 100 * 60 / 0.1 / 24)
    assert drain_effect(replace(made, starter=Starter(150.0, 8000)), 0.1, 1.0).days_to_no_start == 0


def test_nothing_drains_for_ever() -> None:
    made = vehicle(battery=replace(BATTERY, self_discharge_pct=0.0), charger=None, modules=())
    assert drain_effect(made, 0.0, 1e6).days_to_no_start is None
    assert drain_effect(made, 0.0, 1e6).charge_end_pct == 85.0


def test_a_charge_that_rises_from_the_floor_never_fails_to_start() -> None:
    """Just enough to start: with a charger it starts now and later, without one it fails at once."""
    cell = replace(BATTERY, charge_pct=50.0, no_start_pct=50.0)
    for on, days in ((True, None), (False, 0.0)):
        made = vehicle(battery=cell, modules=SLEEPERS, charger=Source(13.6, 0.05, 5.0, on), starter=None)
        said = drain_effect(made, 0.0, 3.0)
        assert said.days_to_no_start == days
        assert said.starts_after == on

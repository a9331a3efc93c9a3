"""How long a battery lasts at any current: definitions of a standard, Peukert's law, and what comes back."""

from __future__ import annotations

import dataclasses

import pytest
from nightdraw.bench.rig import Rig
from nightdraw.vehicle import battery, model
from nightdraw.vehicle.model import Battery, Fuse, Lamp
from nightdraw.vehicle.script import Event, Script

from tests.vehicle.circuits import BATTERY, S, vehicle

HOUR = 3600 * S


def cell(**changes: object) -> Battery:
    return dataclasses.replace(BATTERY, self_discharge_pct=0.0, **changes)  # type: ignore[arg-type]


def hours_to(made: Battery, amps: float, volts: float) -> float:
    """Until its terminals have fallen to so much under a constant current: seconds at a time."""
    pct, hours = made.charge_pct, 0.0
    step = 0.01 if amps < 10 else 0.001
    while battery.rest_v(made, pct) - amps * battery.ohms(made, pct, amps) > volts:
        pct = battery.after(made, pct, amps, step)
        hours += step
        assert hours < 1000
    return hours


def test_a_twentieth_of_its_capacity_lasts_twenty_hours_to_10_5_v() -> None:
    """EN 50342: C / 20 at 25 C down to 10.5 V is what the capacity means (definition)."""
    for capacity_ah in (20.0, 60.0, 95.0):
        made = cell(capacity_ah=capacity_ah, charge_pct=100.0, temp_c=25.0)
        assert hours_to(made, capacity_ah / 20, 10.5) == pytest.approx(20, abs=0.6)


@pytest.mark.parametrize(("capacity_ah", "minutes"), [(44, 69.5), (60, 99.9), (70, 119.6), (95, 171.0)])
def test_25_a_last_a_reserve_capacity(capacity_ah: float, minutes: float) -> None:
    """RC = 0.83 C20^1.17 minutes at 25 A down to 10.5 V (EN 50342, as printed)."""
    made = cell(capacity_ah=float(capacity_ah), charge_pct=100.0, temp_c=25.0)
    assert 60 * hours_to(made, 25.0, 10.5) == pytest.approx(minutes, rel=0.03)


@pytest.mark.parametrize("kind", model.BATTERY_TYPES)
@pytest.mark.parametrize("times", [1, 2, 5, 10, 20, 30])
def test_currents_end_by_peukerts_law(kind: str, times: float) -> None:
    """t = 20 h (C / 20 / I)^k (Peukert 1897, as teaching texts have it), k of the published range of its
    kind: flooded 1.1 .. 1.3, AGM 1.05 .. 1.15 (from memory)."""
    low, high = {model.FLOODED: (1.1, 1.3), model.AGM: (1.05, 1.15)}[kind]
    assert low <= battery.PEUKERT[kind] <= high
    made = cell(type=kind, capacity_ah=60.0, charge_pct=100.0, temp_c=25.0)
    hours = hours_to(made, 3.0 * times, 10.5)
    assert hours == pytest.approx(20 / times ** battery.PEUKERT[kind], rel=0.035)


def test_what_a_high_current_leaves_comes_out_at_a_low_one() -> None:
    """Peukert's law takes nothing away: after 25 A have ended it, a fiftieth of C goes on for hours."""
    made = cell(capacity_ah=60.0, charge_pct=100.0, temp_c=25.0)
    minutes = 60 * hours_to(made, 25.0, 10.5)
    left = dataclasses.replace(made, charge_pct=100 - 100 * 25 * minutes / 60 / 60)
    assert 25 < left.charge_pct < 40
    assert hours_to(left, 1.2, 10.5) > 0.9 * left.charge_pct / 100 * 60 / 1.2


def test_a_lamp_pulls_the_voltage_down_and_it_comes_back_when_it_is_out() -> None:
    """Its own life: 25 A from 45 %, the terminals fall below 10.5 V, a module browns out; an hour without and
    both are back."""
    made = cell(capacity_ah=60.0, charge_pct=45.0, temp_c=25.0)
    lamp = Lamp("l", "F2", 25 / 12, ("door",), 60 * S, 3 * HOUR)
    fuses = (Fuse("F1", "front", "C", 10.0, 0.03), Fuse("F2", "rear", "C", 30.0, 0.01),
             Fuse("F3", "rear", "C", 5.0, 0.05))  # fmt: skip
    fussy = model.Module("m", "F1", (), 0.4, (), False, 10.5)
    car = vehicle(battery=made, fuses=fuses, modules=(fussy,), lamps=(lamp,), charger=None)
    events = (Event(S, "door", "opens"), Event(HOUR, "door", "closes"))
    rig = Rig(car, [], ("battery",), Script("lit", False, events))
    rig.advance(HOUR - S)
    low_v = rig.network.bus_v
    assert low_v < 10.5
    assert not rig.simulated._modules[0].live
    charge_pct = rig.simulated.charge_pct
    assert 10 < charge_pct < 45
    rig.advance(2 * HOUR)
    assert rig.simulated.charge_pct < charge_pct
    assert rig.network.bus_v > 11.5
    assert rig.simulated._modules[0].live

"""The forecast of a vehicle's charge against an equation solver of scipy, with leaks and with shedding."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from nightdraw.vehicle import battery, model
from nightdraw.vehicle.charge_forecast import ChargeForecast, Segment
from nightdraw.vehicle.model import Module, Sensor, Source, Vehicle
from scipy.integrate import solve_ivp

from tests.vehicle.circuits import BATTERY, vehicle

ASLEEP = (Module("m", "F1", (), 0.02, (), False), Module("n", "F2", (), 0.05, (), True))


def made(**changes: object) -> Vehicle:
    return vehicle(**{"modules": ASLEEP, "charger": None, **changes})


def drained(cell: model.Battery, pct: float, load_a: float, posts_s: float, root_s: float) -> float:
    """Shares of its capacity that leave a battery an hour: loads, leaks at its volts, self-discharge."""
    inner = battery.ohms(cell, pct)
    volts = (battery.rest_v(cell, pct) - inner * load_a) / (1 + inner * (posts_s + root_s))
    out_a = load_a + (posts_s + root_s) * volts
    lost = -math.log(1 - cell.self_discharge_pct / 100) / 730
    return out_a / cell.capacity_ah + lost * pct / 100


@pytest.mark.parametrize(("kind", "siemens"), [(None, 0.0), (model.CORROSION, 0.002), (model.DIODE, 0.004)])
def test_days_of_a_drain_are_what_an_equation_solver_gives(kind: str | None, siemens: float) -> None:
    defects = () if kind is None else (model.Defect("leak", kind, True, siemens=siemens),)
    one = made(defects=defects)
    forecast = ChargeForecast(one, 0.15)
    assert forecast.load_a == pytest.approx(0.22)
    posts_s, root_s = (siemens, 0.0) if kind == model.CORROSION else (0.0, siemens)

    def slope(_: float, q: list[float]) -> list[float]:
        return [-100 * drained(one.battery, q[0], 0.22, posts_s, root_s)]

    for hours in (1.0, 30.0, 90.0):
        solved = solve_ivp(slope, (0, hours), [85.0], rtol=1e-9, max_step=1.0).y[0, -1]
        assert forecast.after(hours) == pytest.approx(solved, abs=2e-3)
    floor = 70.0
    reached = forecast.hours_to(floor)
    assert reached is not None
    assert solve_ivp(slope, (0, reached), [85.0], rtol=1e-9, max_step=1.0).y[0, -1] == pytest.approx(
        floor, abs=2e-3
    )


def test_below_its_charge_the_sensor_sheds_for_good_and_the_rest_drains_on() -> None:
    one = made(sensor=Sensor(0.3, 600_000, 80.0), battery=replace(BATTERY, self_discharge_pct=0.0))
    forecast = ChargeForecast(one, 0.53)
    assert (forecast.load_a, forecast.shed_a) == (pytest.approx(0.6), pytest.approx(0.05))
    # 5 % of 60 Ah at 0.6 A take 5 h, 5 % more at 0.55 A 5.4545 h
    assert forecast.after(5.0) == pytest.approx(80.0, abs=1e-6)
    assert forecast.hours_to(75.0) == pytest.approx(5 + 3 / 0.55, abs=1e-6)
    already = replace(one, battery=replace(one.battery, charge_pct=79.0))
    assert ChargeForecast(already, 0.53).hours_to(75.0) == pytest.approx(0.04 * 60 / 0.55, abs=1e-6)


def test_what_never_falls_so_far_has_no_hours() -> None:
    still = made(modules=(), battery=replace(BATTERY, self_discharge_pct=0.0))
    assert ChargeForecast(still, 0.0).hours_to(50.0) is None
    assert ChargeForecast(still, 0.0).after(1e6) == 85.0
    charged = made(charger=Source(13.6, 0.05, 5.0, True))
    assert ChargeForecast(charged, 0.1).hours_to(50.0) is None
    assert ChargeForecast(charged, 0.1).after(200.0) > 95.0


def test_a_battery_at_its_floor_is_there_already_only_where_it_falls() -> None:
    one = made(battery=replace(BATTERY, charge_pct=50.0))
    assert ChargeForecast(one, 0.1).hours_to(50.0) == 0.0
    charged = replace(one, charger=Source(13.6, 0.05, 5.0, True))
    assert ChargeForecast(charged, 0.1).hours_to(50.0) is None


def test_a_segment_is_the_exponential_and_without_self_discharge_the_line() -> None:
    assert Segment(80.0, 70.0, 10.0, 0.01, 0.0).after(4.0) == pytest.approx(76.0)
    rate = 0.002
    expected = 100 * ((0.8 + 0.01 / rate) * math.exp(-rate * 4) - 0.01 / rate)
    assert Segment(80.0, 70.0, 10.0, 0.01, rate).after(4.0) == pytest.approx(expected)
    assert Segment(80.0, 80.0, math.inf, 0.0, 0.0).after(1e9) == 80.0

"""A battery's formulas at values worked out by hand from the figures that its module gives sources for, and
against equation solvers of scipy."""

from __future__ import annotations

from dataclasses import replace
from math import exp, log

import pytest
from nightdraw.vehicle import battery as bt
from nightdraw.vehicle.cranking import levels
from nightdraw.vehicle.model import AGM, FLOODED, Battery, Starter
from nightdraw.vehicle.network import Feed
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

# 60 Ah flooded at 25 C, 8 mOhm, 5 % a month
CELL = Battery(FLOODED, 60.0, 85.0, 25.0, 0.008, 5.0, 50.0, 9.6)
AT_80_F = 80 / 1.8 - 32 / 1.8


def test_rested_voltage_between_and_beyond_the_tables_points() -> None:
    for charge, volts in (
        (-5, 11.89),
        (0, 11.89),
        (12.5, 11.975),
        (25, 12.06),
        (60, 12.324),
        (100, 12.65),
        (110, 12.65),
    ):
        assert bt.ocv_v(FLOODED, charge, AT_80_F) == pytest.approx(volts, abs=1e-12)
    for charge, volts in ((0, 11.80), (10, 11.88), (100, 12.80)):
        assert bt.ocv_v(AGM, charge, AT_80_F) == pytest.approx(volts, abs=1e-12)
    assert bt.ocv_v(FLOODED, 100, AT_80_F + 50 / 9) == pytest.approx(12.674, abs=1e-12)  # 10 F more
    two = replace(CELL, in_series=2, temp_c=AT_80_F)
    assert bt.rest_v(two, 50) == pytest.approx(24.48, abs=1e-12)


@pytest.mark.parametrize(
    ("temp_c", "share"),
    [(-60, 0.65), (-40, 0.65), (-25, 0.455), (-10, 0.26), (10, 0.10), (17.5, 0.05), (25, 0), (40, 0)],
)
def test_the_share_that_stays_in_when_it_is_cold(temp_c: float, share: float) -> None:
    assert bt.stays_in(replace(CELL, temp_c=temp_c)) == pytest.approx(share, abs=1e-12)


@pytest.mark.parametrize(
    ("charge", "changes", "mohm"),
    [
        (100, {}, 8.0),
        (130, {}, 8.0),
        (50, {}, 12.0),
        (0, {}, 16.0),
        (-9, {}, 16.0),
        (100, {"temp_c": 5.0}, 8.0 * 1.36),
        (100, {"temp_c": 45.0}, 8.0),
        (100, {"health_pct": 80.0}, 12.0),
        (100, {"in_series": 2}, 16.0),
    ],
)
def test_inner_resistance(charge: float, changes: dict[str, float], mohm: float) -> None:
    assert bt.inner_ohms(replace(CELL, **changes), charge) == pytest.approx(mohm / 1000, rel=1e-12)


def test_below_a_fifth_of_the_charge_resistance_rises_as_the_knee_has_it() -> None:
    """2.2 V h over 60 Ah are 36.67 mOhm: as much again where half of the fifth is left."""
    assert bt.ohms(CELL, 20) == pytest.approx(0.0144)
    assert bt.ohms(CELL, 10) == pytest.approx(0.0152 + 2.2 / 60)
    assert bt.ohms(CELL, 5) == pytest.approx(0.0156 + 3 * 2.2 / 60)
    assert bt.ohms(replace(CELL, in_series=2), 10) == pytest.approx(2 * (0.0152 + 2.2 / 60))
    assert bt.ohms(replace(CELL, health_pct=50.0), 10) == pytest.approx(0.0152 * 3 + 2.2 / 30)
    assert bt.ohms(replace(CELL, temp_c=10.0), 20) == pytest.approx(0.0144 * 1.27 + 2.2 / 60)
    assert bt.ohms(CELL, 0) > 1e9


def test_what_a_charging_current_meets() -> None:
    assert bt.charge_ohms(CELL, 90) == pytest.approx(0.0088 + 2.8 / (60 * 0.12))
    assert bt.charge_ohms(CELL, 100) == pytest.approx(0.008 + 2.8 / (60 * 0.02))
    assert bt.charge_ohms(CELL, 120) == bt.charge_ohms(CELL, 100)
    assert bt.charge_ohms(CELL, -20) == pytest.approx(0.016 + 2.8 / (60 * 1.02))
    assert bt.charge_ohms(replace(CELL, temp_c=5.0), 90) == pytest.approx(0.0088 * 1.36 + 2 * 2.8 / 7.2)
    assert bt.charge_ohms(replace(CELL, temp_c=45.0), 90) == bt.charge_ohms(CELL, 90)
    agm = replace(CELL, type=AGM, in_series=2, health_pct=50.0)
    assert bt.charge_ohms(agm, 90) == pytest.approx(2 * (0.0088 * 3 + 2.0 / (30 * 0.12)))


def test_peukerts_law_keeps_nothing_in_up_to_a_twentieth_of_the_capacity() -> None:
    for out_a in (0.0, 0.5, 3.0):
        assert bt.rate_stays_in(CELL, out_a) == 0.0
    assert bt.rate_stays_in(CELL, 3.001) > 0.0
    # at 25 A the law keeps 1 - (3 / 25)^0.172 in, of which the knee has a part already
    assert 0.2 < bt.rate_stays_in(CELL, 25.0) < 1 - (3 / 25) ** 0.172 < 0.31


def test_the_current_that_counts_is_a_mean_over_ten_minutes() -> None:
    assert bt.rate_after(2.0, 10.0, 1 / 6) == pytest.approx(10 - 8 * exp(-1))
    assert bt.rate_after(2.0, -10.0, 1 / 6) == pytest.approx(2 * exp(-1))
    assert bt.rate_after(2.0, 10.0, 0.0) == 2.0


@pytest.mark.parametrize("out_a", [0.0, 0.4, 5.0, -0.05, -3.0])
@pytest.mark.parametrize("hours", [0.001, 0.05, 1.0])
def test_the_surface_is_what_an_equation_solver_gives(out_a: float, hours: float) -> None:
    """dv/dt = -v / 2 h - I / (0.014 C), never below 0: solved until it is."""

    def change(_: float, v: list[float]) -> list[float]:
        return [-v[0] / 2 - out_a / (0.014 * 60)]

    def empty(_: float, v: list[float]) -> float:
        return v[0]

    empty.terminal = True  # type: ignore[attr-defined]
    solved = solve_ivp(change, (0, hours), [0.3], events=empty, rtol=1e-10, atol=1e-12)
    expected = 0.0 if solved.t_events[0].size else solved.y[0, -1]
    most_v = max(0.5, 0.3 * exp(-hours / 2))
    found = bt.surface_after(CELL, 0.3, out_a, 0.9, hours)
    assert found == pytest.approx(min(expected, most_v), abs=1e-7)


def test_charging_lifts_the_surface_no_further_than_the_terminals_or_half_a_volt() -> None:
    assert bt.surface_after(CELL, 0.0, -10.0, 0.9, 1.0) == 0.5
    assert bt.surface_after(CELL, 0.0, -10.0, 0.2, 1.0) == pytest.approx(0.2)
    assert bt.surface_after(CELL, 0.0, -10.0, 2.0, 0.001) == pytest.approx(
        10 * 0.001 / (0.014 * 60), rel=1e-3
    )
    assert bt.surface_after(CELL, 0.4, -10.0, 0.1, 1.0) == pytest.approx(0.4 * exp(-0.5))  # it only fades
    assert bt.surface_after(replace(CELL, in_series=2), 0.0, -10.0, 9.0, 1.0) == 1.0
    assert bt.surface_after(CELL, 0.0, 1.0, 0.0, 1.0) == 0.0


@pytest.mark.parametrize(("temp_c", "times"), [(25, 1), (35, 2), (15, 0.5), (-5, 0.125)])
def test_self_discharge_doubles_every_ten_kelvin(temp_c: float, times: float) -> None:
    """5 % in a month of 730 hours at 25 C."""
    lost = bt.lost_per_hour(replace(CELL, temp_c=temp_c))
    assert lost == pytest.approx(-log(0.95) / 730 * times)


@pytest.mark.parametrize(("drain_a", "stored"), [(0.0, 1), (1.5, 1), (0.03, 1), (-0.5, 0.85)])
def test_charge_over_days_is_what_an_equation_solver_gives(drain_a: float, stored: float) -> None:
    rate = -log(0.95) / 730

    def change(_: float, q: list[float]) -> list[float]:
        return [-100 * drain_a * stored / 60 - rate * q[0]]

    for hours in (0.01, 8.0, 30.0):
        solved = solve_ivp(change, (0, hours), [60.0], rtol=1e-11, atol=1e-12).y[0, -1]
        assert bt.after(CELL, 60.0, drain_a, hours) == pytest.approx(max(0.0, min(100.0, solved)), rel=1e-8)
    assert bt.after(replace(CELL, type=AGM, self_discharge_pct=0.0), 50.0, -6.0, 1.0) == pytest.approx(59.5)
    assert bt.after(CELL, 50.0, 6.0, 10.0) == 0.0
    assert bt.after(CELL, 99.9, -6.0, 10.0) == 100.0


def test_it_starts_down_to_its_charge_and_its_volts_and_not_below() -> None:
    warm = replace(CELL, temp_c=AT_80_F)
    assert bt.starts(warm, 50.0, 10.0)
    assert not bt.starts(warm, 49.999, 10.0)
    # full: 12.65 V rested, 150 A in 8 mOhm are 1.2 V
    assert bt.starts(replace(warm, crank_min_v=11.4499), 100.0, 150.0)
    assert not bt.starts(replace(warm, crank_min_v=11.4501), 100.0, 150.0)
    assert not bt.starts(replace(warm, no_start_pct=0.0, crank_min_v=0.0), 0.0, 0.0)


def test_the_floor_is_where_charge_or_volts_end_it() -> None:
    assert bt.floor_pct(CELL, 85.0, 10.0) == pytest.approx(50.0)
    weak = replace(CELL, crank_min_v=10.6)

    def spare(charge: float) -> float:
        return bt.rest_v(weak, charge) - 150 * bt.ohms(weak, charge) - 10.6

    assert bt.floor_pct(weak, 85.0, 150.0) == pytest.approx(brentq(spare, 21, 85), abs=1e-9)
    assert bt.floor_pct(replace(CELL, no_start_pct=0.0, crank_min_v=-1e12), 85.0, 0.0) == 0.0


# -- a fuse's warmth, and a starter's steps


def test_a_fuse_warms_as_the_square_of_its_current_with_thirty_seconds() -> None:
    path = Feed(0.01, ("E", 40.0))
    path.current_a = 40.0
    path.warm_to(300_000)
    assert path.warmth == pytest.approx(1 - exp(-1))
    path.warm_to(300_000)
    path.current_a = 20.0
    path.warm_to(600_000)
    assert path.warmth == pytest.approx(0.25 + (1 - exp(-1) - 0.25) * exp(-1))


def test_a_starters_inrush_falls_in_five_steps_of_a_fiftieth_of_a_second() -> None:
    assert levels(Starter(150.0, 8_000, 400.0)) == [
        (0, 400.0), (200, 350.0), (400, 300.0), (600, 250.0), (800, 200.0), (1_000, 150.0), (8_000, 0.0),
    ]  # fmt: skip
    assert levels(Starter(150.0, 500, 400.0))[:3] == [(0, 400.0), (100, 350.0), (200, 300.0)]
    assert levels(Starter(150.0, 500, 400.0))[-1] == (500, 0.0)
    assert levels(Starter(150.0, 8_000, 150.0)) == [(0, 150.0), (8_000, 0.0)]


def test_a_starter_swings_by_half_compressions_as_much_above_as_below() -> None:
    """Four cylinders at 240 revolutions a minute: eight compressions a second."""
    assert levels(Starter(150.0, 3_000, 0.0, 0.2)) == [
        (0, 180.0), (625, 120.0), (1_250, 180.0), (1_875, 120.0), (2_500, 150.0), (3_000, 0.0),
    ]  # fmt: skip
    assert levels(Starter(150.0, 2_500, 0.0, 0.2))[-2:] == [(1_875, 120.0), (2_500, 0.0)]

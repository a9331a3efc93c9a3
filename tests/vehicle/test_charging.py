"""Charging: the root's currents against a solver that only knows the parts, taper, limits, what it hides."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from nightdraw.bench.rig import Rig
from nightdraw.vehicle import battery, model
from nightdraw.vehicle.model import Module, Source, Stage
from nightdraw.vehicle.root import WEAK_V, Root
from nightdraw.vehicle.script import EMPTY, Event, Script
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from tests.vehicle.circuits import BATTERY, S, vehicle

volts = st.floats(11.0, 15.0)
sources = st.none() | st.builds(Source, st.floats(12.0, 16.0), st.floats(0.005, 2.0), st.floats(0.1, 150.0))


def surplus(root: Root, amps: float, siemens: float, bus_v: float) -> float:
    """Amperes into the root less those out of it, part by part."""
    ohms = (root.battery_ohms if bus_v < root.voc_v else root.charge_ohms) + root.meter_ohms
    total = (root.voc_v - bus_v) / ohms - siemens * bus_v - amps * min(1.0, bus_v / WEAK_V)
    for source, on in zip(root.sources, root.on, strict=True):
        if source is not None and on:
            total += min(max(0.0, (source.volts - bus_v) / source.ohms), source.most_a)
    return total


@given(st.data())
@settings(max_examples=200, deadline=None)
def test_the_root_is_where_all_currents_cancel(data: st.DataObject) -> None:
    made = vehicle(charger=data.draw(sources), alternator=data.draw(sources))
    root = Root(made, data.draw(st.sampled_from([0.0, 0.02, 1.8, 100.0])))
    for _ in range(4):
        root.voc_v, root.battery_ohms = data.draw(volts), data.draw(st.floats(0.002, 0.1))
        root.charge_ohms = root.battery_ohms + data.draw(st.floats(0.0, 20.0))
        root.on[:] = data.draw(st.booleans()), data.draw(st.booleans())
        root.forget()
        for _ in range(3):  # the piece that the last one left behind is tried first
            amps, siemens = data.draw(st.floats(0, 300)), data.draw(st.floats(0, 5))
            found = root.settle(amps, siemens)
            expected = brentq(lambda v: surplus(root, amps, siemens, v), 0, 100, xtol=1e-13, rtol=1e-14)  # noqa: B023
            assert found == pytest.approx(expected, abs=1e-9)
            assert found >= 0
            assert all(0 <= amps <= source.most_a for source, amps in fed(root))
            assert root.share == pytest.approx(min(1.0, found / WEAK_V))


def fed(root: Root) -> list[tuple[Source, float]]:
    pairs = zip(root.sources, root.source_a, strict=True)
    return [(source, amps) for source, amps in pairs if source is not None]


def charged(charge_pct: float, hours: float, **changes: object) -> tuple[list[float], list[float]]:
    """Currents into the battery and charges, minute by minute, of a rig on its charger."""
    cell = replace(BATTERY, charge_pct=charge_pct, **changes)
    made = vehicle(battery=cell, modules=(), charger=Source(14.4, 0.01, 300.0, on=True))
    rig = Rig(made, [], ("battery",))
    amps, charges = [], []
    for minute in range(1, round(hours * 60) + 1):
        rig.advance(minute * 60 * S)
        rig.network.solve()
        amps.append(-rig.network.battery_a)
        charges.append(rig.simulated.charge_pct)
    return amps, charges


@pytest.mark.parametrize("kind", model.BATTERY_TYPES)
def test_a_held_voltage_tapers_and_fills_no_further_than_full(kind: str) -> None:
    amps, charges = charged(40.0, 24.0, type=kind)
    assert all(one > 0 for one in amps)
    assert all(np.diff(amps) <= 1e-12)
    assert all(np.diff(charges) >= 0)
    assert max(charges) <= 100
    assert charges[-1] > 95
    assert amps[0] > 10 * amps[-1]


@pytest.mark.parametrize("kind", model.BATTERY_TYPES)
def test_the_taper_is_what_an_equation_solver_gives(kind: str) -> None:
    """dq/dt = stored x I / C - k q, I by Ohm's law of charger, inner resistance and acceptance."""
    cell = replace(BATTERY, type=kind, charge_pct=50.0)
    lost = -np.log(1 - cell.self_discharge_pct / 100) / 730

    def slope(_: float, share: np.ndarray) -> np.ndarray:
        s = min(float(share[0]), 1.0)
        inner = cell.ohms * (2 - s)
        room = {"flooded": 2.8, "agm": 2.0}[kind] / (cell.capacity_ah * (1.02 - s))
        amps = (14.4 - battery.ocv_v(kind, 100 * s, 25.0)) / (0.01 + inner + room)
        stored = {"flooded": 0.85, "agm": 0.95}[kind]
        return np.array([stored * amps / cell.capacity_ah - lost * s])

    expected = solve_ivp(slope, (0, 4), [0.5], rtol=1e-8).y[0, -1] * 100
    _, charges = charged(50.0, 4.0, type=kind)
    assert charges[-1] == pytest.approx(expected, abs=0.02)  # steps of ten seconds


def accepted(charge_pct: float = 70.0, **changes: object) -> float:
    return charged(charge_pct, 1 / 60, **changes)[0][0]


@pytest.mark.parametrize("temp_c", [5.0, -15.0])
def test_in_the_cold_acceptance_halves_every_20_k(temp_c: float) -> None:
    """Our own figure; warmer than a room it is a room's."""

    def per_a(at_c: float) -> float:
        made = replace(BATTERY, temp_c=at_c)
        return battery.charge_ohms(made, 70.0) - battery.inner_ohms(made, 70.0)

    assert per_a(temp_c) == pytest.approx(per_a(25.0) * 2 ** ((25.0 - temp_c) / 20))
    assert per_a(45.0) == per_a(25.0)


def test_agm_accepts_more_than_flooded_cold_less_and_full_least() -> None:
    assert accepted(type=model.AGM) > 1.2 * accepted(type=model.FLOODED)
    assert accepted(temp_c=5.0) < 0.6 * accepted(temp_c=25.0)
    assert accepted(temp_c=-15.0) < 0.6 * accepted(temp_c=5.0)
    assert accepted(95.0) < 0.3 * accepted(70.0)
    assert 0 < accepted(100.0) < 0.02 * BATTERY.capacity_ah


@example(2.225073858507e-311, 0.0, 0.0, model.FLOODED)  # by way of shares of 1 it rose by a rounding
@given(st.floats(0, 100), st.floats(-200, 200), st.floats(0, 5000), st.sampled_from(model.BATTERY_TYPES))
def test_the_charge_stays_within_its_bounds(pct: float, drain_a: float, hours: float, kind: str) -> None:
    cell = replace(BATTERY, type=kind)
    end = battery.after(cell, pct, drain_a, hours)
    assert 0 <= end <= 100
    if drain_a >= 0:
        assert end <= pct
    assert battery.charge_ohms(cell, pct) > battery.inner_ohms(cell, pct) > 0
    assert battery.ohms(cell, pct) >= battery.inner_ohms(cell, pct)


def test_of_what_goes_in_a_part_is_stored() -> None:
    cell = replace(BATTERY, self_discharge_pct=0.0, capacity_ah=100.0)
    for kind, share in ((model.FLOODED, 0.85), (model.AGM, 0.95)):
        assert battery.after(replace(cell, type=kind), 10, -10, 5) == pytest.approx(10 + 50 * share)
        assert battery.after(replace(cell, type=kind), 60, 10, 5) == pytest.approx(10)


def ripples(charge_pct: float, charger: bool) -> tuple[float, float]:
    """By how much battery cable and feed rise when half an ampere is drawn for ten seconds."""
    drain = Module("m", "F1", (Stage(0.5, 10 * S),), 0.0, ("door",), False)
    made = vehicle(
        battery=replace(BATTERY, charge_pct=charge_pct, self_discharge_pct=0.0),
        modules=(drain,), charger=Source(13.6, 0.05, 5.0, on=charger),
    )  # fmt: skip
    rig = Rig(made, [], ("battery", "front"), Script("s", False, (Event(15 * S, "door", "opens"),)))
    rig.advance(24 * S)
    truth = rig.take()
    before = truth.levels[truth.ticks < 15 * S][-1]
    during = truth.levels[truth.ticks >= 15 * S][0]
    rises = during - before
    return float(rises[0]), float(rises[1])


def test_a_charger_left_on_hides_a_drain_from_the_battery_cable_but_not_from_a_feed() -> None:
    bare_a, feed_a = ripples(99.0, charger=False)
    assert bare_a == feed_a == pytest.approx(0.5)
    hidden_a, feed_a = ripples(99.0, charger=True)
    assert feed_a == pytest.approx(0.5)
    # the current divides as the resistances do: 0.05 ohm of the charger beside the battery's acceptance
    inner = battery.charge_ohms(replace(BATTERY, charge_pct=99.0), 99.0)
    assert hidden_a == pytest.approx(0.5 * 0.05 / (0.05 + inner), rel=2e-3)  # it has charged for 10 s
    assert hidden_a < 0.05 * feed_a


def test_a_charger_at_its_limit_hides_nothing() -> None:
    """It gives its most amperes whatever is drawn: the battery gets so much less."""
    battery_a, feed_a = ripples(20.0, charger=True)
    assert battery_a == pytest.approx(feed_a) == pytest.approx(0.5)


def test_a_flat_battery_is_no_negative_voltage() -> None:
    """Cranking a battery that is all but open leaves some millivolts, and currents that fit them."""
    made = vehicle(battery=replace(BATTERY, ohms=1.0, charge_pct=0.0), charger=None)
    rig = Rig(made, [], ("battery",), Script("s", True, (Event(10 * S, "engine", "", 10 * S),)))
    rig.advance(10 * S + 10)
    net = rig.network
    assert 0 < net.bus_v < 0.2
    assert net.battery_a == pytest.approx((net.voc_v - net.bus_v) / net.battery_ohms)
    assert all(branch.end_v >= 0 for branch in net.branches)
    assert EMPTY.events == ()

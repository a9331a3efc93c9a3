"""The warm-up against an equation solver of scipy, its bookkeeping by hand, and the parts' laws at their
bounds."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from nightdraw.bank.heat import warm_up as wu
from nightdraw.bank.heat.enclosure import HeatedEnclosure
from nightdraw.bank.heat.mosfet import RUNAWAY_C, junction_c, on_ohms, switch_w
from nightdraw.bank.heat.mounted import box_of, mounted_channels
from nightdraw.bank.heat.overload import pulse_w
from nightdraw.bank.heat.verdicts import HeatVerdict, Wall
from nightdraw.bank.parts.resistor_packages import CATALOGUE
from nightdraw.board import BoardModel
from scipy.integrate import solve_ivp

from tests.bank.boards import board, channel, enclosure

AMBIENT_C, SUPPLY_V = 30.0, 16.0


def run_of(model: BoardModel, segments: list[tuple[float, int]]) -> wu.WarmUp:
    channels = mounted_channels(model)
    return wu.warm_up(model, channels, box_of(model, channels), AMBIENT_C, SUPPLY_V, segments)


@pytest.mark.parametrize("material", ["aluminium", "plastic"])
def test_the_warm_up_is_what_an_equation_solver_gives(material: str) -> None:
    """Two resistors in air, forty minutes: dT/dt = (P - heat passed on) / C, the films at every instant.

    The box's films are enclosure.py's, held elsewhere; capacities, powers and their places are added up here.
    """
    model = replace(
        board(channel(40, "ceramic-10w"), channel(80, "ceramic-10w"), box=enclosure(material, 2)), switch=None
    )
    segments = [(900.0, 1), (450.0, 3), (300.0, 0), (750.0, 2)]
    found = run_of(model, segments)
    channels = mounted_channels(model)
    box = HeatedEnclosure(model.enclosure)  # type: ignore[arg-type]
    package = CATALOGUE["ceramic-10w"]
    air_kg = box.volume_m3 * 101_325 / (287.05 * (AMBIENT_C + 273.15))
    capacities = np.array([package.heat_j_k, package.heat_j_k, air_kg * 1007 + 40, box.shell_j_k])
    rise_k_w = channels[0].rise_k_w()

    def losses_w(current_a: float) -> float:
        shunt, reverse = model.circuit.sense.shunt_ohms, model.circuit.reverse
        watts = model.own_ua * 1e-6 * SUPPLY_V
        if model.monitor and shunt is not None:
            watts += float(shunt) * current_a**2
        if reverse is not None:
            watts += float(reverse.ohms or 0) * current_a**2 + float(reverse.drop_v or 0) * current_a
        return watts

    def slopes(_: float, t: np.ndarray, pattern: int) -> np.ndarray:
        on = np.array([pattern & 1, pattern >> 1 & 1])
        watts = on * SUPPLY_V**2 / np.array([40.0, 80.0])
        current_a = float((on * SUPPLY_V / np.array([40.0, 80.0])).sum())
        into_air = (t[:2] - t[2]) / rise_k_w
        into_wall = box.inside_w_k(max(t[2], t[3] + 0.01), t[3]) * (t[2] - t[3])
        wall_c = max(t[3], AMBIENT_C + 0.01)
        film = box.outside_w(wall_c, AMBIENT_C) / (wall_c - AMBIENT_C)
        out = (t[3] - AMBIENT_C) / (1 / film + box.through_k_w())
        flows = [*(watts - into_air), into_air.sum() + losses_w(current_a) - into_wall, into_wall - out]
        return np.array(flows) / capacities

    temps = np.full(4, AMBIENT_C)
    at_s = 0.0
    for seconds, pattern in segments:
        solved = solve_ivp(slopes, (0, seconds), temps, "LSODA", args=(pattern,), rtol=1e-6, max_step=30.0)
        temps, at_s = solved.y[:, -1], at_s + seconds
        place = int(np.abs(found.times_s - at_s).argmin())
        assert found.times_s[place] == pytest.approx(at_s)
        seen = found.temps_c[place]
        # resistors and air lie where the solver has them; the wall's column is its hottest spot
        assert seen[:3] == pytest.approx(temps[:3], abs=0.05 + 0.004 * float(temps[2] - AMBIENT_C))
        assert seen[3] >= temps[3] - 0.1
    assert found.seconds == pytest.approx(2400.0)


def test_a_run_begins_at_the_rooms_temperature_and_tells_every_segments_end() -> None:
    model = board(channel(100, "film-3w"))
    found = run_of(model, [(3.0, 1), (4.5, 0), (2.5, 1)])
    assert found.times_s.tolist() == pytest.approx([0.0, 3.0, 7.5, 10.0])
    assert found.temps_c[0].tolist() == [AMBIENT_C] * 3
    assert found.seconds == pytest.approx(10.0)
    assert found.peaks_c == pytest.approx(found.temps_c.max(axis=0))


def test_the_energy_of_a_run_by_hand() -> None:
    """2.56 W in 100 ohm at 16 V for 8 s; besides, what the box itself and the switch consume."""
    model = replace(board(channel(100, "film-3w")), switch=None)
    model = replace(model, circuit=replace(model.circuit, reverse=None), monitor=False, own_ua=10_000)
    found = run_of(model, [(8.0, 1), (2.0, 0)])
    assert found.total_j == pytest.approx(2.56 * 8 + 0.16 * 10)
    assert found.uses[0].joules == pytest.approx(2.56 * 8)
    with_switch = replace(model, switch=board(channel(100, "film-3w")).switch)
    more = run_of(with_switch, [(8.0, 1), (2.0, 0)]).total_j - found.total_j
    assert with_switch.switch is not None
    assert more == pytest.approx(8 * switch_w(with_switch.switch, 0.16, AMBIENT_C), rel=1e-3)


def test_conductances_are_renewed_every_twenty_seconds_and_powers_once_a_pattern(monkeypatch) -> None:
    made: list[str] = []
    network, powers = wu._Model.network, wu._Model._new_powers
    monkeypatch.setattr(
        wu._Model, "network", lambda self, rises: made.append("network") or network(self, rises)
    )
    monkeypatch.setattr(
        wu._Model, "_new_powers", lambda self, *given: made.append("powers") or powers(self, *given)
    )
    model = board(channel(100, "film-3w"))
    run_of(model, [(0.1, 1), (0.1, 0)] * 50)
    assert made == ["network", "powers", "powers"]
    made.clear()
    run_of(model, [(61.0, 1)])
    assert made == ["network", "powers", "network", "network", "network"]


def test_a_trace_too_long_is_thinned_by_half_and_stays_even(monkeypatch) -> None:
    monkeypatch.setattr(wu, "MOST_TRACE", 10)
    model = board(channel(100, "film-3w"))
    assert run_of(model, [(1.0, 1)] * 9).times_s.tolist() == pytest.approx(range(10))
    assert run_of(model, [(1.0, 1)] * 10).times_s.tolist() == pytest.approx([0, 2, 4, 6, 8, 10])
    found = run_of(model, [(1.0, 1)] * 10)
    assert len(found.temps_c) == len(found.times_s)
    assert (np.diff(found.temps_c[:, 0]) > 0).all()


def test_a_cold_boxs_films_are_taken_at_half_a_kelvin() -> None:
    """At no rise there is no convection at all: then the wall would lose by radiation alone."""
    model = board(channel(100, "film-3w"), box=enclosure("aluminium", 2))
    channels = mounted_channels(model)
    box = box_of(model, channels)
    network = wu._Model(model, channels, box, AMBIENT_C, SUPPLY_V).network(np.zeros(3))
    film = box.outside_w(AMBIENT_C + 0.5, AMBIENT_C) / 0.5
    inside = box.inside_w_k(AMBIENT_C + 1.0, AMBIENT_C + 0.5)
    rises = np.array([0.0, 0.0, 1.0])
    seconds = 1e-3
    slope = (network.advance(rises, np.zeros(3), seconds)[2] - 1.0) / seconds
    assert slope == pytest.approx(-(1 / (1 / film + box.through_k_w()) + inside) / box.shell_j_k, rel=1e-3)


def test_a_channels_use_counts_its_longest_time_on() -> None:
    use = wu.ChannelUse()
    for seconds, watts in ((2, 1.5), (3, 2.5), (1, 0.0), (4, 1.0), (0.5, 0.0)):
        use.count(seconds, watts)
    assert (use.longest_s, use.on_s, use.joules, use.lasting_s) == (5, 9, 2 * 1.5 + 3 * 2.5 + 4, 0)


# -- verdicts and laws


def test_a_margin_is_the_share_of_what_is_allowed_that_is_left() -> None:
    def margin(dissipation_w: float, allowed_w: float) -> float:
        return HeatVerdict("x", dissipation_w, allowed_w, 0.0, 0.0, True).margin

    assert margin(3.0, 4.0) == pytest.approx(0.25)
    assert margin(5.0, 4.0) == pytest.approx(-0.25)
    assert (margin(0.0, 0.0), margin(0.1, 0.0), margin(0.0, -1.0)) == (0.0, -1.0, 0.0)
    assert Wall(41.0, 3.5).hottest_c == 44.5


def test_a_mosfet_settles_where_its_growing_heat_is_carried_off() -> None:
    """By halving: T = Ta + Rth I^2 R (1 + a (T - 25))."""
    switch = board(channel(100, "film-3w")).switch
    assert switch is not None
    ohms, rth, tempco = on_ohms(switch), float(switch.to_air_k_w), float(switch.tempco)
    assert ohms == max(float(row.ohms) for row in switch.specified)
    for amps in (0.1, 1.0, 3.0):
        low, high = 40.0, RUNAWAY_C
        for _ in range(80):
            middle = (low + high) / 2
            grown = 40.0 + rth * amps**2 * ohms * (1 + tempco * (middle - 25))
            low, high = (middle, high) if grown > middle else (low, middle)
        assert junction_c(switch, amps, 40.0) == pytest.approx(min(low, RUNAWAY_C), rel=1e-9)
        if low < 900:
            assert switch_w(switch, amps, 40.0) == pytest.approx((low - 40.0) / rth, rel=1e-9)
    runs_away = (1 / (rth * ohms * tempco)) ** 0.5
    assert junction_c(switch, runs_away * 1.0001, 40.0) == RUNAWAY_C


def test_overload_by_the_makers_rule_at_its_ends() -> None:
    film = CATALOGUE["film-0.6w"]
    assert film.short_j is None
    times, span = film.overload_times, film.overload_s
    assert pulse_w(film, 0.5, 1e-6) == pulse_w(film, 0.5, span) == pytest.approx(0.5 * times)
    assert pulse_w(film, 0.5, 2 * span) == pytest.approx(0.5 * (1 + (times - 1) / 2))
    wire = replace(film, short_j=10.0)
    assert pulse_w(wire, 0.5, 0.01) == pytest.approx(1000.0)
    assert pulse_w(wire, 0.5, 0.0) == pulse_w(wire, 0.5, span) == pytest.approx(0.5 * times)


def test_boards_surfaces_volume_and_shell_by_hand() -> None:
    """0.12 * 0.08 * 0.05 m, walls of 2 mm: sides 0.02 m2, lid and floor 0.0096 m2 each."""
    made = replace(
        enclosure(),
        length_m=Fraction(12, 100),
        width_m=Fraction(8, 100),
        height_m=Fraction(5, 100),
        wall_m=Fraction(2, 1000),
    )
    box = HeatedEnclosure(made)
    assert [face.area_m2 for face in box.surfaces] == pytest.approx([0.02, 0.0096, 0.0096])
    assert [face.length_m for face in box.surfaces] == pytest.approx([0.05, 0.024, 0.024])
    assert box.volume_m3 == pytest.approx(0.00048)
    assert box.shell_m3 == pytest.approx(0.0000784)
    losing = sum(face.area_m2 for face in box.surfaces if face.loses)
    assert box.through_k_w() == pytest.approx(0.002 / (130 * losing))
    assert box.shell_j_k == pytest.approx(0.0000784 * 2700 * 900)
    lid = replace(made, bottom="covered")
    assert [face.loses for face in HeatedEnclosure(lid).surfaces] == [True, True, False]


def test_the_capacities_of_a_warming_box_by_hand() -> None:
    """Two resistors of a channel, the air's own mass and 40 J/K of boards and wires in it, the shell."""
    model = board(
        channel(100, "film-1w", each=Fraction(100), in_series=2, in_parallel=2), box=enclosure("aluminium", 2)
    )
    channels = mounted_channels(model)
    box = box_of(model, channels)
    made = wu._Model(model, channels, box, AMBIENT_C, SUPPLY_V)
    air_j_k = box.volume_m3 * 101_325 / (287.053 * (AMBIENT_C + 273.15)) * 1007
    assert made._capacities == pytest.approx([4 * CATALOGUE["film-1w"].heat_j_k, air_j_k + 40, box.shell_j_k])

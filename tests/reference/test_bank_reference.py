"""The bank's figures against standards, sheets and hand-worked cases; the source stands beside each value."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from nightdraw.bank.heat.mosfet import RUNAWAY_C, junction_c, on_w, switch_w
from nightdraw.bank.heat.overload import pulse_w
from nightdraw.bank.heat.thermal_network import ThermalNetwork
from nightdraw.bank.parts.preferred_values import OHMS_RANGE, SERIES, series_values
from nightdraw.bank.parts.resistor_packages import CATALOGUE, Law
from nightdraw.bank.patterns import best_patterns, subset_sums
from nightdraw.bank.sizing.channel_search import choose
from nightdraw.bank.sizing.supply_range import Spans
from nightdraw.board import GateRow, Switch

# IEC 60063:2015, the tables of preferred numbers
E6 = "10 15 22 33 47 68"
E12 = "10 12 15 18 22 27 33 39 47 56 68 82"
E24 = "10 11 12 13 15 16 18 20 22 24 27 30 33 36 39 43 47 51 56 62 68 75 82 91"
E96 = (
    "100 102 105 107 110 113 115 118 121 124 127 130 133 137 140 143 147 150 154 158 162 165 169 174 178 182 "
    "187 191 196 200 205 210 215 221 226 232 237 243 249 255 261 267 274 280 287 294 301 309 316 324 332 340 "
    "348 357 365 374 383 392 402 412 422 432 442 453 464 475 487 499 511 523 536 549 562 576 590 604 619 634 "
    "649 665 681 698 715 732 750 768 787 806 825 845 866 887 909 931 953 976"
)


@pytest.mark.parametrize(("name", "row"), [("E6", E6), ("E12", E12), ("E24", E24), ("E96", E96)])
def test_preferred_values_are_the_standards_tables(name: str, row: str) -> None:
    wanted = [int(word) for word in row.split()]
    decade = Fraction(10 ** (len(row.split()[0]) - 1))
    assert [value * decade for value in series_values(name, Fraction(1), Fraction(999, 100))] == wanted


def test_the_eight_values_of_e24_that_no_formula_gives() -> None:
    """IEC 60063: 27 30 33 36 39 43 47 82 are not round(10 * 10^(k/24))."""
    formula = {round(10 * 10 ** (k / 24)) for k in range(24)}
    table = {int(value * 10) for value in series_values("E24", Fraction(1), Fraction(99, 10))}
    assert table - formula == {27, 30, 33, 36, 39, 43, 47, 82}


def test_every_series_covers_each_decade_of_the_range_and_both_ends() -> None:
    for name in SERIES:
        values = series_values(name, *OHMS_RANGE)
        assert (values[0], values[-1]) == OHMS_RANGE
        assert len(values) == 7 * int(name[1:]) + 1


# Ohm's law at 12.6 V, and the power of the same resistor at 16 V (derived)
OHMS_LAW = [
    (5, 2520, 0.102),
    (25, 504, 0.508),
    (50, 252, 1.016),
    (100, 126, 2.032),
    (250, 50.4, 5.079),
    (500, 25.2, 10.16),
    (1000, 12.6, 20.32),
    (2000, 6.3, 40.63),
]


@pytest.mark.parametrize(("level_ma", "ohms", "watts"), OHMS_LAW)
def test_the_resistor_of_ohms_law_is_chosen_where_the_series_has_it(
    level_ma: float, ohms: float, watts: float
) -> None:
    level = np.array([level_ma / 1000 / 12.6])
    choice = choose([ohms * 0.9, ohms, ohms * 1.1], Spans(level, level, np.ones(1)), 1)
    assert choice.ohms == (ohms,)
    assert 16**2 / choice.ohms[0] == pytest.approx(watts, rel=5e-3)


def test_e24_misses_a_single_level_by_no_more_than_its_widest_gap() -> None:
    """IEC 60063: the widest gap of E24 is 13 to 15; half of it is 7.14 % of the nearer value's current."""
    ohms = [float(value) for value in series_values("E24", Fraction(100), Fraction(1000))]
    levels = [(1 / low + 1 / high) / 2 for low, high in pairwise(ohms)]
    spans = [Spans(np.array([level]), np.array([level]), np.ones(1)) for level in levels]
    errors = [choose(ohms, span, 1).error for span in spans]
    assert max(errors) == pytest.approx(0.0714, abs=5e-5)
    assert levels[int(np.argmax(errors))] == pytest.approx((1 / 130 + 1 / 150) / 2)


# Derating, hand-worked from the laws named beside each
DERATING = [
    # film, 70 C to 155 C (IEC 60115 families, from memory)
    (Law(5, 70, 155), [(70, 5), (85, 4.118), (100, 3.235), (125, 1.765), (155, 0), (170, 0)]),
    # cement and ceramic wirewound, 70 C to 275 C (legend of a maker's chart)
    (Law(5, 70, 275), [(25, 5), (85, 4.634), (100, 4.268), (125, 3.659), (155, 2.927)]),
    # aluminium-clad, zero at 200 C (sheet), from 25 C
    (Law(25, 25, 200), [(70, 18.571), (100, 14.286), (125, 10.714)]),
    # silicone-coated, full to 40 C, zero at 275 C (sheet)
    (Law(5, 40, 275), [(40, 5), (275, 0), (157.5, 2.5)]),
]


@pytest.mark.parametrize(("law", "points"), DERATING)
def test_derating_by_each_convention(law: Law, points: list[tuple[float, float]]) -> None:
    for ambient_c, watts in points:
        assert law.allowed_w(ambient_c) == pytest.approx(watts, abs=6e-4)


def test_the_catalogue_keeps_to_the_sheets() -> None:
    """Film sheets: 70 to 155 C. Ceramic: 70 to 275 C. Aluminium-clad: 25 to 200 C; 10/15/25/50 W only on the
    sheet's plate, 150/250/500/1250 V, 16/10/6/3.5 K/W; in free air 5.5, 12.5, 20 W (8 W from memory)."""
    for name in ("film-0.25w", "film-0.6w", "film-1w", "film-2w", "film-3w"):
        assert (CATALOGUE[name].air.full_to_c, CATALOGUE[name].air.zero_at_c) == (70, 155)
    for name in ("ceramic-5w", "ceramic-10w", "ceramic-17w"):
        assert (CATALOGUE[name].air.full_to_c, CATALOGUE[name].air.zero_at_c) == (70, 275)
    clad = [CATALOGUE[f"clad-{watts}w"] for watts in (10, 15, 25, 50)]
    assert [package.plate.rating_w for package in clad if package.plate] == [10, 15, 25, 50]
    assert [package.air.rating_w for package in clad] == [5.5, 8, 12.5, 20]
    assert [package.volts_max for package in clad] == [150, 250, 500, 1250]
    assert [package.plate_k_per_w for package in clad] == [16, 10, 6, 3.5]
    assert [(package.air.full_to_c, package.air.zero_at_c) for package in clad] == [(25, 200)] * 4


def test_aluminium_clad_rises_on_the_sheets_plate() -> None:
    """WH sheet, thermal impedance on the standard plate: 25 W resistor at 25 W 150 K, 50 W resistor at 50 W
    175 K."""
    assert CATALOGUE["clad-25w"].plate_k_per_w * 25 == 150
    assert CATALOGUE["clad-50w"].plate_k_per_w * 50 == 175


def test_two_thermal_resistances_in_a_row() -> None:
    """HSD40 sheet: wire to case 4, case to air 13 K/W; 12 W in free air: case 156 K, wire 204 K (derived)."""
    network = ThermalNetwork([1.0, 10.0], [(0, 1, 1 / 4)], [0.0, 1 / 13])
    wire, case = network.advance(np.zeros(2), np.array([12.0, 0.0]), 1e6)
    assert (wire, case) == (pytest.approx(204), pytest.approx(156))


def test_short_time_overload() -> None:
    """Small ceramic wirewound and film sheets: 2.5 times the rated voltage, 6.25 times the power, for 5 s.
    Wirewound 5 to 10 times for 5 s by maker: the catalogue takes the lower (from memory)."""
    film, wire = CATALOGUE["film-0.6w"], CATALOGUE["ceramic-5w"]
    for seconds in (0.001, 1.0, 5.0):
        assert pulse_w(film, 0.6, seconds) == pytest.approx(2.5**2 * 0.6)
    assert pulse_w(wire, 5.0, 5.0) == 25


def test_a_wires_short_pulse_is_limited_by_its_energy_a_films_is_not() -> None:
    """A maker's example for a 5 W wirewound resistor: 24 500 W for 1 ms or 24 500 000 W for 1 us, 24.5 J
    both."""
    wire = CATALOGUE["ceramic-5w"]
    assert pulse_w(wire, 5.0, 1e-3) == pytest.approx(24_500)
    assert pulse_w(wire, 5.0, 1e-6) == pytest.approx(24_500_000)


def mosfet(ohms: Fraction, tempco: Fraction, k_w: int = 62) -> Switch:
    return Switch(
        "any", Fraction(60), None, (GateRow(Fraction(5), ohms),), Fraction(175), Fraction(k_w), tempco
    )


def test_a_mosfets_junction_settles_at_its_fixed_point() -> None:
    """Hand-worked: 40 C, 62 K/W (TO-220 sheet), 2 A, 29 mOhm, R = R25 (1 + 0.004 (T - 25)): 47.849 C."""
    switch = mosfet(Fraction(29, 1000), Fraction(4, 1000))
    junction = junction_c(switch, 2.0, 40.0)
    assert junction == pytest.approx(47.849, abs=5e-4)
    assert 40 + 62 * switch_w(switch, 2.0, 40.0) == pytest.approx(junction)


def test_conduction_loss_with_the_sheets_usual_growth() -> None:
    """I^2 R k: 2 A, 29 mOhm, 1.6 at 125 C: 0.186 W, 11.5 K at 62 K/W."""
    watts = on_w(mosfet(Fraction(29, 1000), Fraction(6, 1000)), 2.0, 125.0)
    assert watts == pytest.approx(0.186, abs=5e-4)
    assert watts * 62 == pytest.approx(11.5, abs=0.05)


def test_a_mosfet_that_heats_faster_than_it_cools_runs_away() -> None:
    assert junction_c(mosfet(Fraction(1), Fraction(6, 1000)), 2.0, 40.0) == RUNAWAY_C


def test_reserve_of_a_binary_ladder() -> None:
    """Common practice: channels of 1, 2, 4, ... times a step make every multiple of it up to their sum."""
    step = 0.005 / 12.6
    ladder = np.array([step * 2**k for k in range(8)])
    wanted = step * np.arange(1, 256)
    assert list(best_patterns(ladder, wanted)) == list(range(1, 256))
    assert subset_sums(ladder)[255] == pytest.approx(255 * step)

"""Conductors and blade fuses by their tables and laws, worked out by hand."""

from __future__ import annotations

from math import log, pi, sqrt

import pytest
from nightdraw.bank.parts import blade_fuses
from nightdraw.bank.wiring.conductor import Conductor, mohm_m_20


def test_a_wires_resistance_by_its_table_or_else_by_rho_over_area() -> None:
    assert mohm_m_20(0.75) == mohm_m_20(0.75 * 1.0049) == mohm_m_20(0.75 * 0.9951) == 24.7
    for area in (0.75 * 1.0051, 0.75 * 0.9949, 1.25):
        assert mohm_m_20(area) == pytest.approx(17.241 / area * 1.08)
    assert Conductor(0.75).mohm_m() == pytest.approx(24.7)
    assert Conductor(0.75).mohm_m(80.0) == pytest.approx(24.7 * (1 + 0.00393 * 60))


def test_a_wires_diameters() -> None:
    assert Conductor(0.75).outside_m == Conductor(0.753).outside_m == 0.0019
    assert Conductor(1.25).outside_m == pytest.approx((sqrt(5 / pi) * 1.1 + 0.6) / 1000)
    assert Conductor(1.25).copper_m == pytest.approx(sqrt(5 / pi) / 1000)


def test_what_a_wire_gives_off_passes_its_insulation_and_then_its_surface() -> None:
    """At the surface's temperature that both agree on; and ampacity is the root of watts over ohms."""
    wire = Conductor(0.75)
    lost = wire.heat_loss_w_m(100.0, 40.0)
    surface = 100.0 - lost * log(0.0019 / wire.copper_m) / (2 * pi * 0.19)
    assert 40 < surface < 100
    assert wire.heat_loss_w_m(surface, 40.0) < lost
    assert wire.heat_loss_w_m(40.0, 40.0) == wire.heat_loss_w_m(20.0, 40.0) == 0.0
    assert wire.ampacity_a(40.0, 1.0) == pytest.approx(sqrt(lost / (wire.mohm_m(100.0) / 1000)))
    assert wire.ampacity_a(40.0) == pytest.approx(0.8 * wire.ampacity_a(40.0, 1.0))
    amps = wire.ampacity_a(40.0, 1.0)
    assert wire.steady_temp_c(amps, 40.0) == pytest.approx(100.0, abs=1e-3)
    assert wire.steady_temp_c(0.0, 40.0) == pytest.approx(40.0, abs=1e-6)


@pytest.mark.parametrize(
    ("kind", "ambient_c", "share"),
    [
        ("F", 0, 13 / 15),
        ("F", 20, 13 / 15),
        ("F", 60, 11 / 15),
        ("F", 100, 9 / 15),
        ("F", 140, 9 / 15),
        ("E", 65, 0.85),
        ("E", 75, 0.8),
        ("E", 97.5, 0.6875),
        ("E", 200, 0.55),
    ],
)
def test_a_fuses_share_between_and_beyond_its_sheets_points(
    kind: str, ambient_c: float, share: float
) -> None:
    assert blade_fuses.share(kind, ambient_c) == pytest.approx(share)


def test_the_largest_fuse_that_protects_a_wire() -> None:
    """A fuse may carry 135 %: a wire for 13.5 A is protected by 10 A."""
    assert blade_fuses.largest_rating("C", 13.5) == 10
    assert blade_fuses.largest_rating("C", 13.499) == 7.5
    assert blade_fuses.largest_rating("C", 1.3) is None
    assert blade_fuses.next_rating("C", 10 * 13 / 15, 20) == 10
    assert blade_fuses.next_rating("C", 10 * 13 / 15 + 1e-9, 20) == 15


def test_cold_resistances_by_the_lists() -> None:
    assert blade_fuses.cold_mohm("F", 10)[0] == 7.70
    assert blade_fuses.cold_mohm("C", 15)[0] == 4.80
    assert blade_fuses.cold_mohm("E", 20)[0] == pytest.approx(125 / 20)
    assert blade_fuses.cold_mohm("E", 50)[0] == pytest.approx(100 / 50)
    assert blade_fuses.cold_mohm("C", 11)[0] is None

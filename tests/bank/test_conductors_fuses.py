"""Conductors and blade fuses by their tables and laws, worked out by hand."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from math import log, pi, sqrt

import pytest
from nightdraw.bank.parts import blade_fuses
from nightdraw.bank.wiring.board_wiring import chosen, peak_a, wire_up
from nightdraw.bank.wiring.conductor import Conductor, mohm_m_20
from nightdraw.board import load_board


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


# -- a board's own


def test_each_wire_of_a_board_has_its_current_and_its_drop() -> None:
    """16 V over the low end of each resistor; 37.1 mohm/m of 0.5 mm2 and 24.7 of 0.75 mm2 at 20 C."""
    board = load_board("bench-12v")
    rows = wire_up(board, 20.0).conductors
    currents = [16 / (float(channel.ohms) * 0.99) for channel in board.channels]
    peak = sum(currents) + 0.011
    assert peak == pytest.approx(peak_a(board))
    names = ["lead, positive", "lead, negative", "inside, supply and return"]
    assert [row.name for row in rows] == [*names, *(f"inside, channel {number}" for number in range(1, 11))]
    assert [row.current_a for row in rows] == pytest.approx([peak] * 3 + currents)
    lead, inside = board.circuit.lead, board.circuit.inside
    assert lead is not None
    assert inside is not None
    assert (lead.area_mm2, inside.area_mm2) == (Fraction(3, 4), Fraction(1, 2))
    assert rows[0].drop_20c_mv == pytest.approx(peak * float(lead.length_m) * 24.7)
    for row in rows[2:]:
        assert row.drop_20c_mv == pytest.approx(row.current_a * float(inside.length_m) * 37.1)
    without = wire_up(replace(board, circuit=replace(board.circuit, inside=None)), 20.0)
    assert [row.name for row in without.conductors] == names[:2]
    assert "inside-missing" in {remark.rule for remark in without.remarks}


def test_a_fuse_larger_than_needed_is_told_and_the_next_one_is_chosen() -> None:
    """At 40 C a medium blade bears 0.8 of its rating: 1.52 A need 2 A."""
    board = load_board("bench-12v")
    assert (chosen(board, 40.0).type, chosen(board, 40.0).rating_a) == ("C", 2)
    fuse = board.circuit.fuse
    assert fuse is not None

    def told(amps: int) -> list[str]:
        fitted = replace(board, circuit=replace(board.circuit, fuse=replace(fuse, rating_a=Fraction(amps))))
        return [one.message for one in wire_up(fitted, 40.0).remarks if one.rule == "fuse-larger"]

    assert (told(2), told(3)) == ([], ["2 A would do, 3 A protects the box less well"])
    huge = replace(board, channels=tuple(replace(channel, ohms=Fraction(1)) for channel in board.channels))
    assert chosen(huge, 40.0).rating_a == blade_fuses.RATINGS["C"][-1]


def test_the_splices_own_fuse_bears_its_load_and_the_box() -> None:
    board = load_board("bench-12v")
    splice = board.circuit.splice
    assert splice is not None
    spare_a = 10 * 0.8 - peak_a(board)
    for share, severity in ((0.999, "note"), (1.001, "error")):
        loaded = replace(splice, fuse_a=Fraction(10), load_a=Fraction(spare_a * share))
        (found,) = [one for one in wire_up(board, 40.0, splice=loaded).remarks if one.rule == "splice-fuse"]
        assert found.severity == severity


def test_what_a_wiring_rests_on_is_told_in_its_own_figures() -> None:
    board = load_board("bench-12v")
    said = wire_up(board, 40.0).assumptions
    assert said[0].startswith(f"{peak_a(board):.4g} A: every channel on at 16 V")
    assert any(text.startswith("drop: 3 % of the nominal supply") for text in said)
    assert any("(0.80 at 40 C)" in text and "1.35 times its rating" in text for text in said)

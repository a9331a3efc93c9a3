"""Conductors, fuses and protection: laws that hold for any wire, and findings for planted mistakes."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st
from nightdraw import data
from nightdraw.bank.circuit import assembly
from nightdraw.bank.parts import blade_fuses
from nightdraw.bank.wiring.board_wiring import peak_a, wire_up
from nightdraw.bank.wiring.conductor import SIZES_MM2, Conductor
from nightdraw.board import load_board
from nightdraw.cli.bank import group

areas = st.sampled_from(SIZES_MM2)
SHIPPED = sorted(data.folder("hardware").glob("*.yaml"))


@given(areas, st.floats(0.1, 8.0), st.floats(0.1, 8.0))
def test_more_current_is_warmer_and_a_thicker_wire_is_cooler(area: float, a: float, b: float) -> None:
    low, high = sorted((a, b))
    wire = Conductor(area)
    assert wire.steady_temp_c(low, 40) <= wire.steady_temp_c(high, 40) + 1e-6
    thicker = Conductor(SIZES_MM2[min(len(SIZES_MM2) - 1, SIZES_MM2.index(area) + 1)])
    assert thicker.steady_temp_c(high, 40) <= wire.steady_temp_c(high, 40) + 1e-6


@given(areas, st.floats(0, 70))
def test_what_a_wire_carries_alone_warms_it_to_its_limit(area: float, ambient_c: float) -> None:
    """Two ways to the same heat balance."""
    wire = Conductor(area)
    assert wire.steady_temp_c(wire.ampacity_a(ambient_c, together=1.0), ambient_c) == pytest.approx(
        100, abs=0.01
    )


@given(st.sampled_from(["C", "F", "E"]), st.floats(0.01, 60), st.floats(-20, 120))
def test_the_next_rating_bears_the_current_and_the_one_below_does_not(
    kind: str, current_a: float, ambient_c: float
) -> None:
    rating = blade_fuses.next_rating(kind, current_a, ambient_c)
    ratings = blade_fuses.RATINGS[kind]
    share = blade_fuses.share(kind, ambient_c)
    if rating is None:
        assert ratings[-1] * share < current_a
        return
    assert rating * share >= current_a
    below = [other for other in ratings if other < rating]
    assert not below or below[-1] * share < current_a


def test_colours_stand_only_where_the_lists_agree() -> None:
    assert blade_fuses.colour("C", 10) == "red"
    assert blade_fuses.colour("E", 50) == "red"
    assert blade_fuses.colour("C", 35) is None
    assert blade_fuses.colour("E", 10) is None


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_shipped_boards_are_wired_soundly(path: Path) -> None:
    answer = wire_up(load_board(path), 40)
    assert answer.ok, answer.remarks
    assert answer.fuse.rating_a * blade_fuses.share(answer.fuse.type, 40) >= answer.peak_a


def test_drop_is_ohms_law_and_grows_with_length() -> None:
    board = load_board()
    near, far = wire_up(board, 20, length_m=1), wire_up(board, 20, length_m=4)
    for one, four in zip(near.conductors[:2], far.conductors[:2], strict=True):
        assert four.drop_mv == pytest.approx(4 * one.drop_mv)
        assert one.drop_20c_mv == pytest.approx(peak_a(board) * one.mohm_m)
        assert one.drop_mv >= one.drop_20c_mv, "warm copper resists more"


def edited(tmp_path: Path, *changes: tuple[str, str]) -> Path:
    """The shipped board with texts replaced, each of which must be there."""
    text = data.board_path().read_text()
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    path = tmp_path / "board.yaml"
    path.write_text(text)
    return path


FUSE, LEAD, SPLICE = (
    "fuse: {type: C, rating: 2 A}",
    "lead: {area: 0.75 mm2",
    "splice: {fuse: 10 A, load: 3 A}",
)


@pytest.mark.parametrize(
    ("old", "new", "rule"),
    [
        (FUSE, "fuse: {type: C, rating: 1 A}", "fuse-below-load"),
        (FUSE, "fuse: {type: C, rating: 15 A}", "fuse-above-conductor"),
        (FUSE, "fuse: {type: C, rating: 2.5 A}", "fuse-rating"),
        (FUSE + "\n", "", "fuse-missing"),
        (LEAD + ", length: 2 m}\n", "", "lead-missing"),
        (LEAD, "lead: {area: 0.22 mm2", "conductor"),
        (SPLICE, "splice: {fuse: 5 A, load: 3 A}", "splice-fuse"),
        ("inside: {area: 0.5 mm2, length: 0.3 m}\n", "", "inside-missing"),
    ],
)
def test_planted_mistakes_are_named(tmp_path: Path, old: str, new: str, rule: str) -> None:
    answer = wire_up(load_board(edited(tmp_path, (old, new))), 40)
    assert not answer.ok
    assert rule in {remark.rule for remark in answer.remarks if remark.severity == "error"}


def test_the_remedy_for_a_thin_lead_is_one_that_passes(tmp_path: Path) -> None:
    path = edited(tmp_path, (LEAD + ", length: 2 m", LEAD + ", length: 6 m"))
    finding = next(r for r in wire_up(load_board(path), 40).remarks if r.rule == "conductor")
    size = finding.message.split("take ")[1]
    assert wire_up(
        load_board(edited(tmp_path, (LEAD + ", length: 2 m", f"lead: {{area: {size}, length: 6 m"))), 40
    ).ok


def run(*arguments: str) -> tuple[int, dict[str, object]]:
    """Status and document of `bank wiring`."""
    result = CliRunner().invoke(group, ["wiring", *arguments, "--json"])
    return result.exit_code, json.loads(result.stdout)


def test_the_command_keeps_its_contract() -> None:
    status, document = run(str(data.board_path()), "--length", "1m")
    assert status == 0
    assert document["ok"] is True
    rows = document["conductors"]
    assert isinstance(rows, list)
    assert {"name", "mm2", "drop_mv", "ok"} <= set(rows[0])
    assert {"rating_a", "type", "drop_mv"} <= set(document["fuse"])  # type: ignore[call-overload]
    status, document = run(str(data.board_path()), "--length", "30m")
    assert (status, document["ok"]) == (1, False)


def test_the_vehicles_own_circuit_can_be_named() -> None:
    status, _ = run(str(data.board_path()), "--splice-fuse", "10A", "--splice-load", "7A")
    assert status == 1
    status, _ = run(str(data.board_path()), "--splice-fuse", "15A", "--splice-load", "7A")
    assert status == 0


def test_the_peak_is_every_channel_at_the_low_end_of_its_tolerance() -> None:
    """Ohm's law in whole fractions: 16 V across 99 % of each value, and the box's own 11 mA."""
    ohms = (9100, 4700, 2400, 1200, 620, 330, 160, 82, 43, 22)
    least = sum(16 / (Fraction(value) * Fraction(99, 100)) for value in ohms)
    assert peak_a(load_board("bench-12v")) == pytest.approx(float(least) + 0.011, rel=1e-9)


def test_a_shunt_is_heated_by_the_square_of_the_current() -> None:
    """Joule's law: I^2 R."""
    board = load_board("bench-12v")
    (shunt,) = (part for part in assembly.build(board).parts if part.ref == "RS1")
    (heat,) = (stress for stress in shunt.stress if stress.what == "dissipation")
    assert heat.worst == pytest.approx(peak_a(board) ** 2 * shunt.number, rel=1e-9)
    assert heat.worst != pytest.approx(peak_a(board) * shunt.number, rel=0.05), "1 A would tell nothing"


def test_what_no_sheet_has_of_a_high_current_blade_is_the_standards_most() -> None:
    """A medium blade's table says nothing of it, though it has the rating: 125 mV at 20 A, 100 mV above
    (DIN 72581-3)."""
    assert blade_fuses.cold_mohm("E", 20) == (125 / 20, "the standard's highest drop at rated current")
    assert blade_fuses.cold_mohm("E", 80) == (100 / 80, "the standard's highest drop at rated current")
    assert blade_fuses.cold_mohm("F", 5)[0] == blade_fuses.cold_mohm("C", 5)[0]
    assert (
        blade_fuses.cold_mohm("F", 12)
        == blade_fuses.cold_mohm("E", 12)
        == (None, "no list knows this rating")
    )

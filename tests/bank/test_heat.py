"""The steady state: energy balance, limits, and boards that must fail, each by the part's name."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from nightdraw.bank.heat.enclosure import HeatedEnclosure
from nightdraw.bank.heat.steady_state import Heat, steady_heat
from nightdraw.bank.heat.verdicts import HeatVerdict
from nightdraw.bank.parts.resistor_packages import CATALOGUE
from nightdraw.board import OwnPackage, load_board
from nightdraw.errors import InputError

from tests.bank.boards import board, channel, enclosure

watts = st.floats(0.1, 60)


def part(heat: Heat, name: str) -> HeatVerdict:
    return next(found for found in heat.parts if found.name == name)


@settings(deadline=None, max_examples=40)
@given(watts, watts, st.floats(-20, 60), st.sampled_from(["aluminium", "plastic"]), st.integers(0, 7))
def test_what_goes_in_comes_out(
    to_air_w: float, to_wall_w: float, ambient_c: float, material: str, size: int
) -> None:
    box = HeatedEnclosure(enclosure(material, size))
    air = box.balance(ambient_c, to_air_w, to_wall_w)
    assert box.outside_w(air.wall_c, ambient_c) == pytest.approx(to_air_w + to_wall_w, rel=1e-6)
    assert (air.air_c - air.inner_c) * box.inside_w_k(air.air_c, air.inner_c) == pytest.approx(
        to_air_w, rel=1e-6
    )
    assert ambient_c < air.wall_c <= air.inner_c < air.air_c


@settings(deadline=None, max_examples=25)
@given(watts, st.floats(1.05, 3), st.integers(0, 6))
def test_more_heat_and_smaller_boxes_are_hotter(heat_w: float, more: float, size: int) -> None:
    box, larger = HeatedEnclosure(enclosure(size=size)), HeatedEnclosure(enclosure(size=size + 1))
    area, larger_area = (sum(face.area_m2 for face in each.surfaces) for each in (box, larger))
    cool = box.balance(40, heat_w, 0)
    assert box.balance(40, heat_w * more, 0).wall_c > cool.wall_c
    if larger_area > 1.3 * area:
        assert larger.balance(40, heat_w, 0).wall_c < cool.wall_c
    assert box.balance(40, 0, heat_w).air_c < cool.air_c  # a plate keeps the heat out of the air


def test_a_place_too_hot_for_hands_is_not_ok_and_says_why() -> None:
    """At 75 C around a metal wall burns whatever the box does: judged at the real room, it is no "ok"."""
    hot, warm = (steady_heat(board(channel(1000, "film-0.6w")), ambient_c) for ambient_c in (75.0, 40.0))
    assert warm.ok
    assert not hot.ok
    burning = part(hot, "wall, brushed")
    assert burning.temp_c > 75 > burning.limit_c
    assert "in a room of 75 C" in burning.remedy
    assert part(hot, "channel 1").temp_c > part(warm, "channel 1").temp_c + 30


@pytest.mark.parametrize("name", ["bench-12v", "workshop-12v", "workshop-24v"])
def test_shipped_boards_pass_at_forty_degrees_and_not_at_sixty(name: str) -> None:
    assert steady_heat(load_board(name), 40.0).ok
    failed = [found.name for found in steady_heat(load_board(name), 60.0).parts if not found.ok]
    assert failed == ["wall, brushed"]


@settings(deadline=None, max_examples=5)  # each solves the shell twice: 0.5 s
@given(st.integers(15, 90), st.sampled_from(["clad-10w", "clad-25w", "clad-50w"]), st.integers(0, 6))
def test_a_sheet_under_the_bodies_cools_the_hottest_spot(ohms: int, package: str, millimetres: int) -> None:
    bare = board(channel(ohms, package, "plate"))
    assert bare.enclosure is not None
    thick = replace(bare.enclosure, plate_m=Fraction(millimetres, 1000))
    spots = [
        part(steady_heat(model, 40.0), "wall, brushed").temp_c
        for model in (bare, replace(bare, enclosure=thick))
    ]
    assert spots[1] <= spots[0] + 1e-6
    mean = steady_heat(bare, 40.0).air.wall_c
    assert spots[0] > mean


def test_nothing_dissipated_is_as_warm_as_the_room() -> None:
    air = HeatedEnclosure(enclosure()).balance(33.0, 0.0, 0.0)
    assert (air.wall_c, air.air_c) == (33.0, 33.0)


def test_the_shipped_board_passes_with_margins() -> None:
    heat = steady_heat(load_board(), 40.0)
    assert heat.ok
    assert all(found.margin > 0.05 for found in heat.parts)
    assert {found.name for found in heat.parts} >= {"channel 1", "switch 10", "air inside", "wall, handled"}


def test_a_quarter_watt_where_five_watts_burn_fails_by_name_and_says_what_would_do() -> None:
    weighed = board(channel(51, "film-0.25w"), channel(1000, "film-0.6w"))
    heat = steady_heat(weighed, 40.0)
    failed = part(heat, "channel 1")
    assert not heat.ok
    assert failed.dissipation_w == pytest.approx(16**2 / 51)
    assert failed.temp_c > failed.limit_c == 155
    assert failed.margin < 0
    better = next(name for name in CATALOGUE if name in failed.remedy)
    mended = board(channel(51, better, "plate"), channel(1000, "film-0.6w"))
    assert part(steady_heat(mended, 40.0), "channel 1").ok
    assert part(heat, "channel 2").ok


def test_the_margin_is_what_is_left_of_the_derated_rating() -> None:
    heat = steady_heat(board(channel(150, "film-3w")), 60.0)
    found = part(heat, "channel 1")
    law = CATALOGUE["film-3w"].air
    assert found.allowed_w == pytest.approx(law.allowed_w(heat.air.air_c))
    assert found.margin == pytest.approx(1 - found.dissipation_w / found.allowed_w)
    assert found.temp_c == pytest.approx(heat.air.air_c + found.dissipation_w * (155 - 70) / 3)


def test_the_low_end_of_the_tolerance_is_weighed() -> None:
    heat = steady_heat(board(channel(100, "film-3w", tolerance=5)), 25.0)
    assert part(heat, "channel 1").dissipation_w == pytest.approx(16**2 / 95)


def test_a_split_shares_the_heat() -> None:
    four = channel(100, "film-1w", each=Fraction(100), in_series=2, in_parallel=2)
    found = part(steady_heat(board(four), 25.0), "channel 1 (each of 4)")
    assert found.dissipation_w == pytest.approx(16**2 / 100 / 4)
    assert found.ok


def test_a_clad_body_off_its_plate_has_less_and_on_it_warms_the_wall() -> None:
    off, on = (steady_heat(board(channel(15, "clad-25w", where)), 25.0) for where in ("air", "plate"))
    assert not part(off, "channel 1").ok
    assert part(on, "channel 1").ok
    assert on.air.air_c < off.air.air_c


def test_a_small_plastic_box_gets_too_hot_to_touch_and_its_air_too() -> None:
    heat = steady_heat(board(channel(6, "ceramic-17w"), box=enclosure("plastic", 0)), 40.0)
    for name in ("air inside", "wall, handled", "wall, brushed"):
        failed = part(heat, name)
        assert not failed.ok
        assert failed.remedy
        assert failed.allowed_w < failed.dissipation_w


@settings(deadline=None, max_examples=15)
@given(st.floats(20, 400), st.floats(0, 60))
def test_wall_and_air_are_ok_exactly_up_to_what_is_allowed(ohms: float, ambient_c: float) -> None:
    heat = steady_heat(board(channel(ohms, "ceramic-17w"), box=enclosure(size=2)), ambient_c)
    for name in ("air inside", "wall, handled", "wall, brushed"):
        found = part(heat, name)
        assert found.ok == (found.margin >= -1e-6)


def test_a_mosfet_that_runs_away_fails() -> None:
    heat = steady_heat(board(channel(1.5, "clad-50w", "plate")), 40.0)
    failed = part(heat, "switch 1")
    assert not failed.ok
    assert "K/W" in failed.remedy


def test_a_body_beyond_its_voltage_fails() -> None:
    low = OwnPackage("low", "film-3w", {"volts": Fraction(12)})
    weighed = replace(board(channel(10_000, "low")), packages=(low,))
    failed = part(steady_heat(weighed, 25.0), "channel 1")
    assert not failed.ok
    assert "in series" in failed.remedy


@pytest.mark.parametrize(
    ("channels", "box", "message"),
    [
        ([channel(100, None)], None, "channel 1 has no resistor package"),
        ([channel(100, "film-9w")], None, "no resistor package is called 'film-9w'"),
        ([channel(100, "film-1w", "plate")], None, "can't be screwed to a plate"),
        ([channel(100, "clad-25w", "plate")], enclosure("plastic"), "no metal plate"),
    ],
)
def test_parts_that_cannot_be_weighed_are_named(channels, box, message) -> None:
    with pytest.raises(InputError, match=message) as raised:
        steady_heat(board(*channels, box=box), 25.0)
    assert raised.value.findings[0].file == "made.yaml"


def test_a_board_without_a_box_is_refused() -> None:
    with pytest.raises(InputError, match="no enclosure"):
        steady_heat(replace(board(channel(100, "film-3w")), enclosure=None), 25.0)


def test_an_unknown_model_of_an_own_body_is_refused() -> None:
    mine = OwnPackage("mine", "film-7w", {})
    with pytest.raises(InputError, match="no resistor package is called 'film-7w'"):
        steady_heat(replace(board(channel(100, "mine")), packages=(mine,)), 25.0)

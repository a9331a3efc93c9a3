"""What the bank can't make: sums, single draws, draws too small, levels between coarse steps."""

from __future__ import annotations

from math import lcm
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from nightdraw import data
from nightdraw.board import load_board
from nightdraw.places import Node
from nightdraw.profile import fit, load
from nightdraw.profile.model import Pulse

from tests.profile.made import HEAD, found, write

FULL_MA = 1111.1  # the shipped bank at 11.8 V: 11.8 V times the sum of the conductances, and 11 mA of its own


def test_full_scale_by_ohms_law() -> None:
    ohms = [9100, 4700, 2400, 1200, 620, 330, 160, 82, 43, 22]
    full_ma = sum(11.8 / (value + 0.05) for value in ohms) * 1000 + 11
    assert full_ma == pytest.approx(FULL_MA, abs=0.1)
    board = load_board()
    assert board.bank().full_ua(11_800) + board.own_ua == pytest.approx(full_ma * 1000, abs=20)


def pulse(ma: int, on: str = "1 s", every: str = "9 s", first: str = "0 s") -> str:
    """One pulse draw as YAML."""
    return f"  - pulse: {{draw: {ma} mA, on: {on}, every: {every}, first: {first}}}\n"


def test_a_draw_too_large_alone_is_named(tmp_path: Path) -> None:
    text = HEAD + "  - steady: 40 mA\n" + pulse(300) + pulse(1100)
    ((line, column, message),) = found(write(tmp_path, text))
    assert (line, column) == (6, 19)
    assert "draw 3 (pulse) is too large" in message
    assert "1111.1 mA at 11.8 V" in message


@pytest.mark.parametrize(("ma", "fits"), [(1071, True), (1072, False)])
def test_the_bound_is_the_bank_at_the_lowest_supply(tmp_path: Path, ma: int, fits: bool) -> None:
    path = write(tmp_path, HEAD + "  - steady: 40 mA\n" + pulse(ma))
    assert (found(path) == []) is fits


def test_a_lower_supply_makes_the_bank_smaller(tmp_path: Path) -> None:
    text = HEAD + pulse(1000)
    assert found(write(tmp_path, text)) == []
    ((_, _, message),) = found(write(tmp_path, text + "limits: {supply_min: 10 V}\n"))
    assert "at 10 V, the lowest supply allowed" in message


def test_the_boards_cap_may_raise_the_lowest_supply(tmp_path: Path) -> None:
    board = write(
        tmp_path,
        data.board_path().read_text().replace("caps: {supply_min: 9 V", "caps: {supply_min: 12.5 V"),
        "b.yaml",
    )
    path = write(tmp_path, HEAD + pulse(1150))
    assert len(found(path)) == 1
    assert found(path, board) == []


def test_the_draw_that_takes_the_sum_over_is_named(tmp_path: Path) -> None:
    text = HEAD + "  - steady: 100 mA\n" + pulse(500) + pulse(400) + pulse(300) + pulse(20)
    ((line, column, message),) = found(write(tmp_path, text))
    assert (line, column) == (7, 19)
    assert "draw 4 (pulse) takes the sum to 1300 mA" in message


def test_pulses_that_never_meet_do_not_add(tmp_path: Path) -> None:
    apart = HEAD + pulse(700) + pulse(700, first="4 s")
    assert found(write(tmp_path, apart)) == []
    assert fit.peak(load(write(tmp_path, apart)).draws)[0] == 700_000
    assert len(found(write(tmp_path, HEAD + pulse(700) + pulse(700, first="999 ms")))) == 1
    assert len(found(write(tmp_path, HEAD + pulse(700) + pulse(700, every="9001 ms", first="4 s")))) == 1


def test_several_steady_draws_are_one_level(tmp_path: Path) -> None:
    assert found(write(tmp_path, HEAD + "  - steady: 6 mA\n  - steady: 6 mA\n")) == []
    ((line, column, message),) = found(write(tmp_path, HEAD + "  - steady: 5 mA\n  - steady: 5.9 mA\n"))
    assert (line, column) == (4, 13)
    assert "steady is 10.9 mA, the box itself consumes 11 mA" in message
    assert found(write(tmp_path, HEAD + "  - steady: 11 mA\n")) == []
    ((line, _, message),) = found(write(tmp_path, HEAD + "  - steady: 1 A\n  - steady: 1 A\n"))
    assert line == 5
    assert "steady is 2000 mA" in message


def test_a_pulse_below_the_banks_step_is_refused(tmp_path: Path) -> None:
    ((line, column, message),) = found(
        write(tmp_path, HEAD + "  - pulse: {draw: 0.3 mA, on: 1 s, every: 9 s}\n")
    )
    assert (line, column) == (4, 19)
    assert "too small for the bank" in message
    assert found(write(tmp_path, HEAD + pulse(3))) == []


def coarse_board(tmp_path: Path, *ohms: int) -> Path:
    """A board of these resistors, nothing between their sums."""
    head = data.board_path().read_text().split("channels:")[0]
    rest = "sense:" + data.board_path().read_text().split("sense:")[1]
    channels = "channels:\n" + "".join(
        f"  - {{pin: {pin}, ohms: {one} ohm, tolerance: 1 %, on_ohms: 0 ohm}}\n"
        for pin, one in enumerate(ohms, 2)
    )
    return write(tmp_path, head + channels + rest, "coarse.yaml")


def test_a_level_between_coarse_steps_is_refused(tmp_path: Path) -> None:
    text = HEAD + pulse(900) + "limits: {supply_min: 11.8 V, supply_max: 12 V}\n"
    ((line, column, message),) = found(write(tmp_path, text), coarse_board(tmp_path, 10))
    assert (line, column) == (4, 19)
    assert "leads to a level of 911 mA" in message
    text = HEAD + pulse(1180) + "limits: {supply_min: 11.8 V, supply_max: 12 V}\n"
    assert found(write(tmp_path, text), coarse_board(tmp_path, 10)) == []


@pytest.mark.parametrize(("first", "meets"), [("0 s", True), ("4 s", False)])
def test_a_sum_between_coarse_steps_is_refused_where_the_draws_meet(
    tmp_path: Path, first: str, meets: bool
) -> None:
    """At 12 V 600 ohm make 20 mA, which either pulse is, 20 ohm 600 mA: for both at once there is nothing."""
    text = HEAD + pulse(20) + pulse(20, first=first) + "limits: {supply_min: 11.9 V, supply_max: 12.1 V}\n"
    seen = found(write(tmp_path, text), coarse_board(tmp_path, 600, 20))
    assert len(seen) == meets
    if meets:
        ((line, column, message),) = seen
        assert (line, column) == (5, 19)
        assert "draw 2 (pulse) leads to a level of 51 mA" in message
        assert "20.2 mA off" in message  # at the lowest supply: 31 of 51 mA are 0.2 mA less


def test_a_replay_counts_with_its_highest_level(tmp_path: Path) -> None:
    text = HEAD + "  - replay: {levels: [[600 mA, 1 s], [0 mA, 9 s]], repeat: once}\n" + pulse(600)
    ((line, _, message),) = found(write(tmp_path, text))
    assert line == 5
    assert "draw 2 (pulse) takes the sum to 1211 mA" in message


@given(st.data())
def test_two_trains_meet_exactly_when_the_formula_says(data: st.DataObject) -> None:
    trains = []
    for number in (1, 2):
        every = data.draw(st.integers(2, 40), f"every {number}")
        on = data.draw(st.integers(1, every - 1), f"on {number}")
        trains.append(
            Pulse(1, on, every, data.draw(st.integers(0, 60), f"first {number}"), Node(1, 1), number)
        )
    # A common period from the later first pulse on says all there is to say.
    start = max(train.first_ticks for train in trains)
    end = start + lcm(trains[0].every_ticks, trains[1].every_ticks)
    meet = any(
        all((tick - train.first_ticks) % train.every_ticks < train.on_ticks for train in trains)
        for tick in range(start, end)
    )
    assert fit.can_meet(*trains) is meet
    assert fit.can_meet(*reversed(trains)) is meet


@pytest.mark.parametrize(
    ("draw", "says"),
    [
        ("pulse: {draw: 350 mA, on: 1 ms, every: 2 ms}", "1000 edges/s are"),
        ("pulse: {draw: 350 mA, on: 1 ms, every: 4 ms}", "500 edges/s are"),
        ("pulse: {draw: 350 mA, on: 1 ms, every: 10 ms}", "200 edges/s are"),
        ("pulse: {draw: 350 mA, on: 1 ms, every: 20 ms}", None),
        ("random: {draw: 350 mA, on: 1 ms .. 2 ms, gap: 1 ms .. 2 ms}", "667 edges/s are"),
        ("random: {draw: 350 mA, on: 1 ms .. 2 ms, gap: 18 ms .. 19 ms}", None),
        ("random: {draw: 350 mA, on: 1 ms, gap: 9 ms, law: exponential}", "edges/s, some after exponential"),
        ("random: {draw: 350 mA, on: 1 ms, gap: 60 ms, law: exponential}", None),
        ("replay: {levels: [[350 mA, 1 ms], [20 mA, 1 ms]], repeat: forever}", "1000 edges/s are"),
        ("replay: {levels: [[350 mA, 10 ms], [20 mA, 10 ms]], repeat: forever}", None),
    ],
)
def test_draws_too_fast_to_go_on_with_are_told(tmp_path: Path, draw: str, says: str | None) -> None:
    path = write(tmp_path, f"{HEAD}- {draw}\n")
    notes = [note.message for note in load(path).notes]
    assert notes == [] if says is None else says in notes[0]

"""What the bank makes to the microampere, tolerances and rates at their bounds, and figures as messages have
them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from nightdraw.board import BoardModel
from nightdraw.places import Findings, Node
from nightdraw.profile import fit, load
from nightdraw.profile.model import Draw, Limits, Pulse, Random, Replay, Sketch, Steady
from nightdraw.profile.read import load_as_written

from tests.bank.boards import board, channel
from tests.profile.made import HEAD, found, write

AT_MV = 12_600
PLACE = Node(1, 1)


def made(*ohms: int) -> BoardModel:
    """A board of such channels with switches of no resistance, at its one supply."""
    model = board(*(channel(value, "film-3w") for value in ohms))
    return replace(model, own_ua=10_000)


def said(model: BoardModel, *draws: Draw, sketches: tuple[Sketch, ...] = ()) -> list[str]:
    findings = Findings("made.yaml")
    held = Limits(AT_MV, AT_MV, run_ticks=10**6, charge_mas=10**6, bank_temp_cdeg=9_000)
    fit.check(draws, sketches, held, model, findings)
    return [finding.message for finding in findings.sorted()]


def pulse(ua: int, number: int = 1, on: int = 50, every: int = 100, first: int = 0) -> Pulse:
    return Pulse(ua, on, every, first, PLACE, number)


def test_the_whole_bank_and_the_own_consumption_fit_and_a_microampere_more_does_not() -> None:
    model = made(252, 126)
    most_ua = model.bank().full_ua(AT_MV) + 10_000
    assert most_ua == pytest.approx(160_000, rel=1e-3)  # 50 mA, 100 mA and 10 mA
    assert said(model, Steady(most_ua, PLACE, 1)) == []
    assert "steady is" in said(model, Steady(most_ua + 1, PLACE, 1))[0]
    assert said(model, pulse(most_ua - 10_000)) == []
    assert "too large" in said(model, pulse(most_ua - 9_999))[0]
    half = model.bank().current_ua(1, AT_MV)
    rest = most_ua - 10_000 - half
    assert said(model, pulse(half), pulse(rest, 2)) == []
    (message,) = said(model, pulse(half), pulse(rest + 1, 2))
    assert message.startswith("draw 2 (pulse) takes the sum to")


@pytest.mark.parametrize(("ohms", "off_ua", "per"), [(252, 2_000, 0), (6, 42_000, 50)])
def test_a_level_holds_two_milliamperes_or_a_fiftieth_of_itself(ohms: int, off_ua: int, per: int) -> None:
    """50 mA and 10 mA: 2 mA hold; of some 2.1 A a fiftieth, of the level that is asked for."""
    model = made(ohms)
    bank_ua = model.bank().current_ua(1, AT_MV)
    if per:
        off_ua = next(off for off in range(60_000) if (bank_ua + 10_000 - off - 1) // per < off + 1)
        assert off_ua == pytest.approx((bank_ua + 10_000) / (per + 1), abs=2)
    assert said(model, Steady(bank_ua + 10_000 - off_ua, PLACE, 1)) == []
    (message,) = said(model, Steady(bank_ua + 10_000 - off_ua - 1, PLACE, 1))
    assert "leads to a level of" in message


def test_a_sum_that_the_bank_misses_is_found_though_each_draw_alone_is_made() -> None:
    """Channels of 50 and 150 mA: two pulses of 50 mA are made alone, 100 mA where they meet is not."""
    model = made(252, 84)
    one = model.bank().current_ua(1, AT_MV)
    assert said(model, pulse(one)) == []
    (message,) = said(model, pulse(one), pulse(one, 2))
    assert message.startswith("draw 2 (pulse) leads to a level of 110")
    assert said(model, pulse(one), pulse(one, 2, first=50)) == []  # they never meet


def test_a_pulse_that_changes_no_switch_is_found_and_a_replay_that_does_is_none() -> None:
    model = made(252)
    (message,) = said(model, pulse(1_500))
    assert message == "draw 1 (pulse) of 1.5 mA is too small for the bank: at 12.6 V it changes no switch"
    assert said(model, Replay(((0, 50), (1_500, 50)), 0, PLACE, 1)) == []


@pytest.mark.parametrize(("every", "told"), [(125, False), (124, True)])
def test_a_hundred_and_sixty_edges_a_second_go_on(tmp_path: Path, every: int, told: bool) -> None:
    """A pulse is two edges: 80 of them a second, every 12.5 ms."""
    path = write(tmp_path, f"{HEAD}  - pulse: {{draw: 350 mA, on: 1 ms, every: {every / 10:g} ms}}\n")
    assert bool(load(path).notes) is told


def test_the_work_of_draws_by_hand() -> None:
    """20 pulses a second are 40 edges; a replay of three levels in a second is 3; a steady draw none."""
    replay = Replay(((1, 2_000), (2, 3_000), (3, 5_000)), 0, PLACE, 2)
    draws = (pulse(5, every=500), replay, Steady(9, PLACE, 3))
    assert fit.edges_hz(draws) == pytest.approx(43)
    assert fit.work_hz(draws) == pytest.approx(43)
    assert fit.cycles_hz(replay) == pytest.approx(1)
    assert fit.cycles_hz(draws[2]) == 0


def test_voltages_are_told_in_volts(tmp_path: Path) -> None:
    rest = "profile: a\nstart: {when: supply-rest, below: 11.8 V, steady: 60 s}\ndraws:\n  - steady: 40 mA\n"
    ((_, _, message),) = found(write(tmp_path, rest))
    assert "must be above supply_min, 11.8 V: else" in message
    assert found(write(tmp_path, rest.replace("11.8 V", "11.801 V"))) == []
    window = HEAD + "  - steady: 40 mA\nlimits: {supply_min: 12.75 V, supply_max: 12.5 V}\n"
    ((_, _, message),) = found(write(tmp_path, window))
    assert "not 12.75 V .. 12.5 V" in message


def test_a_start_or_limits_that_are_wrong_leave_no_profile_however_right_the_draws(tmp_path: Path) -> None:
    for wrong in ("start: {when: noon}", "start: {when: power}\nlimits: {run: 5 A}"):
        text = f"profile: a\n{wrong}\ndraws:\n  - steady: 40 mA\n"
        assert len(found(write(tmp_path, text))) == 1


def test_a_slot_holds_so_many_levels_beside_everything_else() -> None:
    """16 384 bytes: a head of 80, a steady draw of 7, each replay's 7, a CRC of 4, and 8 a level."""
    replay = Replay(((1, 50),), 0, PLACE, 2)
    assert fit.room_levels([Steady(9, PLACE, 1), replay]) == (16_384 - 80 - 7 - 7 - 4) // 8
    assert fit.room_levels([replay, replay]) == (16_384 - 80 - 2 * 7 - 4) // 8
    for count, fits in ((2_035, True), (2_036, False)):
        findings = Findings("made.yaml")
        fit.check_size([Steady(9, PLACE, 1), replace(replay, levels=((1, 50),) * count)], findings)
        assert (len(findings) == 0) is fits


def test_a_logarithm_is_work_as_three_edges_are() -> None:
    """5.3 ms beside 1.7 ms an edge: of ten gaps a second thirty more."""
    gaps = Random(5, (500, 500), "exponential", (500, 500), PLACE, 1)
    assert fit.work_hz([gaps]) - fit.edges_hz([gaps]) == pytest.approx(3 * fit.cycles_hz(gaps))
    assert fit.edges_hz([gaps]) == pytest.approx(20, rel=1e-3)
    even = replace(gaps, law="uniform")
    assert fit.work_hz([even]) == fit.edges_hz([even]) == pytest.approx(20)


def test_what_an_author_wrote_is_read_though_no_bank_makes_it(tmp_path: Path) -> None:
    path = write(tmp_path, HEAD + "  - steady: 90 A\n")
    assert len(found(path)) == 1
    assert load_as_written(path).draws[0].peak_ua() == 90_000_000

"""What a run has used and may still use, what it waits for and when it is due: by hand, without a box."""

import pytest
from boxcore import port, run
from boxcore import program as pg
from boxcore import states as st
from boxcore.bank import Bank

from tests.boxcore import fakes
from tests.boxcore.refusals import refused
from tests.boxcore.test_guard import readings

S = 10_000
BANK = Bank([1_000_000, 2_000_000, 4_000_000])  # 7 mS: 112 mA at 16 V; a step of 1 mS is 16 mA
BOARD = fakes.board()  # own consumption 11 mA, 16 V at most


def armed(*draws, by=st.BY_LINK, **fields):
    return run.Run(pg.Program("p", draws or [(pg.STEADY, 40_000)], **fields), 3, 9, 7, by, BOARD, BANK)


def test_an_account_counts_from_where_the_span_began():
    one = armed()
    one.used_ticks, one.used_mas, one.position_ticks = 1_000, 50, 400
    assert one.account(777, 5) == (1_000, 50, 400)  # nothing is under way
    one.begin(2_000)
    assert (one.zero, one.since) == (1_600, 2_000)
    assert one.account(2_300, 5) == (1_300, 55, 700)
    one.close(2_300, 5)
    assert (one.used_ticks, one.used_mas, one.position_ticks, one.since) == (1_300, 55, 700, None)
    one.close(9_999, 5)
    assert (one.used_ticks, one.used_mas) == (1_300, 55)
    one.begin(5_000)
    assert one.zero == 4_300


def test_what_is_written_ahead_is_the_most_that_can_be_used():
    """40 mA, 2 % for a supply that rises, a step of the bank, 16.001 mA: 56.801 mA for 15 s, and one more."""
    one = armed()
    assert one.account(0, 0, 15 * S) == (15 * S, 56_801 * 15 // 1000 + 1, 0)
    one.begin(100)
    assert one.account(100 + S, 40, 15 * S) == (16 * S, 40 + 852 + 1, S)


@pytest.mark.parametrize(
    ("draws", "peak_ua"),
    [
        ([(pg.STEADY, 40_000)], 40_000 + 800 + 16_001),
        ([(pg.PULSE, 40_000, 10, 20, 0)], 51_000 + 1_020 + 16_001),  # on the own consumption
        ([(pg.STEADY, 40_000), (pg.PULSE, 30_000, 10, 20, 0)], 70_000 + 1_400 + 16_001),
        ([(pg.STEADY, 120_000)], 11_000 + 112_000),  # never more than the whole bank
        ([(pg.STEADY, 0)], 16_001),
    ],
)
def test_the_most_that_a_program_can_make_the_circuit_see(draws, peak_ua):
    assert run.peak_ua(pg.Program("p", draws), 11_000, BANK, 16_000) == peak_ua


@pytest.mark.parametrize(
    ("used", "fault"),
    [
        ((999, 49), st.NO_FAULT),
        ((1_000, 49), st.TIME_USED),
        ((999, 50), st.CHARGE_USED),
        ((1_001, 51), st.TIME_USED),
    ],
)
def test_a_budget_is_used_up_when_nothing_of_it_is_left(used, fault):
    one = armed(run_ticks=1_000, charge_mas=50)
    one.used_ticks, one.used_mas = used
    assert (one.left_ticks(), one.left_mas()) == (1_000 - used[0], 50 - used[1])
    assert one.used_up() == fault


@pytest.mark.parametrize(
    ("resume", "begun", "quiet"),
    [
        (pg.RESUME_RESTART, True, 5 * S),
        (pg.RESUME_RESTART, False, 0),
        (pg.RESUME_CONTINUE, True, 5 * S),
        (pg.RESUME_STAY_OFF, True, None),
        (pg.RESUME_STAY_OFF, False, 0),
    ],
)
def test_the_quiet_time_after_a_power_loss(resume, begun, quiet):
    assert armed(resume=resume, resume_after_ticks=5 * S).quiet_ticks(begun, True) == quiet
    assert armed(resume=resume, resume_after_ticks=5 * S).quiet_ticks(begun, False) == quiet


def test_a_run_of_the_panel_waits_a_second_at_least_where_its_switch_isnt_seen_on():
    for after, off in ((0, S), (S - 1, S), (S + 1, S + 1)):
        one = armed(by=st.BY_PANEL, resume_after_ticks=after)
        assert (one.quiet_ticks(True, True), one.quiet_ticks(True, False)) == (after, off)


def test_the_steady_time_is_the_rest_rules_alone():
    for start, due in ((pg.START_POWER, 150), (pg.START_REST, 750)):
        one = armed(start=start, start_below_mv=13_000, start_steady_ticks=600, start_after_ticks=100)
        one.wait(50, readings(), 0, 0)
        assert one.due() == due
        one.look(70, readings())
        assert one.due() == due


def test_the_condition_counts_from_where_it_became_true_and_the_quiet_time_from_the_supply():
    one = armed(start=pg.START_REST, start_below_mv=13_000, start_steady_ticks=600)
    one.wait(0, readings(supply_mv=14_000), 1_000, 0)
    assert one.due() is None
    one.look(200, readings())
    assert one.due() == 1_600  # quiet until 1000
    one.look(300, readings(supply_mv=14_000))
    one.look(1_500, readings())
    assert one.due() == 2_100
    one.look(1_600, readings(supply_mv=5_999))
    one.look(1_700, readings(supply_mv=6_000))
    assert one.due() == 3_300


def test_what_a_run_waits_for_is_told_with_the_time_left():
    rest = armed(start=pg.START_REST, start_below_mv=13_000, start_steady_ticks=600, start_after_ticks=400)
    rest.wait(0, port.Readings(), 0, 0)
    assert rest.waits(st.WAITING, 10) == (st.SUPPLY, 13_000, None)
    rest.look(10, readings(supply_mv=14_000))
    assert rest.waits(st.WAITING, 20) == (st.REST, 13_000, None)
    rest.look(20, readings())
    assert rest.waits(st.WAITING, 120) == (st.DELAY, 13_000, 900)
    assert rest.waits(st.WAITING, 5_000) == (st.DELAY, 13_000, 0)
    panel = armed(start=pg.START_PANEL)
    panel.wait(0, readings(), 0, 0)
    assert panel.waits(st.WAITING, 10) == (st.SWITCH, None, None)
    running = armed(run_ticks=1_000)
    running.used_ticks = 300
    running.begin(50)
    assert running.waits(st.RUNNING, 150) == (st.NOTHING, None, 600)
    assert running.waits(st.HOLDING, 150) == (st.RANGE, None, 600)
    assert running.waits(st.RUNNING, 9_000) == (st.NOTHING, None, 0)


def by_hand(level_ua=40_000, for_ticks=0, seen=None):
    return run.by_hand(5, level_ua, for_ticks, BOARD, BANK, seen or readings())


def test_a_hand_level_lies_between_the_own_consumption_and_the_whole_bank():
    most_ua = 11_000 + 88_200  # 7 mS at 12.6 V
    for level_ua in (11_000, most_ua):
        one = by_hand(level_ua)
        assert (one.slot, one.serial, one.number, one.by) == (None, 0, 0, 0)
        assert one.program.draws == ((pg.STEADY, level_ua),)
    for level_ua in (10_999, most_ua + 1):
        refused(-222, by_hand, level_ua)


def test_a_hand_levels_time_is_its_own_or_the_boards():
    caps = BOARD.caps["run_ticks"]
    assert by_hand().limits.run_ticks == caps
    assert by_hand(for_ticks=1).limits.run_ticks == 1
    assert by_hand(for_ticks=caps + 1).limits.run_ticks == caps
    assert by_hand(for_ticks=2**32 - 1).limits.run_ticks == caps
    for ticks in (-1, 2**32):
        assert "time is out of range" in refused(-222, by_hand, 40_000, ticks)


def test_a_hand_level_needs_good_readings():
    assert "supply-low" in refused(-221, by_hand, 20_000, 0, readings(supply_mv=8_999))
    assert by_hand(20_000, 0, readings(supply_mv=9_000))
    assert "bank-hot" in refused(-221, by_hand, 20_000, 0, readings(bank_cdeg=11_001))

"""When step() is due again, what a sensing between two steps sees, and what bookkeeping a move leaves."""

import pytest
from boxcore import program as pg
from boxcore import states as st

from tests.boxcore import fakes
from tests.boxcore.plans import STEADY, S, plan
from tests.boxcore.test_box_run import started
from tests.micropython import doors


def test_a_box_that_waits_for_its_switch_looks_again_after_a_tenth_of_a_second():
    world = started(plan(STEADY, start=pg.START_PANEL)).run(2 * S)
    assert world.box.step(world.now) == world.now + S // 10


def test_a_box_with_nothing_to_do_looks_again_after_five_seconds():
    world = fakes.World().boot().run(12 * S)
    world.now = 20 * S
    assert world.box.step(world.now) == 25 * S


def test_a_box_that_holds_looks_again_after_a_tenth_of_a_second():
    world = started(plan(STEADY)).run(2 * S)
    world.readings.supply_mv = 11_000
    world.sense()
    world.run(S // 2)
    assert world.box.step(world.now) == world.now + S // 10


def test_an_idle_box_wakes_for_what_waits_to_be_written():
    """Records go out at whole ten seconds of the clock: the next step comes then, not five seconds later."""
    world = started(plan(STEADY, run_ticks=2 * S)).run(13 * S)
    world.box.clear(world.now)
    assert world.kinds()[-1] == "clear"
    world.now = 16 * S
    assert world.box.step(world.now) == 20 * S
    before = world.store.operations
    world.visit(20 * S)
    assert world.store.operations == before + 1
    assert world.box.deadline == 25 * S


def test_acknowledging_is_journaled_but_not_where_there_is_nothing_to_acknowledge():
    world = fakes.World().boot()
    world.box.clear(0)
    assert "clear" not in world.kinds()


@pytest.mark.parametrize("state", [st.RUNNING, st.HOLDING, st.LEVEL])
def test_a_trip_ends_the_account_of_time_and_charge(state):
    world = started(plan(STEADY)) if state != st.LEVEL else fakes.World().boot()
    if state == st.LEVEL:
        world.box.level(world.now, 40_000)
    world.run(10 * S)
    if state == st.HOLDING:
        world.readings.supply_mv = 11_000
        world.sense()
    assert world.box.state == state
    world.readings.bank_cdeg = 12_000
    world.sense()
    tripped = world.now
    used = doors.used(world.box, tripped)
    assert used[0] == tripped
    world.run(50 * S)
    assert world.box.state == st.TRIPPED
    assert doors.used(world.box, world.now) == used


def sensed(world, now, ua):
    """One sensing at a tick, between the steps."""
    world.now = now
    world.readings.bank_ua = ua
    world.sense()


def true_ua(world):
    return world.box.bank.current_ua(world.hal.pattern_at(world.now), world.readings.supply_mv)


def monitored(*draws):
    return started(plan(*draws), the_board=fakes.board(monitor=True), sense_ticks=10**9)


def test_a_monitor_reading_is_held_against_what_plays_by_now():
    """An edge that came since the last step counts from its own tick, in both directions."""
    world = monitored(STEADY, (pg.PULSE, 350_000, S, 2 * S, 2 * S)).run(18_000)
    for at in (21_500, 22_500, 23_500):  # the pulse began at 20_000
        world.hal.run_to(at)
        world.now = at
        sensed(world, at, true_ua(world))
    assert world.box.flagged == st.NO_FAULT
    for at in (24_000, 24_500, 25_000):
        sensed(world, at, 0)
    assert world.box.flagged == st.SWITCH_OPEN
    (flag,) = world.records("flag")
    assert flag["pattern"] == world.hal.pattern_at(22_000) != world.hal.pattern_at(18_000)


def test_a_monitor_reading_soon_after_an_edge_of_a_run_says_nothing():
    world = monitored(STEADY, (pg.PULSE, 350_000, S, 2 * S, 2 * S)).run(18_000)
    for at in (20_100, 20_300, 20_600, 20_999):
        sensed(world, at, 0)
    assert world.box.flagged == st.NO_FAULT


def test_a_level_is_picked_anew_while_it_plays():
    """A second hand level replaces the first at its own tick, and the journal has both."""
    world = fakes.World().boot()
    world.box.level(world.now, 40_000)
    world.run(3 * S)
    first = world.hal.pattern_at(world.now)
    world.box.level(world.now, 200_000)
    world.run(S)
    assert first != world.hal.pattern_at(world.now) != 0
    assert [record["level_ua"] for record in world.records("level")] == [40_000, 200_000]
    assert all(record["arg"] == 0 for record in world.records("level"))
    assert doors.used(world.box, world.now)[0] == S


def test_the_queue_is_filled_two_fifths_of_a_second_before_a_start_and_no_sooner():
    world = started(plan(STEADY, start_after_ticks=10 * S))
    world.run(6 * S)
    for now, primed in ((10 * S - 4_001, False), (10 * S - 4_000, True)):
        world.now = now
        world.hal.run_to(now)
        world.box.step(now)
        assert world.box.player.primed is primed
    world.run(S)
    assert world.box.run_started == 10 * S


def test_what_was_queued_for_a_start_whose_condition_went_is_forgotten():
    """The supply rises in the last tenths of a second: the run begins when it has rested anew."""
    program = plan(STEADY, start=pg.START_REST, start_below_mv=13_000, start_steady_ticks=10 * S)
    world = started(program, sense_ticks=100).run(10 * S - 2_000)
    assert world.box.player.primed
    world.readings.supply_mv = 14_000
    world.run(300)
    assert (world.box.state, world.box.player.primed) == (st.WAITING, False)
    assert world.box.player.schedule.left_ticks > 10**9
    world.readings.supply_mv = 12_600
    back = world.now
    world.until(st.RUNNING)
    assert back + 10 * S <= world.box.run_started <= back + 10 * S + 100
    assert world.hal.pattern_at(world.box.run_started - 1) == 0


def test_the_ledger_is_written_every_ten_seconds_of_a_run_with_fifteen_ahead():
    """56 times 10 s and no write between: each says what the next 15 s may use."""
    world = started(plan(STEADY))
    written = []
    keep = world.box.ledger.keep

    def watched():
        written.append((world.now, world.box.ledger.used_ticks))
        keep()

    world.box.ledger.keep = watched
    world.run(61 * S)
    assert [tick // S for tick, _ in written] == [10, 20, 30, 40, 50, 60]
    assert all(used == tick + 15 * S for tick, used in written)


def test_the_reserve_is_written_two_seconds_before_a_start_and_no_sooner():
    world = started(plan(STEADY, start_after_ticks=10 * S))
    run, ledger = world.box.run_account, world.box.ledger
    assert not ledger.is_lead(8 * S - 1, run)
    assert ledger.is_lead(8 * S, run)
    assert ledger.is_lead(11 * S, run)


def test_a_ledger_that_could_not_be_written_is_tried_again_after_ten_seconds():
    world = started(plan(STEADY, run_ticks=5 * S)).run(4 * S)
    world.store.broken = True
    world.run(3 * S)  # it ends meanwhile, and that can't be written down
    assert world.box.state == st.ENDED
    failed = world.box.ledger.due - 10 * S
    assert 5 * S <= failed <= 5 * S + 2
    world.store.broken = False
    world.run(10 * S)
    assert world.box.ledger.phase == 3  # ended, and kept


@pytest.mark.parametrize("by", ["link", "panel"])
def test_a_halt_ends_the_account_of_time_and_charge(by):
    world = started(plan(STEADY)).run(10 * S)
    if by == "link":
        world.box.halt(world.now)
    else:
        world.box.disarm(world.now, st.BY_PANEL)
    used = doors.used(world.box, world.now)
    assert used[0] == 10 * S
    world.run(50 * S)
    assert doors.used(world.box, world.now) == used


def test_a_run_whose_ledger_cannot_be_written_trips_and_tries_again_after_ten_seconds():
    world = started(plan(STEADY)).run(9 * S)
    world.store.broken = True
    world.until(st.TRIPPED)
    assert world.box.fault == st.STORAGE_BAD
    assert world.box.ledger.due == world.now + 10 * S

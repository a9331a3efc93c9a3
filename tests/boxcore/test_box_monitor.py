"""A measured bank current against what plays: what is flagged, what trips, and what says nothing."""

from boxcore import port
from boxcore import program as pg
from boxcore import states as st

from tests.boxcore import fakes
from tests.boxcore.plans import PULSE, STEADY, S, plan
from tests.boxcore.test_box_run import started
from tests.micropython import doors


def measured(fault_ns=0, lacking=0, draws=(STEADY, PULSE), seconds=30):
    """A run with a monitor: the true bank has fault_ns more than it should, or lacks a pattern's channels."""
    world = started(plan(*draws), the_board=fakes.board(monitor=True))
    for _ in range(seconds * 20):
        pattern = world.hal.pattern_at(world.now) & ~lacking
        siemens_ns = world.box.bank.conductance_ns(pattern) + fault_ns
        world.readings.bank_ua = siemens_ns * world.readings.supply_mv // 10**6
        world.sense()
        world.run(500)
    return world


def test_a_right_bank_is_not_flagged():
    world = measured()
    assert (world.box.flagged, doors.questionable(world.box)) == (0, 0)
    assert world.records("flag") == []


def test_a_stuck_switch_is_flagged_and_the_run_goes_on():
    world = measured(fault_ns=3_000_000)
    assert world.box.state == st.RUNNING
    assert (world.box.flagged, doors.questionable(world.box)) == (st.SWITCH_ON, 1 << 10)
    (flag,) = world.records("flag")
    assert flag["fault"] == "switch-on"
    world.box.halt(world.now)
    assert doors.questionable(world.box) == 0


def test_an_open_channel_that_only_the_pulse_uses_is_flagged():
    world = measured(lacking=1 << 8, draws=(STEADY, (pg.PULSE, 350_000, 3_000, 30_000, 0)))
    assert world.box.flagged == st.SWITCH_OPEN


def test_a_queue_that_ran_dry_flags_no_switch():
    """The hardware has opened them all, and the box is told so only by its next step."""
    world = started(plan(STEADY), the_board=fakes.board(monitor=True)).run(5 * S)
    for _ in range(5):
        world.now += 2 * S
        world.hal.run_to(world.now)
        world.readings.bank_ua = 0
        world.sense()
        world.readings.bank_ua = port.NOT_MEASURED
        world.run(5 * S)
    assert len(world.records("starved")) == 5
    assert (world.box.state, world.box.flagged) == (st.RUNNING, 0)
    world.now += 2 * S
    world.readings.bank_ua = 10**8
    world.sense()
    assert world.box.state == st.TRIPPED  # far too much is too much at any time

"""Holds, trips and start rules on the whole box: what opens the switches, and what closes them."""

import itertools

import pytest
from boxcore import guard, port
from boxcore import program as pg
from boxcore import states as st

from tests.boxcore import fakes
from tests.boxcore.plans import PULSE, STEADY, S, mas, open_between, patterns, plan
from tests.boxcore.test_box_run import changes, started
from tests.micropython import doors


def closed(world):
    return world.hal.pattern_at(world.now) != 0


HOLDS = [(11_799, "supply-low"), (16_001, "supply-high")]
TRIPS = [
    ("bank_cdeg", 9_001, "bank-hot", 4),
    ("board_cdeg", 8_501, "board-hot", 4),
    ("bank_cdeg", -12_000, "sensor-bad", 4),
    ("board_cdeg", -12_000, "sensor-bad", 4),
    ("bank_ua", 5_000_000, "over-current", 1),
]
# what no single reading is: several in a row, what is used up, the store, the program; each with its own test
NO_READING = {"switch-on", "switch-open", "time-used", "charge-used", "storage-bad", "too-fast"}


def test_no_fault_is_without_a_test_of_what_brings_it():
    brought = {row[-1] for row in HOLDS} | {row[2] for row in TRIPS} | NO_READING
    assert brought == {row[0] for row in st.FAULTS.values()}  # a new one: a row of TRIPS or HOLDS


@pytest.mark.parametrize(("supply_mv", "name"), HOLDS)
def test_a_supply_out_of_range_opens_in_the_same_call_and_comes_back_in_step(supply_mv, name):
    program = plan(STEADY, PULSE)
    world = started(program).run(10 * S + 4_321)
    world.readings.supply_mv = supply_mv
    world.sense()
    now = world.now
    assert (world.box.state, doors.questionable(world.box)) == (st.HOLDING, 1)
    assert world.played()[-1] == (now, 0)
    assert world.records()[-1]["kind"] == "hold"
    hold = world.records("hold")[0]
    assert (hold["tick"], hold["fault"], hold["reading"]) == (now, name, supply_mv)
    world.run(20 * S)
    assert open_between(world.played(), now, world.now)
    world.readings.supply_mv = 12_600
    back = world.now
    world.run(guard.RELEASE_TICKS - 1_000)
    assert world.box.state == st.HOLDING
    world.run(40 * S)
    assert (world.box.state, doors.questionable(world.box)) == (st.RUNNING, 0)
    (release,) = world.records("release")
    assert guard.RELEASE_TICKS <= release["tick"] - back <= guard.RELEASE_TICKS + 2_000
    begin = release["tick"] + 30_000
    whole = patterns(program, world.board, world.now)
    assert changes(world, begin, world.now) == [edge for edge in whole if edge[0] >= begin]
    assert world.box.run_started == 0


def test_run_time_and_own_consumption_go_on_while_held():
    world = started(plan(STEADY, run_ticks=30 * S)).run(10 * S)
    world.readings.supply_mv = 11_000
    world.sense()
    world.run(10 * S)
    ticks, used = doors.used(world.box, world.now)
    assert ticks == 20 * S
    assert abs(used - mas(world.played(), world.board, 0, 20 * S)) < 5
    world.run(15 * S)
    assert world.box.state == st.ENDED
    assert world.records("end")[0]["tick"] == 30 * S


def test_a_held_run_that_the_box_slept_through_ends_at_its_limit():
    world = started(plan(STEADY, run_ticks=30 * S)).run(10 * S)
    world.readings.supply_mv = 11_000
    world.sense()
    world.now += 60 * S
    world.visit(world.now)
    assert world.box.state == st.ENDED
    ticks, used = doors.used(world.box, world.now)
    assert ticks == world.records("end")[0]["tick"] == 30 * S
    assert abs(used - mas(world.played(), world.board, 0, 30 * S)) < 5


def test_charge_can_run_out_while_held():
    world = started(plan(STEADY, charge_mas=500)).run(10 * S)
    world.readings.supply_mv = 11_000
    world.sense()
    world.run(60 * S)
    assert (world.box.state, world.box.fault) == (st.ENDED, st.CHARGE_USED)


def test_a_tired_battery_does_not_chatter():
    # 1.2 ohm of source resistance: a pulse of 0.35 A pulls the supply down by 0.42 V, below its limit
    world = started(plan(STEADY, PULSE))
    for _ in range(60_000 // 20 * 20):
        world.readings.supply_mv = 12_150 - (420 if world.hal.pattern_at(world.now) == 317 else 48)
        world.run(200)
    holds = world.records("hold")
    assert len(holds) <= 60_000 * 200 // guard.RELEASE_TICKS
    assert all(
        later["tick"] - hold["tick"] >= guard.RELEASE_TICKS for hold, later in itertools.pairwise(holds)
    )


@pytest.mark.parametrize(("field", "value", "name", "bit"), TRIPS)
@pytest.mark.parametrize("held", [False, True])
def test_a_trip_opens_in_the_same_call_and_stays(field, value, name, bit, held):
    world = started(plan(STEADY, PULSE)).run(10 * S + 321)
    if held:
        world.readings.supply_mv = 11_000
        world.sense()
        assert world.box.state == st.HOLDING
    setattr(world.readings, field, value)
    world.sense()
    assert (world.box.state, doors.questionable(world.box)) == (st.TRIPPED, 1 << bit)
    assert world.played()[-1] == (world.now, 0)
    trip = world.records("trip")[0]
    assert (trip["tick"], trip["fault"], trip["reading"] & 0xFFFFFFFF) == (
        world.now,
        name,
        value & 0xFFFFFFFF,
    )
    setattr(world.readings, field, port.NOT_MEASURED)
    world.readings.supply_mv = 12_600
    world.run(600 * S)
    assert world.box.state == st.TRIPPED
    assert open_between(world.played(), trip["tick"], world.now)
    with pytest.raises(st.BoxError) as refusal:
        world.box.arm(world.now, 0)
    assert refusal.value.code == -221
    world.cut().run(60 * S)
    assert (world.box.state, doors.questionable(world.box)) == (st.TRIPPED, 1 << bit)
    assert not closed(world)
    world.box.clear(world.now)
    assert world.cut().box.state == st.IDLE


def test_the_switches_are_open_before_anything_else_happens():
    world = started(plan(STEADY)).run(10 * S)
    seen = []
    stop = world.hal.stop

    def note():
        seen.append((world.box.state, world.store.operations, len(world.records())))
        stop()

    world.hal.stop = note
    before = (world.box.state, world.store.operations, len(world.records()))
    world.readings.bank_cdeg = 9_500
    world.sense()
    assert seen[0] == before
    assert world.box.state == st.TRIPPED
    assert world.store.operations == before[1]  # nothing is written by sense(): flash stalls the processor


def test_a_run_that_would_begin_too_hot_trips_and_never_loads():
    world = fakes.World().boot()
    world.readings.bank_cdeg = 9_500
    world.arm(plan(STEADY)).run(5 * S)
    assert world.box.state == st.TRIPPED
    assert world.played() == [(0, 0)]


def test_what_was_queued_for_a_start_that_is_held_is_no_edge():
    world = fakes.World().boot().arm(plan(STEADY, start_after_ticks=S))
    world.run(S - 100)
    assert world.box.player.primed
    world.readings.supply_mv = 11_700
    world.run(S)
    assert world.box.state == st.HOLDING
    assert world.kinds()[-3:] == ["arm", "start", "hold"]
    assert not closed(world)


def test_a_run_that_begins_on_a_low_supply_holds_and_comes_in_step():
    program = plan(STEADY, PULSE)
    world = fakes.World().boot()
    world.readings.supply_mv = 11_000
    world.arm(program).run(8 * S)
    assert (world.box.state, world.box.run_started) == (st.HOLDING, 0)
    assert world.played() == [(0, 0)]
    world.readings.supply_mv = 12_600
    world.run(30 * S)
    begin = world.records("release")[0]["tick"] + 30_000
    whole = patterns(program, world.board, world.now)
    assert changes(world, begin, world.now) == [edge for edge in whole if edge[0] >= begin]


# Start rules


def test_usb_alone_starts_nothing():
    world = fakes.World().boot()
    world.readings.supply_mv = 4_700
    world.arm(plan(STEADY)).run(600 * S)
    assert (world.box.state, world.box.run_started) == (st.WAITING, None)
    world.readings.supply_mv = 12_600
    world.run(2_000)
    assert world.box.state == st.RUNNING
    assert 600 * S <= world.box.run_started <= 600 * S + 1_001


def test_rest_waits_for_the_engine_to_be_off_and_the_car_to_sleep():
    world = fakes.World().boot()
    world.readings.supply_mv = 14_300
    program = plan(
        STEADY,
        start=pg.START_REST,
        start_below_mv=13_000,
        start_steady_ticks=60 * S,
        start_after_ticks=900 * S,
    )
    world.arm(program).run(500 * S)
    world.readings.supply_mv = 12_700
    world.run(900 * S)
    world.readings.supply_mv = 14_300
    world.run(10 * S)
    world.readings.supply_mv = 12_700
    off = world.now
    world.run(959 * S)
    assert world.box.state == st.WAITING
    world.run(2 * S)
    assert world.box.state == st.RUNNING
    assert off + 960 * S <= world.box.run_started <= off + 960 * S + 1_000
    assert open_between(world.played(), 0, world.box.run_started)


def test_the_first_edge_of_a_run_is_not_delayed_by_a_write():
    world = fakes.World().boot()
    world.readings.supply_mv = 14_300
    world.arm(plan(STEADY, start=pg.START_REST, start_below_mv=13_000, start_after_ticks=60 * S)).run(S)
    world.readings.supply_mv = 12_600
    world.run(57 * S)
    before = world.store.operations
    while world.box.state == st.WAITING:
        ready = world.store.operations
        world.visit(world.box.deadline)
        if world.box.state == st.WAITING:
            assert not world.hal.playing
    assert ready > before  # the reserve was written ahead of time
    assert world.box.run_started >= S + 60 * S


# The panel


def turn(world, arm=None, selector=None, ticks=2_000):
    world.readings.arm = world.readings.arm if arm is None else arm
    world.readings.selector = world.readings.selector if selector is None else selector
    return world.run(ticks)


def panel_world(start=pg.START_PANEL):
    world = fakes.World().boot()
    world.load(plan(STEADY, start=start), slot=7)
    return world.run(S)


@pytest.mark.parametrize("start", [pg.START_PANEL, pg.START_POWER])
def test_the_switch_arms_the_selectors_slot_and_off_halts(start):
    world = panel_world(start)
    turn(world, selector=7)
    assert world.box.state == st.IDLE
    turn(world, arm=True)
    assert (world.box.state, world.box.slot, world.box.run) == (st.RUNNING, 7, 1)
    assert world.records("arm")[0]["by"] == "panel"
    turn(world, selector=3)
    assert world.box.slot == 7
    world.readings.arm = False
    world.sense()
    assert (world.box.state, closed(world)) == (st.IDLE, False)
    assert world.records("halt")[0]["by"] == "panel"
    world.run(S)
    assert world.cut().box.state == st.IDLE
    turn(world, selector=7, ticks=S)
    turn(world, arm=True)
    assert (world.box.state, world.box.run) == (st.RUNNING, 2)


def test_a_program_armed_by_the_link_waits_for_the_switch():
    world = panel_world()
    world.box.arm(world.now, 7)
    world.run(60 * S)
    assert world.box.state == st.WAITING
    turn(world, arm=True)
    assert (world.box.state, world.box.run) == (st.RUNNING, 1)


def test_an_empty_slot_is_refused_and_journaled():
    world = panel_world()
    turn(world, arm=True, selector=2)
    assert world.box.state == st.IDLE
    (refused,) = world.records("refused")
    assert (refused["slot"], refused["error"]) == (2, 282)


def test_a_switch_that_is_on_at_power_up_arms_nothing():
    world = panel_world()
    world.readings.arm = True
    world.cut().run(60 * S)
    assert world.box.state == st.IDLE
    turn(world, arm=False)
    turn(world, arm=True, selector=7)
    assert world.box.state == st.RUNNING


def test_off_halts_a_trip_a_hand_level_and_a_run_of_the_link():
    world = panel_world(pg.START_POWER)
    turn(world, arm=True, selector=0)
    world.box.level(world.now, 40_000)
    turn(world, arm=False)
    assert world.box.state == st.IDLE
    turn(world, arm=True)
    world.box.arm(world.now, 7)
    turn(world)
    assert world.box.state == st.RUNNING
    world.readings.bank_cdeg = 9_500
    turn(world)
    assert world.box.state == st.TRIPPED
    world.readings.bank_cdeg = 2_500
    turn(world, arm=False)
    assert (world.box.state, doors.questionable(world.box)) == (st.IDLE, 0)


def test_a_run_of_the_panel_comes_back_while_its_switch_is_on():
    world = panel_world(pg.START_POWER)
    turn(world, arm=True, selector=7, ticks=20 * S)
    world.cut().run(20 * S)
    assert (world.box.state, world.box.run) == (st.RUNNING, 1)


def test_a_run_of_the_panel_does_not_come_back_when_its_switch_was_turned_off_meanwhile():
    world = panel_world(pg.START_POWER)
    turn(world, arm=True, selector=7, ticks=20 * S)
    world.readings.arm = False
    world.cut().run(20 * S)
    assert world.box.state == st.IDLE
    assert not any(pattern for _, pattern in world.played())
    assert world.records("halt")[-1]["by"] == "panel"


def test_contacts_that_settle_after_power_up_neither_halt_nor_arm_anew():
    world = panel_world(pg.START_POWER)
    turn(world, arm=True, selector=7, ticks=20 * S)
    world.readings.arm = False  # the shell has not seen the switch twice yet
    world.cut().run(2_000)
    world.readings.arm = True
    world.run(20 * S)
    assert (world.box.state, world.box.run) == (st.RUNNING, 1)

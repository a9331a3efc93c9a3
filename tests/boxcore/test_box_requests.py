"""Requests: asked first, done second; what is refused changes nothing and has the standard's number."""

import pytest
from boxcore import panel, port
from boxcore import states as st
from nightdraw import programs

from tests.boxcore import fakes, refusals
from tests.boxcore.plans import PULSE, STEADY, S, open_between, plan
from tests.boxcore.test_box_run import started
from tests.documents import MOVES
from tests.micropython import doors


def picture(world):
    """All that a refused request must leave alone."""
    box = world.box
    return (
        box.state,
        box.slot,
        box.run,
        box.run_started,
        box.fault,
        doors.used(box, world.now),
        dict(world.store.files),
        world.records(),
        list(world.hal.words),
        list(world.played()),
        vars(box.ledger).copy(),
    )


def refused(world, code, call, *arguments):
    before = picture(world)
    message = refusals.refused(code, call, *arguments)
    assert message
    assert picture(world) == before
    return message


def worlds():
    """A world in each state."""
    idle = fakes.World().boot()
    idle.load(plan(STEADY))
    found = {
        st.IDLE: idle,
        st.WAITING: started(plan(STEADY, start_after_ticks=99 * S)),
        st.RUNNING: started(plan(STEADY)),
        st.HOLDING: started(plan(STEADY)),
        st.TRIPPED: started(plan(STEADY)),
        st.ENDED: started(plan(STEADY, run_ticks=5 * S)),
        st.LEVEL: fakes.World().boot(),
    }
    found[st.LEVEL].load(plan(STEADY))
    found[st.LEVEL].box.level(0, 40_000)
    for world in found.values():
        world.run(10 * S)
    found[st.HOLDING].readings.supply_mv = 11_000
    found[st.TRIPPED].readings.bank_cdeg = 9_500
    for state, world in found.items():
        world.run(S)
        assert world.box.state == state
    return found


@pytest.mark.parametrize("state", st.STATES)
def test_the_table_decides_what_each_state_allows(state):
    for event, call in {
        "arm": lambda box, now: box.arm(now, 0),
        "level": lambda box, now: box.level(now, 40_000),
        "clear": lambda box, now: box.clear(now),
        "halt": lambda box, now: box.halt(now),
    }.items():
        world = worlds()[state]
        if (state, event) in MOVES:
            call(world.box, world.now)
            assert world.box.state == MOVES[state, event]
        else:
            refused(world, -221, call, world.box, world.now)


@pytest.mark.parametrize("state", st.STATES)
def test_a_halt_opens_at_once_and_is_never_taken_back(state):
    world = worlds()[state]
    world.box.halt(world.now)
    world.hal.run_to(world.now)
    assert world.hal.pattern_at(world.now) == 0
    now = world.now
    world.readings.supply_mv, world.readings.bank_cdeg = 12_600, 2_500
    world.run(60 * S)
    assert world.box.state == st.IDLE
    assert open_between(world.played(), now, world.now)
    world.cut().run(60 * S)
    assert world.box.state == st.IDLE
    assert not any(pattern for _, pattern in world.played())


def test_arming_wants_a_program():
    world = fakes.World().boot().run(S)
    refused(world, -282, world.box.arm, world.now, 5)
    world.load(plan(STEADY), slot=5)
    world.store.files["slot5"] = world.store.files["slot5"][:-1]
    refused(world, -311, world.box.arm, world.now, 5)


def test_arming_that_cannot_be_written_down_is_refused():
    world = fakes.World().boot()
    world.load(plan(STEADY))
    world.run(S)
    world.store.broken = True
    with pytest.raises(st.BoxError) as refusal:
        world.box.arm(world.now, 0)
    assert refusal.value.code == -250
    world.run(30 * S)
    assert (world.box.state, world.played()) == (st.IDLE, [(0, 0)])
    world.store.broken = False
    world.box.arm(world.now, 0)
    assert world.box.run == 1


def test_runs_count_from_one_for_every_stored_program():
    world = fakes.World().boot()
    for slot in (2, 3):
        world.load(plan(STEADY), slot)
    for expected in (1, 2, 3):
        world.box.arm(world.now, 2)
        assert world.box.run == expected
        world.box.halt(world.now)
        world.cut()
    world.box.arm(world.now, 3)
    assert world.box.run == 1
    world.box.halt(world.now)
    world.load(plan(STEADY), 2)  # the same program, stored anew
    world.box.arm(world.now, 2)
    assert world.box.run == 1


def test_the_armed_slot_cannot_be_changed_any_other_can():
    world = started(plan(STEADY)).run(S)
    data = programs.pack(plan(PULSE))
    refused(world, -284, doors.call, world.box, world.now, "PROGram:EXPLicit:DELete", 0)
    refused(world, -284, doors.store, world.box, 0, data)
    doors.store(world.box, 1, data)
    doors.call(world.box, world.now, "PROGram:EXPLicit:DELete", 1)
    assert world.box.state == st.RUNNING
    world.box.halt(world.now)
    doors.store(world.box, 0, data)


def test_a_stream_that_breaks_off_leaves_the_box_as_it_was():
    world = started(plan(STEADY)).run(S)
    data = programs.pack(plan(PULSE))
    world.box.slots.open_write(4)
    world.box.slots.write(data[:30])
    world.box.slots.abort()
    world.run(S)
    assert world.box.slots.infos[4] is None
    assert world.box.state == st.RUNNING


# A level by hand


def test_a_hand_level_plays_at_once_and_ends_to_the_tick():
    world = fakes.World().boot().run(S)
    world.box.level(world.now, 250_000, 3 * S + 77)
    assert abs(world.box.level_ua - 250_000) < 800
    assert (world.box.slot, world.box.run, world.box.run_started) == (None, None, None)
    assert st.OPERATION.get(world.box.state, 0) == 1 << 9
    world.run(10 * S)
    assert world.box.state == st.IDLE
    assert world.played()[-1] == (S + 3 * S + 77, 0)
    assert [k for k in world.kinds() if k not in ("page", "boot")] == ["level", "edge", "end"]


def test_a_hand_level_without_a_time_lasts_until_it_is_halted():
    world = fakes.World().boot()
    world.box.level(0, 250_000)
    world.run(5_000 * S)
    assert world.box.state == st.LEVEL
    world.box.level(world.now, 120_000)
    world.run(S)
    assert abs(world.box.level_ua - 120_000) < 800
    world.box.halt(world.now)
    assert (world.box.state, world.played()[-1]) == (st.IDLE, (world.now, 0))


def test_a_hand_level_is_refused_where_it_cannot_be():
    world = fakes.World().boot().run(S)
    full = world.board.own_ua + world.box.bank.full_ua(12_600)
    world.box.level(world.now, full)
    world.box.level(world.now, world.board.own_ua)
    world.box.halt(world.now)
    for level_ua in (full + 1, world.board.own_ua - 1):
        message = refused(world, -222, world.box.level, world.now, level_ua)
        assert f" {world.board.own_ua} uA " in message  # the lowest there is
    refused(world, -222, world.box.level, world.now, 40_000, -1)
    refused(world, -222, world.box.level, world.now, 40_000, 2**32)
    for name, value in {"supply_mv": 8_999, "bank_cdeg": 11_001}.items():
        setattr(world.readings, name, value)
        message = refused(world, -221, world.box.level, world.now, 40_000)
        assert message.endswith("supply-low" if name == "supply_mv" else "bank-hot")
        setattr(world.readings, name, 12_600 if name == "supply_mv" else 2_500)
    world.readings.supply_mv = 0
    refused(world, -221, world.box.level, world.now, 40_000)


def test_a_guard_ends_a_hand_level_as_a_trip():
    world = fakes.World().boot()
    world.box.level(0, 40_000)
    world.run(S)
    world.readings.supply_mv = 8_900
    world.sense()
    assert (world.box.state, world.hal.pattern_at(world.now)) == (st.TRIPPED, 0)
    world.run(S)
    world.cut().run(S)
    assert (world.box.state, world.box.slot) == (st.TRIPPED, None)


def test_a_hand_level_does_not_outlive_a_power_loss():
    world = fakes.World().boot()
    world.box.level(0, 40_000)
    world.run(60 * S)
    world.cut().run(60 * S)
    assert (world.box.state, world.played()) == (st.IDLE, [(0, 0)])


# Self-test


class Probed(fakes.FakeHal):
    """A hal with a true bank behind its probe()."""

    def probe(self, pattern):
        assert not self.playing
        self.probes.append(pattern)
        closed = pattern & ~self.lacking | self.stuck
        true_ns = sum(ns for k, ns in enumerate(self.true_ns) if closed >> k & 1)
        return true_ns * 12_600 // 10**6 + self.offset_ua


def probed(**faults):
    world = fakes.World(the_board=fakes.board(monitor=True)).boot()
    hal = world.hal
    hal.__class__ = Probed
    hal.true_ns, hal.stuck, hal.lacking, hal.offset_ua, hal.probes = world.board.channels_ns, 0, 0, 0, []
    for name, value in faults.items():
        setattr(hal, name, value)
    return world


def selftested(world):
    return int(doors.call(world.box, world.now, "*TST?"))


def test_a_sound_box_passes_and_each_channel_was_tried():
    world = probed(offset_ua=150)
    assert selftested(world) == 0
    assert world.hal.probes == [0] + [1 << k for k in range(10)]
    assert world.played() == [(0, 0)]


@pytest.mark.parametrize("channel", range(1, 11))
def test_the_first_bad_channel_is_named(channel):
    bit = 1 << (channel - 1)
    assert selftested(probed(lacking=bit)) == channel
    assert selftested(probed(stuck=bit)) == channel
    assert selftested(probed(lacking=bit | 1 << 9)) == channel
    world = probed()
    world.hal.true_ns = [ns * (8 if k == channel - 1 else 10) // 10 for k, ns in enumerate(world.hal.true_ns)]
    assert selftested(world) == channel


def test_a_monitor_that_does_not_answer_a_supply_that_is_not_there_and_a_damaged_slot():
    world = fakes.World(the_board=fakes.board(monitor=True)).boot()
    assert selftested(world) == 111
    world = probed()
    world.readings.supply_mv = 4_700
    assert selftested(world) == 110
    assert world.hal.probes == []
    world.load(plan(STEADY), slot=6)
    world.store.files["slot6"] = b"x" * 40
    assert selftested(world) == 106


def test_without_a_monitor_only_what_is_stored_is_tested():
    world = fakes.World().boot()
    assert selftested(world) == 0
    world.store.files["slot3"] = b""
    assert selftested(world) == 103


@pytest.mark.parametrize("state", st.STATES)
def test_no_selftest_while_anything_plays(state):
    world = worlds()[state]
    if state in st.PLAYING:
        refused(world, -221, selftested, world)
    else:
        assert selftested(world) == 0


def test_a_clock_pair_is_journaled():
    world = fakes.World().boot().run(S)
    doors.call(world.box, world.now, "DIAGnostic:CLOCk", 1_800_000_000, 0)
    (clock,) = world.records("clock")
    assert (clock["tick"], clock["utc_s"]) == (2 * S, 1_800_000_001)  # the next second's begin


def test_the_monitor_reading_of_a_board_without_one_is_never_believed():
    world = started(plan(STEADY)).run(60 * S)
    assert world.readings.bank_ua == port.NOT_MEASURED
    assert world.box.flagged == 0


def test_a_request_that_changes_nothing_writes_nothing():
    world = fakes.World().boot().run(20 * S)
    before = world.store.operations
    for _ in range(100):
        world.box.halt(world.now)
        world.box.clear(world.now)
    world.run(60 * S)
    assert world.store.operations == before


def test_a_self_test_after_a_halt_shortly_before_a_start_arms_nothing():
    """The queue was filled for the start already: nothing may take that for a run that waits."""
    world = fakes.World().boot()
    world.arm(plan(STEADY, start_after_ticks=2 * S))
    world.run(2 * S - 1_000)
    assert world.box.player.primed
    world.box.halt(world.now)
    assert int(doors.call(world.box, world.now, "*TST?")) == 0
    assert world.box.state == st.IDLE
    world.run(5 * S)
    assert world.box.state == st.IDLE
    assert not world.hal.playing


class Asked:
    """As much of a box as its arm switch sees."""

    def __init__(self):
        self.state = st.WAITING
        self.run_account = self
        self.by = st.BY_PANEL
        self.disarmed = []

    def disarm(self, now, by):
        self.disarmed.append(now)


def test_contacts_are_believed_half_a_second_after_power_and_no_sooner():
    asked = Asked()
    switch = panel.ArmSwitch(asked, 100, True)
    for now in (101, 2_600, 5_099):  # 5000 ticks of 100 us
        switch.sense(now, False)
        assert asked.disarmed == []
    switch.sense(5_100, False)
    assert asked.disarmed == [5_100]

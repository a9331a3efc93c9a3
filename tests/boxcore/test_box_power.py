"""Losing power: a run comes back by its own rule, budgets are never given back, and what was stored is old or
new. The power is cut at store operation 1, 2, 3, ... until the work survives."""

import pytest
from boxcore import bank, guard, ledger, run
from boxcore import journal as jn
from boxcore import program as pg
from boxcore import slots as sl
from boxcore import states as st
from hypothesis import given
from hypothesis import strategies as some
from nightdraw import programs

from tests.boxcore import fakes
from tests.boxcore.plans import PULSE, RANDOM, STEADY, S, mas, open_between, patterns, plan
from tests.boxcore.test_box_run import changes, started
from tests.micropython import doors

MOST_CUTS = 400


def loaded(world, begin=0, end=None):
    """True where any switch was closed between two ticks."""
    return not open_between(world.played(), begin, world.now + 1 if end is None else end)


# The resume rules


def test_restart_plays_the_same_run_from_its_beginning():
    program = plan(STEADY, RANDOM, seed=9)
    world = started(program).run(47 * S)
    world.cut().run(30 * S)
    assert (world.box.state, world.box.run, world.box.run_started) == (st.RUNNING, 1, 0)
    assert changes(world, 0, 30 * S) == patterns(program, world.board, 30 * S)
    assert [record["by"] for record in world.records("arm")] == ["link", "resume"]


def test_continue_goes_on_from_where_the_ledger_was_written():
    program = plan(STEADY, RANDOM, seed=9, resume=pg.RESUME_CONTINUE)
    world = started(program).run(47 * S)
    world.cut().run(30 * S)
    position = world.records("start")[-1]["position"]
    assert 47 * S - ledger.SAVE_TICKS - ledger.LEAD_TICKS <= position <= 47 * S
    began = world.box.run_started + position
    assert 0 <= began < 1_000
    whole = patterns(program, world.board, 100 * S, start=world.box.run_started)
    edges = [edge for edge in whole if edge[0] > began]
    assert changes(world, began + 1, 30 * S) == [edge for edge in edges if edge[0] < 30 * S]


def test_continue_passes_hours_of_short_pulses_in_pieces():
    program = plan((pg.PULSE, 350_000, 20, 50, 0), resume=pg.RESUME_CONTINUE, run_ticks=9_000 * S)
    world = started(program, sense_ticks=10_000).run(300 * S)
    world.cut()
    world.run(20 * S)
    assert world.box.state == st.RUNNING
    whole = patterns(program, world.board, 400 * S, start=world.box.run_started)
    begin = world.records("start")[-1]["tick"] + 1
    assert changes(world, begin, 20 * S) == [edge for edge in whole if begin <= edge[0] < 20 * S]


def test_stay_off_stays_off():
    world = started(plan(STEADY, resume=pg.RESUME_STAY_OFF)).run(47 * S)
    world.cut().run(600 * S)
    assert (world.box.state, loaded(world)) == (st.IDLE, False)
    assert world.records("halt")[-1]["by"] == "resume"
    world.arm().run(S)
    assert (world.box.state, world.box.run) == (st.RUNNING, 2)


@pytest.mark.parametrize("resume", [pg.RESUME_RESTART, pg.RESUME_CONTINUE, pg.RESUME_STAY_OFF])
def test_a_program_armed_on_the_desk_waits_through_any_power_loss(resume):
    world = fakes.World().boot()
    world.readings.supply_mv = 4_700  # USB
    world.arm(plan(STEADY, resume=resume, run_ticks=30 * S)).run(60 * S)
    for _ in range(5):
        world.cut().run(60 * S)
        assert world.box.state == st.WAITING
    world.readings.supply_mv = 12_600
    world.cut().run(S)
    assert (world.box.state, world.box.run) == (st.RUNNING, 1)
    assert doors.used(world.box, world.now)[0] <= S  # waiting uses nothing up
    assert doors.used(world.box, world.now)[1] < 100


def test_the_quiet_time_keeps_a_put_back_fuse_from_giving_the_game_away():
    world = started(plan(STEADY, resume_after_ticks=300 * S, start_after_ticks=10 * S)).run(60 * S)
    world.cut().run(309 * S)
    assert (world.box.state, loaded(world)) == (st.WAITING, False)
    world.run(2 * S)
    assert world.box.run_started == 310 * S
    world.cut().run(100 * S)
    assert not loaded(world)


def test_an_ended_run_stays_ended():
    world = started(plan(STEADY, run_ticks=20 * S)).run(30 * S)
    world.cut().run(600 * S)
    assert (world.box.state, doors.questionable(world.box), loaded(world)) == (st.ENDED, 1 << 2, False)
    assert doors.used(world.box, world.now)[0] == 20 * S


# A supply that goes while USB keeps the box alive is a power loss too


@pytest.mark.parametrize(
    ("resume", "state"),
    [(pg.RESUME_RESTART, st.RUNNING), (pg.RESUME_CONTINUE, st.RUNNING), (pg.RESUME_STAY_OFF, st.IDLE)],
)
def test_a_fuse_pulled_under_usb_follows_the_resume_rule(resume, state):
    program = plan(STEADY, PULSE, resume=resume, resume_after_ticks=30 * S)
    world = started(program).run(100 * S)
    world.readings.supply_mv = 4_700
    world.sense()
    assert world.box.state == st.HOLDING
    gone = world.now
    world.run(60 * S)
    assert world.box.state == (st.WAITING if state == st.RUNNING else st.IDLE)
    assert "gone" in world.kinds()
    world.readings.supply_mv = 12_600
    back = world.now
    world.run(20 * S)
    assert not loaded(world, gone)
    world.run(30 * S)
    assert world.box.state == state
    if state == st.RUNNING:
        lost = gone + guard.LOST_TICKS
        position = 0 if resume == pg.RESUME_RESTART else lost
        start = world.records("start")[-1]
        assert back + 30 * S <= start["tick"] <= back + 30 * S + 1_001
        assert position <= start["position"] <= position + 1_000
        whole = patterns(program, world.board, world.now, start=world.box.run_started)
        assert changes(world, start["tick"] + 1, world.now) == [
            edge for edge in whole if start["tick"] < edge[0] < world.now
        ]
        used = doors.used(world.box, world.now)[0]
        assert used == pytest.approx(lost + world.now - start["tick"], abs=1_000)


def test_an_engine_start_is_no_power_loss():
    world = started(plan(STEADY)).run(100 * S)
    world.readings.supply_mv = 5_500  # cranking
    world.run(guard.LOST_TICKS - 2_000)
    world.readings.supply_mv = 10_500
    world.run(2 * S)
    world.readings.supply_mv = 13_900
    world.run(20 * S)
    assert (world.box.state, world.box.run_started) == (st.RUNNING, 0)
    assert "gone" not in world.kinds()


# Budgets


def drained(world):
    """(ticks of run time, mas) really played since this boot, by the hardware's own account."""
    records = world.records()
    boots = [n for n, record in enumerate(records) if record["kind"] == "boot"] or [0]
    starts = [record["tick"] for record in records[boots[-1] :] if record["kind"] == "start"]
    if not starts:
        return 0, 0.0
    return world.now - starts[0], mas(world.played(), world.board, starts[0], world.now)


@pytest.mark.parametrize("resume", [pg.RESUME_RESTART, pg.RESUME_CONTINUE])
def test_pulling_the_fuse_never_gives_budget_back(resume):
    world = started(plan(STEADY, PULSE, resume=resume))
    real_ticks = real_mas = 0
    for n in range(1, 60):
        world.run(n * 7_919 % 300_000)
        ticks, charge = drained(world)
        real_ticks += ticks
        real_mas += charge
        world.cut()
        used_ticks, used_mas = doors.used(world.box, world.now)
        assert used_ticks >= real_ticks
        assert used_mas >= real_mas
        assert used_ticks <= real_ticks + n * ledger.RESERVE_TICKS
        assert used_mas <= real_mas + n * (ledger.RESERVE_TICKS / S * 410 + 2)


def test_the_budget_ends_a_run_over_many_power_losses():
    world = started(plan(STEADY, run_ticks=600 * S))
    real = 0
    for _ in range(100):
        world.run(13 * S)
        real += drained(world)[0]
        if world.box.state == st.ENDED:
            break
        world.cut()
    assert world.box.state == st.ENDED
    assert 200 * S < real <= 600 * S
    world.cut().run(100 * S)
    assert not loaded(world)
    world.arm().run(S)
    assert world.box.state == st.RUNNING  # armed anew: fresh budgets
    assert doors.used(world.box, world.now)[0] == S


def test_a_charge_budget_used_up_over_power_losses_loads_no_more():
    world = started(plan(STEADY, charge_mas=3_000)).run(30 * S)
    for _ in range(10):
        world.cut().run(20 * S)
    assert (world.box.state, doors.questionable(world.box)) == (st.ENDED, 1 << 9)
    assert not loaded(world, world.now - 10 * S)


# The power is cut at operation 1, 2, 3, ...


def until_it_survives(work, torn, files=None):
    """Run work(world) with the power cut at operation 1, 2, ...; yields the world after each cut, on what the
    store kept, and ends with the one that survived."""
    for cut_at in range(1, MOST_CUTS):
        world = fakes.World(fakes.MemoryStore(files, cut_at=cut_at, torn=torn))
        try:
            work(world)
            survived = True
        except fakes.PowerCut:
            survived = False
        yield world, survived
        if survived:
            assert cut_at > 3
            return
    pytest.fail("the work never finished")


TORN = pytest.mark.parametrize("torn", [0.0, 0.3, 0.7, 1.0])


def prepared(slot=0, **fields):
    """The files of a box with one old program, ten seconds old."""
    world = fakes.World().boot()
    world.load(plan(STEADY, **fields), slot)
    return world.run(10 * S).store.files


@TORN
def test_cut_while_a_program_is_stored(torn):
    new = programs.pack(plan(RANDOM, PULSE, (pg.REPLAY, 1, programs.pack_levels([(5_000, 100)] * 600))))
    old = programs.pack(plan(STEADY))
    for world, survived in until_it_survives(
        lambda world: doors.store(world.boot().box, 0, new), torn, prepared()
    ):
        world.cut().run(S)
        kept = programs.pack(world.box.slots.load(0))
        assert kept == new if survived else kept in (old, new)
        assert (world.box.state, doors.bad(world.box.slots), world.played()) == (st.IDLE, [], [(0, 0)])
        assert sl.TEMPORARY not in world.store.files


@TORN
def test_cut_while_a_program_is_armed(torn):
    for world, survived in until_it_survives(lambda world: world.boot().box.arm(0, 0), torn, prepared()):
        world.cut()
        assert world.box.state == st.WAITING if survived else world.box.state in (st.IDLE, st.WAITING)
        assert world.box.ledger.runs[0] in ((1,) if survived else (0, 1))
        assert (world.box.state == st.WAITING) == (world.box.ledger.runs[0] == 1)
        armed = world.box.state == st.WAITING
        world.run(S)
        assert loaded(world) == armed


@TORN
def test_cut_while_it_runs_and_journals(torn):
    program = plan(STEADY, (pg.PULSE, 200_000, 300, 700, 0))

    def work(world):
        world.boot()
        world.box.arm(0, 0)
        world.run(60 * S)

    world = fakes.World().boot()
    world.load(program)
    files = world.store.files
    for world, _ in until_it_survives(work, torn, files):
        began = bool(world.box.run_started is not None)
        ticks, charge = drained(world)
        before = [record for record in world.records() if record["boot"] == 2]
        world.cut()
        used_ticks, used_mas = doors.used(world.box, 0)
        assert used_ticks >= ticks
        assert used_mas >= charge
        assert world.box.state == st.WAITING or not began
        kept = [record for record in world.records() if record["boot"] == 2]
        if world.box.ledger.boot > 2:  # else the cut came before the boot itself was written down
            assert kept == before[: len(kept)]
            assert len(before) - len(kept) <= world.records("boot")[-1]["may_be_lost"]
        armed = world.box.state == st.WAITING
        world.run(2 * S)
        assert loaded(world) == armed == (world.box.state == st.RUNNING)


@TORN
def test_cut_while_it_is_halted(torn):
    world = started(plan(STEADY)).run(20 * S)
    files = world.store.files

    def work(world):
        world.boot()
        world.run(S)
        world.box.halt(world.now)

    for world, survived in until_it_survives(work, torn, files):
        assert world.hal.pattern_at(world.now) == 0 or not survived
        world.cut().run(2 * S)
        if survived:
            assert (world.box.state, loaded(world)) == (st.IDLE, False)
        else:
            assert world.box.state in (st.IDLE, st.RUNNING)
        assert loaded(world) == (world.box.state == st.RUNNING)


@TORN
def test_cut_while_it_trips(torn):
    world = started(plan(STEADY)).run(20 * S)
    files = world.store.files

    def work(world):
        world.boot()
        world.run(S)
        world.readings.bank_cdeg = 9_500
        world.sense()
        assert world.hal.pattern_at(world.now) == 0
        world.run(S)

    for world, survived in until_it_survives(work, torn, files):
        hot = world.readings.bank_cdeg == 9_500
        world.cut().run(5 * S)
        if survived:
            assert world.box.state == st.TRIPPED
        if hot:
            assert not loaded(world)  # still hot: whatever was written, nothing loads
            assert world.box.state == st.TRIPPED


@TORN
def test_cut_while_a_slot_is_emptied(torn):
    for world, survived in until_it_survives(
        lambda world: (world.boot(), world.box.slots.delete(0), world.run(S)), torn, prepared()
    ):
        world.cut().run(S)
        assert (world.box.slots.infos[0] is None) or not survived
        assert (doors.bad(world.box.slots), world.played()) == ([], [(0, 0)])


def test_boots_are_counted_and_the_cause_is_kept():
    world = fakes.World().boot(cause=1)
    for cause in (3, 1):
        world.run(20 * S)
        world._new(0)
        world.boot(cause=cause)
    world.run(S)
    assert [(r["boot"], r["cause"], r["may_be_lost"]) for r in world.records("boot")] == [
        (1, 1, 0),
        (2, 3, jn.BUFFER_RECORDS),
        (3, 1, jn.BUFFER_RECORDS),
    ]


@given(some.integers(1, 20), some.integers(3, 50), some.integers(11_000, 16_000))
def test_the_reserve_covers_the_pattern_above_a_level(small, more, supply_mv):
    """Of a coarse bank the pattern for a level just above a gap's middle draws far more than was asked."""
    large = 2 * small + more  # so that the largest gap is the one above the small channel
    coarse = bank.Bank([small * 1_000_000, large * 1_000_000])
    level_ua = coarse.current_ua(1, supply_mv) + coarse.gap_ua(supply_mv) // 2 + supply_mv
    drawn_ua = coarse.current_ua(coarse.pattern(level_ua, supply_mv), supply_mv)
    program = pg.Program("coarse", [(pg.STEADY, level_ua)])
    assert drawn_ua > level_ua, "the case is the one that is meant"
    assert run.peak_ua(program, 0, coarse, supply_mv) >= drawn_ua

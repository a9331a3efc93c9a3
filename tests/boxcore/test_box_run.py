"""A run plays its schedule to the tick, journals what it played, and ends where its budgets do."""

import pytest
from boxcore import port
from boxcore import program as pg
from boxcore import states as st
from boxcore.player import AGAIN_TICKS
from hypothesis import given
from hypothesis import strategies as some
from nightdraw import journals

from tests.boxcore import fakes
from tests.boxcore.plans import PULSE, RANDOM, STEADY, S, mas, open_between, patterns, plan
from tests.boxcore.test_schedule import DRAWS
from tests.micropython import doors

MS = 10


def started(program, **options):
    return fakes.World(**options).boot().arm(program)


def changes(world, begin, end):
    """What the hardware played in [begin, end)."""
    return [(tick, pattern) for tick, pattern in world.played() if begin <= tick < end]


@pytest.mark.parametrize("sense_ticks", [137, 1_000, 5_000])
@pytest.mark.parametrize("draws", [(STEADY, PULSE), (RANDOM,), (STEADY, PULSE, RANDOM)])
def test_a_run_plays_its_schedule_to_the_tick(draws, sense_ticks):
    program = plan(*draws, seed=5)
    world = started(program, sense_ticks=sense_ticks).run(60 * S)
    assert world.box.run_started == 0
    assert changes(world, 0, 60 * S) == patterns(program, world.board, 60 * S)


@given(DRAWS, some.integers(0, 2**32 - 1), some.sampled_from([0, 2**30 - 4_321, 2**32 - 9, 2**40]))
def test_any_run_plays_its_schedule_at_any_time_of_the_box(draws, seed, now):
    program = plan(*draws, seed=seed)
    world = started(program, now=now).run(3 * S)
    expected = patterns(program, world.board, 3 * S, start=now)
    if not expected[0][1]:
        expected = [(now, 0), *expected[1:]]
    assert changes(world, now, now + 3 * S) == expected


def test_a_short_queue_is_filled_as_far_as_it_goes():
    program = plan((pg.PULSE, 350_000, 2 * MS, 5 * MS, 0))
    world = started(program, depth=24).run(20 * S)
    assert changes(world, 0, 20 * S) == patterns(program, world.board, 20 * S)
    assert "starved" not in world.kinds()


def test_the_queue_stays_between_its_bounds_whatever_the_words():
    world = started(plan(STEADY, PULSE)).run(S)
    for _ in range(300):
        world.run(700)
        assert 0 < world.hal.queued <= port.QUEUE_HIGH_TICKS
        assert world.hal.queued > port.QUEUE_LOW_TICKS - 700
    assert world.hal.most_queued <= port.QUEUE_HIGH_TICKS


def test_the_box_sleeps_while_the_queue_is_full():
    world = started(plan(STEADY, PULSE), sense_ticks=10**9)
    world.run(S)
    visits, deadline = 0, world.box.deadline
    for _ in range(10**5):
        if deadline > 101 * S:
            break
        world.visit(deadline)
        assert world.box.deadline > deadline
        deadline = world.box.deadline
        visits += 1
    assert visits <= 100 / 0.4 + 100 / 10 * 3  # every 0.4 s, and for two writes every 10 s


def test_the_journal_holds_every_edge_at_its_exact_tick():
    program = plan(STEADY, PULSE, RANDOM, seed=3)
    world = started(program).run(120 * S)
    edges = [(record["tick"], record["pattern"]) for record in world.records("edge")]
    # what was played since the last step is not yet journaled
    assert edges[:-1] == [edge for edge in changes(world, 0, 120 * S) if edge[0] < edges[-1][0]]
    assert edges[-1][0] > 118 * S
    for record in world.records("edge"):
        siemens = sum(ns for k, ns in enumerate(world.board.channels_ns) if record["pattern"] >> k & 1) * 1e-9
        assert record["supply_mv"] == 12_600
        assert abs(record["level_ua"] - (11_000 + 12.6 * siemens * 1e6)) <= 1


def test_a_level_is_what_the_circuit_sees_own_consumption_included():
    world = started(plan(STEADY)).run(S)
    assert abs(world.box.level_ua - 40_000) <= 700  # half a step of the smallest channel
    world = started(plan((pg.PULSE, 100_000, S, 2 * S, 0))).run(S // 2)
    assert abs(world.box.level_ua - 111_000) <= 700  # no steady draw: the pulse stands on the own consumption
    world.run(S)
    assert world.box.level_ua == 11_000


def test_start_says_where_the_run_began():
    world = started(plan(start_after_ticks=5 * S), now=123)
    world.run(4 * S)
    assert (world.box.state, world.box.run_started) == (st.WAITING, None)
    assert st.OPERATION.get(world.box.state, 0) == 1 << 5
    world.run(2 * S)
    assert (world.box.state, world.box.run_started) == (st.RUNNING, 123 + 5 * S)
    assert st.OPERATION.get(world.box.state, 0) == 1 << 14
    start = world.records("start")[0]
    assert (start["tick"], start["position"], start["slot"]) == (123 + 5 * S, 0, 0)


def test_charge_is_the_integral_of_what_was_played():
    world = started(plan(STEADY, PULSE, RANDOM)).run(1_000 * S)
    ticks, used = doors.used(world.box, world.now)
    assert ticks == 1_000 * S
    exact = mas(world.played(), world.board, 0, 1_000 * S)
    assert abs(used - exact) < 5 + 1_000 * S * 5e-3 / S  # levels are counted to 10 uA


def test_run_time_ends_a_run_to_the_tick():
    limit = 10 * S + 1_234
    world = started(plan(STEADY, run_ticks=limit)).run(12 * S)
    assert (world.box.state, world.box.fault) == (st.ENDED, st.TIME_USED)
    assert doors.questionable(world.box) == 1 << 2
    assert world.played()[-1] == (limit, 0)
    end = world.records("end")[0]
    assert (end["tick"], end["fault"], end["used"]) == (limit, "time-used", limit)
    assert doors.used(world.box, world.now)[0] == limit


def test_charge_ends_a_run_when_it_is_used_and_not_later():
    world = started(plan(STEADY, PULSE, charge_mas=2_000)).run(60 * S)
    assert (world.box.state, world.box.fault) == (st.ENDED, st.CHARGE_USED)
    assert doors.questionable(world.box) == 1 << 9
    tick = world.records("end")[0]["tick"]
    assert world.played()[-1] == (tick, 0)
    assert 1_995 < mas(world.played(), world.board, 0, tick) < 2_001
    assert open_between(world.played(), tick, world.now)


def test_a_shut_box_starts_nothing_again_until_it_is_armed():
    world = started(plan(STEADY, run_ticks=S)).run(60 * S)
    assert open_between(world.played(), S, world.now)
    world.arm()
    world.run(S // 2)
    assert (world.box.state, world.box.run) == (st.RUNNING, 2)
    assert doors.questionable(world.box) == 0


def test_the_own_consumption_alone_ends_a_run_of_open_switches():
    world = started(plan((pg.STEADY, 11_000), charge_mas=110)).run(20 * S)
    assert world.records("end")[0]["tick"] == pytest.approx(10 * S, abs=1_000)


def test_a_pattern_is_picked_anew_beyond_one_percent_and_journaled_as_that():
    world = started(plan(STEADY)).run(3 * S)
    world.readings.supply_mv = 12_600 * 1_009 // 1_000
    world.run(3 * S)
    assert world.records("repick") == []
    world.readings.supply_mv = 13_800
    now = world.now
    world.run(3 * S)
    (repick,) = world.records("repick")
    assert now < repick["tick"] <= now + port.QUEUE_HIGH_TICKS + 1_000
    assert abs(repick["level_ua"] - 40_000) <= 800
    assert repick["supply_mv"] == 13_800
    assert world.played()[-1] == (repick["tick"], repick["pattern"])
    assert [record["kind"] for record in world.records() if record["kind"] in ("edge", "repick")] == [
        "edge",
        "repick",
    ]


@pytest.mark.parametrize("percent", [1.2, 1.5, -1.2])
def test_a_standing_level_is_picked_anew_just_beyond_one_percent(percent):
    world = started(plan((pg.STEADY, 400_000))).run(3 * S)
    world.readings.supply_mv += round(126 * percent)
    world.run(3 * S)
    assert len(world.records("repick")) == 1


def test_a_new_level_is_picked_for_the_supply_as_it_is():
    program = plan(STEADY, PULSE)
    world = started(program).run(20_000)
    world.readings.supply_mv = 12_600 * 1_005 // 1_000
    world.run(100_000)
    edges = [edge for edge in patterns(program, world.board, 110_000, 12_663) if edge[0] >= 30_000]
    assert changes(world, 30_000, 110_000) == edges
    assert edges != [edge for edge in patterns(program, world.board, 110_000, 12_600) if edge[0] >= 30_000]


def test_a_supply_that_drifts_keeps_levels_within_two_percent_or_two_milliamperes():
    world = started(plan(STEADY, PULSE))
    for step in range(240):
        world.readings.supply_mv = 12_000 + 10 * step if step < 120 else 14_400 - 10 * step
        world.run(S)
        siemens = sum(
            ns for k, ns in enumerate(world.board.channels_ns) if world.hal.pattern_at(world.now) >> k & 1
        )
        true_ua = 11_000 + siemens * world.readings.supply_mv / 1e6
        asked = 390_000 if (world.now - 1) % 30_000 < 7_000 else 40_000
        assert abs(true_ua - asked) <= max(2_000, asked * 0.02)


def test_noise_on_the_supply_picks_nothing_anew():
    world = started(plan(STEADY)).run(S)
    for step in range(400):
        world.readings.supply_mv = 12_600 + step * 7_919 % 101 - 50
        world.run(1_000)
    assert world.records("repick") == []


def test_an_empty_queue_is_journaled_and_the_schedule_goes_on_in_step():
    program = plan(STEADY, PULSE)
    world = started(program).run(10 * S)
    queued_until = world.hal.at + world.hal.queued
    world.now += 95_000  # the processor was away for 9.5 s
    world.visit(world.now)
    again = world.now
    world.run(30 * S)
    (starved,) = world.records("starved")
    assert starved["tick"] == queued_until
    assert world.box.state == st.RUNNING
    assert open_between(world.played(), queued_until, again)
    whole = patterns(program, world.board, world.now)
    assert changes(world, 0, queued_until) == [edge for edge in whole if edge[0] < queued_until]
    settled = again + 30_000
    assert changes(world, settled, world.now) == [edge for edge in whole if settled <= edge[0] < world.now]
    later = [r for r in world.records() if r["kind"] == "edge" and r["tick"] >= queued_until]
    assert later[0]["tick"] <= again + AGAIN_TICKS  # the level that stands then is journaled anew


@pytest.mark.parametrize("fields", [{"run_ticks": 20 * S}, {"charge_mas": 790}])
def test_the_queue_itself_opens_the_switches_at_the_end_of_a_run(fields):
    world = started(plan(STEADY, **fields)).run(19 * S + 4_000)
    while world.hal.at + world.hal.queued <= 20 * S:
        world.run(100)
    world.now += 10 * S  # the processor is away when the end comes
    world.visit(world.now)
    assert world.box.state == st.ENDED
    (end,) = world.records("end")
    assert world.played()[-1] == (end["tick"], 0)
    assert 19 * S + 4_000 < end["tick"] <= 20 * S
    assert "starved" not in world.kinds()
    assert doors.used(world.box, world.now) == (end["tick"], pytest.approx(790, abs=2))


def test_a_box_that_was_away_long_before_its_end_ends_at_the_limit():
    world = started(plan(STEADY, run_ticks=20 * S)).run(15 * S)
    queued_until = world.hal.at + world.hal.queued
    world.now += 10 * S
    world.visit(world.now)
    assert world.played()[-1] == (queued_until, 0)
    assert [r["tick"] for r in world.records("starved")] == [queued_until]
    assert [r["tick"] for r in world.records("end")] == [20 * S]


def test_what_was_queued_and_never_played_is_not_counted():
    world = started(plan((pg.STEADY, 800_000), charge_mas=20_000))
    for _ in range(7):
        world.run(2 * S)
        world.readings.supply_mv = 11_000
        world.sense()
        world.readings.supply_mv = 12_600
        world.run(8 * S)
    world.run(30 * S)
    assert world.box.state == st.ENDED
    end = world.records("end")[0]["tick"]
    assert mas(world.played(), world.board, 0, end) == pytest.approx(20_000, abs=5)


def test_every_write_to_the_store_finds_a_full_queue_behind_it():
    # A flash write stalls the processor for up to 0.4 s, and one step makes one write.
    world = started(plan(STEADY, (pg.PULSE, 350_000, 7_001, 31_337, 1_234)))
    queued = []
    for name in ("write", "append", "rename", "delete"):
        setattr(world.store, name, watched(world, getattr(world.store, name), queued))
    world.run(300 * S)
    assert len(queued) > 20
    assert min(ticks for _, ticks in queued) >= port.QUEUE_HIGH_TICKS - port.MAX_WORD_TICKS


def watched(world, call, queued):
    def watching(*arguments):
        if world.box.state == st.RUNNING:
            queued.append((world.now, world.hal.queued))
        return call(*arguments)

    return watching


def test_seed_and_run_number_give_the_same_edges_and_another_run_others():
    program = plan(RANDOM, seed=77)
    world = started(program).run(30 * S)
    first = changes(world, 0, 30 * S)
    world.box.halt(world.now)
    now = world.now
    world.arm().run(30 * S)
    second = [(tick - now, pattern) for tick, pattern in changes(world, now, now + 30 * S)]
    second.insert(0, (0, 0))  # it opens with a gap
    assert second != first
    other = started(program).run(30 * S)
    assert changes(other, 0, 30 * S) == first
    assert second == patterns(program, world.board, 30 * S, run=2)


def test_hours_go_by_without_drift_over_the_end_of_the_small_integers():
    program = plan(STEADY, (pg.PULSE, 350_000, 7_001, 29_989, 17), run_ticks=86_400 * S, charge_mas=10**8)
    begin = 2**30 - 3_600 * S
    world = started(program, sense_ticks=10**12, journal_files=400, now=begin)
    world.run(3_000 * S)
    an_hour = world.store.operations * 3_600 // 3_000
    world.run(3 * 3_600 * S - 3_000 * S)
    assert world.store.operations <= 3 * an_hour + 20  # the store is not written more often behind it
    expected = patterns(program, world.board, 3 * 3_600 * S, start=begin)
    assert changes(world, begin, world.now) == expected
    assert world.records("lost") == []
    edges = [(record["tick"], record["pattern"]) for record in world.records("edge")]
    assert edges == expected[: len(edges)]
    assert edges[-1][0] > world.now - 2 * S > 2**30


def test_too_many_edges_for_the_flash_are_counted():
    program = plan((pg.PULSE, 350_000, MS, 2 * MS, 0), run_ticks=30 * S)
    world = started(program, journal_files=400).run(40 * S)
    lost = sum(record["records"] for record in world.records("lost"))
    assert lost > 0
    assert len(world.records("edge")) + lost == 30 * S // MS
    assert [kind for kind in world.kinds() if kind in ("start", "end")] == ["start", "end"]


def test_appends_are_batched_for_ten_years_of_flash():
    # Common practice: flash lasts 100 000 erases a sector. An append costs about one erase (measured in
    # tests/micropython/test_power_cuts.py); 352 sectors of wear levelling stand behind each other.
    world = started(plan(STEADY, PULSE, run_ticks=10_000 * S, charge_mas=10**7))
    before = world.store.operations
    world.run(3_600 * S)
    an_hour = world.store.operations - before
    classes = 6 * 200 * 10  # hours: six a day on 200 days a year for ten years
    assert an_hour * classes < 352 * 100_000 / 2


def test_whatever_breaks_in_a_step_ends_with_open_switches():
    world = started(plan(STEADY, PULSE)).run(10 * S)
    assert world.hal.playing
    world.box.player.refill = None
    with pytest.raises(TypeError):
        world.run(S)
    assert world.played()[-1][1] == 0
    assert not world.hal.playing


def test_whatever_breaks_in_a_sense_ends_with_open_switches():
    world = started(plan(STEADY, PULSE)).run(10 * S)
    world.readings.supply_mv = None
    with pytest.raises(TypeError):
        world.sense()
    assert not world.hal.playing


def test_a_journal_that_cannot_be_written_does_not_stop_a_run():
    world = started(plan(STEADY, PULSE)).run(10 * S)
    tried = []

    def failing(*values):
        tried.append(values)
        fail()

    world.store.append = failing
    world.run(30 * S)
    del world.store.append
    assert world.box.state == st.RUNNING
    assert tried
    world.run(30 * S)
    edges = [edge for edge in changes(world, 0, world.now) if edge[0] < world.now - S]
    assert [(r["tick"], r["pattern"]) for r in world.records("edge")][: len(edges)] == edges


def test_a_ledger_that_cannot_be_written_does_because_budgets_would_be_lost():
    world = started(plan(STEADY, PULSE)).run(10 * S)
    world.store.rename = fail
    world.run(30 * S)
    assert (world.box.state, world.box.fault) == (st.TRIPPED, st.STORAGE_BAD)
    assert world.played()[-1][1] == 0
    del world.store.rename
    world.run(30 * S)
    assert world.cut().box.state == st.TRIPPED


def fail(*arguments):
    raise OSError(28)


def test_a_journal_record_is_settled_in_memory_at_once():
    world = started(plan(STEADY)).run(S)
    assert journals.decode(journals.whole(world.box.journal))[-1]["kind"] == "edge"

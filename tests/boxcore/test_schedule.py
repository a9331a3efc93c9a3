"""The sum of the draws against a calculation of its own: every draw as a list of intervals, and at each tick
what begins there less what ends there."""

import bisect
import itertools
import math
import zlib

from boxcore import program as pg
from boxcore import schedule
from hypothesis import given
from hypothesis import strategies as some
from nightdraw import programs

OWN_UA = 11_000
SPAN = 5_000  # ticks that a property looks at
TICKS = some.integers(10, 800)
LEVELS = some.integers(0, 500_000)


@some.composite
def pulses(draw):
    every = draw(some.integers(11, 900))
    return (pg.PULSE, draw(LEVELS), draw(some.integers(10, every - 1)), every, draw(some.integers(0, 900)))


@some.composite
def randoms(draw):
    on = sorted([draw(TICKS), draw(TICKS)])
    return (pg.RANDOM, draw(LEVELS), *on, pg.UNIFORM, *sorted([draw(TICKS), draw(TICKS)]))


@some.composite
def replays(draw):
    levels = draw(some.lists(some.tuples(LEVELS, TICKS), min_size=1, max_size=6))
    return (pg.REPLAY, draw(some.integers(0, 4)), programs.pack_levels(levels))


DRAWS = some.lists(
    some.one_of(some.tuples(some.just(pg.STEADY), LEVELS), pulses(), randoms(), replays()),
    min_size=1,
    max_size=8,
)


def numbers(seed, run, index):
    """The published generator from the contract's first state, as fractions of 2^32."""
    y = zlib.crc32(b"".join(n.to_bytes(4, "little") for n in (seed, run, index))) or 1
    while True:
        y ^= y << 13 & 0xFFFFFFFF
        y ^= y >> 17
        y ^= y << 5 & 0xFFFFFFFF
        yield y


def intervals(draw, index, seed, run, span):
    """[(start, end, level)] of one draw in [0, span)."""
    kind = draw[0]
    if kind == pg.STEADY:
        return [(0, span, draw[1])]
    if kind == pg.PULSE:
        _, level, on, every, first = draw
        return [(first + n * every, first + n * every + on, level) for n in range(span // every + 1)]
    if kind == pg.RANDOM:
        return _random(draw, numbers(seed, run, index), span)
    data = draw[2]
    pairs = [(int.from_bytes(data[k : k + 4], "little"), int.from_bytes(data[k + 4 : k + 8], "little"))
             for k in range(0, len(data), 8)]  # fmt: skip
    found, at, rounds = [], 0, 0
    while at < span and (draw[1] == 0 or rounds < draw[1]):
        for level, ticks in pairs:
            found.append((at, at + ticks, level))
            at += ticks
        rounds += 1
    return found


def _random(draw, numbers, span):
    _, level, on_lo, on_hi, law, gap_lo, gap_hi = draw
    found, at = [], 0
    while at < span:
        y = next(numbers)
        if law == pg.UNIFORM:
            at += gap_lo + math.floor(y / 2**32 * (gap_hi - gap_lo + 1))
        else:
            at += round(min(8, -math.log((y + 0.5) / 2**32)) * gap_lo)
        on = on_lo + math.floor(next(numbers) / 2**32 * (on_hi - on_lo + 1))
        found.append((at, at + on, level))
        at += on
    return found


def brute(program, run, span):
    """[(tick, level)]: the level at 0, then each change in [0, span)."""
    changes = {0: OWN_UA if all(draw[0] != pg.STEADY for draw in program.draws) else 0}
    for index, draw in enumerate(program.draws):
        for start, end, level in intervals(draw, index, program.seed, run, span):
            changes[start] = changes.get(start, 0) + level
            changes[end] = changes.get(end, 0) - level
    found, level = [], 0
    for tick in sorted(tick for tick in changes if tick < span):
        level += changes[tick]
        if not found or found[-1][1] != level:
            found.append((tick, level))
    return found


@given(DRAWS, some.integers(0, 2**32 - 1), some.integers(1, 2**32 - 1))
def test_edges_are_the_independent_sum(draws, seed, run):
    program = pg.Program("p", draws, seed=seed)
    plan = schedule.Schedule(program, run, OWN_UA)
    assert list(programs.edges(plan, SPAN)) == brute(program, run, SPAN)


@given(DRAWS, some.lists(some.integers(1, 700), min_size=1, max_size=30))
def test_time_may_pass_in_any_steps(draws, steps):
    program = pg.Program("p", draws)
    expected = brute(program, 1, sum(steps) + 1)
    ticks = [tick for tick, _ in expected]
    plan = schedule.Schedule(program, 1, OWN_UA)
    at = 0
    for step in steps:
        left = step
        while left:
            left -= plan.take(left)
        at += step
        assert plan.level_ua == expected[bisect.bisect_right(ticks, at) - 1][1]


@given(DRAWS, some.lists(some.tuples(some.booleans(), some.integers(0, 700)), min_size=1, max_size=30))
def test_time_may_pass_unseen_in_any_pieces(draws, steps):
    """skip() of any spans, few segments at a time, among take(): the same levels as without it."""
    program = pg.Program("p", draws)
    expected = brute(program, 1, sum(ticks for _, ticks in steps) + 1)
    ticks = [tick for tick, _ in expected]
    plan = schedule.Schedule(program, 1, OWN_UA)
    at = 0
    for is_seen, step in steps:
        at += step
        while is_seen and step:
            step -= plan.take(step)
        while not plan.skip(step, 3):
            step = 0
        assert plan.level_ua == expected[bisect.bisect_right(ticks, at) - 1][1]


@given(
    some.integers(1, 200), some.integers(0, 3), some.integers(0, 400_000), some.randoms(use_true_random=False)
)
def test_a_replay_passes_rounds_and_pieces_unseen(count, repeat, ticks, rng):
    """Some hundred levels, several rounds: where a span of any length ends, by adding up."""
    levels = [(k + 1, rng.randint(10, 900)) for k in range(count)]
    draw = (pg.REPLAY, repeat, programs.pack_levels(levels))
    plan = schedule.Schedule(pg.Program("p", [draw]), 1, OWN_UA)
    assert plan.skip(ticks)
    total = sum(span for _, span in levels)
    if repeat and ticks >= repeat * total:
        assert plan.level_ua == OWN_UA
        return
    ends = list(itertools.accumulate(span for _, span in levels))
    assert plan.level_ua == OWN_UA + levels[bisect.bisect_right(ends, ticks % total)][0]


@given(DRAWS, some.integers(1, 2500))
def test_a_take_never_passes_a_change(draws, step):
    plan = schedule.Schedule(pg.Program("p", draws), 1, OWN_UA)
    for _ in range(60):
        left = plan.left_ticks
        level = plan.level_ua
        taken = plan.take(min(step, left))
        assert 1 <= taken <= step
        if taken < left:
            assert (plan.level_ua, plan.left_ticks) == (level, left - taken)


def test_exponential_pulses_are_within_a_ten_thousandth_of_a_mean_each():
    mean, span = 30_000, 20_000_000
    program = pg.Program("p", [(pg.RANDOM, 5, 40, 90, pg.EXPONENTIAL, mean, mean)], seed=99)
    edges = list(programs.edges(schedule.Schedule(program, 2, OWN_UA), span))
    expected = brute(program, 2, span)
    assert len(edges) == len(expected) > 1000
    for n, (edge, other) in enumerate(zip(edges, expected, strict=True)):
        assert edge[1] == other[1]
        assert abs(edge[0] - other[0]) <= (n // 2 + 1) * (1e-4 * mean + 1)


def test_gaps_of_no_ticks_join_two_pulses():
    program = pg.Program("p", [(pg.RANDOM, 5, 10, 10, pg.EXPONENTIAL, 10, 10)])
    for run in range(1, 40):
        edges = list(programs.edges(schedule.Schedule(program, run, OWN_UA), 10_000))
        assert edges == brute(program, run, 10_000)


def test_the_own_consumption_is_the_base_only_without_a_steady_draw():
    pulse = (pg.PULSE, 100_000, 10, 20, 0)
    plan = schedule.Schedule(pg.Program("p", [pulse]), 1, OWN_UA)
    assert list(programs.edges(plan, 20)) == [(0, 111_000), (10, 11_000)]
    plan = schedule.Schedule(pg.Program("p", [(pg.STEADY, 40_000), pulse]), 1, OWN_UA)
    assert list(programs.edges(plan, 20)) == [(0, 140_000), (10, 40_000)]

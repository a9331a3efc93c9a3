"""The word queue: played to the tick, opened by itself when empty."""

from __future__ import annotations

import pytest
from boxcore.port import MAX_WORD_TICKS
from hypothesis import given
from hypothesis import strategies as st
from nightdraw.bench.hal import QUEUE_WORDS, SimHal

WORDS = st.lists(st.tuples(st.integers(0, 15), st.integers(1, MAX_WORD_TICKS)), min_size=1, max_size=60)


def shell(**options: int) -> tuple[SimHal, list[tuple[int, int]]]:
    seen: list[tuple[int, int]] = []
    return SimHal(lambda tick, pattern: seen.append((tick, pattern)), **options), seen


def changes(words: list[tuple[int, int]], start: int) -> list[tuple[int, int]]:
    """What the gates must do, by plain addition; the queue's end opens them."""
    expected, tick, last = [], start, 0
    for pattern, ticks in [*words, (0, 1)]:
        if pattern != last:
            expected.append((tick, pattern))
        last = pattern
        tick += ticks
    return expected


@given(
    words=WORDS, start=st.integers(0, 10_000), early=st.integers(1, 60), steps=st.lists(st.integers(1, 9000))
)
def test_plays_words_back_to_back_however_time_is_cut(words, start, early, steps):
    hal, seen = shell()
    hal.settle(start)
    for word in words[:early]:
        hal.push(*word)
    hal.enable()
    for word in words[early:]:
        hal.push(*word)
    now = start
    for step in [*steps, sum(ticks for _, ticks in words) + 1]:
        now += step
        hal.settle(now)
    assert seen == changes(words, start)
    assert hal.starved()
    assert not hal.starved()


def test_nothing_plays_before_it_is_enabled():
    hal, seen = shell()
    hal.push(5, 100)
    hal.settle(1000)
    assert seen == []
    assert not hal.starved()


def test_stop_opens_now_and_forgets_the_queue():
    hal, seen = shell()
    hal.push(5, 100)
    hal.push(7, 100)
    hal.enable()
    hal.settle(30)
    hal.stop()
    hal.settle(1000)
    assert seen == [(0, 5), (30, 0)]
    assert hal.room() == QUEUE_WORDS
    assert not hal.starved()
    hal.push(3, 10)
    hal.enable()
    hal.settle(2000)
    assert seen[2:] == [(1000, 3), (1010, 0)]


def test_a_starved_queue_stays_open_until_it_is_enabled_anew():
    """As the board's edge player, whose program stops for good."""
    hal, seen = shell()
    hal.push(1, 100)
    hal.enable()
    hal.settle(250)
    assert hal.starved()
    hal.push(1, 100)
    hal.settle(400)
    assert seen == [(0, 1), (100, 0)]
    hal.stop()
    hal.push(1, 100)
    hal.enable()
    hal.settle(600)
    assert seen[2:] == [(400, 1), (500, 0)]


def test_room_counts_what_waits():
    hal, _ = shell(words=3)
    for _ in range(3):
        hal.push(1, 100)
    assert hal.room() == 0
    with pytest.raises(AssertionError, match="full queue"):
        hal.push(1, 100)
    hal.enable()
    assert hal.room() == 1  # the first is being played
    hal.settle(100)
    assert hal.room() == 2


def test_probe_measures_and_leaves_the_gates_alone():
    hal = SimHal(lambda tick, pattern: pytest.fail("the gates moved"), measure=lambda pattern: pattern * 1000)
    assert hal.probe(6) == 6000

"""Durations and currents as whole numbers, at each bound; how often a replay rises."""

from __future__ import annotations

import pytest
from nightdraw.places import Node
from nightdraw.profile import quantities as q
from nightdraw.profile.model import Replay, Sketch
from nightdraw.units import QuantityError


def refused(call, text: str) -> str:
    with pytest.raises(QuantityError) as raised:
        call(text)
    return str(raised.value)


def test_a_duration_is_a_millisecond_to_what_32_bits_of_ticks_hold() -> None:
    assert q.duration_ticks("1 ms") == 10
    assert q.duration_ticks("429496.7295 s") == 2**32 - 1
    assert "too short, a duration is at least 1 ms" in refused(q.duration_ticks, "0.99 ms")
    assert "too long, a duration is at most 4.97 d" in refused(q.duration_ticks, "429496.7296 s")
    assert q.duration_range_ticks("1 ms .. 2 s") == (10, 20_000)
    assert q.duration_span_ticks("2 s") == (20_000, 20_000)
    for call in (q.duration_range_ticks, q.duration_span_ticks):
        assert "too short" in refused(call, "0.5 ms .. 2 s")


def test_a_delay_may_be_none_at_all() -> None:
    assert (q.delay_ticks("0 s"), q.delay_ticks("1 ms")) == (0, 10)
    assert "too short" in refused(q.delay_ticks, "0.5 ms")


def test_a_mean_is_an_eighth_of_that_at_most() -> None:
    assert q.mean_ticks("53687.0911 s") == 2**29 - 1
    assert "a mean is at most 14.9 h" in refused(q.mean_ticks, "53687.0912 s")
    assert q.mean_gap_ticks("6 s") == (60_000, 60_000)
    assert "one mean, not the range" in refused(q.mean_gap_ticks, "6 s .. 7 s")


def test_a_uniform_gap_is_a_range_and_a_wrong_duration_is_told_as_that() -> None:
    assert q.uniform_gap_ticks("6 s .. 7 s") == (60_000, 70_000)
    assert "takes a range LOW .. HIGH" in refused(q.uniform_gap_ticks, "6 s")
    assert "too short" in refused(q.uniform_gap_ticks, "0.5 ms")


def test_a_level_is_nothing_to_a_hundred_amperes_and_a_draw_is_more_than_nothing() -> None:
    assert (q.level_ua("0 A"), q.level_ua("100 A"), q.draw_ua("1 uA")) == (0, 100_000_000, 1)
    for call in (q.level_ua, q.draw_ua):
        assert "a level is at most 100 A" in refused(call, "100.000001 A")
    assert "draws nothing" in refused(q.draw_ua, "0 mA")


def test_quantities_for_people() -> None:
    assert q.show_ua(12_345) == "12.3 mA"
    assert q.show_ua(12_000) == "12 mA"
    assert q.show_ticks(20_000) == "2 s"


@pytest.mark.parametrize(
    ("levels", "rises"),
    [
        ((0, 0, 5), 1),
        ((5, 0, 0), 1),
        ((0, 5, 0, 7), 2),
        ((3, 5, 7, 5), 1),
        ((4,), 0),
        ((4, 4), 0),
        ((0, 2, 5, 2), 1),
    ],
)
def test_a_replay_rises_each_time_that_it_leaves_its_lowest_level(
    levels: tuple[int, ...], rises: int
) -> None:
    replay = Replay(tuple((level, 10) for level in levels), 0, Node(1, 1), 1)
    assert replay.rises() == rises
    assert replay.pulses_per_tick() * replay.round_ticks() == rises


def test_a_sketch_without_a_level_adds_nothing() -> None:
    assert Sketch("pulse", None, Node(1, 1), 1).peak_ua() == 0
    assert Sketch("pulse", 7, Node(1, 1), 1).peak_ua() == 7

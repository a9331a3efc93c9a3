"""Samples are exact means of the truth, whatever the pieces it comes in."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from nightdraw.bench.averaging import Averager
from nightdraw.bench.rig import Stretch

ORIGIN, END = 2_000, 5_000  # ticks: where the first sample stands, where the truth ends


def by_hand(ticks: list[int], levels: list[float], step: Fraction, k: int, origin: int) -> float:
    """The mean over ((k - 1) step, k step) behind origin, in exact fractions of the truth's steps."""
    low, high = origin + (k - 1) * step, origin + k * step
    total = Fraction(0)
    for i, level in enumerate(levels):
        begin = Fraction(ticks[i])
        end = Fraction(ticks[i + 1]) if i + 1 < len(ticks) else high
        overlap = min(end, high) - max(begin, low)
        if overlap > 0:
            total += overlap * Fraction(level)
    return float(total / step)


@given(st.data())
@settings(deadline=None)
def test_samples_are_the_means_over_their_intervals_in_any_pieces(data: st.DataObject) -> None:
    rate = data.draw(
        st.sampled_from([Fraction(1000), Fraction(10_000), Fraction(300), Fraction(50_000), Fraction(7)])
    )
    step = Fraction(10_000) / rate
    origin = ORIGIN
    changes = data.draw(st.lists(st.integers(1, END - 1), max_size=25, unique=True))
    ticks = [0, *sorted(changes)]
    levels = [data.draw(st.integers(-1000, 1000)) / 100 for _ in ticks]
    stops = [*sorted(data.draw(st.sets(st.integers(origin, END - 1), max_size=5))), END]
    averager = Averager(rate, origin, 10**6)
    found, start = [], 0
    for stop in stops:
        inside = [i for i, tick in enumerate(ticks) if start <= tick < stop or (tick == 0 and start == 0)]
        held = max(i for i, tick in enumerate(ticks) if tick <= start)
        piece = [start, *(ticks[i] for i in inside if ticks[i] > start)]
        worth = [levels[held], *(levels[i] for i in inside if ticks[i] > start)]
        rows = np.array(worth).reshape(-1, 1)
        found += averager.feed(Stretch(start, stop, np.array(piece, float), np.hstack((rows, -rows))))[
            0
        ].tolist()
        start = stop
    assert len(found) == int((END - origin) / step) + 1
    wanted = [by_hand(ticks, levels, step, k, origin) for k in range(len(found))]
    assert found == pytest.approx(wanted, abs=1e-6)  # positions are rounded to 1e-9 of an interval


def test_where_nothing_changes_a_sample_is_the_level_bit_for_bit() -> None:
    level = 0.1 + 0.2
    averager = Averager(Fraction(1000), 0, 100)
    rows = averager.feed(Stretch(-10, 1000, np.array([-10.0, 505.0]), np.array([[level], [1.0]])))
    assert (rows[0][:51] == level).all()
    assert rows[0][51] == pytest.approx((level + 1) / 2)
    assert (rows[0][52:] == 1.0).all()


@given(st.data())
@settings(deadline=None)
def test_a_sample_at_an_instant_is_the_level_just_before_it_in_any_pieces(data: st.DataObject) -> None:
    rate = data.draw(st.sampled_from([Fraction(1000), Fraction(10_000), Fraction(50_000), Fraction(8)]))
    step = Fraction(10_000) / rate
    ticks = [0, *sorted(data.draw(st.lists(st.integers(1, END - 1), max_size=25, unique=True)))]
    levels = [data.draw(st.integers(-1000, 1000)) / 100 for _ in ticks]
    stops = [*sorted(data.draw(st.sets(st.integers(ORIGIN, END - 1), max_size=5))), END]
    averager = Averager(rate, ORIGIN, 10**6, instants=[1])
    found: list[float] = []
    start = 0
    for stop in stops:
        held = max(i for i, tick in enumerate(ticks) if tick <= start)
        inside = [i for i, tick in enumerate(ticks) if start < tick < stop]
        piece = np.array([start, *(ticks[i] for i in inside)], float)
        worth = np.array([levels[held], *(levels[i] for i in inside)]).reshape(-1, 1)
        found += averager.feed(Stretch(start, stop, piece, np.hstack((worth, worth))))[1].tolist()
        start = stop
    wanted = [
        levels[max(i for i, tick in enumerate(ticks) if tick < ORIGIN + k * step)] for k in range(len(found))
    ]
    assert len(found) == int((END - ORIGIN) / step) + 1
    assert found == wanted

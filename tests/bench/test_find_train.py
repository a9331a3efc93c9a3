"""A fault's edges as the search reads them: those of the firmware's schedule, however they are worked out."""

from __future__ import annotations

import contextlib
import random
from collections.abc import Iterator
from itertools import islice
from typing import Any

import numpy as np
import pytest
from boxcore import program as pg
from boxcore import schedule
from hypothesis import given
from hypothesis import strategies as st
from nightdraw import programs
from nightdraw.bench.finding import train

FEW = 60  # edges, for the quick comparison
TICKS = st.integers(10, 10**9)
SPANS = st.tuples(TICKS, TICKS).map(sorted)
EVEN = st.tuples(TICKS, TICKS, st.integers(0, 10**9)).map(lambda t: (t[0], t[0] + t[1], t[2]))
UNIFORM = st.tuples(SPANS, SPANS).map(lambda t: (*t[0], pg.UNIFORM, *t[1]))
EXPONENTIAL = st.tuples(SPANS, TICKS).map(lambda t: (*t[0], pg.EXPONENTIAL, t[1], t[1]))
MOVING = st.one_of(
    st.tuples(st.just(pg.PULSE), EVEN), st.tuples(st.just(pg.RANDOM), st.one_of(UNIFORM, EXPONENTIAL))
)
STEADIES = st.lists(st.tuples(st.just(pg.STEADY), st.integers(0, 10**6)), min_size=1, max_size=3)


def played(seed: int, draws: tuple[tuple[Any, ...], ...], count: int) -> list[list[float]]:
    """The first edges as a run's schedule makes them."""
    run = schedule.Schedule(pg.Program("", draws, seed=seed), 1, 0)
    edges = islice(programs.edges(run, train.LONGEST_TICKS), count)
    return [[float(tick), float(level_ua)] for tick, level_ua in edges]


@contextlib.contextmanager
def bounded(name: str, value: int) -> Iterator[None]:
    """Another bound; what is worked out by it is kept for nobody."""
    train._edges.cache_clear()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(train, name, value)
        yield
    train._edges.cache_clear()


@given(MOVING, st.integers(1, 10**6), STEADIES, st.integers(0, 3), st.integers(0, 2**32 - 1))
def test_one_draws_edges_are_the_schedules(
    moving: tuple[int, tuple[int, ...]],
    draw_ua: int,
    steadies: list[tuple[int, int]],
    place: int,
    seed: int,
) -> None:
    """Whatever its level and the steady ones beside it, and wherever it stands among them."""
    kind, times = moving
    draws = (*steadies[:place], (kind, draw_ua, *times), *steadies[place:])
    with bounded("EDGES", FEW):
        assert train._edges(seed, draws).tolist() == played(seed, draws, FEW)


@pytest.mark.parametrize("periods", [1.5, 1.0, 3.25])
def test_edges_end_with_the_longest_schedule(periods: float) -> None:
    """So rare that a schedule has few of them; one that would begin at its very end isn't there."""
    on, every = 700, 7_000
    draws = ((pg.PULSE, 1_000, on, every, 0), (pg.STEADY, 0))
    with bounded("LONGEST_TICKS", round(periods * every)):
        assert train._edges(1, draws).tolist() == played(1, draws, 100)


def test_the_same_draws_are_worked_out_once() -> None:
    draws = ((pg.RANDOM, 1_000, 10, 20, pg.EXPONENTIAL, 900, 900), (pg.STEADY, 50))
    first = train._edges(3, draws)
    assert train._edges(3, draws) is first
    louder = train._edges(3, ((pg.RANDOM, 3_000, 10, 20, pg.EXPONENTIAL, 900, 900), (pg.STEADY, 50)))
    assert np.array_equal(louder[:, 0], first[:, 0])
    assert first[:FEW].tolist() == played(3, draws, FEW)
    assert not np.array_equal(first, train._edges(4, draws))


@pytest.mark.parametrize("mean", [10, 9_999, 10**7, pg.MAX_MEAN_TICKS])
def test_exponential_gaps_are_the_boxs_own_to_the_tick(mean: int, seed: int) -> None:
    """One in some hundred of the largest hangs on the last bits of the box's arithmetic."""
    draw = random.Random(seed + mean)
    states = np.array([1, 2**31, 2**32 - 1, *(draw.randrange(1, 2**32) for _ in range(1500))], np.uint64)
    box = schedule.Exponential(mean)
    assert train._exponential(states, mean).tolist() == [
        box.ticks(s >> 16, s & 0xFFFF) for s in map(int, states)
    ]

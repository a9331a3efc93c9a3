"""A fault's edges as the search reads them: those of the firmware's schedule, however they are worked out."""

from __future__ import annotations

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
STEADIES = st.lists(st.tuples(st.just(pg.STEADY), st.integers(0, 10**6)), min_size=1, max_size=3)


def played(seed: int, draws: tuple[tuple[Any, ...], ...], count: int) -> list[list[float]]:
    """The first edges as a run's schedule makes them."""
    run = schedule.Schedule(pg.Program("", draws, seed=seed), 1, 0)
    edges = islice(programs.edges(run, train.LONGEST_TICKS), count)
    return [[float(tick), float(level_ua)] for tick, level_ua in edges]


@given(st.integers(1, 10**6), TICKS, TICKS, st.integers(0, 10**9), STEADIES)
def test_an_even_draws_edges_are_the_schedules(
    draw_ua: int, on_ticks: int, off_ticks: int, first_ticks: int, steadies: list[tuple[int, int]]
) -> None:
    draws = ((pg.PULSE, draw_ua, on_ticks, on_ticks + off_ticks, first_ticks), *steadies)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(train, "EDGES", FEW)
        made = train._edges.__wrapped__(1, draws)
    assert made.tolist() == played(1, draws, FEW)


@pytest.mark.parametrize("periods", [1.5, 1.0, 3.25])
def test_edges_end_with_the_longest_schedule(periods: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """So rare that a schedule has few of them; one that would begin at its very end isn't there."""
    on, every = 700, 7_000
    draws = ((pg.PULSE, 1_000, on, every, 0), (pg.STEADY, 0))
    monkeypatch.setattr(train, "LONGEST_TICKS", round(periods * every))
    made = train._edges.__wrapped__(1, draws)
    assert made.tolist() == played(1, draws, 100)


def test_the_same_draws_are_worked_out_once() -> None:
    draws = ((pg.RANDOM, 1_000, 10, 20, pg.EXPONENTIAL, 900, 900), (pg.STEADY, 50))
    first = train._edges(3, draws)
    assert train._edges(3, draws) is first
    assert first[:FEW].tolist() == played(3, draws, FEW)
    assert not np.array_equal(first, train._edges(4, draws))

"""Edges of two accounts that meet, on tables made by hand: within reach, alike, each used once."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from nightdraw.capture.place import Clock, Marks, Task, meeting, nearest

REACH_S = 2e-3
RUN_BEGINS_S = 32.0  # of the recording


def met(known: list[tuple[float, float]], seen: list[tuple[float, float]], ppm: float = 0.0) -> int:
    """How many of some known edges (instant in the run, height in mA) meet seen ones (instant since the run's
    start in the recording)."""
    (known_s, known_ma), (seen_s, seen_ma) = (np.array(rows, dtype=float).T for rows in (known, seen))
    task = Task(
        Marks(known_s, known_ma), Marks(RUN_BEGINS_S + seen_s, seen_ma), (0.0, 1e4), REACH_S, 1e-4, 3e-4
    )
    return meeting(task, Clock(RUN_BEGINS_S, ppm, 0, 0.0, 0))


@pytest.mark.parametrize(
    ("seen_ma", "meets"),
    [
        (400.0, 1),
        (100.0, 1),  # a quarter of it
        (99.0, 0),
        (1600.0, 1),  # four times it
        (1604.0, 0),
        (-400.0, 0),  # the other way
        (0.0, 0),
    ],
)
def test_edges_of_one_direction_meet_up_to_four_times_the_height(seen_ma: float, meets: int) -> None:
    for sign in (1, -1):
        assert met([(8.0, sign * 400.0)], [(8.0, sign * seen_ma)]) == meets


@pytest.mark.parametrize(("seen_ma", "meets"), [(1.0, 1), (0.9, 0), (-6.0, 0)])
def test_small_edges_meet_within_five_milliamperes(seen_ma: float, meets: int) -> None:
    assert met([(8.0, 6.0)], [(8.0, seen_ma)]) == meets
    assert met([(8.0, seen_ma)], [(8.0, 6.0)]) == meets
    assert met([(8.0, 4.0)], [(8.0, 0.0)]) == 0  # no edge at all


@given(
    near_share=st.floats(-0.99, 0.99),
    far_share=st.floats(1.01, 5.0),
    ppm=st.floats(-200, 200),
    later=st.booleans(),
)
def test_edges_meet_within_reach_by_the_clock_that_is_known(
    near_share: float, far_share: float, ppm: float, later: bool
) -> None:
    """An hour into the run 200 ppm are 0.7 s: far beyond the reach."""
    at_s = 3600.0
    there_s = at_s * (1 + ppm * 1e-6)
    assert met([(at_s, 50.0)], [(there_s + near_share * REACH_S, 50.0)], ppm) == 1
    off_s = far_share * REACH_S if later else -far_share * REACH_S
    assert met([(at_s, 50.0)], [(there_s + off_s, 50.0)], ppm) == 0


def test_an_edge_is_met_once() -> None:
    pair = [(8.0, 50.0), (8.001, 50.0)]
    assert met(pair, [(8.0, 50.0)]) == 1
    assert met([(8.0, 50.0)], pair) == 1
    assert met(pair, pair) == 2
    assert met([*pair, (9.0, 50.0)], [(8.5, 50.0), (9.0, 50.0)]) == 1


@given(
    times=st.lists(st.integers(0, 40), min_size=1, max_size=12, unique=True),
    wanted=st.lists(st.integers(-10, 100), min_size=1, max_size=12),
)
def test_the_nearest_is_found_of_two_as_near_the_earlier(times: list[int], wanted: list[int]) -> None:
    """In halves, so that many lie as near to two."""
    times_s, wanted_s = np.sort(np.array(times, dtype=float)), np.array(wanted) / 2
    expected = [int(np.argmin(np.abs(times_s - one))) for one in wanted_s]  # argmin takes the first
    assert nearest(times_s, wanted_s).tolist() == expected

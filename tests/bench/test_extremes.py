"""MIN and MAX over sliding windows, against every window of a truth written out tick by tick."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from nightdraw.bench.extremes import Extremes
from nightdraw.bench.rig import Stretch

LAST = 400


@given(st.data())
def test_extremes_are_those_of_every_window_in_any_pieces(data: st.DataObject) -> None:
    window = data.draw(st.integers(1, 150))
    origin = data.draw(st.integers(0, 100))
    ticks = [0, *sorted(data.draw(st.sets(st.integers(1, LAST - 1), max_size=12)))]
    levels = [data.draw(st.integers(-50, 50)) for _ in ticks]
    stops = [*sorted(data.draw(st.sets(st.integers(1, LAST - 1), max_size=4))), LAST]
    found = Extremes(window, origin)
    start = 0
    for stop in stops:
        held = max(i for i, tick in enumerate(ticks) if tick <= start)
        inside = [i for i, tick in enumerate(ticks) if start < tick < stop]
        piece = np.array([start, *(ticks[i] for i in inside)], float)
        worth = np.array([levels[held], *(levels[i] for i in inside)], float).reshape(-1, 1)
        found.feed(Stretch(start, stop, piece, np.hstack((worth, -worth))))
        start = stop
    truth = np.repeat(levels, np.diff([*ticks, LAST]))
    means = np.lib.stride_tricks.sliding_window_view(truth[origin:], window).mean(axis=1)
    assert found.highest == pytest.approx(means.max(), abs=1e-9)
    assert found.lowest == pytest.approx(means.min(), abs=1e-9)


def test_nothing_is_known_before_a_whole_window() -> None:
    found = Extremes(100.0, 50)
    found.feed(Stretch(0, 149, np.array([0.0]), np.array([[1.0]])))
    assert (found.highest, found.lowest) == (-math.inf, math.inf)
    found.feed(Stretch(149, 150, np.array([149.0]), np.array([[1.0]])))
    assert (found.highest, found.lowest) == (1.0, 1.0)


# D: what a mean over the capture time gives, A x min(1, w / c): common practice of the trade
@pytest.mark.parametrize(("width", "shown"), [(200, 0.1), (500, 0.25), (1000, 0.5), (5000, 0.5)])
@pytest.mark.parametrize("at", [3000, 3217, 3999])
def test_a_pulse_shows_whole_from_the_capture_time_on_wherever_it_falls(
    width: int, shown: float, at: int
) -> None:
    found = Extremes(1000.0, 0)
    found.feed(Stretch(0, 20_000, np.array([0.0, at, at + width]), np.array([[0.0], [0.5], [0.0]])))
    assert found.highest == pytest.approx(shown)
    assert found.lowest == 0

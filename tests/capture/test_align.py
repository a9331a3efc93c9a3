"""The recorder's clock is found: offset and rate, whatever the train, or the doubt is said."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from nightdraw.capture import accounts
from nightdraw.capture.accounts import Account, Edges
from nightdraw.capture.align import align
from nightdraw.capture.place import NO_CLOCK, Clock
from nightdraw.capture.pulses import measure
from nightdraw.capture.read import from_arrays

from tests.capture.synthetic import OWN_MA, Clamp, Truth, pulse, random_draw, steady, truth_of

HALF_SAMPLE_S = 0.5e-3
TRAINS = {
    "periodic": [steady(40), pulse(350, 0.7, 7.5)],
    "seldom": [steady(40), pulse(350, 0.7, 75.0)],
    "fast": [steady(40), pulse(200, 0.06, 0.2)],
    "random": [steady(40), random_draw(250, (0.1, 0.9), (2.0, 10.0))],
    "two draws": [steady(40), pulse(60, 0.25, 12.0), random_draw(450, (0.3, 2.5), (5.0, 90.0))],
}


def clock_of(truth: Truth, clamp: Clamp, keep: slice = slice(None)) -> Clock:
    t_s, ma = clamp.samples(truth)
    seen = measure(from_arrays(t_s[keep] - t_s[keep][0], ma[keep] / 1000)).seen
    known = Account(truth.t_s, truth.level_ma, truth.end_s, OWN_MA).edges()
    return align(known, accounts.seen_edges(seen), (seen.start_s, seen.end_s), seen.interval_s)[0].clock


def edges(t_s: np.ndarray, height_ma: np.ndarray) -> Edges:
    nothing = np.zeros(len(t_s))
    return Edges(t_s, nothing, nothing, height_ma, nothing)


@pytest.mark.parametrize("name", TRAINS)
@pytest.mark.parametrize(("before_s", "ppm"), [(0.0, 0.0), (137.3, 80.0), (401.7, -100.0)])
def test_a_recorder_started_earlier_with_another_crystal(name: str, before_s: float, ppm: float) -> None:
    """The start and the end of the run are in the recording: no doubt about the place."""
    clock = clock_of(truth_of(TRAINS[name], 600), Clamp(before_s=before_s, ppm=ppm))
    assert clock.others == 0
    assert clock.offset_s - before_s == pytest.approx(HALF_SAMPLE_S, abs=2e-4)
    assert clock.rate_ppm == pytest.approx(ppm, abs=1)


@given(seed=st.integers(0, 1 << 20), begin_s=st.floats(0, 150), ppm=st.floats(-100, 100))
def test_a_part_of_a_random_run_has_one_place(seed: int, begin_s: float, ppm: float) -> None:
    truth = truth_of([steady(40), random_draw(250, (0.1, 0.9), (1.0, 6.0))], 300, seed=seed)
    begin = int(begin_s * 1000)
    clock = clock_of(truth, Clamp(ppm=ppm), slice(begin, begin + 120_000))
    assert clock.offset_s == pytest.approx(HALF_SAMPLE_S - begin / 1000, abs=2e-3)
    assert clock.rate_ppm == pytest.approx(ppm, abs=20)


def test_a_part_of_a_periodic_run_fits_at_every_period_and_says_so() -> None:
    clock = clock_of(truth_of(TRAINS["periodic"], 300), Clamp(), slice(100_000, 200_000))
    assert clock.others > 3
    periods = (clock.offset_s + 100 - HALF_SAMPLE_S) / 7.5
    assert periods == pytest.approx(round(periods), abs=1e-3)


def test_nothing_in_common_is_no_clock() -> None:
    rng = np.random.default_rng(5)
    nothing = edges(np.empty(0), np.empty(0))
    some = edges(np.sort(rng.uniform(0, 100, 40)), np.tile([200.0, -200.0], 20))
    for known, seen in ((nothing, some), (some, nothing), (nothing, nothing)):
        assert align(known, seen, (0.0, 100.0), 1e-3)[0].clock == NO_CLOCK


def test_edges_lost_and_added_do_not_move_it() -> None:
    rng = np.random.default_rng(7)
    t_s = np.cumsum(rng.uniform(0.2, 3, 400))
    known = edges(t_s, np.tile([200.0, -200.0], 200))
    kept = rng.random(400) > 0.3
    false_s = rng.uniform(0, t_s[-1], 100)
    times = np.concatenate((33.3 + t_s[kept] * (1 + 60e-6) + rng.normal(0, 2e-4, kept.sum()), false_s))
    heights = np.concatenate((known.height_ma[kept], rng.choice([-200.0, 200.0], 100)))
    order = np.argsort(times)
    clock = align(known, edges(times[order], heights[order]), (0.0, float(times.max())), 1e-3)[0].clock
    assert clock.offset_s == pytest.approx(33.3, abs=1e-3)
    assert clock.rate_ppm == pytest.approx(60, abs=2)


def test_the_clock_goes_both_ways() -> None:
    clock = Clock(12.5, 80.0, 9, 0.0, 0)
    t_s = np.array([0.0, 1.0, 1e4])
    np.testing.assert_allclose(clock.to_run(clock.to_recording(t_s)), t_s, atol=1e-9)
    assert clock.to_recording(np.array([1e4]))[0] == pytest.approx(12.5 + 1e4 + 0.8)


@pytest.mark.parametrize("offset_s", [0.0, 31.7])
def test_a_switch_fault_that_turns_heights_round_leaves_the_instants(offset_s: float) -> None:
    """A large channel stuck on makes small of large steps and falls of rises; when they come stays."""
    rng = np.random.default_rng(9)
    t_s = np.cumsum(rng.uniform(0.3, 8.0, 16))
    known = edges(t_s, np.tile([350.0, -350.0, 190.0, -190.0], 4))
    seen = edges(t_s + offset_s, np.tile([57.0, -57.0, -103.0, 103.0], 4))
    clock = align(known, seen, (0.0, float(t_s[-1]) + offset_s + 1), 1e-3)[0].clock
    assert clock.matched == len(t_s)
    assert clock.offset_s == pytest.approx(offset_s, abs=1e-3)

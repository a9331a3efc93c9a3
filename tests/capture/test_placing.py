"""One place for a run in a recording, against references of its own: every pair of edges looked at, numpy's
and scipy's fits."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from nightdraw.capture import place as pl
from nightdraw.capture.place import Clock, Marks, Task
from scipy import optimize

from tests.capture.by_hand import Floats

REACH_S = 4e-3
whole = st.integers(0, 12)


def task_of(
    known: Marks, seen: Marks, usual: float = 100e-6, about: float = 0.0, until_s: float = 1e4
) -> Task:
    return Task(known, seen, (-1e4, until_s), REACH_S, usual, 3 * usual, about)


def train(rng: np.random.Generator, edges: int, gap_s: tuple[float, float] = (0.3, 4.0)) -> Marks:
    height = np.tile([200.0, -200.0], edges)[:edges] * rng.choice([1.0, 1.7], edges)
    return Marks(np.cumsum(rng.uniform(*gap_s, edges)), height)


def shown(rng: np.random.Generator, known: Marks, clock: Clock, lost: float = 0.0, false: int = 0) -> Marks:
    """A train on a recording's clock, some edges lost, some false, instants off by 0.1 ms."""
    at_s = clock.to_recording(known.t_s) + rng.normal(0, 1e-4, len(known))
    kept = rng.random(len(known)) >= lost
    more_s = rng.uniform(at_s[0], at_s[-1], false)
    t_s = np.concatenate((at_s[kept], more_s))
    height = np.concatenate((known.height[kept], rng.choice([-200.0, 200.0], false)))
    order = np.argsort(t_s)
    return Marks(t_s[order], height[order])


@given(times=st.sets(whole, min_size=1), wanted=st.lists(st.integers(-4, 30).map(lambda n: n / 2)))
def test_the_nearest_is_the_first_of_least_distance(times: set[int], wanted: list[float]) -> None:
    """Halves, so that many lie in the middle between two."""
    ordered = np.array(sorted(times), dtype=float)
    due = [int(np.argmin([abs(t - one) for t in ordered])) for one in wanted]
    assert pl.nearest(ordered, np.array(wanted)).tolist() == due


@pytest.mark.parametrize(
    ("one", "other", "due"),
    [(100.0, 25.0, True), (100.0, 24.9, False), (25.0, 100.0, True), (-100.0, -25.0, True),
     (100.0, -100.0, False), (1.0, 6.0, True), (1.0, 6.7, False), (-100.0, -401.0, False), (0.0, 3.0, False),
     (0.0, 0.0, False)],
)  # fmt: skip
def test_alike_is_a_quarter_or_five_milliamperes(one: float, other: float, due: bool) -> None:
    assert pl._alike(np.array([one]), np.array([other])).tolist() == [due]


@given(offset_s=st.floats(-1e4, 1e4), ppm=st.floats(-9e3, 9e3), t_s=st.floats(-1e4, 1e4))
def test_a_clock_there_and_back(offset_s: float, ppm: float, t_s: float) -> None:
    clock = Clock(offset_s, ppm, 1, 0.0, 0)
    assert clock.to_recording(t_s) == pytest.approx(offset_s + t_s + t_s * ppm / 1e6, abs=1e-6)
    assert clock.to_run(clock.to_recording(t_s)) == pytest.approx(t_s, abs=1e-6)


def test_edges_near_the_recordings_ends_cannot_be_met() -> None:
    nothing = Marks(np.empty(0), np.empty(0))
    task = Task(nothing, nothing, (10.0, 20.0), 0.5, 1e-4, 1e-4)
    at_s = np.array([10.0, 10.5, 10.6, 19.4, 19.5, 20.0])
    assert task.shows(at_s).tolist() == [False, False, True, True, False, False]
    marks = Marks(np.array([10.0, 11.0, 20.0]), np.zeros(3))
    assert marks.within((10.0, 20.0)).t_s.tolist() == [11.0]


def pairs_of(task: Task, inside: list[int], line: tuple[float, float], reach_s: Floats) -> dict[int, int]:
    """Seen edge -> known edge: each known one wants the nearest, the nearer of two gets it."""
    wants: dict[int, list[tuple[float, int, int]]] = {}
    for row, k in enumerate(inside):
        at_s = line[0] + task.known.t_s[k] * (1 + line[1])
        away = [abs(t - at_s) for t in task.seen.t_s]
        near = int(np.argmin(away))
        one, other = task.known.height[k], task.seen.height[near]
        alike = one * other > 0 and abs(one - other) <= max(0.75 * max(abs(one), abs(other)), 5.0)
        if away[near] <= reach_s[row] and alike:
            wants.setdefault(near, []).append((away[near], row, k))
    return {near: min(rows)[2] for near, rows in wants.items()}


def test_pairs_are_those_of_a_loop_over_all(seed: int) -> None:
    """Instants on a coarse grid: ties, two that want one, reach met exactly."""
    rng = np.random.default_rng(seed)
    for _ in range(60):
        known, seen = (
            Marks(
                np.sort(rng.choice(40, n, replace=False)) * 0.25, rng.choice([-200.0, 20.0, 90.0, 200.0], n)
            )
            for n in (12, 14)
        )
        task = replace(task_of(known, seen), reach_s=0.5)
        line = float(rng.choice([0.0, 0.25, -1.0])), float(rng.choice([0.0, 1.0]))
        inside = np.flatnonzero(rng.random(12) < 0.7)
        reach_s = rng.choice([0.0, 0.25, 0.5], len(inside))
        one, other = pl._pairs(task, inside, pl._Line(*line, 0.0), reach_s)
        due = pairs_of(task, inside.tolist(), line, reach_s)
        assert dict(zip(other.tolist(), one.tolist(), strict=True)) == due
        assert len(other) == len(due)
        clock = Clock(line[0], line[1] * 1e6, 0, 0.0, 0)
        every = pairs_of(task, list(range(12)), line, np.full(12, 0.5))
        assert pl.meeting(task, clock) == len(every)


def test_a_line_is_the_least_squares_one(seed: int) -> None:
    """numpy.polyfit where the rate may be anything; outliers by 0.1 s don't count."""
    rng = np.random.default_rng(seed)
    known_s = np.sort(rng.uniform(0, 3000, 50))
    off = rng.normal(0, 5e-4, 50)
    for spoilt in (50, 9):
        for about in (0.0, 2e-4):
            lag = 7.0 + 3e-4 * known_s + off
            lag[spoilt // 2 :: spoilt] += 0.1
            marks = Marks(known_s, np.ones(50))
            found = pl._line(known_s, known_s + lag, task_of(marks, marks, usual=0.1, about=about))
            kept = np.ones(50, dtype=bool)
            kept[spoilt // 2 :: spoilt] = False
            rate, offset = np.polyfit(known_s[kept], lag[kept], 1)
            left = lag[kept] - offset - rate * known_s[kept]
            if np.max(np.abs(left)) < 1.2e-3:  # none that four deviations may cut
                assert (found.rate, found.lag) == pytest.approx((rate, offset), rel=1e-6, abs=1e-6)
                deviation = np.sqrt(np.mean(left**2))
                away = known_s[kept] - known_s[kept].mean()
                assert found.rate_u == pytest.approx(deviation / np.sqrt(np.sum(away**2)), rel=1e-3)
            assert found.rate == pytest.approx(3e-4, abs=1e-6)


@pytest.mark.parametrize("usual", [1e-5, 1e-4])
def test_a_rate_is_held_by_what_is_usual(usual: float) -> None:
    """The greatest posterior (scipy's search): residuals with the deviation that was seen, a rate that is
    normal about what it is believed to be."""
    known_s = np.array([0.0, 3.0, 7.0, 12.0, 20.0, 31.0])
    seen_s = known_s * (1 + 3e-4) + 5.0 + np.array([1, -1, 2, 0, -2, 1]) * 1e-3
    marks = Marks(known_s, np.ones(6))
    found = pl._line(known_s, seen_s, task_of(marks, marks, usual=usual, about=2e-4))

    def left(row: Floats) -> Floats:
        return np.asarray(seen_s - known_s * (1 + 2e-4) - row[0] - row[1] * 1e-5 * known_s)

    deviation = float(np.sqrt(np.mean(left(np.array([found.lag, (found.rate - 2e-4) * 1e5])) ** 2)))
    best = optimize.minimize(
        lambda row: np.sum(left(row) ** 2) / deviation**2 + (row[1] * 1e-5 / usual) ** 2,
        [5.0, 0.0],
        tol=1e-12,
    )
    assert found.lag == pytest.approx(best.x[0], abs=1e-5)
    assert found.rate - 2e-4 == pytest.approx(best.x[1] * 1e-5, abs=usual / 50)


def test_a_rate_is_no_more_than_the_most() -> None:
    known_s = np.linspace(0, 1000, 30)
    marks = Marks(known_s, np.ones(30))
    for sign in (1, -1):
        found = pl._line(known_s, known_s * (1 + sign * 5e-3), task_of(marks, marks, usual=1e-3))
        assert found.rate == pytest.approx(sign * 3e-3)


def test_one_edge_gives_its_lag() -> None:
    marks = Marks(np.array([5.0]), np.array([9.0]))
    found = pl._line(marks.t_s, marks.t_s + 3.0, task_of(marks, marks))
    assert (found.lag, found.rate) == (3.0, 0.0)
    assert found.rate_u == pytest.approx(100e-6)


@given(values=st.lists(st.integers(-3, 3), min_size=1, max_size=9))
def test_the_median_is_numpys(values: list[int]) -> None:
    assert pl._median(np.array(values, dtype=float)) == np.median(values)


@pytest.mark.parametrize("way", [1.0, -1.0])
def test_meetings_are_counted_by_a_loop(seed: int, way: float) -> None:
    """The stretch of 24 edges from the anchor on (at the end the last 24), each lag by itself."""
    rng = np.random.default_rng(seed)
    for edges in (10, 40):
        one, other = train(rng, edges), train(rng, 30)
        task = task_of(one, other, usual=5e-3, about=1e-3)
        for anchor in (0, edges // 2, edges - 1):
            lags = other.t_s - one.t_s[anchor]
            found = pl._meetings(one, other, anchor, lags, task, way)
            start = min(anchor, max(edges - 24, 0))
            for row, lag in enumerate(lags):
                met = 0
                for k in range(start, min(start + 24, edges)):
                    away = one.t_s[k] - one.t_s[anchor]
                    wanted = lag + one.t_s[k] + way * 1e-3 * away
                    near = int(np.argmin(np.abs(other.t_s - wanted)))
                    a, b = one.height[k], other.height[near]
                    alike = a * b > 0 and abs(a - b) <= max(0.75 * max(abs(a), abs(b)), 5.0)
                    met += abs(other.t_s[near] - wanted) <= REACH_S + 0.01 * abs(away) and alike
                assert found[row] == met


def test_candidates_hold_the_true_lag_and_are_apart(seed: int) -> None:
    """A short recording of a long run, and a long recording of a short run."""
    rng = np.random.default_rng(seed)
    long = train(rng, 300)
    short = long.take(slice(120, 150))
    for known, seen in ((long, short), (short, long)):
        moved = Marks(seen.t_s + 33.0, seen.height)
        found = pl._candidates(task_of(known, moved))
        lags = sorted(lag for lag, _ in found)
        assert min(abs(lag - 33.0) for lag in lags) < 1e-6
        assert len(found) <= pl.CANDIDATES
        assert min(np.diff(lags), default=1.0) > pl.SAME_S
        here = [here for lag, here in found if abs(lag - 33.0) < 1e-6]
        assert np.min(np.abs(known.t_s - here[0])) < 1e-6  # the known instant that it belongs to
    first, last, start = (moved.t_s[k] - short.t_s[k] for k in (0, -1, 0))
    assert {first, last, start} & {*lags}


@pytest.mark.parametrize(("usual", "ppm"), [(100e-6, 80.0), (2500e-6, 4000.0)])
@pytest.mark.parametrize(("lost", "false"), [(0.0, 0), (0.4, 60)])
def test_a_place_counts_what_meets(seed: int, usual: float, ppm: float, lost: float, false: int) -> None:
    """The best place is the true one; what it counts are a loop's figures by its own clock."""
    rng = np.random.default_rng(seed)
    known, truth = train(rng, 200), Clock(50.0, ppm, 0, 0.0, 0)
    seen = shown(rng, known, truth, lost, false)
    task = replace(task_of(known, seen, usual), span_s=(60.0, float(seen.t_s[-1]) - 30.0))
    task = replace(task, seen=seen.within(task.span_s))
    best = max(pl.places(task, None), key=lambda fit: fit.score)
    middle_s = float(known.t_s[100])
    assert best.clock.to_recording(middle_s) == pytest.approx(truth.to_recording(middle_s), abs=1e-3)
    line = best.clock.offset_s, best.clock.rate_ppm * 1e-6
    due = pairs_of(task, list(range(200)), line, np.full(200, REACH_S))
    at_s = [line[0] + t * (1 + line[1]) for t in known.t_s]
    assert best.hits == len(due) == best.clock.matched
    assert dict(zip(best.other.tolist(), best.one.tolist(), strict=True)) == due
    assert best.expected == sum(60.0 + REACH_S < t < task.span_s[1] - REACH_S for t in at_s)
    assert best.score == 3 * len(due) - best.expected - len(task.seen)
    off = [task.seen.t_s[s] - at_s[k] for s, k in due.items()]
    assert best.clock.deviation_s == pytest.approx(np.sqrt(np.mean(np.square(off))))
    assert best.share == best.hits / best.expected


def test_places_where_a_quarter_meets_are_chance(seed: int) -> None:
    """Of places found or named only those with more than a quarter of what could meet."""
    rng = np.random.default_rng(seed)
    known = train(rng, 60)
    seen = shown(rng, known, Clock(5.0, 0.0, 0, 0.0, 0))
    for fit in pl.places(task_of(known, seen), 5.0):
        assert fit.hits > 0.25 * min(fit.expected, len(seen))
    lone = Marks(known.t_s + 5.0, -known.height)
    assert pl.places(task_of(known, lone), 5.0) == []
    near = pl.places(task_of(known, seen), 5.0005)
    assert any(abs(fit.clock.offset_s - 5.0) < 1e-3 for fit in near)
    assert pl.Fit(pl.NO_CLOCK, 0, 0, 0, np.empty(0), np.empty(0)).share == 0.0

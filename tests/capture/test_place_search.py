"""The search for a run's place, step by step, against loops over every pair of edges and least squares of
numpy's own."""

from __future__ import annotations

import numpy as np
import pytest
from nightdraw.capture import place as pl
from nightdraw.capture.place import Fit, Marks, Task
from nightdraw.capture.seen import Floats

REACH_S = 4e-3


def marks(t_s: list[float] | Floats, height: list[float] | Floats) -> Marks:
    return Marks(np.array(t_s, dtype=float), np.array(height, dtype=float))


def task_of(known: Marks, seen: Marks, span_s: tuple[float, float] = (-1e4, 1e4), **others: float) -> Task:
    return Task(known, seen, span_s, REACH_S, **({"usual": 1e-4, "most": 3e-4} | others))


def random_marks(rng: np.random.Generator, count: int, apart_s: float = 1.0) -> Marks:
    """Edges of some heights either way, small ones and one that is none among them."""
    heights = rng.choice([400.0, -400.0, 110.0, -90.0, 25.0, 6.0, -3.0, 1.2, 0.0], count)
    return marks(np.cumsum(rng.uniform(0.2, 1.8, count) * apart_s), heights * rng.uniform(0.7, 1.4, count))


def are_alike(one: float, other: float) -> bool:
    """Of one direction; the lesser a quarter of the larger, or within 5 mA of it."""
    larger = max(abs(one), abs(other))
    return one * other > 0 and abs(one - other) <= max(0.75 * larger, 5.0)


def test_heights_have_like_ones_where_any_pair_is_alike(seed: int) -> None:
    rng = np.random.default_rng(seed)
    for _ in range(60):
        one, other = random_marks(rng, 12).height, random_marks(rng, int(rng.integers(0, 5))).height
        due = [any(are_alike(a, b) for b in other) for a in one]
        assert pl._has_alike(one, other).tolist() == due
        assert pl._alike(one[: len(other)], other).tolist() == [
            are_alike(a, b) for a, b in zip(one, other, strict=False)
        ]


@pytest.mark.parametrize(
    ("one", "other", "due"),
    [(100.0, 25.0, True), (100.0, 24.9, False), (100.0, 400.0, True), (100.0, 401.0, False), (6.0, 1.0, True),
     (6.0, 0.9, False), (1.0, 6.0, True), (0.9, 6.0, False), (4.0, 0.0, False), (4.0, -0.5, False)],
)  # fmt: skip
def test_a_height_has_a_like_one_up_to_the_bound_itself(one: float, other: float, due: bool) -> None:
    for way in (1, -1):
        assert pl._has_alike(np.array([way * one]), np.array([way * other])).tolist() == [due]
        beside = np.array([way * other, -way * one])  # another one the other way round says nothing
        assert pl._has_alike(np.array([way * one]), beside).tolist() == [due]


def test_marks_within_a_span_lie_inside_it() -> None:
    some = marks([1.0, 2.0, 3.0, 4.0], [5.0, 6.0, 7.0, 8.0])
    assert some.within((1.0, 4.0)).height.tolist() == [6.0, 7.0]
    assert some.within((0.9, 4.1)).height.tolist() == [5.0, 6.0, 7.0, 8.0]


def test_of_some_edges_the_share_that_meets_is_that_of_those_expected() -> None:
    nothing = np.empty(0, dtype=np.int64)
    for hits, expected, due in ((3, 4, 0.75), (0, 0, 0.0), (1, 1, 1.0)):
        assert Fit(pl.NO_CLOCK, hits, expected, 0, nothing, nothing).share == due


def naive_meetings(
    one: Marks, other: Marks, anchor: int, lag: float, task: Task, way: float, stretch: int
) -> int:
    """One edge after the other of the stretch against the nearest of the other account."""
    start = min(anchor, max(len(one) - stretch, 0))
    met = 0
    for k in range(start, min(start + stretch, len(one))):
        away_s = one.t_s[k] - one.t_s[anchor]
        wanted_s = one.t_s[k] + lag + way * task.about * away_s
        best = min(range(len(other)), key=lambda j: (abs(other.t_s[j] - wanted_s), j))
        slack_s = task.reach_s + 2 * task.usual * abs(away_s)
        met += abs(other.t_s[best] - wanted_s) <= slack_s and are_alike(one.height[k], other.height[best])
    return met


def test_no_edges_make_no_pairs() -> None:
    task = task_of(marks([1.0], [50.0]), marks([9.0], [50.0]))
    one, other = pl._pairs(task, np.array([0]), pl._Line(0.0, 0.0, 0.0), np.array([REACH_S]))
    assert (len(one), len(other)) == (0, 0)


def test_an_outlier_lies_beyond_four_deviations(seed: int) -> None:
    """Half of the edges 1 ms early, half late: a deviation by their median of 1 / 0.6745 ms, 5.93 ms are four
    of it. What counts moves the lag, by its share of the edges."""
    known_s = np.arange(200.0)
    late_s = np.where(np.arange(200) % 2, 1e-3, -1e-3)
    task = task_of(marks([], []), marks([], []), usual=1e-9)  # the rate is held
    for off_s, counts in ((5.5e-3, True), (6.4e-3, False)):
        seen_s = known_s + 5.0 + late_s
        seen_s[[60, 139]] = known_s[[60, 139]] + 5.0 + off_s
        moved_s = pl._line(known_s, seen_s, task).lag - 5.0
        own_s = late_s.sum() - late_s[[60, 139]].sum()
        due_s = (own_s + 2 * off_s) / 200 if counts else own_s / 198
        assert moved_s == pytest.approx(due_s, abs=2e-6)


def run_seen(
    rng: np.random.Generator, known: Marks, offset_s: float, rate: float, keep: float = 0.9
) -> tuple[Marks, set[int]]:
    """A recording of some of the edges, each known to 0.2 ms, with as many of others besides as a tenth; and
    which of the run's are there."""
    there = rng.random(len(known)) < keep
    t_s = offset_s + known.t_s[there] * (1 + rate) + rng.normal(0, 2e-4, int(there.sum()))
    others_s = rng.uniform(t_s[0], t_s[-1], len(known) // 10)
    heights = np.concatenate((known.height[there], rng.choice([400.0, -400.0], len(others_s))))
    t_s = np.concatenate((t_s, others_s))
    order = np.argsort(t_s)
    return marks(t_s[order], heights[order]), set(np.flatnonzero(there).tolist())


@pytest.mark.parametrize("rate", [0.0, 90e-6, -2.4e-3])
@pytest.mark.parametrize("here", [0, 150, 299])
def test_a_candidate_is_followed_through_the_whole_run(seed: int, rate: float, here: int) -> None:
    """From one edge, at its own lag, outward: 300 edges over 25 minutes, by which a rate of 90 ppm moves an
    edge by 0.14 s and one of 0.24 % by 4 s. What the fit says of itself is counted anew by its own clock."""
    rng = np.random.default_rng(seed)
    t_s = np.cumsum(rng.uniform(2.0, 8.0, 300))
    known = marks(t_s, np.tile([400.0, -400.0, 90.0, -90.0], 75))
    seen, there = run_seen(rng, known, 33.0, rate)
    usual, most = (1e-4, 3e-4) if abs(rate) < 1e-3 else (2.5e-3, 8e-3)
    task = task_of(known, seen, (33.0 + t_s[30] * (1 + rate) + 1, 1e5), usual=usual, most=most)
    fit = pl._follow(33.0 + rate * t_s[here], float(t_s[here]), task)
    assert fit is not None
    assert fit.clock.offset_s == pytest.approx(33.0, abs=3e-4)
    assert fit.clock.rate_ppm == pytest.approx(rate * 1e6, abs=0.2)
    # an edge of another load may lie nearer to its place than a run's own: of each ten thousand ten
    assert len(there ^ set(fit.one.tolist())) <= 4
    at_s = fit.clock.to_recording(t_s)
    assert fit.expected == np.count_nonzero(
        (at_s > task.span_s[0] + REACH_S) & (at_s < task.span_s[1] - REACH_S)
    )
    assert fit.expected == 300 - 31
    assert fit.hits == len(fit.one) == len(fit.other) == fit.clock.matched
    off_s = seen.t_s[fit.other] - at_s[fit.one]
    assert np.abs(off_s).max() <= REACH_S
    assert fit.clock.deviation_s == pytest.approx(np.sqrt(np.mean(off_s**2)))
    assert fit.score == 3 * fit.hits - fit.expected - len(seen)


def test_a_candidate_of_chance_is_given_up(seed: int) -> None:
    """Of two runs that have nothing in common some edges meet anywhere, fewer than a quarter all along."""
    rng = np.random.default_rng(seed)
    known = marks(np.cumsum(rng.uniform(0.5, 4.0, 200)), np.tile([400.0, -400.0], 100))
    seen = marks(np.cumsum(rng.uniform(0.5, 4.0, 200)), np.tile([400.0, -400.0], 100))
    task = task_of(known, seen)
    assert pl._follow(float(seen.t_s[50] - known.t_s[50]), float(known.t_s[50]), task) is None


def naive_candidates(task: Task) -> list[tuple[float, float]]:
    """Every anchor's lags with what they meet, the ends of both trains first; those of most meetings, as far
    as they are apart."""
    known, seen = task.known, task.seen
    ends = ((known.t_s[0], seen.t_s[0]), (known.t_s[-1], seen.t_s[-1]), (known.t_s[0], known.t_s[0]))
    rows = [(np.inf, there - here, here) for here, there in ends]
    like = [
        [k for k in range(len(one)) if any(are_alike(one.height[k], h) for h in other.height)]
        for one, other in ((known, seen), (seen, known))
    ]
    known, seen = known.take(np.array(like[0], dtype=int)), seen.take(np.array(like[1], dtype=int))
    for one, other, way in ((known, seen, 1.0), (seen, known, -1.0)):
        if not len(one):
            continue
        for anchor in sorted({int(x) for x in np.linspace(0, len(one) - 1, 7)}):
            mine = []
            for j in range(len(other)):
                if are_alike(one.height[anchor], other.height[j]):
                    lag = other.t_s[j] - one.t_s[anchor]
                    met = naive_meetings(one, other, anchor, lag, task, way, 24)
                    mine.append((met, way * lag, one.t_s[anchor] if way > 0 else other.t_s[j]))
            mine.sort(key=lambda row: (-row[0], abs(row[1])))
            rows += mine[:40]
    rows.sort(key=lambda row: -row[0])
    least = 0.5 * max((met for met, *_ in rows if np.isfinite(met)), default=0.0)
    kept: list[tuple[float, float]] = []
    for met, lag, here in rows:
        if met >= least and len(kept) < 60 and all(abs(lag - other) > 5e-3 for other, _ in kept):
            kept.append((float(lag), float(here)))
    return kept


@pytest.mark.parametrize("which", ["random", "even", "part", "small"])
def test_candidates_are_the_lags_that_meet_most(seed: int, which: str) -> None:
    """A random train; an even one, with more periods than are followed; a part of one; a recording of
    which most edges are smaller than any of the run's."""
    rng = np.random.default_rng(seed)
    if which == "even":
        known = marks(
            np.repeat(np.arange(40) * 7.5, 2) + np.tile([0.0, 0.7], 40), np.tile([300.0, -300.0], 40)
        )
    else:
        known = marks(np.cumsum(rng.uniform(0.3, 6.0, 50)), np.tile([400.0, -400.0, 60.0, -60.0, 9.0], 10))
    seen, _ = run_seen(rng, known, 12.0, 5e-5)
    if which == "part":
        seen = seen.take(slice(20, 35))
    if which == "small":
        more_s = np.sort(rng.uniform(12.0, 150.0, 80))
        t_s, height = np.append(seen.t_s, more_s), np.append(seen.height, np.full(80, 1.5))
        seen = marks(np.sort(t_s), height[np.argsort(t_s)])
    task = task_of(known, seen)
    assert np.array(pl._candidates(task)) == pytest.approx(np.array(naive_candidates(task)))


# -- at the bounds themselves, in sixteenths of a second, which are exact


def exact_task(known: Marks, seen: Marks, span_s: tuple[float, float] = (-512.0, 512.0)) -> Task:
    return Task(known, seen, span_s, 0.0625, 0.0, 3e-4)


def test_an_edge_meets_at_the_reach_itself_and_lies_inside_behind_it() -> None:
    one = marks([8.0], [50.0])
    for off_s, meets in ((0.0625, 1), (-0.0625, 1), (0.125, 0)):
        task = exact_task(one, marks([8.0 + off_s], [50.0]))
        assert pl.meeting(task, pl.Clock(0.0, 0.0, 0, 0.0, 0)) == meets
        assert pl._meetings(one, task.seen, 0, np.array([0.0]), task, 1.0).tolist() == [meets]
    task = exact_task(one, one, (1.0, 9.0))
    assert task.shows(np.array([1.0625, 1.125, 8.875, 8.9375])).tolist() == [False, True, True, False]


def test_a_lag_of_half_the_most_meetings_is_a_candidate() -> None:
    """Four edges of 100 mA that all meet at one lag, two of them at another one, and one at a third."""
    known = marks([0.0, 10.0, 30.0, 70.0], [100.0] * 4)
    seen = marks([200.0, 210.0, 230.0, 270.0, 400.0, 410.0, 500.0], [100.0] * 7)
    lags = {lag for lag, _ in pl._candidates(exact_task(known, seen))}
    assert {200.0, 400.0} <= lags
    assert 490.0 not in lags  # of the run's edges one meets there


def test_the_place_that_a_journal_names_is_followed_though_many_others_fit_as_well() -> None:
    """A recording of 20 of 400 periods fits at 381 places, more than are followed."""
    t_s = np.repeat(np.arange(400) * 4.0, 2) + np.tile([0.0, 1.0], 400)
    known = marks(t_s, np.tile([300.0, -300.0], 400))
    seen = marks(t_s[:40] + 10.0, np.tile([300.0, -300.0], 20))
    task = task_of(known, seen, (5.0, 95.0))
    named_s = 10.0 - 4.0 * 217
    for zero_s, there in ((None, False), (named_s, True)):
        found = [fit.clock.offset_s for fit in pl.places(task, zero_s)]
        assert (min(abs(offset_s - named_s) for offset_s in found) < 1e-3) is there


@pytest.mark.parametrize("about", [2e-3, -4e-3])
def test_a_piece_is_followed_at_the_rate_that_is_known(seed: int, about: float) -> None:
    """By it an edge half an hour on lies 3.6 s off: far beyond what is left of the rate to be found."""
    rng = np.random.default_rng(seed)
    t_s = np.cumsum(rng.uniform(2.0, 16.0, 200))
    known = marks(t_s, np.tile([400.0, -400.0, 90.0, -90.0], 50))
    seen = marks(21.0 + t_s * (1 + about + 20e-6), known.height)
    task = task_of(known, seen, usual=5e-5, most=6e-4, about=about)
    for here in (0, 120, 199):
        fit = pl._follow(float(seen.t_s[here] - t_s[here]), float(t_s[here]), task)
        assert fit is not None
        assert (fit.hits, fit.expected) == (200, 200)
        assert fit.clock.offset_s == pytest.approx(21.0, abs=1e-4)
        assert fit.clock.rate_ppm == pytest.approx((about + 20e-6) * 1e6, abs=0.1)
        assert fit.clock.others == 0


def test_where_the_rate_may_be_anything_a_candidate_grows_from_its_nearest_edges() -> None:
    """A software clock off by 0.7 %: after a minute the nearest edge of a train of a pulse each second is
    another pulse's; from six edges outward it is followed."""
    t_s = np.arange(600) * 1.0 + np.tile([0.0, 0.13, -0.08, 0.21, 0.05, -0.17], 100)
    known = marks(t_s, np.full(600, 300.0))
    for rate, here in ((7e-3, 0), (-7e-3, 300), (7e-3, 599)):
        task = task_of(known, marks(4.0 + t_s * (1 + rate), known.height), usual=2.5e-3, most=8e-3)
        fit = pl._follow(4.0 + rate * float(t_s[here]), float(t_s[here]), task)
        assert fit is not None
        assert fit.hits == 600
        assert fit.clock.rate_ppm == pytest.approx(rate * 1e6, abs=0.1)

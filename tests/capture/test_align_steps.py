"""Alignments of accounts put together by hand: even trains and what tells their places, how far a place
holds, several pieces, every way of looking."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from nightdraw.capture import align as al
from nightdraw.capture.accounts import Edges
from nightdraw.capture.align import ANYWHERE, Piece, Spot
from nightdraw.capture.place import Clock, Fit, Marks, Task
from nightdraw.capture.seen import Floats

REACH_S = 4e-3
SPAN_S = (0.0, 1e4)


def edges_of(t_s: list[float] | Floats, height: list[float] | Floats, u_s: float = 0.0) -> Edges:
    at_s, high = np.array(t_s, dtype=float), np.array(height, dtype=float)
    nothing = np.zeros(len(at_s))
    return Edges(at_s, nothing + u_s, nothing, high, nothing)


def task_of(known: Edges, seen: Edges, span_s: tuple[float, float] = SPAN_S, usual: float = 1e-4) -> Task:
    return Task(
        Marks(known.at_s, known.height_ma), Marks(seen.at_s, seen.height_ma), span_s, REACH_S, usual, 3e-4
    )


def fit_of(offset_s: float, one: list[int], score: int = 0, hits: int | None = None) -> Fit:
    met = np.array(one, dtype=np.int64)
    count = len(one) if hits is None else hits
    return Fit(Clock(offset_s, 0.0, count, 0.0, 0), count, count, score, met, met)


def random_edges(rng: np.random.Generator, count: int, apart_s: float = 2.0) -> Edges:
    heights = rng.choice([400.0, -400.0, 150.0, -150.0, 30.0, -30.0, 4.0], count)
    return edges_of(np.cumsum(rng.uniform(0.1, 2.0, count) * apart_s), heights * rng.uniform(0.9, 1.1, count))


def test_a_large_edge_is_what_nine_in_ten_are_smaller_than() -> None:
    assert al._typical(np.array([*range(-10, 0), *range(1, 11)], dtype=float)) == pytest.approx(9.1)
    assert al._typical(np.array([7.0])) == 7.0
    assert al._typical(np.empty(0)) == 0.0


def test_a_few_missing_edges_do_not_divide_a_run_a_tail_that_never_meets_is_left_out() -> None:
    known = edges_of(np.arange(30.0), np.full(30, 400.0))
    task = task_of(known, known)
    for gone, due in (
        ([10, 11], (0, 29)),  # 18 that follow outweigh two misses
        (list(range(20, 30)), (0, 19)),
        (list(range(8)), (8, 29)),
        ([24, 25, 26, 27, 28], (0, 23)),  # one edge behind five misses may be anybody's
        (list(range(10, 15)), (0, 29)),  # 10 lost against 15 behind them
        (list(range(10, 18)), (18, 29)),  # 16 against 12 and 10: two pieces, the longer one
    ):
        met = [k for k in range(30) if k not in gone]
        assert al._longest(task, fit_of(0.0, met)) == due


@pytest.mark.parametrize(("off_s", "named"), [(0.049, True), (-0.049, True), (0.051, False), (-0.051, False)])
def test_a_place_is_the_journals_within_a_twentieth_of_a_second(off_s: float, named: bool) -> None:
    fit = replace(fit_of(7.0 + off_s, [0]), expected=20)
    assert al._is_named(fit, Spot(zero_s=7.0)) is named
    assert not al._is_named(fit, ANYWHERE)
    # three points an edge: 30 % of 20 edges may be hidden there, elsewhere none
    assert al._slack(fit, Spot(zero_s=7.0)) == (18 if named else 0)
    assert al._slack(replace(fit, expected=1), Spot(zero_s=7.0)) == (3 if named else 0)


def train(periods: int, period_s: float = 7.5) -> Edges:
    t_s = np.repeat(np.arange(periods) * period_s, 2) + np.tile([0.0, 0.7], periods)
    return edges_of(t_s, np.tile([300.0, -300.0], periods))


def moved(edges: Edges, by_s: float) -> Edges:
    return replace(edges, at_s=edges.at_s + by_s)


def place(known: Edges, seen: Edges, span_s: tuple[float, float], spot: Spot = ANYWHERE) -> Fit:
    found = al._place(task_of(known, seen, span_s), spot, known, seen)
    assert found is not None
    return found


def test_a_part_of_an_even_train_has_as_many_rivals_as_periods_fit() -> None:
    """10 of 30 periods recorded: it begins with any of 21; the one by which the run begins nearest to the
    recording's begin is told, the latest, or the one that the journal names."""
    known = train(30)
    seen = moved(known.take(slice(20, 40)), -70.0)  # the 10th period lies 5 s into the recording
    for spot, due_s in ((ANYWHERE, -2.5), (Spot(late=True), 5.0), (Spot(zero_s=-70.0), -70.0),
                        (Spot(zero_s=-25.04), -25.0)):  # fmt: skip
        fit = place(known, seen, (2.0, 74.4), spot)
        assert fit.clock.offset_s == pytest.approx(due_s, abs=1e-4)
        if spot.zero_s is None:
            places = {round(rival.offset_s, 3) for rival in fit.rivals} | {round(fit.clock.offset_s, 3)}
            assert places == {round(5.0 - 7.5 * k, 3) for k in range(21)}
            assert fit.clock.others == len(fit.rivals) == 20
            assert {rival.others for rival in fit.rivals} == {20}


def test_a_runs_small_edges_tell_an_even_trains_place(seed: int) -> None:
    """A draw of a twentieth of the height, at random instants, leads nobody, but meets at one period only."""
    rng = np.random.default_rng(seed)
    small_s = np.sort(rng.uniform(60, 150, 12))
    large = train(30)
    t_s = np.concatenate((large.at_s, small_s))
    height = np.concatenate((large.height_ma, np.tile([15.0, -15.0], 6)))
    known = edges_of(np.sort(t_s), height[np.argsort(t_s)])
    inside = (known.at_s > 50) & (known.at_s < 160)
    seen = moved(known.take(inside), -45.0)
    large_only = seen.take(np.abs(seen.height_ma) > 100)
    task = task_of(large, large_only, (5.0, 115.0))
    fit = al._place(task, ANYWHERE, known, seen)
    assert fit is not None
    assert fit.clock.offset_s == pytest.approx(-45.0, abs=1e-3)
    assert fit.rivals == ()


def test_nothing_that_meets_is_no_place() -> None:
    known = train(5)
    seen = edges_of(np.array([3.0, 200.0, 430.0, 700.0]), np.full(4, -5000.0))
    assert al._place(task_of(known, seen), ANYWHERE, known, seen) is None


def pieces_of(known: Edges, seen: Edges, until_s: float) -> list[Piece]:
    return al.align(known, seen, (0.0, until_s), 1e-3)


def random_run(rng: np.random.Generator, count: int) -> Edges:
    return edges_of(np.cumsum(rng.uniform(0.4, 6.0, count)), np.tile([300.0, -300.0], count // 2))


def joined(*parts: Edges) -> Edges:
    t_s = np.concatenate([part.at_s for part in parts])
    height = np.concatenate([part.height_ma for part in parts])
    return edges_of(np.sort(t_s), height[np.argsort(t_s)])


def test_three_pieces_and_one_of_few_edges(seed: int) -> None:
    """Slips after 60 and after 100 edges of 114: three pieces, the longest first; with so few as three edges
    behind a slip they are none."""
    rng = np.random.default_rng(seed)
    run = random_run(rng, 114)
    a, b, c = run.take(slice(0, 60)), run.take(slice(60, 100)), run.take(slice(100, 114))
    seen = joined(moved(a, 5.0), moved(b, 25.0), moved(c, 49.0))
    found = pieces_of(run, seen, float(run.at_s[-1]) + 60.0)
    assert [round(p.clock.offset_s, 2) for p in found] == pytest.approx([5.0, 25.0, 49.0], abs=0.01)
    few = joined(moved(run.take(slice(0, 111)), 5.0), moved(run.take(slice(111, 114)), 25.0))
    (only,) = pieces_of(run, few, float(run.at_s[-1]) + 60.0)
    assert only.clock.offset_s == pytest.approx(5.0, abs=1e-3)


def test_a_hidden_stretch_of_an_even_train_is_no_piece_a_period_later() -> None:
    """Other loads hide three edges in a row near the end: what follows fits the train a period later as well,
    but it fits going on, too."""
    run = train(30)
    kept = np.ones(60, dtype=bool)
    kept[[51, 52, 53]] = False
    found = pieces_of(run, moved(run, 20.0).take(kept), 250.0)
    assert len(found) == 1
    assert found[0].clock.offset_s == pytest.approx(20.0, abs=1e-3)


def test_a_slow_clamps_edges_are_looked_for_in_the_time_they_take(seed: int) -> None:
    """Edges up to 15 ms off: within reach only where each is known to be so uncertain."""
    rng = np.random.default_rng(seed)
    run = random_run(rng, 40)
    off_s = rng.uniform(-15e-3, 15e-3, 40)
    for u_s, matched in ((20e-3, 40), (0.0, None)):
        seen = edges_of(run.at_s + 7.0 + off_s, run.height_ma, u_s)
        found = al.align(run, seen, (0.0, 400.0), 1e-3)[0].clock
        if matched is not None:
            assert found.matched == matched
            assert found.offset_s == pytest.approx(7.0, abs=0.01)
        else:
            assert found.matched < 30


def test_where_nothing_matches_the_journals_zero_is_taken() -> None:
    nothing = edges_of([], [])
    (piece,) = al.align(train(3), nothing, (2.0, 9.0), 1e-3, Spot(zero_s=4.0))
    assert (piece.clock.offset_s, piece.clock.matched) == (4.0, 0)
    assert (piece.from_s, piece.until_s, piece.first_s, piece.last_s) == (2.0, 9.0, -np.inf, np.inf)


@pytest.mark.parametrize(
    ("rate", "gain"), [(0.0, 0.1), (0.0, -20.0), (3e-3, 1.0), (-6e-3, -1.0), (-6e-3, 10.0)]
)
def test_every_way_of_looking_finds_its_place(seed: int, rate: float, gain: float) -> None:
    """Any gain and polarity, two crystals or a recorder that keeps time by software."""
    rng = np.random.default_rng(seed)
    heights = np.tile([300.0, -200.0, 120.0, -220.0], 15)
    run = edges_of(np.cumsum(rng.uniform(0.4, 6.0, 60)), heights)
    seen = edges_of(9.0 + run.at_s * (1 + rate), gain * heights)
    clock = al.align(run, seen, (0.0, 700.0), 1e-3)[0].clock
    assert clock.matched == 60
    assert clock.offset_s == pytest.approx(9.0, abs=1e-3)
    assert clock.rate_ppm == pytest.approx(rate * 1e6, abs=5)
    blind = al.align(run, seen, (0.0, 700.0), 1e-3, Spot(blind=True))[0].clock
    assert blind.matched == 60

"""Steps of an alignment: which edges lead, what a place is worth, how far it holds, what it leaves over;
against loops over the edges, and accounts put together by hand."""

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


@pytest.mark.parametrize("heights", ["like", "signs", "turned", "none"])
@pytest.mark.parametrize("scale", [1.0, 0.05])
def test_large_edges_lead(seed: int, heights: str, scale: float) -> None:
    """Of the run those of 0.3 of its typical one, and 5 mA. Of the recording what may be like those (a
    quarter of that), 2.5 mA at least; where only directions count, by its own typical edge. scale: how much
    smaller the recording's are."""
    rng = np.random.default_rng(seed)
    for _ in range(20):
        known, seen = random_edges(rng, 30), random_edges(rng, 40)
        seen = replace(seen, after_ma=seen.after_ma * scale)
        one, other = al._marks(known, seen, heights)
        typical, own = (float(np.quantile(np.abs(each.height_ma), 0.9)) for each in (known, seen))
        leads = [k for k in range(30) if abs(known.height_ma[k]) >= max(0.3 * typical, 5.0)]
        least = {
            "like": max(0.3 * 0.25 * typical, 2.5), "signs": 0.3 * own,
            "turned": 0.3 * own, "none": max(0.3 * 0.25 * typical, 2.5),
        }[heights]  # fmt: skip
        others = [k for k in range(40) if abs(seen.height_ma[k]) >= least]
        assert one.t_s.tolist() == known.at_s[leads].tolist()
        assert other.t_s.tolist() == seen.at_s[others].tolist()
        if heights == "like":
            assert one.height.tolist() == known.height_ma[leads].tolist()
            assert other.height.tolist() == seen.height_ma[others].tolist()
            continue
        # all of one size, of which only the direction is left: the recording's turned round, or none at all
        turn = -1.0 if heights == "turned" else 1.0
        assert len(set(np.abs([*one.height, *other.height]))) == 1
        up, also = np.sign(known.height_ma[leads]), turn * np.sign(seen.height_ma[others])
        if heights == "none":
            up, also = np.abs(up), np.abs(also)
        assert np.sign(one.height).tolist() == up.tolist()
        assert np.sign(other.height).tolist() == also.tolist()


def naive_worth(task: Task, offset_s: float, known: Edges, seen: Edges) -> int:
    """Edge by edge: 1 against it each that should be there, 2 for it where one meets, 2 more where that has
    its height, by the median ratio, within 15 % or 5 mA."""
    rows = []
    for t_s, high in zip(known.at_s, known.height_ma, strict=True):
        there_s = t_s + offset_s
        if task.span_s[0] + REACH_S < there_s < task.span_s[1] - REACH_S:
            k = int(np.argmin(np.abs(seen.at_s - there_s)))
            meets = abs(seen.at_s[k] - there_s) <= REACH_S and high != 0
            rows.append((meets, high, seen.height_ma[k]))
    ratios = [shown / high for meets, high, shown in rows if meets]
    scale = float(np.median(ratios)) if ratios else 1.0
    worth = 0
    for meets, high, shown in rows:
        like = abs(shown - scale * high) <= max(0.15 * abs(scale * high), 5.0 * abs(scale))
        worth += (2 + 2 * like) * meets - 1
    return worth


@pytest.mark.parametrize("gain", [1.0, -0.5, 10.0])
def test_a_place_is_worth_what_it_explains_of_all_edges(seed: int, gain: float) -> None:
    rng = np.random.default_rng(seed)
    for _ in range(20):
        known = random_edges(rng, 30)
        known = replace(known, after_ma=np.where(rng.random(30) < 0.1, 0.0, known.after_ma))
        off_s = rng.choice([-1.1, -0.9, 0.0, 0.9, 1.1, 30.0], 30) * REACH_S
        order = np.argsort(known.at_s + off_s)
        shown = gain * known.height_ma * rng.choice([1.0, 0.86, 1.14, 0.8, 1.3], 30)
        seen = edges_of((known.at_s + 5.0 + off_s)[order], shown[order])
        task = task_of(known, seen, (float(known.at_s[4]) + 5.0, float(known.at_s[-3]) + 5.0))
        for offset_s in (5.0, 7.3):
            fit = fit_of(offset_s, [])
            assert al._worth(task, fit, known, seen) == naive_worth(task, offset_s, known, seen)
    assert al._worth(task, fit_of(1e6, []), known, seen) == 0  # none of it lies in the recording


def naive_longest(met: list[bool], shown: list[bool]) -> tuple[int, int]:
    """Every stretch of edges: of those that are worth most the one that ends first, and begins last where
    several do; from its first edge that meets to its last."""
    worth = [1.0 if m else -2.0 if s else 0.0 for m, s in zip(met, shown, strict=True)]
    stretches = [(a, b) for a in range(len(met)) for b in range(a, len(met))]
    a, b = max(stretches, key=lambda ab: (sum(worth[ab[0] : ab[1] + 1]), -ab[1]))
    there = [k for k in range(a, b + 1) if met[k]]
    return there[0], there[-1]


def test_a_place_holds_where_it_meets_most(seed: int) -> None:
    rng = np.random.default_rng(seed)
    for _ in range(60):
        count = int(rng.integers(1, 14))
        known = edges_of(np.arange(count, dtype=float), np.full(count, 400.0))
        begin, end = sorted(rng.integers(-2, count + 2, 2) + 0.5)
        task = task_of(known, known, (begin, end))
        met = rng.random(count) < 0.6
        met[int(rng.integers(count))] = True
        first, last = al._longest(task, fit_of(0.0, np.flatnonzero(met).tolist()))
        assert met[first]
        assert met[last]
        shown = ((known.at_s > begin) & (known.at_s < end)).tolist()
        worth = np.where(met, 1.0, np.where(shown, -2.0, 0.0))
        a, b = naive_longest(met.tolist(), shown)
        assert worth[first : last + 1].sum() == worth[a : b + 1].sum()
        assert last == b


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


def test_a_piece_is_cut_a_reach_from_its_outermost_edges() -> None:
    known = edges_of([1.0, 2.0, 5.0, 9.0], [400.0, -400.0, 400.0, -400.0])
    fit = replace(fit_of(0.0, [1, 2]), clock=Clock(10.0, 1e5, 2, 0.0, 0), rivals=(Clock(3.0, 0, 1, 0, 0),))
    piece, sides = al._cut(task_of(known, known, (4.0, 40.0)), fit, 1, 2)
    assert (piece.first_s, piece.last_s) == (2.0, 5.0)
    assert (piece.from_s, piece.until_s) == (4.0, 40.0)
    assert (piece.clock, piece.rivals) == (fit.clock, fit.rivals)
    assert sides[0] == pytest.approx((4.0, 10.0 + 2.0 * 1.1 - REACH_S))
    assert sides[1] == pytest.approx((10.0 + 5.0 * 1.1 + REACH_S, 40.0))


def test_pieces_are_divided_halfway_between_their_edges_the_main_one_first() -> None:
    main, before, after = (
        Piece(Clock(offset_s, 0.0, 9, 0.0, 0), *SPAN_S, first_s, last_s)
        for offset_s, first_s, last_s in ((100.0, 20.0, 30.0), (90.0, 1.0, 15.0), (300.0, 2.0, 40.0))
    )
    found = al._ordered([main, after, before], (-5.0, 400.0))
    assert [piece.clock.offset_s for piece in found] == [100.0, 90.0, 300.0]
    # edges: before 91 .. 105, main 120 .. 130, after 302 .. 340
    assert [(p.from_s, p.until_s) for p in found] == [(112.5, 216.0), (-5.0, 112.5), (216.0, 400.0)]
    alone = al._ordered([main], (-5.0, 400.0))
    assert [(p.from_s, p.until_s) for p in alone] == [(-5.0, 400.0)]


def test_of_places_alike_the_named_the_latest_or_the_nearest_to_the_begin_is_meant() -> None:
    early, late = fit_of(-30.0, [0]), fit_of(40.0, [0])
    for spot, due in ((ANYWHERE, early), (Spot(late=True), late), (Spot(zero_s=10.0), late),
                      (Spot(zero_s=-1.0, late=True), early)):  # fmt: skip
        assert min((early, late), key=lambda fit: al._rank(fit, spot)) is due
    assert al._rank(early, Spot(zero_s=10.0)) == 40.0


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


def test_a_run_that_stands_still_goes_on_as_another_piece(seed: int) -> None:
    """The second half 30 s later; then the same with a part that is cut out of the recording."""
    rng = np.random.default_rng(seed)
    run = random_run(rng, 80)
    one, other = run.take(slice(0, 50)), run.take(slice(50, 80))
    for by_s in (30.0, -1.7):
        if by_s < 0 and float(other.at_s[0] + by_s) <= float(one.at_s[-1]) + 0.1:
            by_s = 0.3 - float(other.at_s[0] - one.at_s[-1])
        found = pieces_of(run, joined(moved(one, 12.0), moved(other, 12.0 + by_s)), run.at_s[-1] + 60.0)
        assert [round(p.clock.offset_s, 3) for p in found] == pytest.approx([12.0, 12.0 + by_s], abs=2e-3)
        assert (found[0].first_s, found[0].last_s) == pytest.approx((one.at_s[0], one.at_s[-1]))
        assert (found[1].first_s, found[1].last_s) == pytest.approx((other.at_s[0], other.at_s[-1]))
        middle_s = 12.0 + (float(one.at_s[-1]) + float(other.at_s[0]) + by_s) / 2
        assert (found[0].until_s, found[1].from_s) == pytest.approx((middle_s, middle_s), abs=2e-3)


def test_a_run_begun_anew_is_a_piece_from_its_start(seed: int) -> None:
    """After 60 of 80 edges the power fails: 20 s later the run begins from its first edge."""
    rng = np.random.default_rng(seed)
    run = random_run(rng, 80)
    one, again = run.take(slice(0, 60)), run.take(slice(0, 30))
    anew_s = 12.0 + float(one.at_s[-1]) + 20.0
    seen = joined(moved(one, 12.0), moved(again, anew_s))
    found = pieces_of(run, seen, anew_s + float(again.at_s[-1]) + 1.0)
    assert [round(p.clock.offset_s, 3) for p in found] == pytest.approx([12.0, anew_s], abs=2e-3)
    assert (found[1].first_s, found[1].last_s) == pytest.approx((again.at_s[0], again.at_s[-1]))


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

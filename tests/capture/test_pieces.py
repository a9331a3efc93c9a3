"""Which edges lead, which place is meant and how a run is cut to pieces, against brute force: every stretch
of edges, every pair of places, loops over edges."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from nightdraw.capture import align as al
from nightdraw.capture.accounts import Edges
from nightdraw.capture.align import Piece, Spot, align
from nightdraw.capture.place import Clock, Fit, Marks, Task

from tests.capture.by_hand import Floats

REACH_S = 4e-3


def edges(at_s: Floats, height_ma: Floats, u_s: float = 0.0) -> Edges:
    nothing = np.zeros(len(at_s))
    return Edges(at_s, nothing + u_s, nothing, height_ma, nothing)


def task_of(known: Marks, seen: Marks, span_s: tuple[float, float] = (-1e4, 1e4)) -> Task:
    return Task(known, seen, span_s, REACH_S, 100e-6, 300e-6)


def fit_of(
    offset_s: float, score: int = 0, hits: int = 10, one: tuple[int, ...] = (), ppm: float = 0.0
) -> Fit:
    clock = Clock(offset_s, ppm, hits, 0.0, 0)
    return Fit(clock, hits, 12, score, np.array(one, dtype=int), np.array(one, dtype=int))


def heights(seed: int) -> tuple[Floats, Floats]:
    """Of a run, and of a recording of it among others, some of just the height that a limit has."""
    rng = np.random.default_rng(seed)
    one = rng.choice([-400.0, -120.0, -20.0, 4.0, 5.0, 20.0, 120.0, 400.0], 40)
    other = rng.choice([-400.0, -119.0, -30.0, -2.4, 2.5, 29.9, 30.0, 121.0, 400.0], 50)
    return one, other


@pytest.mark.parametrize("way", ["like", "signs", "turned", "none"])
@pytest.mark.parametrize("scale", [1.0, 0.02])
def test_the_edges_that_lead_are_the_large_ones(seed: int, way: str, scale: float) -> None:
    """Of the run those of 0.3 of the typical edge; of the recording, where heights are currents, those that
    may be a quarter of such a one, else those that are large by its own measure."""
    one, other = (values * scale for values in heights(seed))
    typical, own = (float(np.quantile([abs(h) for h in values], 0.9)) for values in (one, other))
    least = max(0.3 * typical, 5.0)
    limit = {"like": max(0.3 * 0.25 * typical, 2.5), "none": max(0.3 * 0.25 * typical, 2.5)}.get(
        way, 0.3 * own
    )
    t_one, t_other = np.arange(40.0), np.arange(50.0)
    found, seen = al._marks(edges(t_one, one), edges(t_other, other), way)
    kept = [k for k in range(40) if abs(one[k]) >= least]
    assert found.t_s.tolist() == kept
    also = [k for k in range(50) if abs(other[k]) >= limit]
    assert seen.t_s.tolist() == also
    shown = {
        "like": (one[kept], other[also]),
        "signs": (5 * np.sign(one[kept]), 5 * np.sign(other[also])),
        "turned": (5 * np.sign(one[kept]), -5 * np.sign(other[also])),
        "none": (np.full(len(kept), 5.0), np.full(len(also), 5.0)),
    }[way]
    assert found.height.tolist() == shown[0].tolist()
    assert seen.height.tolist() == shown[1].tolist()


def test_the_run_of_edges_that_meets_most_is_the_best_of_all(seed: int) -> None:
    """Every stretch from one edge to another: one for an edge that meets, two against for each that should
    and doesn't, nothing where the recording doesn't reach."""
    rng = np.random.default_rng(seed)
    for share in (0.3, 0.6, 0.9) * 20:
        known = Marks(np.arange(14.0), np.full(14, 9.0))
        met = np.flatnonzero(rng.random(14) < share)
        if not len(met):
            continue
        task = task_of(known, known, (1.5, 11.5))
        first, last = al._longest(task, fit_of(0.0, one=tuple(met.tolist())))
        worth = [1 if k in met else -2 if 1.5 < k < 11.5 else 0 for k in range(14)]
        best = max(sum(worth[a : b + 1]) for a in range(14) for b in range(a, 14))
        assert sum(worth[first : last + 1]) == best
        assert {first, last} <= set(met.tolist())


def test_what_a_place_explains_is_counted_by_a_loop(seed: int) -> None:
    """Two for an edge that meets, two more for one of its own height by the usual scale, one against each
    that should be there."""
    rng = np.random.default_rng(seed)
    for scale in (1.0, -2.5):
        for _ in range(10):
            known = edges(np.arange(20.0), rng.choice([-100.0, -3.0, 0.0, 3.0, 100.0], 20))
            off = rng.choice([0.0, 1.0, 4.9, 5.1, 14.9, 15.1, 40.0], 20) * abs(scale)
            at_s = np.sort(np.arange(20.0) + 3.0 + rng.choice([0.0, 0.99, 1.01, -1.01], 20) * REACH_S)
            seen = edges(at_s, known.height_ma * scale + off)
            task = task_of(Marks(known.at_s, known.height_ma), Marks(at_s, seen.height_ma), (4.5, 20.5))
            found = al._worth(task, fit_of(3.0), known, seen)
            inside = [k for k in range(20) if 4.5 + REACH_S < k + 3.0 < 20.5 - REACH_S]
            met = [k for k in inside if abs(at_s[k] - k - 3.0) <= REACH_S and known.height_ma[k]]
            by = float(np.median([seen.height_ma[k] / known.height_ma[k] for k in met])) if met else 1.0
            like = sum(
                abs(seen.height_ma[k] - by * known.height_ma[k])
                <= max(0.15 * abs(by * known.height_ma[k]), 5.0 * abs(by))
                for k in met
            )
            assert found == 2 * len(met) + 2 * like - len(inside)
    assert al._worth(replace(task, span_s=(90.0, 95.0)), fit_of(3.0), known, seen) == 0


@pytest.mark.parametrize(
    ("spot", "offsets_s", "due"),
    [
        (Spot(), (-3.0, 2.0, 5.0), 2.0),
        (Spot(late=True), (-3.0, 2.0, 5.0), 5.0),
        (Spot(zero_s=4.0), (-3.0, 2.0, 5.0), 5.0),
        (Spot(zero_s=4.0), (2.0, 4.04), 4.04),
    ],
)
def test_of_places_that_fit_alike_the_least_is_meant(
    monkeypatch: pytest.MonkeyPatch, spot: Spot, offsets_s: tuple[float, ...], due: float
) -> None:
    fits = [fit_of(offset, 20) for offset in offsets_s]
    monkeypatch.setattr(al, "places", lambda task, zero_s: fits)
    monkeypatch.setattr(al, "_worth", lambda *_: 7)
    nothing = Marks(np.empty(0), np.empty(0))
    none = edges(np.empty(0), np.empty(0))
    found = al._place(task_of(nothing, nothing), spot, none, none)
    assert found is not None
    assert found.clock.offset_s == due
    named = abs(due - 4.04) < 1e-9
    assert found.clock.others == len(found.rivals) == (0 if named else len(offsets_s) - 1)
    assert {rival.offset_s for rival in found.rivals} == (set() if named else {*offsets_s} - {due})


@pytest.mark.parametrize(
    ("score", "worth", "chosen", "others"),
    [
        ((30, 26), (5, 9), 1, 0),  # four edges less: judged by all edges
        ((30, 25), (5, 9), 0, 0),  # five: not
        ((30, 30), (5, 9), 1, 0),
        ((30, 30), (9, 8), 0, 1),  # nearly as good: a rival
        ((30, 30), (9, 7), 0, 0),
    ],
)
def test_places_that_meet_alike_are_told_apart_by_all_edges(
    monkeypatch: pytest.MonkeyPatch, score: tuple[int, int], worth: tuple[int, int], chosen: int, others: int
) -> None:
    fits = [fit_of(10.0 * k, one) for k, one in enumerate(score)]
    monkeypatch.setattr(al, "places", lambda task, zero_s: fits)
    monkeypatch.setattr(al, "_worth", lambda task, fit, *_: worth[fits.index(fit)])
    nothing, none = Marks(np.empty(0), np.empty(0)), edges(np.empty(0), np.empty(0))
    found = al._place(task_of(nothing, nothing), Spot(), none, none)
    assert found is not None
    assert (found.clock.offset_s, found.clock.others) == (10.0 * chosen, others)


@pytest.mark.parametrize(("score", "named"), [(20, True), (19, False), (30, True)])
def test_a_place_that_the_journal_names_may_explain_less(
    monkeypatch: pytest.MonkeyPatch, score: int, named: bool
) -> None:
    """Of twelve edges 0.3 times three each, 11 (10.8 rounded), may be hidden; within 50 ms."""
    for off_s, near in ((0.049, True), (0.051, False)):
        fits = [fit_of(100.0, 31), fit_of(4.0 + off_s, score)]
        monkeypatch.setattr(al, "places", lambda task, zero_s, fits=fits: fits)
        monkeypatch.setattr(al, "_worth", lambda task, fit, *_, fits=fits: 9 - fits.index(fit))
        nothing, none = Marks(np.empty(0), np.empty(0)), edges(np.empty(0), np.empty(0))
        found = al._place(task_of(nothing, nothing), Spot(zero_s=4.0), none, none)
        assert found is not None
        assert (found is fits[1]) is (named and near)


def test_a_later_way_of_looking_must_be_clearly_better(monkeypatch: pytest.MonkeyPatch, seed: int) -> None:
    """By a loop: 1.15 times as many edges and one more; it ends where 0.85 of both accounts' large edges
    meet, four at least. The recording has 12 edges of the run, as many large ones, and 30 small ones."""
    rng = np.random.default_rng(seed)
    known = edges(np.arange(20.0), np.full(20, 100.0))
    seen = edges(np.arange(42.0), np.append(np.full(12, 100.0), np.full(30, 29.0)))
    for blind in (False, True):
        for _ in range(40):
            rows = [None if rng.random() < 0.2 else int(rng.integers(0, 14)) for _ in al.WAYS]
            asked = list[str]()

            def place(task: Task, spot: Spot, *_: Edges, rows=rows[2 * blind :], asked=asked) -> Fit | None:  # type: ignore[no-untyped-def]
                hits = rows[len(asked)]
                asked.append(str(hits))
                return None if hits is None else replace(fit_of(float(len(asked)), hits=hits), expected=12)

            monkeypatch.setattr(al, "_place", place)
            found = al._best_way(known, seen, (0.0, 99.0), REACH_S, Spot(blind=blind))
            best, number = None, 0
            for hits in rows[2 * blind :]:
                number += 1
                if hits is None:
                    continue
                if best is None or hits > 1.15 * best + 1:
                    best = hits
                if best / 12 >= 0.85 and best >= 4:
                    break
            assert (None if found is None else found[1].hits) == best
            assert len(asked) == number


def test_no_place_is_none(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(al, "places", lambda task, zero_s: [])
    nothing, none = Marks(np.empty(0), np.empty(0)), edges(np.empty(0), np.empty(0))
    assert al._place(task_of(nothing, nothing), Spot(), none, none) is None


def test_pieces_are_divided_halfway_between_their_edges() -> None:
    """By hand: three pieces, given the main one first, in any order."""
    rows = [(Clock(100.0, 0.0, 9, 0.0, 0), 50.0, 80.0), (Clock(0.0, 0.0, 5, 0.0, 0), 10.0, 40.0),
            (Clock(10.0, 0.0, 7, 0.0, 0), 60.0, 110.0)]  # fmt: skip
    pieces = [Piece(clock, -np.inf, np.inf, first, last) for clock, first, last in rows]
    found = al._ordered(pieces, (-5.0, 300.0))
    assert [piece.clock.offset_s for piece in found] == [100.0, 0.0, 10.0]
    cuts = {0.0: (-5.0, 55.0), 10.0: (55.0, 135.0), 100.0: (135.0, 300.0)}
    for piece in found:
        assert (piece.from_s, piece.until_s) == cuts[piece.clock.offset_s]


def test_a_piece_leaves_over_what_lies_beyond_its_outermost_edges() -> None:
    known = Marks(np.arange(10.0), np.full(10, 9.0))
    piece, sides = al._cut(task_of(known, known, (1.0, 60.0)), fit_of(20.0), 2, 7)
    assert (piece.first_s, piece.last_s, piece.from_s, piece.until_s) == (2.0, 7.0, 1.0, 60.0)
    assert sides == ((1.0, 22.0 - REACH_S), (27.0 + REACH_S, 60.0))


def random_run(rng: np.random.Generator, count: int) -> tuple[Floats, Floats]:
    t_s = np.cumsum(rng.uniform(0.5, 5.0, count))
    return t_s, np.tile([200.0, -200.0], count)[:count] * np.repeat(rng.choice([1.0, 1.6], count), 2)[:count]


@pytest.mark.parametrize(
    ("gain", "ppm"), [(1.0, 80.0), (1.0, 4000.0), (7.0, -50.0), (-1.0, 20.0), (-6.0, 3000.0)]
)
@pytest.mark.parametrize("slip_s", [0.0, 3.7, -2.9])
def test_a_slip_is_two_pieces_of_the_true_clocks(seed: int, gain: float, ppm: float, slip_s: float) -> None:
    """From edge 60 of 120 on everything comes so much later, the first piece's clock as before."""
    rng = np.random.default_rng(seed)
    t_s, height = random_run(rng, 120)
    at_s = 40.0 + t_s * (1 + ppm * 1e-6)
    if slip_s:
        at_s[60:] += max(slip_s, at_s[59] - at_s[60] + 0.3)
    off = (
        max(slip_s, 40.0 + t_s[59] * (1 + ppm * 1e-6) - 40.0 - t_s[60] * (1 + ppm * 1e-6) + 0.3)
        if slip_s
        else 0.0
    )
    found = align(edges(t_s, height), edges(at_s, gain * height), (0.0, at_s[-1] + 30), 1e-3)
    order = sorted(found, key=lambda piece: piece.from_s)
    assert len(order) == (2 if slip_s else 1)
    for piece, extra, middle in zip(order, (0.0, off), (30, 90), strict=False):
        due = 40.0 + t_s[middle] * (1 + ppm * 1e-6) + extra
        assert piece.clock.to_recording(float(t_s[middle])) == pytest.approx(due, abs=2e-3)
    assert (order[0].from_s, order[-1].until_s) == (0.0, at_s[-1] + 30)
    if slip_s:
        assert order[0].until_s == order[1].from_s == pytest.approx((at_s[59] + at_s[60]) / 2, abs=2e-3)
        assert (order[0].last_s, order[1].first_s) == (t_s[59], t_s[60])


def test_a_run_begun_anew_is_a_piece_from_its_start(seed: int) -> None:
    rng = np.random.default_rng(seed)
    t_s, height = random_run(rng, 100)
    begun = t_s[69] + 12.3
    at_s = np.concatenate((t_s[:70], begun + t_s[:40]))
    found = align(
        edges(t_s, height),
        edges(at_s, np.concatenate((height[:70], height[:40]))),
        (-5.0, at_s[-1] + 5),
        1e-3,
    )
    assert len(found) == 2
    main, again = found
    assert main.clock.offset_s == pytest.approx(0.0, abs=1e-3)
    assert again.clock.offset_s == pytest.approx(begun, abs=1e-3)
    assert (again.first_s, again.last_s) == (t_s[0], t_s[39])
    assert main.until_s == again.from_s == pytest.approx((t_s[69] + begun + t_s[0]) / 2, abs=1e-3)


@pytest.mark.parametrize("foreign", [3, 12])
def test_foreign_edges_behind_the_run_are_no_piece(seed: int, foreign: int) -> None:
    rng = np.random.default_rng(seed)
    t_s, height = random_run(rng, 60)
    more_s = t_s[-1] + 5 + np.cumsum(rng.uniform(0.5, 5.0, foreign))
    found = align(
        edges(t_s, height),
        edges(np.append(t_s, more_s), np.append(height, rng.choice([-200.0, 200.0], foreign))),
        (-5.0, more_s[-1] + 5),
        1e-3,
    )
    assert len(found) == 1
    assert (found[0].first_s, found[0].last_s) == (t_s[0], t_s[-1])

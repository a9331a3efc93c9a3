"""One piecewise alignment of two accounts: where in a recording a run lies, and at what rate its clock goes.

Theory of operation. Within a piece, time on the recording = offset + time since the run's start * (1 +
rate), and places are found and followed in place. What the best one leaves over on either side is placed
anew, as the rest of the run (a slip) or from its start (a restart): the pieces. Heights lead as far as they
can: at first they must be alike, then only their directions (any gain), then the opposite directions (a
clamp the wrong way round), then none (a switch fault turns edges round). A periodic train fits itself anew
with every period: then the run's ends decide, and where they weren't recorded the answer says how many other
places there are.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from nightdraw.capture.accounts import Edges
from nightdraw.capture.place import (
    LEAST_MA,
    LIKE,
    MOST_USUAL,
    NO_CLOCK,
    REACH_S,
    SAME_S,
    USUAL_RATE,
    Clock,
    Fit,
    Marks,
    Span,
    Task,
    meeting,
    nearest,
    places,
)
from nightdraw.capture.seen import Floats

LOOSE_RATE = 2500e-6  # a recorder that keeps time by software may be off by half a per cent
MOST_LOOSE = 8000e-6
SHARE = 0.3  # edges smaller than this share of the typical one don't lead: noise moves them
WELL_MET = 0.85  # a place at which so many meet needs no other way of looking
BETTER = 1.15  # another way of looking is believed if it meets so many times more edges
LEAST_EDGES = 4  # fewer instants meet by chance
NAMED_S = 0.05  # a place that the journal names is found within this: box and bench share a clock
NAMED_SHARE = 0.3  # and is believed though so many of its edges are hidden by other loads
ALIKE_EDGES, ALIKE_SHARE = 4, 0.1  # places at which nearly as many large edges meet are judged by all edges
LIKE_SHARE = 0.15  # of its height an edge may be off and speak for a place
MOST_PIECES = 4  # a recording in more pieces than this is no account of the run: they meet by chance
PIECE_EDGES = 6  # edges of a piece beside the first: fewer meet somewhere by chance, unless all of them do
HIDDEN_EDGES = 3  # by so many more edges a piece must be better than going on as before
PIECE_SHARE = 0.7  # of the edges that it should show such a piece must meet
MISS = 2.0  # a miss speaks against a piece as much as so many meetings for it: it must meet two of three
PIECE_RATE = 50e-6  # pieces of one recording share its clock's rate within this


@dataclass(frozen=True)
class Piece:
    """A part of the recording, from from_s to until_s on its clock, that has one clock against the run, and
    which of the run's edges from first_s to last_s it shows; rivals: other clocks that fit as well."""

    clock: Clock
    from_s: float
    until_s: float
    first_s: float
    last_s: float
    rivals: tuple[Clock, ...] = ()


@dataclass(frozen=True)
class Spot:
    """What is known of where a run lies in a recording. zero_s: the recording's time of its zero, if it is
    the one that the journal was kept beside; from_s, until_s: all of the run lies between these; late: of
    places that fit alike the latest is meant; blind: the edges' heights aren't currents."""

    zero_s: float | None = None
    from_s: float = -np.inf
    until_s: float = np.inf
    late: bool = False
    blind: bool = False


ANYWHERE = Spot()


@dataclass(frozen=True)
class _Way:
    """A way of looking: which heights count, what the rate may be, and how far off it is at first."""

    heights: str  # "like", "signs", "turned" or "none"
    usual: float
    most: float


WAYS = (
    _Way("like", USUAL_RATE, MOST_USUAL),
    _Way("like", LOOSE_RATE, MOST_LOOSE),
    _Way("signs", USUAL_RATE, MOST_USUAL),
    _Way("turned", USUAL_RATE, MOST_USUAL),
    _Way("signs", LOOSE_RATE, MOST_LOOSE),
    _Way("turned", LOOSE_RATE, MOST_LOOSE),
    _Way("none", USUAL_RATE, MOST_USUAL),
)


def align(known: Edges, seen: Edges, span_s: Span, interval_s: float, spot: Spot = ANYWHERE) -> list[Piece]:
    """The pieces in the order of the recording; the first of the list is the one that explains most.

    span_s: first and last instant of the recording; interval_s: its sampling interval. One piece with a clock
    that matched nothing where no place is found.
    """
    nowhere = NO_CLOCK if spot.zero_s is None else Clock(spot.zero_s, 0.0, 0, 0.0, 0)
    lost = [Piece(nowhere, *span_s, -np.inf, np.inf)]
    if not len(known) or not len(seen):
        return lost
    # a slow clamp's edges are seen anywhere in the time that they take
    reach_s = REACH_S + 2 * interval_s + (float(np.median(seen.at_u_s)) if len(seen) else 0.0)
    found = _best_way(known, seen, span_s, reach_s, spot)
    if found is None:
        return lost
    task, fit = found
    return _pieces(task, fit)


def _best_way(known: Edges, seen: Edges, span_s: Span, reach_s: float, spot: Spot) -> tuple[Task, Fit] | None:
    """The way of looking that explains most, an earlier one unless a later is clearly better."""
    best: tuple[Task, Fit] | None = None
    for way in WAYS:
        if spot.blind and way.heights == "like":
            continue
        one, other = _marks(known, seen, way.heights)
        if not len(one) or not len(other):
            continue
        task = Task(one, other, span_s, reach_s, way.usual, way.most)
        fit = _place(task, spot, known, seen)
        if fit is None:
            continue
        if best is None or fit.hits > BETTER * best[1].hits + 1:
            best = (task, fit)
        # both accounts' large edges must meet: a few of the run's meet somewhere in any recording
        large = int(np.count_nonzero(np.abs(seen.height_ma) >= SHARE * _typical(seen.height_ma)))
        if min(best[1].share, best[1].hits / large) >= WELL_MET and best[1].hits >= LEAST_EDGES:
            break
    return best


def _marks(known: Edges, seen: Edges, heights: str) -> tuple[Marks, Marks]:
    """The edges that lead, the large ones, with the heights that this way of looking has."""
    one, other = known.height_ma, seen.height_ma
    typical = _typical(one)
    large = np.abs(one) >= max(SHARE * typical, LEAST_MA)
    # at any gain the seen ones are large by their own measure
    own = SHARE * _typical(other) if heights in ("signs", "turned") else LEAST_MA / 2
    also = np.abs(other) >= (max(SHARE * (1 - LIKE) * typical, own) if heights != "signs" else own)
    if heights == "turned":
        also = np.abs(other) >= own
    t_one, t_other, one, other = known.at_s[large], seen.at_s[also], one[large], other[also]
    if heights != "like":
        one, other = np.sign(one) * LEAST_MA, np.sign(other) * LEAST_MA
    if heights == "turned":
        other = -other
    if heights == "none":
        one, other = np.abs(one), np.abs(other)
    return Marks(t_one, one), Marks(t_other, other)


def _typical(height: Floats) -> float:
    """The height of a large edge: nine in ten are smaller."""
    return float(np.quantile(np.abs(height), 0.9)) if len(height) else 0.0


def _place(task: Task, spot: Spot, known: Edges, seen: Edges) -> Fit | None:
    """The best place for the whole run, and how many others are as good.

    Places at which the large edges meet about as well, an even train's periods, are told apart by all edges
    and their heights: the run's start, its base and its small draws don't repeat with the train.
    """
    fits = places(task, spot.zero_s)
    if not fits:
        return None
    top = max(fit.score for fit in fits)
    named = [fit for fit in fits if fit.score >= top - _slack(fit, spot) and _is_named(fit, spot)]
    if named:
        return min(named, key=lambda fit: _rank(fit, spot))
    good = [fit for fit in fits if fit.score >= top - max(ALIKE_EDGES, ALIKE_SHARE * fit.hits)]
    worth = [_worth(task, fit, known, seen) for fit in good]
    most = max(worth)
    best = min(
        (fit for fit, w in zip(good, worth, strict=True) if w == most), key=lambda fit: _rank(fit, spot)
    )
    rivals = {
        round(fit.clock.offset_s, 1): fit.clock
        for fit, w in zip(good, worth, strict=True)
        if w >= most - 1 and abs(fit.clock.offset_s - best.clock.offset_s) > SAME_S * 4
    }
    clock = replace(best.clock, others=len(rivals))
    return replace(
        best, clock=clock, rivals=tuple(replace(rival, others=len(rivals)) for rival in rivals.values())
    )


def _worth(task: Task, fit: Fit, known: Edges, seen: Edges) -> int:
    """What a place explains of all edges, the small ones too: one that meets counts for both accounts, one of
    its own height (by the scale that most have) as much again, one that should be there speaks against it."""
    at_s = fit.clock.to_recording(known.at_s)
    inside = np.flatnonzero(task.shows(at_s))
    if not len(inside):
        return 0
    place = nearest(seen.at_s, at_s[inside])
    met = (np.abs(seen.at_s[place] - at_s[inside]) <= task.reach_s) & (known.height_ma[inside] != 0)
    due, height = known.height_ma[inside][met], seen.height_ma[place][met]
    scale = float(np.median(height / due)) if met.any() else 1.0
    like = np.abs(height - scale * due) <= np.maximum(LIKE_SHARE * np.abs(scale * due), LEAST_MA * abs(scale))
    return 2 * int(np.count_nonzero(like) + np.count_nonzero(met)) - len(inside)


def _is_named(fit: Fit, spot: Spot) -> bool:
    return spot.zero_s is not None and abs(fit.clock.offset_s - spot.zero_s) <= NAMED_S


def _slack(fit: Fit, spot: Spot) -> int:
    """By how much less a place may explain and still be meant: some edges, where the journal names it."""
    return max(3, round(NAMED_SHARE * 3 * fit.expected)) if _is_named(fit, spot) else 0


def _rank(fit: Fit, spot: Spot) -> float:
    """Of places that fit alike the least is meant."""
    if spot.zero_s is not None:
        return abs(fit.clock.offset_s - spot.zero_s)
    return -fit.clock.offset_s if spot.late else abs(fit.clock.offset_s)


def _pieces(task: Task, fit: Fit) -> list[Piece]:
    """The best place cut to where it holds, and what it leaves over placed anew on both sides of it."""
    inside = task.shows(fit.clock.to_recording(task.known.t_s))
    first, last = _longest(task, fit)
    missed = int(inside[:first].sum()), int(inside[last + 1 :].sum())
    rate = fit.clock.rate_ppm * 1e-6
    main, sides = _cut(task, fit, first, last)
    pieces = [main]
    for side, span_s in enumerate(sides):
        there = replace(task, seen=task.seen.within(span_s))
        if max(missed[side], len(there.seen)) < LEAST_EDGES:  # a few, missing or too many, are no other piece
            continue
        more = _left_over(task, span_s, side, (first, last), rate)
        # other loads may hide a few edges in a row of an even train, and it fits as well a period later
        if more and meeting(there, fit.clock) < more[0].clock.matched - HIDDEN_EDGES:
            pieces += more
    if len(pieces) > MOST_PIECES:
        pieces = pieces[:1]
    return _ordered(pieces, task.span_s)


def _cut(task: Task, fit: Fit, first: int, last: int) -> tuple[Piece, tuple[Span, Span]]:
    """A place as a piece that holds from one known edge to another, and what it leaves over on both sides."""
    first_s, last_s = task.known.t_s[[first, last]].tolist()
    begin_s, end_s = fit.clock.to_recording(task.known.t_s[[first, last]]).tolist()
    sides = (task.span_s[0], begin_s - task.reach_s), (end_s + task.reach_s, task.span_s[1])
    return Piece(fit.clock, *task.span_s, first_s, last_s, fit.rivals), sides


def _left_over(
    task: Task, span_s: Span, side: int, taken: tuple[int, int], rate: float, depth: int = 0
) -> list[Piece]:
    """Pieces in what a piece left over: the rest of the run, or the run begun anew."""
    seen = task.seen.within(span_s)
    if len(seen) < LEAST_EDGES or depth >= MOST_PIECES:
        return []
    whole = task.known
    rest = slice(0, taken[0]) if side == 0 else slice(taken[1] + 1, None)
    found = []
    for part in (rest, slice(None)):
        known = whole.take(part)
        if len(known) < LEAST_EDGES:
            continue
        sub = replace(
            task, known=known, seen=seen, span_s=span_s, usual=PIECE_RATE, most=2 * MOST_USUAL, about=rate
        )
        found += [
            (fit, sub)
            for fit in places(sub, None)
            if (fit.hits >= PIECE_EDGES and fit.share > PIECE_SHARE)
            or LEAST_EDGES <= fit.hits == fit.expected
        ]
    if not found:
        return []
    fit, sub = max(found, key=lambda row: (row[0].score, -abs(row[0].clock.offset_s)))
    first, last = _longest(sub, fit)
    piece, sides = _cut(sub, fit, first, last)
    pieces = [piece]
    whole_first, whole_last = np.searchsorted(whole.t_s, sub.known.t_s[[first, last]])
    for there, room_s in enumerate(sides):
        pieces += _left_over(task, room_s, there, (int(whole_first), int(whole_last)), rate, depth + 1)
    return pieces


def _ordered(pieces: list[Piece], span_s: Span) -> list[Piece]:
    """The pieces in the recording's order, divided halfway between their outermost edges; the one that
    explains most comes first."""
    order = sorted(pieces, key=lambda piece: piece.clock.to_recording(piece.first_s))
    ends = [piece.clock.to_recording(np.array([piece.first_s, piece.last_s])) for piece in order]
    cuts = [
        span_s[0],
        *((float(a[1]) + float(b[0])) / 2 for a, b in pairwise(ends)),
        span_s[1],
    ]
    placed = [replace(p, from_s=cuts[k], until_s=cuts[k + 1]) for k, p in enumerate(order)]
    main = order.index(pieces[0])
    return [placed[main], *placed[:main], *placed[main + 1 :]]


def _longest(task: Task, fit: Fit) -> tuple[int, int]:
    """First and last of the run of known edges that meets most, misses speaking against it (the maximum of
    running sums): a few missing pulses don't divide a run, a tail that never meets is left out."""
    met = np.zeros(len(task.known), dtype=bool)
    met[fit.one] = True
    worth = np.where(met, 1.0, np.where(task.shows(fit.clock.to_recording(task.known.t_s)), -MISS, 0.0))
    run = np.append(0.0, np.cumsum(worth))
    lowest = np.minimum.accumulate(run)
    last = int(np.argmax(run[1:] - lowest[:-1]))
    first = int(np.argmin(run[: last + 1]))
    places = np.flatnonzero(met[first : last + 1])
    return first + int(places[0]), first + int(places[-1])

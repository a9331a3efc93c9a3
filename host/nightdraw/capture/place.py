"""One place for a run in a recording: an offset and a rate that lay edges of one account on the other's.

Candidates for the offset come from short stretches of edges laid on all edges like them, so that a rate can't
hide them; each is followed from there outward, by twice as far each time, while the uncertainty of its rate
shrinks (a robust line by least squares), and is judged by the edges that it explains. Which places make an
alignment is said in align. Cost: candidates * edges * log(edges).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from nightdraw.capture.seen import Bools, Columns, Floats, Ints

USUAL_RATE = 100e-6  # what is believed of the rate before any edge is seen: two crystals
MOST_USUAL = 300e-6  # crystals of 100 ppm each, with temperature and age
REACH_S = 2e-3  # an edge is matched within this and two samples: the worst that noise does to a usable edge
STRETCH = 24  # edges of a stretch: enough to tell a random train's place
ANCHORS = 7  # stretches spread over the run: some lie within any useful recording
CANDIDATES = 60  # followed through the whole run
WORTH = 0.5  # of the meetings of the best candidate: others are chance
MOST_TIES = 40  # of one stretch: an even train's periods
SAME_S = 5e-3  # candidates nearer than this are one
LIKE = 0.75  # two edges may be one when the lesser is a quarter of the larger: a fault changes heights
LEAST_MA = 5.0  # or within this
MET_SHARE = 0.25  # a place at which fewer of the edges meet is chance
FIRST_S = 60.0  # a candidate is first followed this far, where a usual rate moves an edge by 6 ms
FIRST_EDGES = 6  # or as far as so many edges lie, where the rate may be anything
DEVIATIONS = 3.0  # then as far as three deviations of the rate allow
LEAST_S = 1e-5  # edges are never known better than this

Span = tuple[float, float]  # instants of the recording
Instants = TypeVar("Instants", float, Floats)


@dataclass(frozen=True)
class Clock:
    """offset_s: the recording's time at the run's start; rate_ppm: how much faster the recording's clock is;
    matched: edges that say so (0: none, both are assumed to be 0); deviation_s: rms of what is left;
    others: how many other offsets would fit as well, a periodic train's periods."""

    offset_s: float
    rate_ppm: float
    matched: int
    deviation_s: float
    others: int

    def to_recording(self, t_s: Instants) -> Instants:
        """Instants since the run's start (one, or an array), on the recording's clock."""
        return self.offset_s + t_s * (1 + self.rate_ppm * 1e-6)

    def to_run(self, t_s: Instants) -> Instants:
        """Instants of the recording (one, or an array), since the run's start."""
        return (t_s - self.offset_s) / (1 + self.rate_ppm * 1e-6)


NO_CLOCK = Clock(0.0, 0.0, 0, 0.0, 0)


@dataclass(frozen=True)
class Marks(Columns):
    """Instants in order and heights, as one way of looking sees them."""

    t_s: Floats
    height: Floats

    def within(self, span_s: Span) -> Marks:
        """Those between two instants."""
        return self.take((self.t_s > span_s[0]) & (self.t_s < span_s[1]))


@dataclass(frozen=True)
class Fit:
    """A place, and how well it explains the edges."""

    clock: Clock
    hits: int
    expected: int
    score: int
    one: Ints  # the known edges that meet ...
    other: Ints  # ... these seen ones
    rivals: tuple[Clock, ...] = ()  # places that explain as much

    @property
    def share(self) -> float:
        """Of the known edges that lie in the recording, those that meet one."""
        return self.hits / max(self.expected, 1)


@dataclass(frozen=True)
class _Line:
    lag: float  # at the run's start
    rate: float
    rate_u: float  # standard uncertainty of rate


@dataclass(frozen=True)
class Task:
    """known, seen: what is to be aligned; span_s: where in the recording; reach_s: within which edges meet;
    usual, most: what the rate may be; about: what it is believed to be."""

    known: Marks
    seen: Marks
    span_s: Span
    reach_s: float
    usual: float
    most: float
    about: float = 0.0

    def shows(self, at_s: Floats) -> Bools:
        """Which instants of the recording lie so far inside that their edges can be met."""
        shown: Bools = (at_s > self.span_s[0] + self.reach_s) & (at_s < self.span_s[1] - self.reach_s)
        return shown


def places(task: Task, zero_s: float | None) -> list[Fit]:
    """Every candidate followed, without those that meet by chance."""
    candidates = _candidates(task)
    if zero_s is not None:
        candidates.append((zero_s, float(task.known.t_s[0])))
    fits = [_follow(lag, here, task) for lag, here in candidates]
    return [
        fit
        for fit in fits
        if fit is not None and fit.hits > MET_SHARE * min(fit.expected, len(task.seen.t_s))
    ]


def _alike(one: Floats, other: Floats) -> Bools:
    """Same direction, and heights that may be one edge's."""
    larger = np.maximum(np.abs(one), np.abs(other))
    near = np.abs(one - other) <= np.maximum(LIKE * larger, LEAST_MA)
    alike: Bools = near & (one * other > 0)
    return alike


def _has_alike(one: Floats, other: Floats) -> Bools:
    """Which heights are like any of the other ones."""
    found = np.zeros(len(one), dtype=bool)
    for way in (1.0, -1.0):
        size, sizes = one * way, np.sort(other[other * way > 0] * way)
        least = np.minimum(size * (1 - LIKE), size - LEAST_MA)
        most = np.maximum(size / (1 - LIKE), size + LEAST_MA)
        found |= (size > 0) & (sizes.searchsorted(most, "right") > sizes.searchsorted(least, "left"))
    return found


def _candidates(task: Task) -> list[tuple[float, float]]:
    """Lags worth following, and the known instant that each belongs to: those at which a stretch of either
    account's edges meets most of the other's (a short recording lies anywhere in a long run, and the other
    way round), and the trains' ends laid together."""
    known, seen = task.known, task.seen
    ends = ((known.t_s[0], seen.t_s[0]), (known.t_s[-1], seen.t_s[-1]), (known.t_s[0], known.t_s[0]))
    found = [(float(there - here), float(here), np.inf) for here, there in ends]
    # stretches are made of edges that are like one of the other's: a recording's small ones, where only the
    # run's large ones lead, would leave next to none in a stretch
    known, seen = (
        one.take(_has_alike(one.height, other.height)) for one, other in ((known, seen), (seen, known))
    )
    for one, other, way in ((known, seen, 1.0), (seen, known, -1.0)):
        for anchor in sorted({int(k) for k in np.linspace(0, len(one.t_s) - 1, ANCHORS if len(one) else 0)}):
            alike = np.flatnonzero(_alike(other.height, np.full(len(other.t_s), one.height[anchor])))
            lags = other.t_s[alike] - one.t_s[anchor]
            if len(lags):
                met = _meetings(one, other, anchor, lags, task, way)
                here_s = np.full(len(lags), one.t_s[anchor]) if way > 0 else other.t_s[alike]
                order = np.lexsort((np.abs(lags), -met))[:MOST_TIES]
                found += [(way * float(lags[k]), float(here_s[k]), float(met[k])) for k in order]
    # an even train meets as well at each of its periods: all of them are followed, whoever found them first
    found.sort(key=lambda row: -row[2])
    least = WORTH * max((meetings for *_, meetings in found if np.isfinite(meetings)), default=0.0)
    distinct: list[tuple[float, float]] = []
    for lag, here, meetings in found:
        if (
            meetings >= least
            and len(distinct) < CANDIDATES
            and all(abs(lag - other_lag) > SAME_S for other_lag, _ in distinct)
        ):
            distinct.append((lag, here))
    return distinct


def _meetings(one: Marks, other: Marks, anchor: int, lags: Floats, task: Task, way: float) -> Floats:
    """For each lag how many edges of the stretch of one account around the anchor meet one like them."""
    start = min(anchor, max(len(one.t_s) - STRETCH, 0))
    met = np.zeros(len(lags))
    for t_s, height in zip(one.t_s[start:][:STRETCH], one.height[start:][:STRETCH], strict=True):
        away_s = t_s - one.t_s[anchor]
        slack_s = task.reach_s + 2 * task.usual * abs(away_s)
        wanted = lags + t_s + way * task.about * away_s
        near = nearest(other.t_s, wanted)
        alike = _alike(other.height[near], np.full(len(near), height))
        met += (np.abs(other.t_s[near] - wanted) <= slack_s) & alike
    return met


def nearest(times_s: Floats, wanted_s: Floats) -> Ints:
    """For each instant wanted the place of the nearest of some times (in order, one at least)."""
    right = np.minimum(times_s.searchsorted(wanted_s), len(times_s) - 1)
    left = np.maximum(right - 1, 0)
    near: Ints = np.where(np.abs(wanted_s - times_s[left]) <= np.abs(times_s[right] - wanted_s), left, right)
    return near


def _follow(lag: float, here_s: float, task: Task) -> Fit | None:
    """Refine one candidate, from the edges it was made of outward, and count what it explains; None as soon
    as too few meet."""
    known_s, reach_s = task.known.t_s, task.reach_s
    line = _Line(lag - task.about * here_s, task.about, task.usual)
    away_s = np.abs(known_s - here_s)
    # where the rate may be anything, further out the nearest edge would be another one
    width_s = FIRST_S if task.usual <= USUAL_RATE else float(np.sort(away_s)[:FIRST_EDGES][-1])
    while True:
        inside = np.flatnonzero(away_s <= width_s)
        one, other = _pairs(task, inside, line, reach_s + DEVIATIONS * line.rate_u * away_s[inside])
        if len(one):
            line = _line(known_s[one], task.seen.t_s[other], task)
        if len(inside) == len(known_s):
            break
        if len(inside) >= STRETCH and len(one) < MET_SHARE * _expected(task, known_s[inside], line):
            return None
        width_s = max(width_s * 2, float(np.min(away_s[away_s > width_s])))
    every = np.arange(len(known_s))
    one, other = _pairs(task, every, line, np.full(len(every), reach_s))
    if len(one):
        line = _line(known_s[one], task.seen.t_s[other], task)
        one, other = _pairs(task, every, line, np.full(len(every), reach_s))
    at_s = line.lag + known_s * (1 + line.rate)
    expected = _expected(task, known_s, line)
    left = task.seen.t_s[other] - at_s[one]
    deviation_s = float(np.sqrt(np.mean(left**2))) if len(one) else 0.0
    # each edge met counts for itself and against the two that would be left alone
    score = 3 * len(one) - expected - len(task.seen.t_s)
    clock = Clock(line.lag, line.rate * 1e6, len(one), deviation_s, 0)
    return Fit(clock, len(one), expected, score, one, other)


def meeting(task: Task, clock: Clock) -> int:
    """How many known edges meet a seen one by a clock that is known already."""
    every = np.arange(len(task.known.t_s))
    line = _Line(clock.offset_s, clock.rate_ppm * 1e-6, 0.0)
    return len(_pairs(task, every, line, np.full(len(every), task.reach_s))[0])


def _expected(task: Task, known_s: Floats, line: _Line) -> int:
    """How many of some edges lie in the recording."""
    return int(np.count_nonzero(task.shows(line.lag + known_s * (1 + line.rate))))


def _pairs(task: Task, inside: Ints, line: _Line, reach_s: Floats) -> tuple[Ints, Ints]:
    """Known and seen edges that meet within reach and are alike, each used once."""
    wanted_s = line.lag + task.known.t_s[inside] * (1 + line.rate)
    near = nearest(task.seen.t_s, wanted_s)
    away = np.abs(task.seen.t_s[near] - wanted_s)
    good = (away <= reach_s) & _alike(task.known.height[inside], task.seen.height[near])
    inside, near, away = inside[good], near[good], away[good]
    order = np.lexsort((away, near))  # of two that want one the nearer gets it
    inside, near = inside[order], near[order]
    first = np.append(True, np.diff(near) > 0) if len(near) else np.zeros(0, dtype=bool)
    return inside[first], near[first]


def _line(known_s: Floats, seen_s: Floats, task: Task) -> _Line:
    """Lag and rate by least squares, the rate held by its prior; beyond four deviations doesn't count."""
    lag = seen_s - known_s * (1 + task.about)
    weight = np.ones(len(lag))
    rate = 0.0
    # for each of some hundred candidates: plain sums, numpy's own means take most of the time
    for _ in range(3):
        total = weight.sum()
        middle, mean_lag = float((known_s * weight).sum() / total), float((lag * weight).sum() / total)
        away, late = known_s - middle, lag - mean_lag
        left = late - rate * away
        deviation = max(math.sqrt((left**2 * weight).sum() / total), LEAST_S)
        stiffness = float((weight * away**2).sum()) + (deviation / task.usual) ** 2
        rate = float((weight * away * late).sum()) / stiffness
        off = np.abs(late - rate * away)
        limit = 4 * max(_median(off) / 0.6745, LEAST_S)
        weight = (off <= limit).astype(float)
    rate = min(max(rate, -task.most), task.most)
    return _Line(mean_lag - rate * middle, task.about + rate, deviation / math.sqrt(stiffness))


def _median(values: Floats) -> float:
    ordered = np.sort(values)
    return float(ordered[(len(ordered) - 1) // 2] + ordered[len(ordered) // 2]) / 2

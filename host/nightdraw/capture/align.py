"""The recorder's clock against the box's: offset and rate from the edges that both know.

Time on the recording = offset + time since the run's start * (1 + rate). Candidates come from short stretches
of edges, so that a rate error can't hide them; each is then followed through the whole run and judged by the
edges it explains. A periodic train fits itself anew with every period: then the run's ends decide, and where
they weren't recorded the answer says so.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from nightdraw.capture.seen import Floats, Ints

MOST_RATE = 200e-6  # box and recorder crystals: 100 ppm each, with temperature and age
RATE_PRIOR = 100e-6  # what is believed of the rate before any edge is seen
REACH_S = 2e-3  # an edge is matched within this and two samples: the worst that noise does to a usable edge
STRETCH = 24  # edges of a stretch: enough to tell a random train's place
ANCHORS = 7  # stretches spread over the run: some lie within any useful recording
CANDIDATES = 60  # followed through the whole run
SAME_S = 5e-3  # candidates nearer than this are one
SHARE = 0.3  # edges smaller than this share of the typical one don't lead: noise moves them
LIKE = (
    0.75  # two edges may be one when the lesser is a quarter of the larger or more: a fault changes heights
)
LEAST_MA = 5.0  # or within this
MET_SHARE = 0.25  # a place at which fewer of the edges meet is chance
LEAST_MET = 0.5  # where fewer meet with their heights, a switch fault may have turned the heights round:
BLIND_MET = 0.8  # then the instants alone decide, if that many of them meet
LEAST_EDGES = 4  # fewer instants meet by chance
FIRST_S = 60.0  # a candidate is first followed this far, where a rate moves an edge by 12 ms at the most
DOUBTS = 3.0  # then as far as three deviations of the rate allow
LEAST_S = 1e-5  # edges are never known better than this
NAMED_S = 0.05  # a place that the journal names is found within this: box and bench share a clock
NAMED_SHARE = 0.3  # and is believed though so many of its edges are hidden by other loads


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

    def to_recording(self, t_s: Floats) -> Floats:
        """Instants since the run's start, on the recording's clock."""
        return self.offset_s + t_s * (1 + self.rate_ppm * 1e-6)

    def to_run(self, t_s: Floats) -> Floats:
        """Instants of the recording, since the run's start."""
        return (t_s - self.offset_s) / (1 + self.rate_ppm * 1e-6)


NO_CLOCK = Clock(0.0, 0.0, 0, 0.0, 0)


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
class Edges:
    """Instants in order and heights (mA, rises positive)."""

    t_s: Floats
    height_ma: Floats

    def blind(self) -> Edges:
        """The same instants, every edge like every other."""
        return Edges(self.t_s, np.full(len(self.t_s), LEAST_MA))

    def signs(self) -> Edges:
        """The same instants, every rise like every other, and every fall."""
        return Edges(self.t_s, np.sign(self.height_ma) * LEAST_MA)

    def large(self, least_ma: float) -> Edges:
        """Only those of at least this height."""
        kept = np.abs(self.height_ma) >= least_ma
        return Edges(self.t_s[kept], self.height_ma[kept])


@dataclass(frozen=True)
class _Fit:
    offset_s: float
    rate: float
    hits: int
    expected: int
    score: int
    deviation_s: float

    def explains(self, share: float) -> bool:
        """Whether it meets that share of the edges which lie within the recording, and enough of them."""
        return self.hits >= max(share * self.expected, LEAST_EDGES)


@dataclass(frozen=True)
class _Line:
    lag: float  # at the run's start
    rate: float
    doubt: float  # deviation of rate


def align(
    known: Edges,
    seen: Edges,
    span_s: tuple[float, float],
    interval_s: float,
    spot: Spot = ANYWHERE,
) -> Clock:
    """Find the clock; span_s: first and last instant of the recording; interval_s: its sampling interval."""
    known = known.large(max(SHARE * _typical(known), LEAST_MA))
    if spot.blind:
        known, seen = known.signs(), seen.signs()
    else:
        seen = seen.large(max(SHARE * (1 - LIKE) * _typical(known), LEAST_MA / 2))
    nowhere = NO_CLOCK if spot.zero_s is None else Clock(spot.zero_s, 0.0, 0, 0.0, 0)
    if not len(known.t_s) or not len(seen.t_s):
        return nowhere
    reach_s = REACH_S + 2 * interval_s
    fits = _fits(known, seen, span_s, reach_s, spot.zero_s)
    if not any(fit.explains(LEAST_MET) for fit in fits):
        blind = _fits(known.blind(), seen.blind(), span_s, reach_s, spot.zero_s)
        fits = [fit for fit in blind if fit.explains(BLIND_MET)] or fits
    if not fits:
        return nowhere
    top = max(fit.score for fit in fits)
    best = min((fit for fit in fits if fit.score >= top - _slack(fit, spot)), key=lambda f: _rank(f, spot))
    if spot.zero_s is not None and abs(best.offset_s - spot.zero_s) <= reach_s:
        return Clock(best.offset_s, best.rate * 1e6, best.hits, best.deviation_s, 0)
    rivals = {
        round(f.offset_s, 1)
        for f in fits
        if f.score >= top - 1 and abs(f.offset_s - best.offset_s) > SAME_S * 4
    }
    return Clock(best.offset_s, best.rate * 1e6, best.hits, best.deviation_s, len(rivals))


def _slack(fit: _Fit, spot: Spot) -> int:
    """By how much less a place may explain and still be meant: some edges, where the journal names it."""
    named = spot.zero_s is not None and abs(fit.offset_s - spot.zero_s) <= NAMED_S
    return max(3, round(NAMED_SHARE * 3 * fit.expected)) if named else 0


def _rank(fit: _Fit, spot: Spot) -> float:
    """Of places that fit alike the least is meant."""
    if spot.zero_s is not None:
        return abs(fit.offset_s - spot.zero_s)
    return -fit.offset_s if spot.late else abs(fit.offset_s)


def _fits(
    known: Edges,
    seen: Edges,
    span_s: tuple[float, float],
    reach_s: float,
    zero_s: float | None = None,
) -> list[_Fit]:
    """Every candidate followed, without those that meet by chance."""
    candidates = _candidates(known, seen, reach_s)
    if zero_s is not None:
        candidates.append((zero_s, float(known.t_s[0])))
    fits = [_follow(lag, here, known, seen, span_s, reach_s) for lag, here in candidates]
    return [fit for fit in fits if fit.hits > MET_SHARE * min(fit.expected, len(seen.t_s))]


def _typical(edges: Edges) -> float:
    """The height of a large edge: nine in ten are smaller."""
    return float(np.quantile(np.abs(edges.height_ma), 0.9)) if len(edges.height_ma) else 0.0


def _alike(one: Floats, other: Floats) -> np.ndarray:
    """Same direction, and heights that may be one edge's."""
    larger = np.maximum(np.abs(one), np.abs(other))
    near = np.abs(one - other) <= np.maximum(LIKE * larger, LEAST_MA)
    alike: np.ndarray = near & (one * other > 0)
    return alike


def _candidates(known: Edges, seen: Edges, reach_s: float) -> list[tuple[float, float]]:
    """Lags worth following, and the known instant that each belongs to: those at which a stretch of known
    edges meets most seen ones, and the trains' ends laid together."""
    count = len(known.t_s)
    ends = ((known.t_s[0], seen.t_s[0]), (known.t_s[-1], seen.t_s[-1]), (known.t_s[0], known.t_s[0]))
    found = [(float(there - here), float(here)) for here, there in ends]
    for anchor in sorted({int(k) for k in np.linspace(0, count - 1, ANCHORS)}):
        here_s = float(known.t_s[anchor])
        lags = seen.t_s - here_s
        lags = lags[_alike(seen.height_ma, np.full(len(lags), known.height_ma[anchor]))]
        if len(lags):
            met = _meetings(known, seen, anchor, lags, reach_s)
            order = np.lexsort((np.abs(lags), -met))[: CANDIDATES // ANCHORS]
            found += [(float(lag), here_s) for lag in lags[order]]
    distinct: list[tuple[float, float]] = []
    for lag, here_s in found:
        if all(abs(lag - other) > SAME_S or here_s != there_s for other, there_s in distinct):
            distinct.append((lag, here_s))
    return distinct


def _meetings(known: Edges, seen: Edges, anchor: int, lags: Floats, reach_s: float) -> Floats:
    """For each lag how many known edges of the stretch around the anchor meet a seen one like them."""
    start = min(anchor, max(len(known.t_s) - STRETCH, 0))
    met = np.zeros(len(lags))
    for t_s, height in zip(known.t_s[start:][:STRETCH], known.height_ma[start:][:STRETCH], strict=True):
        slack_s = reach_s + MOST_RATE * abs(t_s - known.t_s[anchor])
        near = _nearest(seen.t_s, lags + t_s)
        alike = _alike(seen.height_ma[near], np.full(len(near), height))
        met += (np.abs(seen.t_s[near] - lags - t_s) <= slack_s) & alike
    return met


def _nearest(times_s: Floats, wanted_s: Floats) -> Ints:
    place = np.clip(np.searchsorted(times_s, wanted_s), 1, max(len(times_s) - 1, 1))
    if len(times_s) == 1:
        return np.zeros(len(wanted_s), dtype=np.int64)
    left: Ints = place - 1
    return np.where(wanted_s - times_s[left] <= times_s[place] - wanted_s, left, place)


def _follow(
    lag: float, here_s: float, known: Edges, seen: Edges, span_s: tuple[float, float], reach_s: float
) -> _Fit:
    """Refine one candidate, from the edges it was made of outward, and count what it explains."""
    line = _Line(lag, 0.0, RATE_PRIOR)
    away_s = np.abs(known.t_s - here_s)
    width_s = FIRST_S
    while True:
        inside = np.flatnonzero(away_s <= width_s)
        reach = reach_s + DOUBTS * line.doubt * away_s[inside]
        one, other = _pairs(known, seen, inside, line, reach)
        if len(one):
            line = _line(known.t_s[one], seen.t_s[other])
        if len(inside) == len(known.t_s):
            break
        width_s *= 2
    one, other = _pairs(known, seen, np.arange(len(known.t_s)), line, np.full(len(known.t_s), reach_s))
    if len(one):
        line = _line(known.t_s[one], seen.t_s[other])
    at_s = line.lag + known.t_s * (1 + line.rate)
    expected = int(np.count_nonzero((at_s > span_s[0] + reach_s) & (at_s < span_s[1] - reach_s)))
    left = seen.t_s[other] - at_s[one]
    deviation_s = float(np.sqrt(np.mean(left**2))) if len(one) else 0.0
    # each edge met counts for itself and against the two that would be left alone
    score = 3 * len(one) - expected - len(seen.t_s)
    return _Fit(line.lag, line.rate, len(one), expected, score, deviation_s)


def _pairs(known: Edges, seen: Edges, inside: Ints, line: _Line, reach_s: Floats) -> tuple[Ints, Ints]:
    """Known and seen edges that meet within reach and are alike, each used once."""
    wanted_s = line.lag + known.t_s[inside] * (1 + line.rate)
    near = _nearest(seen.t_s, wanted_s)
    good = np.abs(seen.t_s[near] - wanted_s) <= reach_s
    good &= _alike(known.height_ma[inside], seen.height_ma[near])
    inside, near = inside[good], near[good]
    _, first = np.unique(near, return_index=True)
    return inside[first], near[first]


def _line(known_s: Floats, seen_s: Floats) -> _Line:
    """Lag and rate by least squares, the rate held by its prior; beyond four deviations doesn't count."""
    lag = seen_s - known_s
    weight = np.ones(len(lag))
    rate = 0.0
    for _ in range(3):
        middle, mean_lag = float(np.average(known_s, weights=weight)), float(np.average(lag, weights=weight))
        away = known_s - middle
        left = lag - mean_lag - rate * away
        deviation = max(float(np.sqrt(np.average(left**2, weights=weight))), LEAST_S)
        stiffness = float(np.sum(weight * away**2)) + (deviation / RATE_PRIOR) ** 2
        rate = float(np.sum(weight * away * (lag - mean_lag))) / stiffness
        left = lag - mean_lag - rate * away
        limit = 4 * max(float(np.median(np.abs(left))) / 0.6745, LEAST_S)
        weight = (np.abs(left) <= limit).astype(float)
    return _Line(mean_lag - rate * middle, rate, deviation / float(np.sqrt(stiffness)))

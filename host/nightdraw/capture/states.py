"""Which levels of a recording are one state, though the clamp's zero drifts, and which state is the base.

Works on transitions alone. A state is known by its level; the zero's drift is followed beside it with a
scalar Kalman filter (Kalman 1960), so that the two are told apart: a level changes in steps, a zero creeps.
"""

from __future__ import annotations

from bisect import bisect_left

import numpy as np

from nightdraw.capture.steps import FALSE_Z, Floats, Ints
from nightdraw.capture.transitions import Scan

DRIFT_MA2_PER_S = 0.3  # a zero that wanders 6 mA in two minutes (low-current clamps: 5 to 20 mA over minutes)
STILL_MA2_PER_S = 3e-3  # an input that has none to speak of: 6 uV in two minutes across 10 milliohm
SPREAD = 0.01  # a state's own level moves by a percent as the supply does, until the box picks a new pattern
LEAST_MA = 0.25  # states nearer than this are one: the best clamps resolve 0.1 to 1 mA
RETURNS = 2  # a base is a level that the current comes back to
SHARE_OF_VISITS = 8  # a base is visited at least an eighth as often as the busiest state: a lone dip is none
SHARE_OF_TIME = 0.2  # or it fills a fifth of the time
SEEN_SHARE = 0.05  # where nothing returns: the lowest level that fills a twentieth of the recording


class States:
    """of_level: the state of each level (there is one level more than transitions); value: of each state
    without drift; at_start, at_end: what was believed of each level at its two ends, drift included (mA)."""

    def __init__(self, of_level: Ints, value: Floats, at_start: Floats, at_end: Floats) -> None:
        self.of_level = of_level
        self.value = value
        self.at_start = at_start
        self.at_end = at_end


class _Tracker:
    """The states met so far, in order of value, and the zero's drift now."""

    def __init__(self, level_ma: float, variance: float, drift_ma2_per_s: float) -> None:
        self._drift_ma2_per_s = drift_ma2_per_s
        self.values = [level_ma]
        self.variances = [variance]
        self.ids = [0]
        self.drift = 0.0
        self.doubt = 0.0  # variance of drift

    def pass_time(self, seconds: float) -> None:
        self.doubt += self._drift_ma2_per_s * max(seconds, 0.0)

    def meet(self, level_ma: float, variance: float) -> int:
        """A new level: the place of the state it is, an old one or a new."""
        value = level_ma - self.drift
        place = self._nearest(value)
        surprise = value - self.values[place]
        noise = float(np.sqrt(variance + self.doubt + self.variances[place]))
        allowed = FALSE_Z * noise + self._spread(place) + LEAST_MA
        if abs(surprise) <= allowed:
            self.learn(place, surprise, variance)
            return place
        place = bisect_left(self.values, value)
        self.values.insert(place, value)
        self.variances.insert(place, variance + self.doubt)
        self.ids.insert(place, len(self.ids))
        return place

    def _nearest(self, value: float) -> int:
        place = bisect_left(self.values, value)
        if place == len(self.values):
            return place - 1
        if place and value - self.values[place - 1] < self.values[place] - value:
            return place - 1
        return place

    def _spread(self, place: int) -> float:
        """By how much a state's own level may move."""
        return SPREAD * (self.values[place] - self.values[0])

    def learn(self, place: int, surprise: float, variance: float) -> None:
        """Share a difference between the drift and the state, each by its doubt."""
        own = self._spread(place) ** 2
        whole = variance + self.doubt + self.variances[place] + own
        if whole <= 0.0:
            return
        drift_gain, state_gain = self.doubt / whole, (self.variances[place] + own) / whole
        self.drift += drift_gain * surprise
        self.doubt *= 1.0 - drift_gain
        low = self.values[place - 1] if place else -np.inf
        high = self.values[place + 1] if place + 1 < len(self.values) else np.inf
        moved = self.values[place] + state_gain * surprise
        self.values[place] = min(max(moved, low), high)
        self.variances[place] *= 1.0 - self.variances[place] / whole


def track(scan: Scan, drift_ma2_per_s: float = DRIFT_MA2_PER_S) -> States:
    """Assign a state to every level of a scan that has at least one transition; drift: of the zero."""
    t = scan.transitions
    count = len(t)
    noise = (
        (t.sigma**2 / np.maximum(t.n_before, 1)).tolist(),
        (t.sigma**2 / np.maximum(t.n_after, 1)).tolist(),
    )
    before, after = t.before.tolist(), t.after.tolist()
    lasting_s = np.append(t.last_s[1:] - t.first_s[:-1], 0.0).tolist()
    apart = (t.n_before[1:] + t.n_after[:-1] <= t.n_to[1:] - t.n_from[:-1]).tolist()
    tracker = _Tracker(before[0], noise[0][0], drift_ma2_per_s)
    of_level = [0] * (count + 1)
    start, end = np.full(count + 1, before[0]), np.full(count + 1, before[0])
    for i in range(count):
        if np.isnan(t.at_s[i]):
            tracker.pass_time(float(t.first_s[i] - t.last_s[i]))
        place = tracker.meet(after[i], noise[1][i])
        of_level[i + 1] = tracker.ids[place]
        start[i + 1] = tracker.values[place] + tracker.drift
        tracker.pass_time(lasting_s[i])
        if i + 1 < count and apart[i]:
            tracker.learn(place, before[i + 1] - tracker.drift - tracker.values[place], noise[0][i + 1])
        end[i + 1] = tracker.values[place] + tracker.drift
    order = np.argsort(tracker.ids)
    value, variance = np.array(tracker.values)[order], np.array(tracker.variances)[order]
    return States(_joined(value, variance)[np.array(of_level)], value, start, end)


def _joined(value: Floats, variance: Floats) -> Ints:
    """For each state the one that stands for it: a state that is nearer to a better known one than their
    doubts is that one. Poorly known states never join two that are well known."""
    stands = np.arange(len(value))
    known: list[tuple[float, int]] = []
    for here in np.argsort(variance, kind="stable").tolist():
        place = bisect_left(known, (float(value[here]), here))
        near = min(known[max(place - 1, 0) : place + 1], key=lambda k: abs(k[0] - value[here]), default=None)
        if near is not None:
            doubt = FALSE_Z * float(np.sqrt(variance[here] + variance[near[1]])) + LEAST_MA
            if abs(near[0] - value[here]) <= doubt:
                stands[here] = near[1]
                continue
        known.insert(place, (float(value[here]), here))
    return stands


def base_state(states: States, lasting_s: Floats) -> int:
    """The state that pulses rise from: the lowest of those that the current keeps coming back to.

    lasting_s: how long each level lasted. The first and the last level are cut by the recording, and the box
    may have waited before its run: they count only where nothing between them returns to a base.
    """
    inside = slice(1, len(lasting_s) - 1)
    found = _lowest(states, states.of_level[inside], lasting_s[inside], above=True)
    if found is None:
        found = _lowest(states, states.of_level, lasting_s, above=False)
    if found is not None:
        return found
    share = _times(states, states.of_level, lasting_s) / max(float(lasting_s.sum()), 1e-12)
    seen = np.flatnonzero(share >= min(SEEN_SHARE, float(share.max())))
    return int(seen[np.argmin(states.value[seen])])


def _times(states: States, of_level: Ints, lasting_s: Floats) -> Floats:
    return np.bincount(of_level, lasting_s, len(states.value)).astype(float)


def _lowest(states: States, of_level: Ints, lasting_s: Floats, above: bool) -> int | None:
    """The lowest state of some levels that is visited often; above: only where another one lies above it."""
    if not len(of_level):
        return None
    visits: Ints = np.bincount(of_level, minlength=len(states.value))
    times = _times(states, of_level, lasting_s)
    often = (visits * SHARE_OF_VISITS >= visits.max()) | (times >= SHARE_OF_TIME * times.sum())
    often &= visits >= RETURNS
    if above:
        often &= states.value < states.value[visits > 0].max()
    found = np.flatnonzero(often)
    return int(found[np.argmin(states.value[found])]) if len(found) else None

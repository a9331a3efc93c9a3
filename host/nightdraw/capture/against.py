"""A recording against a course that is known (asked or did): what each known level really was.

The known edges say where to look, so means are taken over whole levels and small differences stand out of the
noise; the clamp's zero is taken from the base beside each level. Nothing is judged here.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from nightdraw.capture.accounts import Course
from nightdraw.capture.align import ANYWHERE, Clock, Edges, Spot, align
from nightdraw.capture.moves import Moves
from nightdraw.capture.pulses import Pulses
from nightdraw.capture.read import Recording, windows
from nightdraw.capture.seen import Bools, Floats

NEAR_EDGE = (
    0.45  # of a sample left out beside a known edge: the mean over a sampling interval ends half of one away
)
CLEAR_EDGE = 1.0  # of a sample left out where there are enough
ENOUGH = 5.0
WINDOW_S = 1.0  # beside an edge levels are compared over this long: a zero drifts little in it
LEAST_WINDOW = 64  # or over so many samples
ZERO_S = 5.0  # the zero is the mean of the base within this of a level


@dataclass(frozen=True)
class Seen:
    """Each level of a course as it was seen, mA.

    mean, count: over the whole level (nan and 0 where the recording has none of it); before, after: over up
    to WINDOW_S on the two sides of the edge that begins the level, with their numbers; zero: by how much the
    base beside the level reads high; base: True for base levels. known_zero: the zero and its variance where
    they are known already.
    """

    course: Course
    mean: Floats
    count: Floats
    before: Floats
    n_before: Floats
    after: Floats
    n_after: Floats
    base: Bools
    sigma_ma: float
    interval_s: float
    known_zero: tuple[Floats, Floats] | None = None

    @property
    def excess(self) -> Floats:
        """By how much each level reads higher than the course says, the zero not yet taken off."""
        return self.mean - self.course.level_ma

    def without(self, unknown: Bools) -> Seen:
        """The same with some levels as if the recording had nothing of them."""
        beside = unknown.copy()
        beside[1:] |= unknown[:-1]
        return replace(
            self,
            mean=np.where(unknown, np.nan, self.mean),
            count=np.where(unknown, 0.0, self.count),
            n_before=np.where(beside, 0.0, self.n_before),
            n_after=np.where(beside, 0.0, self.n_after),
        )

    def against(self, level_ma: Floats) -> Seen:
        """The same recording against other levels at the same instants."""
        return replace(self, course=replace(self.course, level_ma=level_ma))

    def zero(self) -> tuple[Floats, Floats]:
        """The clamp's zero beside each level, and its variance: the base's mean excess within ZERO_S."""
        if self.known_zero is not None:
            return self.known_zero
        level = self.course.level_ma
        below, above = self.base[:-1], self.base[1:]
        at_s = self.course.t_s[1:]
        times = np.concatenate((at_s[below], at_s[above]))
        weight = np.concatenate((self.n_before[1:][below], self.n_after[1:][above]))
        excess = np.concatenate(((self.before[1:] - level[:-1])[below], (self.after[1:] - level[1:])[above]))
        known = weight > 0
        if not known.any():
            nothing = np.full(len(level), np.nan)
            return nothing, nothing
        order = np.argsort(times[known], kind="stable")
        times, weight, excess = times[known][order], weight[known][order], excess[known][order]
        total, summed = np.append(0.0, np.cumsum(weight)), np.append(0.0, np.cumsum(weight * excess))
        low = np.searchsorted(times, self.course.t_s - ZERO_S)
        high = np.searchsorted(times, self.course.until_s + ZERO_S, side="right")
        # where no base is that near: the nearest on either side
        low = np.where(low < high, low, np.maximum(low - 1, 0))
        high = np.where(low < high, high, np.minimum(low + 1, len(times)))
        number = np.maximum(total[high] - total[low], 1.0)
        return (summed[high] - summed[low]) / number, self.sigma_ma**2 / number


def edges_known(course: Course) -> Edges:
    """The edges of a course."""
    return Edges(course.t_s, np.diff(np.append(course.idle_ma, course.level_ma)))


def edges_seen(pulses: Pulses, spot: Spot = ANYWHERE) -> Edges:
    """The edges of a recording, where a run may lie."""
    t = pulses.scan.transitions
    whole = ~np.isnan(t.at_s) & (t.first_s > spot.from_s) & (t.last_s < spot.until_s)
    return Edges(t.at_s[whole], (t.after - t.before)[whole])


def clock_of(course: Course, pulses: Pulses, spot: Spot = ANYWHERE) -> Clock:
    """The recording's clock against the course's, from the edges of both."""
    scan = pulses.scan
    span_s = (max(scan.start_s, spot.from_s), min(scan.end_s, spot.until_s))
    return align(edges_known(course), edges_seen(pulses, spot), span_s, scan.interval_s, spot)


def look(
    course: Course,
    clock: Clock,
    recording: Recording,
    pulses: Pulses,
    others: Moves | None = None,
    alive_s: float | None = None,
) -> Seen:
    """Take the means, in one pass over the recording.

    others: moves of other loads, across which no edge is compared; alive_s: from when on (in the run) the box
    is known to have waited for the run with open switches (None: it isn't known).
    """
    interval_s = pulses.scan.interval_s
    from_s, to_s = clock.to_recording(course.t_s), clock.to_recording(course.until_s)
    room = (to_s - from_s) / interval_s
    margin_s = np.where(room >= ENOUGH, CLEAR_EDGE, NEAR_EDGE) * interval_s
    low, high = from_s + margin_s, to_s - margin_s
    window_s = max(WINDOW_S, LEAST_WINDOW * interval_s)
    begin, end = np.minimum(high, low + window_s), np.maximum(low, high - window_s)
    waiting = _waiting(clock, from_s, alive_s, window_s, interval_s)
    low_w, high_w = np.append(waiting[0], end), np.append(waiting[1], high)
    if others is not None:
        begin = others.cut_after(low, begin, interval_s / 2)
        low_w = others.cut_before(low_w, high_w, interval_s / 2)
    mean, count = windows.means(
        recording, np.concatenate((low, low, low_w)), np.concatenate((high, begin, high_w))
    )
    whole, after, before = (slice(k * len(low), (k + 1) * len(low)) for k in range(3))
    return Seen(
        course=course,
        mean=mean[whole],
        count=count[whole],
        before=mean[before],
        n_before=count[before],
        after=mean[after],
        n_after=count[after],
        base=course.is_base(),
        sigma_ma=pulses.scan.noise_ma,
        interval_s=interval_s,
    )


def _waiting(
    clock: Clock, from_s: Floats, alive_s: float | None, window_s: float, interval_s: float
) -> tuple[float, float]:
    """The window before the run's first edge; of no length where the box may have had no power in it."""
    end_s = float(from_s[0]) - CLEAR_EDGE * interval_s
    if alive_s is None:
        return end_s, end_s
    alive = float(clock.to_recording(np.array([alive_s]))[0])
    return min(max(end_s - window_s, alive), end_s), end_s

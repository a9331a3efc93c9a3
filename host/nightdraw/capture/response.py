"""A recorder's response to edges: its time constant, and edges behind such a low-pass fitted.

Theory of operation. The time constant is learnt as a recording goes by: from strong edges one by one (see
transitions for the law), or from weak ones together, as the likeliest of some courses, each edge's place
being integrated over. A first-order low-pass (clamps and their inputs have 5 to 20 ms) makes of a step of
height h at t the course h (1 - exp(-(s - t) / tau)). Edges nearer to each other than it takes to settle are
one group, whose record is a level and the sum of their courses; instants and heights follow by least squares
(Gauss and Newton), uncertainties from the same normal equations and the noise. An edge whose height doesn't
stand out there is what another one left behind, and goes, the weakest first: two that stand for one weaken
each other. Where the record isn't what its edges make it, an edge is missing, which was taken for the tail of
another: courses are tried all over the group against what is left (orthogonal matching pursuit, each course
without what the fit could move, tau included), and the one that stands out most is added. What all groups
together say of tau is a further column of the same equations. Edges further apart are groups of their own, so
the cost is in proportion to their number.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from nightdraw.capture.seen import Bools, Columns, Floats, Ints, stacked

AROUND = 64, 32, 16  # samples on either side of weak edges that tell their course: as many as are free
WEIGHED = 256  # edges tell a course; more cost time
EARLY, LATE = 48, 16  # samples before and after where it was found that a weak edge may begin,
PLACES = 4  # at so many places in each: a sample may be the mean over its interval
TELLING = 12.0  # logarithm of how much likelier than sharp a course must be: noise alone goes to a few
LEAST_STRONG = 3  # fewer say nothing about a recorder
FIRST_ORDER = 1.35  # upper half over lower half of an edge: 1 of a ramp, 1.71 of a first-order low-pass
ALIKE, ALIKE_SHARE = 0.3, 0.6  # a recorder shows all edges alike: so many of them within so much of tau
SLOW_SAMPLES = 1.0  # a shorter time constant can't be told from sampling
LN_3 = float(np.log(3.0))  # time constants between 25 and 75 % of a first-order response
STRONG_Z = 30.0  # edges so high show their shape through the noise
APART_TAUS = 10.0  # edges further apart don't know of each other: 5 in 100,000 are left
SETTLED_TAUS = 7.0  # a thousandth is left: from here on a level is a mean of samples
BEFORE_TAUS = 4.0  # of the level before a group, and at least
BEFORE_LEAST = 32  # samples
FEW = 8  # samples behind that are too few for a mean
STEPS = 8  # of the iteration; most take three
NEAR = 0.01  # samples: a smaller step ends it
MOST_EDGES = 12  # of one group; more are no edges of a slow recorder
KEEP_Z = 5.0  # deviations that a height must stand out by,
ADD_Z = 6.5  # one that nobody saw by more: it is looked for at many places
ADD_SHARE = 0.04  # of the group's highest edge: to so much a real recorder's response is of first order
ENERGY_SHARE = 1e-3  # of a course must be left when the fit has moved all it can
# Courses are tried at so many places in a time constant, and no nearer than one of these, or so many samples,
# to a known edge: the sample that an edge falls into is averaged, which no course knows.
TRIED = 4
MOST_ADDED = 6  # edges of one group


@dataclass(frozen=True)
class Course:
    """How an edge may go: by a low-pass of tau samples, or as a ramp of so many; both 0: sharp."""

    tau: float = 0.0
    ramp: float = 0.0

    @property
    def width(self) -> float:
        """Samples from 25 to 75 % of the height."""
        return self.tau * LN_3 + self.ramp / 2

    def share(self, after: Floats) -> Floats:
        """The share of the height that is reached some samples after the edge begins."""
        on = np.maximum(after, 0.0)
        if self.tau:
            return np.asarray(-np.expm1(-on / self.tau))
        return np.minimum(on / self.ramp, 1.0) if self.ramp else (after > 0).astype(float)


# A sample that is the mean over its interval makes a ramp of one of an edge, and a base that creeps long
# ones: without them its steeper pieces would be taken for a very slow recorder's edges.
COURSES = (
    Course(),
    *(Course(ramp=ramp) for ramp in (1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0, 128.0)),
    *(Course(tau=tau) for tau in (2.0, 4.0, 8.0, 16.0, 32.0)),
)


@cache
def _courses(around: int) -> tuple[Floats, ...]:
    """Each of COURSES over so many samples on either side, begun at every place: rows of mean 0, energy 1."""
    begin = np.arange(-min(EARLY, around - 4), min(LATE, around - 4), 1 / PLACES)[:, None]
    rows = [course.share(np.arange(-around, around + 1) - begin) for course in COURSES]
    rows = [row - row.mean(axis=1, keepdims=True) for row in rows]
    return tuple(row / np.sqrt(np.sum(row**2, axis=1, keepdims=True)) for row in rows)


class Shape:
    """What strong edges have shown of the recorder's low-pass so far; in samples."""

    def __init__(self) -> None:
        self._taus: list[Floats] = []
        self._skews: list[Floats] = []
        self._likely = np.zeros(len(COURSES))
        self._weighed = 0
        self._refined = 0.0

    def refine(self, tau: float) -> None:
        """Take a time constant that fits better."""
        self._refined = tau

    def weigh(self, value: Floats, first: Ints, weak: Bools, sigma: Floats) -> None:
        """How likely each of COURSES is by the weak edges, whose shape noise hides one by one; first: the
        sample where each edge or gap begins; sigma: the noise there. Strong edges, if there are, know better.

        An edge lies anywhere near where it was found, each place as likely: laid over each other by where
        noise made them look sharpest, all edges would be sharp.
        """
        if self._refined or sum(map(len, self._taus)) >= LEAST_STRONG or self._weighed >= WEIGHED:
            return
        room = np.diff(np.concatenate(([0], first, [len(value)])))
        room = np.minimum(room[:-1], room[1:] - 1)
        room = np.where(weak, room, 0)
        half = np.count_nonzero(weak) / 2
        around = next((most for most in AROUND if np.count_nonzero(room > most) > half), AROUND[-1])
        some = np.flatnonzero(room > around)
        some = some[:: max(len(some) // WEIGHED, 1)]
        self._weighed += len(some)
        shown = value[first[some][:, None] + np.arange(-around, around + 1)] / sigma[some][:, None]
        shown -= shown.mean(axis=1, keepdims=True)
        for k, course in enumerate(_courses(around)):
            fits = (shown @ course.T) ** 2 / 2
            most_of = fits.max(axis=1, initial=0.0)
            self._likely[k] += np.sum(most_of + np.log(np.mean(np.exp(fits - most_of[:, None]), axis=1)))

    @property
    def likeliest(self) -> Course:
        """The course of weak edges; a low-pass only where that is clear."""
        slow = np.array([course.tau > 0 for course in COURSES])
        told = self._likely - np.where(slow, TELLING, 0.0)
        return COURSES[int(np.argmax(told))]

    def learn(self, quarter_s: Floats, at_s: Floats, three_s: Floats, interval_s: float) -> None:
        """Further strong edges, by the instants of 25, 50 and 75 % of their height."""
        upper, lower = three_s - at_s, at_s - quarter_s
        slow = np.isfinite(upper) & (upper > 0) & (lower > 0)
        self._taus.append(np.where(slow, upper + lower, 0.0) / LN_3 / interval_s)  # a sharp edge tells, too
        self._skews.append(upper / np.maximum(lower, 1e-12))

    @property
    def width(self) -> float:
        """Samples that edges take from 25 to 75 % of their height, at least one."""
        taus = np.concatenate(self._taus) if self._taus else np.empty(0)
        return max(float(np.median(taus)) * LN_3 if len(taus) >= LEAST_STRONG else self.likeliest.width, 1.0)

    @property
    def tau(self) -> float:
        """The time constant; 0 where edges show none."""
        if self._refined:
            return self._refined
        taus = np.concatenate(self._taus) if self._taus else np.empty(0)
        if len(taus) < LEAST_STRONG:
            return self.likeliest.tau
        slow = taus > SLOW_SAMPLES
        middle = float(np.median(taus[slow])) if slow.any() else 0.0
        # what settles slowly by itself does so at its own pace, beside edges that are sharp
        alike = slow & (np.abs(taus - middle) <= ALIKE * middle)
        if np.count_nonzero(alike) < max(LEAST_STRONG, ALIKE_SHARE * len(taus)):
            return 0.0
        first_order = float(np.median(np.concatenate(self._skews)[alike])) >= FIRST_ORDER
        return float(np.median(taus[alike])) if first_order else 0.0


@dataclass(frozen=True)
class Fitted(Columns):
    """Rows of edges, those that don't stand out left out, those that were missing added.

    origin: which of the given edges it is, -1 for one that was added; onset: its instant (samples; nan where
    none could be fitted), at_u: standard uncertainty of that; height; of the level after it, where that never
    settles, else nan: its value, the uncertainty of that, and the one of how long it lasts (samples).
    """

    origin: Ints
    onset: Floats
    at_u: Floats
    height: Floats
    level: Floats
    level_u: Floats
    lasting_u: Floats


@dataclass(frozen=True)
class Given(Columns):
    """Edges before they are fitted: onset and height as far as they are known; first, last: changes that
    they were joined of; sigma: noise there; is_gap."""

    onset: Floats
    height: Floats
    first: Ints
    last: Ints
    sigma: Floats
    is_gap: Bools


def untouched(edges: Given) -> Fitted:
    """Of edges of which there is nothing to fit."""
    nan = np.full(len(edges), np.nan)
    return Fitted(np.arange(len(edges)), nan, nan, edges.height, nan, nan, nan)


def fit(value: Floats, edges: Given, tau: float) -> tuple[Fitted, float]:
    """Fit edges behind a low-pass of tau samples; returns them and the tau that fits best."""
    parts, told, count = [untouched(edges.take(slice(0, 0)))], np.zeros(2), len(edges)
    # an edge that is missing has made the one before it longer
    until = np.maximum(edges.first + APART_TAUS * tau, edges.last + BEFORE_TAUS * tau)
    gap = edges.is_gap
    ends = np.flatnonzero((edges.first[1:] > until[:-1]) | gap[1:] | gap[:-1]) + 1
    for low, high in zip([0, *ends.tolist()], [*ends.tolist(), count], strict=True):
        some = edges.take(slice(low, high))
        found, group = untouched(some), None
        if low < high <= low + MOST_EDGES and not gap[low]:
            settled = (
                0 if not low else int(edges.first[low - 1] + (0 if gap[low - 1] else SETTLED_TAUS * tau))
            )
            begin = max(int(edges.first[low] - max(BEFORE_TAUS * tau, BEFORE_LEAST)), settled)
            begin = max(min(begin, int(edges.first[low]) - 2), 0)
            end = int(min(until[high - 1], edges.first[high] - 1 if high < count else len(value)))
            group, origin = _settled(value[begin:end], replace(some, onset=some.onset - begin), tau)
        if group is not None:
            found = group.rows(origin, begin, float(some.sigma[0]))
            told += group.told / some.sigma[0] ** 2
        parts.append(replace(found, origin=np.where(found.origin < 0, -1, found.origin + low)))
    best = tau + float(np.clip(told[0] / told[1], -tau / 4, tau / 4)) if told[1] > 0 else tau
    return stacked(parts), best


def _settled(value: Floats, edges: Given, tau: float) -> tuple[_Group | None, Ints]:
    """A group with the edges that stand out, and which of the given ones they are; None where they don't
    explain the record."""
    sigma, adding = float(edges.sigma[0]), MOST_ADDED
    origin, onset, height = np.arange(len(edges)), edges.onset, edges.height
    while len(origin) and len(value) >= 2 * len(origin) + 4:
        group = _Group(value, onset, height, tau)
        with np.errstate(invalid="ignore"):  # nan of an edge behind the last sample, which nothing tells of
            z = np.abs(group.height) / (sigma * group.height_u)
        weak = int(np.argmin(z))
        # where instants couldn't be found an edge may look weak for one that is missing: that is added first
        missing = group.missing(sigma) if adding and (z[weak] >= KEEP_Z or not group.fits) else None
        if missing is None and z[weak] < KEEP_Z:
            origin, onset = np.delete(origin, weak), np.delete(group.onset, weak)
            height = np.delete(group.height, weak)
            adding = 0  # or what goes would be added again
            continue
        if missing is None:
            return (group if group.fits else None), origin
        place = int(np.searchsorted(group.onset, missing[0]))
        origin = np.insert(origin, place, -1)
        onset, height = np.insert(group.onset, place, missing[0]), np.insert(group.height, place, missing[1])
        adding -= 1
    return None, origin


class _Group:
    """Edges that are fitted together, in samples from the first; uncertainties for a noise of one.

    fits: whether instants could be found; else heights alone are. told: what the rest says of tau, and how
    surely.
    """

    def __init__(self, value: Floats, onset: Floats, height: Floats, tau: float) -> None:
        self.tau, self.onset, self.height = tau, onset, height
        self.level = float(np.mean(value[: max(int(onset[0]), 1)]))
        self._value, self._k = value, np.arange(len(value), dtype=float)[:, None]
        count, moved = len(onset), np.full(len(onset), np.inf)
        for _ in range(STEPS):
            step = self._step()
            moved = np.clip(step[count + 1 :], -tau / 2, tau / 2)
            self.level, self.height = self.level + float(step[0]), self.height + step[1 : count + 1]
            self.onset = self.onset + moved
            if np.max(np.abs(moved)) < NEAR:
                break
        variance = np.diag(self.inverse)
        self.fits = bool(
            np.all(np.diff(self.onset) > 0)
            and np.all(np.abs(self.onset - onset) < 3 * tau)
            and np.all(variance > 0)
        )
        if not self.fits:
            self._hold(onset)
            return
        self.height_u, self.at_u = np.sqrt(variance[1 : count + 1]), np.sqrt(variance[count + 1 :])
        by_tau = self.moves[:, -1]
        across = self.moves[:, :-1].T @ by_tau
        self.told = np.array([by_tau @ self.rest, by_tau @ by_tau - across @ self.inverse @ across])

    def _courses(self) -> tuple[Floats, Floats]:
        """How long after each edge each sample is, and how much of the edge is still to come."""
        over = np.maximum(self._k - self.onset, 0.0)
        return over, np.where(over > 0, np.exp(-over / self.tau), 0.0)

    def _step(self) -> Floats:
        """How far level, heights and instants are off, to first order."""
        over, late = self._courses()
        course = np.where(over > 0, 1.0, 0.0) - late
        jacobian = np.hstack((np.ones_like(self._k), course, -self.height / self.tau * late))
        by_tau = -(over * late / self.tau**2) @ self.height
        self.rest = self._value - self.level - course @ self.height
        self.moves = np.column_stack((jacobian, by_tau))
        normal = jacobian.T @ jacobian
        normal[np.diag_indices_from(normal)] *= 1 + 1e-9
        self.inverse = np.linalg.pinv(normal, hermitian=True)
        return np.asarray(self.inverse @ (jacobian.T @ self.rest))

    def _hold(self, onset: Floats) -> None:
        """Heights alone, each edge where it was seen: an edge that is missing drags the others away."""
        self.onset = onset
        over, late = self._courses()
        self.moves = np.hstack((np.ones_like(self._k), np.where(over > 0, 1.0, 0.0) - late))
        found = np.linalg.lstsq(self.moves, self._value, rcond=None)[0]
        self.level, self.height = float(found[0]), found[1:]
        self.height_u = np.sqrt(np.diag(np.linalg.pinv(self.moves.T @ self.moves, hermitian=True))[1:])
        self.rest = self._value - self.moves @ found

    def missing(self, sigma: float) -> tuple[float, float] | None:
        """Where an edge of which height is missing that stands out of noise most; None: nowhere."""
        places = np.arange(1.0, len(self._k) - 1, max(self.tau / TRIED, 1.0))
        over = np.maximum(self._k - places, 0.0)
        course = np.where(over > 0, 1.0, 0.0) - np.exp(-over / self.tau) * (over > 0)
        whole = np.sum(course**2, axis=0)
        basis, _ = np.linalg.qr(self.moves)
        course -= basis @ (basis.T @ course)
        energy = np.maximum(np.sum(course**2, axis=0), 1e-12)
        apart = np.min(np.abs(places[:, None] - self.onset), axis=1)
        # right beside a known edge a course is what moving that edge makes: nothing is left to tell it by
        free = (energy > ENERGY_SHARE * whole) & (apart > max(self.tau / TRIED, TRIED)) & (energy > 1e-6)
        answer = np.where(free, self.rest @ course, 0.0) / np.sqrt(energy)
        best = int(np.argmax(np.abs(answer)))
        height = float(answer[best] / np.sqrt(energy[best]))
        least = ADD_SHARE * float(np.max(np.abs(self.height)))
        if abs(answer[best]) < ADD_Z * sigma or abs(height) < least:
            return None
        return float(places[best]), height

    def rows(self, origin: Ints, begin: int, sigma: float) -> Fitted:
        """What was found; origin: which edges these are; begin: the number of the first sample, sigma: the
        noise of one."""
        count = len(origin)
        level, level_u, lasting_u = (np.full(count, np.nan) for _ in range(3))
        for i in np.flatnonzero(np.diff(self.onset) < SETTLED_TAUS * self.tau + FEW).tolist():
            which, apart = np.zeros((2, len(self.inverse)))
            which[: i + 2] = 1.0  # the level before, and all heights until then
            apart[count + 1 + i], apart[count + 2 + i] = -1.0, 1.0
            level[i] = self.level + float(np.sum(self.height[: i + 1]))
            level_u[i] = sigma * float(np.sqrt(which @ self.inverse @ which))
            lasting_u[i] = sigma * float(np.sqrt(apart @ self.inverse @ apart))
        onset = self.onset + begin
        return Fitted(origin, onset, sigma * self.at_u, self.height, level, level_u, lasting_u)

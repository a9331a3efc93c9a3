"""Edges as a slow recorder shows them, fitted: when each really was, how high it was, and how sure that is.

Theory of operation. A first-order low-pass (clamps and their inputs have 5 to 20 ms) makes of a step of
height h at t the course h (1 - exp(-(s - t) / tau)). Edges nearer to each other than it takes to settle are
one group, whose record is a level and the sum of their courses; instants and heights follow by least squares
(Gauss and Newton), uncertainties from the same normal equations and the noise. An edge whose height doesn't
stand out there is what another one left behind, and goes, the weakest first: two that stand for one weaken
each other. What all groups together say of tau is a further column of the same equations. Edges further apart
are groups of their own, so the cost is in proportion to their number.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from nightdraw.capture.seen import Bools, Floats, Ints

APART_TAUS = 10.0  # edges further apart don't know of each other: 5 in 100,000 are left
SETTLED_TAUS = 7.0  # a thousandth is left: from here on a level is a mean of samples
BEFORE_TAUS = 4.0  # of the level before a group, and at least
BEFORE_LEAST = 32  # samples
STEPS = 8  # of the iteration; most take three
NEAR = 0.01  # samples: a smaller step ends it
MOST_EDGES = 12  # of one group; more are no edges of a slow recorder
KEEP_Z = 5.0  # deviations that a height must stand out by


@dataclass
class Fitted:
    """Of each edge: its instant (samples; nan where none could be fitted) and the standard uncertainty of
    that; of the level after it where that never settles, else nan: its value, the uncertainty of that and
    the one of how long it lasts (samples); whether the edge stands out. tau: the time constant (samples)
    that fits best."""

    at: Floats
    at_u: Floats
    level: Floats
    level_u: Floats
    lasting_u: Floats
    stands: Bools
    tau: float


def nothing(count: int) -> Fitted:
    """Of edges of a fast recorder, of which there is nothing to fit."""
    at, at_u, level, level_u, lasting_u = (np.full(count, np.nan) for _ in range(5))
    return Fitted(at, at_u, level, level_u, lasting_u, np.ones(count, dtype=bool), 0.0)


def fit(
    value: Floats, at: Floats, first: Ints, height: Floats, sigma: Floats, is_gap: Bools, tau: float
) -> Fitted:
    """Fit edges that were found by their crossings `at` (samples, late by tau ln 2) and first changes."""
    count = len(first)
    found, told = nothing(count), np.zeros(2)
    ends = np.flatnonzero((np.diff(first) > APART_TAUS * tau) | is_gap[1:] | is_gap[:-1]) + 1
    for low, high in zip([0, *ends.tolist()], [*ends.tolist(), count], strict=True):
        if low == high or is_gap[low] or high - low > MOST_EDGES:
            continue
        settled = 0 if not low else int(first[low - 1] + (0 if is_gap[low - 1] else SETTLED_TAUS * tau))
        begin = max(int(first[low] - max(BEFORE_TAUS * tau, BEFORE_LEAST)), settled)
        begin = max(min(begin, int(first[low]) - 2), 0)
        end = int(min(first[high - 1] + APART_TAUS * tau, first[high] - 1 if high < count else len(value)))
        rows = np.arange(low, high)
        while len(rows):
            onset = at[rows] - begin - tau * np.log(2)
            group = _Group(value[begin:end], onset, height[rows], tau)
            if not group.fits:
                break
            z = np.abs(group.height) / (sigma[low] * group.height_u)
            if z.min() >= KEEP_Z:
                group.write(found, rows, begin, float(sigma[low]))
                told += group.told / sigma[low] ** 2
                break
            found.stands[rows[np.argmin(z)]] = False
            rows = np.delete(rows, np.argmin(z))
    found.tau = tau + float(np.clip(told[0] / told[1], -tau / 4, tau / 4)) if told[1] > 0 else tau
    return found


class _Group:
    """Edges that are fitted together. at: instants, in samples from the first; uncertainties for a noise of
    one; told: what the rest says of tau, and how surely."""

    def __init__(self, value: Floats, at: Floats, height: Floats, tau: float) -> None:
        self.tau, self.fits = tau, False
        count = len(at)
        self.at, self.height = at, height
        self.level = float(np.mean(value[: max(int(at[0]), 1)])) if len(value) else 0.0
        k = np.arange(len(value), dtype=float)[:, None]
        if len(value) < 2 * count + 2:
            return
        for _ in range(STEPS):
            over = np.maximum(k - self.at, 0.0)
            late = np.where(over > 0, np.exp(-over / tau), 0.0)
            course = np.where(over > 0, 1.0, 0.0) - late
            jacobian = np.hstack((np.ones((len(value), 1)), course, -self.height / tau * late))
            normal = jacobian.T @ jacobian
            normal[np.diag_indices_from(normal)] *= 1 + 1e-9
            try:
                self.inverse = np.linalg.inv(normal)
            except np.linalg.LinAlgError:
                return
            rest = value - self.level - course @ self.height
            step = self.inverse @ (jacobian.T @ rest)
            moved = np.clip(step[count + 1 :], -tau / 2, tau / 2)
            self.level, self.height = self.level + float(step[0]), self.height + step[1 : count + 1]
            self.at = self.at + moved
            if np.max(np.abs(moved)) < NEAR:
                break
        variance = np.diag(self.inverse)
        self.fits = bool(
            np.all(np.diff(self.at) > 0) and np.all(np.abs(self.at - at) < 3 * tau) and np.all(variance > 0)
        )
        if self.fits:
            self.height_u, self.at_u = np.sqrt(variance[1 : count + 1]), np.sqrt(variance[count + 1 :])
            by_tau = -(over * late / tau**2) @ self.height
            across = jacobian.T @ by_tau
            self.told = np.array([by_tau @ rest, by_tau @ by_tau - across @ self.inverse @ across])

    def write(self, found: Fitted, rows: Ints, begin: int, sigma: float) -> None:
        """Write down what was found; begin: the number of the first sample, sigma: the noise of one."""
        found.at[rows], found.at_u[rows] = self.at + begin, sigma * self.at_u
        for i in np.flatnonzero(np.diff(self.at) < SETTLED_TAUS * self.tau).tolist():
            which, apart = np.zeros((2, len(self.inverse)))
            which[: i + 2] = 1.0  # the level before, and all heights until then
            apart[len(rows) + 1 + i], apart[len(rows) + 2 + i] = -1.0, 1.0
            found.level[rows[i]] = self.level + float(np.sum(self.height[: i + 1]))
            found.level_u[rows[i]] = sigma * float(np.sqrt(which @ self.inverse @ which))
            found.lasting_u[rows[i]] = sigma * float(np.sqrt(apart @ self.inverse @ apart))

"""The shape of a recorder's edges, learnt as a recording goes by: the time constant of its low-pass, from
strong edges one by one, or from weak ones laid over each other. See instants for the law."""

from __future__ import annotations

import numpy as np

from nightdraw.capture.seen import Floats, Ints

AROUND = 64  # samples on either side of weak edges that are laid over each other
STACKED = 256  # of a chunk's edges at most
TELLING_U = 0.05  # of the height: noise of what lies over each other that still tells a shape
WEAK_SAMPLES = 2.5  # where noise hides single edges its scatter widens what lies over each other as well
LEAST_STRONG = 3  # fewer say nothing about a recorder
FIRST_ORDER = 1.35  # upper half over lower half of an edge: 1 of a ramp, 1.71 of a first-order low-pass
SLOW_SAMPLES = 1.0  # a shorter time constant can't be told from sampling
LN_3 = float(np.log(3.0))  # time constants between 25 and 75 % of a first-order response


class Shape:
    """What strong edges have shown of the recorder's low-pass so far; in samples."""

    def __init__(self) -> None:
        self._taus: list[Floats] = []
        self._skews: list[Floats] = []
        self._sum = np.zeros(2 * AROUND + 1)
        self._weight = 0.0
        self._refined = 0.0

    def refine(self, tau: float) -> None:
        """Take a time constant that fits better."""
        self._refined = tau

    def stack(self, value: Floats, first: Ints, before: Floats, height: Floats, sigma: Floats) -> None:
        """Lay some edges over each other, each by its height and weighed by how it stands out; first: the
        sample where each begins, none of a gap."""
        room = np.diff(np.concatenate(([0], first, [len(value)])))
        some = np.flatnonzero((room[:-1] > AROUND) & (room[1:] > AROUND + 1))
        some = some[:: max(len(some) // STACKED, 1)]
        around = value[first[some][:, None] + np.arange(-AROUND, AROUND + 1)]
        shape = (around - before[some][:, None]) / height[some][:, None]
        weight = (height[some] / sigma[some]) ** 2
        self._sum += weight @ shape
        self._weight += float(weight.sum())

    def stacked(self) -> tuple[float, float]:
        """Samples between 25 and 75 % of what lies over each other, and how much longer its upper half
        takes."""
        if self._weight < TELLING_U**-2:
            return 0.0, 1.0
        shape = self._sum / self._weight
        shape = np.convolve(np.pad(shape, 1, mode="edge"), np.full(3, 1 / 3), mode="valid")
        at = [
            float(np.interp(level, np.maximum.accumulate(shape), np.arange(len(shape))))
            for level in (0.25, 0.5, 0.75)
        ]
        return at[2] - at[0], (at[2] - at[1]) / max(at[1] - at[0], 1e-12)

    def learn(self, quarter_s: Floats, at_s: Floats, three_s: Floats, interval_s: float) -> None:
        """Further strong edges, by the instants of 25, 50 and 75 % of their height."""
        upper, lower = three_s - at_s, at_s - quarter_s
        whole = np.isfinite(upper) & (upper > 0) & (lower > 0)
        self._taus.append((upper + lower)[whole] / LN_3 / interval_s)
        self._skews.append((upper / np.maximum(lower, 1e-12))[whole])

    @property
    def width(self) -> float:
        """Samples that edges take from 25 to 75 % of their height, at least one."""
        taus = np.concatenate(self._taus) if self._taus else np.empty(0)
        return max(float(np.median(taus)) * LN_3 if len(taus) >= LEAST_STRONG else self.stacked()[0], 1.0)

    @property
    def tau(self) -> float:
        """The time constant; 0 where edges show none."""
        if self._refined:
            return self._refined
        taus = np.concatenate(self._taus) if self._taus else np.empty(0)
        if len(taus) < LEAST_STRONG:
            width, skew = self.stacked()
            return width / LN_3 if width > WEAK_SAMPLES and skew >= FIRST_ORDER else 0.0
        slow = taus > SLOW_SAMPLES
        if np.count_nonzero(slow) < max(LEAST_STRONG, len(taus) / 2):
            return 0.0
        first_order = float(np.median(np.concatenate(self._skews)[slow])) >= FIRST_ORDER
        return float(np.median(taus[slow])) if first_order else 0.0

"""The highest and lowest mean over any stretch of a given length, exact for a piecewise-constant truth.

What a meter's MIN and MAX keep, whose capture time is the shortest event that they see whole.
"""

from __future__ import annotations

import math

from nightdraw.bench.rig import Stretch


class Extremes:
    """Of the truth's first channel, over windows of `ticks` that lie wholly behind `origin`.

    The mean over a window is a straight line of its place between any two places where one of its ends meets
    a change of the truth: so its extremes lie at those places.
    """

    def __init__(self, ticks: float, origin: int) -> None:
        self.highest = -math.inf
        self.lowest = math.inf
        self._ticks = ticks
        self._origin = origin
        self._rest: Stretch | None = None  # the truth that a window may still reach back into

    def feed(self, stretch: Stretch) -> None:
        """Take a further stretch of the truth."""
        import numpy as np

        ticks, levels = stretch.ticks, stretch.levels[:, :1]
        if self._rest is not None:
            ticks = np.concatenate((self._rest.ticks, ticks))
            levels = np.concatenate((self._rest.levels, levels))
        corners = np.append(ticks, stretch.stop)
        begin = max(float(self._origin), corners[0])
        last = stretch.stop - self._ticks
        if last >= begin:
            charge = np.concatenate(([0.0], np.cumsum(levels[:, 0] * np.diff(corners))))
            starts = np.concatenate((corners, corners - self._ticks, [begin, last]))
            starts = starts[(starts >= begin) & (starts <= last)]
            ends = np.interp(starts + self._ticks, corners, charge)
            means = (ends - np.interp(starts, corners, charge)) / self._ticks
            self.highest = max(self.highest, float(means.max()))
            self.lowest = min(self.lowest, float(means.min()))
        first = max(0, int(np.searchsorted(ticks, last, side="right")) - 1)
        self._rest = Stretch(int(ticks[first]), stretch.stop, ticks[first:], levels[first:])

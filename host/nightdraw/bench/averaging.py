"""From the piecewise-constant truth of several channels to samples: exact means, or levels at instants.

A sample whose interval sees no change is the level itself, bit for bit. No noise, no limit of an instrument.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from fractions import Fraction
from typing import TYPE_CHECKING

from boxcore.program import TICKS_PER_S

from nightdraw.bench.rig import Stretch

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

FLOAT_SLACK = 1e-6  # of a sample: a stretch that ends on a sample's end completes it


class Averager:
    """Sample k stands k / rate seconds after `origin` (a tick) and is the mean over the interval before it.

    There are `count` samples; `done` counts those that have come. Of the channels whose numbers are in
    `instants` a sample is the level just before its instant.
    """

    def __init__(self, rate_hz: Fraction, origin: int, count: int, instants: Collection[int] = ()) -> None:
        self.count = count
        self._instants = tuple(instants)
        self.done = 0
        self._step = float(TICKS_PER_S / rate_hz)
        self._origin = origin
        self._rest: Stretch | None = None  # what the last stretch left of an interval that is not complete

    def feed(self, stretch: Stretch) -> npt.NDArray[np.float64]:
        """The samples that a further stretch completes, one row a channel."""
        import numpy as np

        ticks, levels = stretch.ticks, stretch.levels
        if self._rest is not None:
            ticks = np.concatenate((self._rest.ticks, ticks))
            levels = np.concatenate((self._rest.levels, levels))
        opening = self._origin + (self.done - 1) * self._step
        last = min(math.floor((stretch.stop - self._origin) / self._step + FLOAT_SLACK), self.count - 1)
        number = max(0, last + 1 - self.done)
        corners = np.append(ticks, stretch.stop)
        places = np.round((corners - opening) / self._step, 9)  # in intervals; 1e-9 of one is rounding
        places = np.clip(places, 0.0, number)
        samples = _means(places, levels, number)
        for channel in self._instants:
            samples[channel] = _ends(places, levels[:, channel], number)
        self.done += number
        self._keep(ticks, levels, stretch.stop)
        return samples

    def _keep(self, ticks: npt.NDArray[np.float64], levels: npt.NDArray[np.float64], stop: int) -> None:
        """Keep what belongs to the interval that is open at the end."""
        import numpy as np

        opening = self._origin + (self.done - 1) * self._step
        first = max(0, int(np.searchsorted(ticks, opening, side="right")) - 1)
        self._rest = (
            Stretch(int(ticks[first]), stop, ticks[first:], levels[first:]) if opening < stop else None
        )


def _ends(
    places: npt.NDArray[np.float64], levels: npt.NDArray[np.float64], number: int
) -> npt.NDArray[np.float64]:
    """The level just before the end of each of `number` unit intervals; see _means."""
    import numpy as np

    floors = np.floor(places).astype(np.int64)
    held = floors[1:] - floors[:-1]
    samples: npt.NDArray[np.float64] = np.repeat(levels, held)
    if len(samples) < number:  # the truth begins inside: what was before is taken as its first level
        samples = np.concatenate((np.full(number - len(samples), levels[0]), samples))
    return samples


def _means(
    places: npt.NDArray[np.float64], levels: npt.NDArray[np.float64], number: int
) -> npt.NDArray[np.float64]:
    """Mean levels of `number` unit intervals from 0 on: levels[k] holds from places[k] to places[k + 1].

    Intervals without a corner inside are filled with their level; those with one get their weighted mean.
    """
    import numpy as np

    first, last = places[:-1], places[1:]
    ceilings = np.ceil(places).astype(np.int64)
    filled = ceilings[1:] - ceilings[:-1]
    # a row a channel before it is repeated: many times quicker than rows of channels turned afterwards
    samples: npt.NDArray[np.float64] = np.repeat(np.ascontiguousarray(levels.T), filled, axis=1)
    if samples.shape[1] < number:  # the truth begins inside: what was before is taken as its first level
        before = np.repeat(levels[:1].T, number - samples.shape[1], axis=1)
        samples = np.concatenate((before, samples), axis=1)
    broken = np.unique(np.floor(places[places % 1 != 0]).astype(np.int64))
    broken = broken[broken < number]
    if not len(broken):
        return samples
    low, high = np.floor(first).astype(np.int64), np.floor(last).astype(np.int64)
    ends = np.minimum(last, low + 1.0)
    pairs = ((low, ends - first), (high, np.where(high > low, last - high, 0.0)))
    for channel in range(levels.shape[1]):
        sums = np.zeros(number + 1)
        for place, weight in pairs:
            np.add.at(sums, np.minimum(place, number), weight * levels[:, channel])
        samples[channel, broken] = sums[broken]
    return samples

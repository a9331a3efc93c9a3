"""Instruments in a live vehicle: what their displays show, from the truth as it comes.

Limits, noise and resolution are those of nightdraw.instruments, readings and extremes those of `bench meter`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from fractions import Fraction
from typing import TYPE_CHECKING

from boxcore.program import TICKS_PER_S

from nightdraw.bench.averaging import Averager
from nightdraw.bench.drive import BESIDE
from nightdraw.bench.extremes import Extremes
from nightdraw.bench.metering import FUSE_BLOWS, Readout, across_readout, in_line_readout
from nightdraw.bench.rig import Stretch
from nightdraw.instruments.front import Front
from nightdraw.instruments.model import Clamp, FuseMeter, Meter, Range

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

EVER = 1 << 60  # samples: a display that has no end
CLAMP_S = Fraction(3, 10)  # between two readings of a clamp's own display (common practice)
HANDS = 100  # seeds of clamps' displays lie beside those of a recorder's inputs
MILLI = 1000


def only(stretch: Stretch, channels: Sequence[int]) -> Stretch:
    """The truth of these channels alone."""
    return Stretch(stretch.start, stretch.stop, stretch.ticks, stretch.levels[:, list(channels)])


def _fraction(seconds: float) -> Fraction:
    return Fraction(seconds).limit_denominator(TICKS_PER_S)


class Display:
    """A display that shows, at the end of each update, the mean since the last one.

    show: from means to what is shown (None: overload). capture_s: how short an event MIN and MAX see whole,
    None: they keep the display's own readings.
    """

    def __init__(
        self,
        channel: int,
        update: Fraction,
        origin: int,
        show: Callable[[npt.NDArray[np.float64]], list[float | None]],
        capture_s: float | None = None,
    ) -> None:
        self.channel = channel
        self.shown: float | None = None
        self.count = 0  # readings so far
        self._show = show
        self._update, self._capture_s = update, capture_s
        self._averager = Averager(1 / update, origin, EVER)
        self._origin, self._step = origin, float(update * TICKS_PER_S)
        self.reset(origin)

    def due(self) -> float:
        """The tick of the next reading."""
        return self._origin + max(1, self._averager.done) * self._step

    def reset(self, tick: int) -> None:
        """Let MIN and MAX begin anew."""
        self._low: float | None = None
        self._high: float | None = None
        self._extremes: Extremes | None = None
        if self._capture_s is not None:
            self._extremes = Extremes(float(_fraction(self._capture_s) * TICKS_PER_S), tick)

    def feed(self, stretch: Stretch) -> None:
        """Take a further stretch of the truth of all channels."""
        part = only(stretch, [self.channel])
        means = self._averager.feed(part)[0]
        if self._averager.done == len(means) and len(means):
            means = means[1:]  # the mean before the leads were on is none
        if len(means):
            readings = self._show(means)
            self.shown = readings[-1]
            self.count += len(readings)
            known = [value for value in readings if value is not None]
            if known and self._extremes is None:
                self._low = min(known) if self._low is None else min(self._low, *known)
                self._high = max(known) if self._high is None else max(self._high, *known)
        if self._extremes is not None:
            self._extremes.feed(part)

    def extremes(self) -> tuple[float | None, float | None]:
        """MIN and MAX in the display's own unit; None: none yet, or overload."""
        found = self._extremes
        if found is None:
            return self._low, self._high
        if math.isinf(found.highest):
            return None, None
        low, high = self._show_one(found.lowest), self._show_one(found.highest)
        return low, high

    def _show_one(self, mean: float) -> float | None:
        import numpy as np

        return self._show(np.array([mean]))[0]


def _read_out(readout: Readout, per: float) -> Callable[[npt.NDArray[np.float64]], list[float | None]]:
    return lambda means: [readout.show(mean / per) for mean in means.tolist()]


def in_line(meter: Meter, scale: Range, seed: int, channel: int, tick: int) -> Display:
    """A meter in the battery's cable, shown in mA."""
    readout = in_line_readout(meter, scale, seed)
    return Display(channel, _fraction(meter.update_s), tick, _read_out(readout, 1.0), meter.capture_s)


def across(meter: FuseMeter, seed: int, channel: int, tick: int) -> Display:
    """Millivolt leads across a fuse."""
    return Display(channel, _fraction(meter.update_s), tick, _read_out(across_readout(meter, seed), MILLI))


def around(clamp: Clamp, number: int, seed: int, zeroed: float | None, channel: int, tick: int) -> Display:
    """A clamp's own display, in mA. zeroed: the amperes that it took for zero; None: it wasn't zeroed."""
    front = Front(clamp.traits(), float(1 / CLAMP_S), (seed, BESIDE, HANDS + number))
    if zeroed is not None:
        front.zero(zeroed)

    def show(means: npt.NDArray[np.float64]) -> list[float | None]:
        shown = front(means)
        return [None if abs(a) >= clamp.most_a else round(MILLI * a, 6) + 0.0 for a in shown.tolist()]

    return Display(channel, CLAMP_S, tick, show)


def blows_a(scale: Range) -> float:
    """The current at which a meter's own fuse goes in this range."""
    return FUSE_BLOWS * scale.most_a

"""What stands between a true signal and a recorder's numbers: noise, drift, bandwidth, range, resolution.

Theory of operation. truth -> low-pass -> + noise -> + drift -> limits of the range -> rounding to the last
digit. White noise of a given rms within the bandwidth is drawn for each sample; of a mean over an interval
its variance is reduced by what averaging leaves (`Traits.rms_at`, an Ornstein-Uhlenbeck process). The zero is
a fixed offset and a first-order Gauss-Markov process with DRIFT_TIME_S, drawn at knots with straight lines
between; zero() takes away both, and what the clamp is around, at its instant. O(samples).

One Front a channel; it works on samples that are means over their intervals, in pieces, and keeps its state.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

DRIFT_TIME_S = 300.0  # a clamp's zero wanders over minutes (common practice)


@dataclass(frozen=True)
class Traits:
    """In the signal's own unit (A or mV): noise rms within its bandwidth (without one white and within
    `noise_hz`), the drift of the zero, rms, the step between two readings, the largest that is shown, the
    offset until it is zeroed; in Hz the bandwidth. 0 or inf: that limit isn't there.
    instant: a sample is the signal at its instant, with all of the noise, not the mean over its interval."""

    noise: float = 0.0
    noise_hz: float = 500.0
    drift: float = 0.0
    bandwidth_hz: float = math.inf
    step: float = 0.0
    most: float = math.inf
    instant: bool = False
    offset: float = 0.0

    def rms_at(self, rate_hz: float) -> float:
        """The noise of one sample: at an instant all of it, of a mean over T = 1 / rate the less the longer.

        Behind a first-order corner of time constant t (an Ornstein-Uhlenbeck process) the mean has the share
        2 (t / T) (1 - (t / T) (1 - exp(-T / t))) of the variance; white noise goes with the root of the rate.
        """
        if self.instant:
            return self.noise
        if self.bandwidth_hz < math.inf:
            times = rate_hz / (2 * math.pi * self.bandwidth_hz)
            return self.noise * math.sqrt(2 * times * (1 + times * math.expm1(-1 / times)))
        return self.noise * math.sqrt(min(1.0, rate_hz / 2 / self.noise_hz))


IDEAL = Traits()


class Front:
    """A channel's front end at a sample rate, from a seed (numbers): the same seed, the same noise."""

    def __init__(self, traits: Traits, rate_hz: float, seed: tuple[int, ...]) -> None:
        import numpy as np

        self._noise = traits.rms_at(rate_hz)
        self._most = traits.most
        self._scale = _Scale(traits.step)
        self._limits = traits != IDEAL
        self._random = np.random.Generator(np.random.SFC64(list(seed)))  # the quickest of its kind
        self._opening = np.random.default_rng([*seed, 2])
        self._slow = _Pole(traits.bandwidth_hz, rate_hz)
        self._wander = _Wander(traits.drift, rate_hz, seed, traits.offset)

    def __call__(self, truth: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """Further samples as the recorder has them; `truth` itself where nothing limits them."""
        if not self._limits:
            return truth
        # counted in steps and in place: a day has 10^8 samples a channel, and each pass over them costs
        scale = self._scale
        counts = self._wander.onto(truth) * scale.per
        counts = self._slow.through(counts, self._with_noise(counts, scale.per))
        if self._most < math.inf:
            most = self._most * scale.per
            counts.clip(-most, most, out=counts)
        return scale.rounded(counts)

    def zero(self, enclosed: float) -> None:
        """Zero it now: what it would show, the noise aside, is taken away from here on. enclosed: of this the
        signal itself, which a clamp around a live cable takes for its zero."""
        self._wander.zero(enclosed)

    def _with_noise(self, counts: npt.NDArray[np.float64], per: float) -> float:
        """Add the noise, as much as is left behind the corner; the corner's state before the first sample."""
        before = float(counts[0]) if len(counts) else 0.0
        if self._noise:
            before += self._noise * per * float(self._opening.standard_normal())
            # single precision: its seven digits are beyond any noise
            noise = self._random.standard_normal(len(counts), dtype="f4")
            noise *= self._noise * per / self._slow.passes
            counts += noise
        return before


class _Scale:
    """From the signal's unit to whole steps and back; without a step nothing is rounded."""

    def __init__(self, step: float) -> None:
        self._step = step
        self.per = 1 / step if step else 1.0
        whole = round(self.per)
        # a division by a whole number gives the shortest decimals
        self._whole = float(whole) if math.isclose(self.per, whole) else 0.0

    def rounded(self, counts: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """What was counted, in the unit again; works in place."""
        if not self._step:
            return counts
        counts.round(out=counts)
        if self._whole:
            counts /= self._whole
        else:
            counts *= self._step
        counts += 0.0  # no minus zero
        return counts


class _Pole:
    """A first-order low-pass; nothing where its corner lies above half the rate.

    passes: what it leaves of white noise, rms: sqrt((1 - k) / (1 + k)) of y = k y' + (1 - k) x.
    """

    def __init__(self, corner_hz: float, rate_hz: float) -> None:
        self._keep = math.exp(-2 * math.pi * corner_hz / rate_hz) if corner_hz < rate_hz / 2 else 0.0
        self.passes = math.sqrt((1 - self._keep) / (1 + self._keep))
        self._last: float | None = None

    def through(self, values: npt.NDArray[np.float64], before: float) -> npt.NDArray[np.float64]:
        """The values behind the corner; `before` is its state before the very first."""
        if not self._keep or not len(values):
            return values
        from scipy.signal import lfilter

        last = before if self._last is None else self._last
        passed: npt.NDArray[np.float64]
        passed, _ = lfilter([1 - self._keep], [1, -self._keep], values, zi=[self._keep * last])
        self._last = float(passed[-1])
        return passed


class _Wander:
    """An offset, and a zero that wanders: a first-order Gauss-Markov walk of DRIFT_TIME_S, straight lines
    between knots."""

    def __init__(self, rms: float, rate_hz: float, seed: tuple[int, ...], offset: float) -> None:
        import numpy as np

        self._rms, self._offset = rms, offset
        self._knot = max(1, round(rate_hz * DRIFT_TIME_S / 30))  # samples from knot to knot
        self._keep = math.exp(-self._knot / (rate_hz * DRIFT_TIME_S))
        self._random = np.random.default_rng([*seed, 1])
        self._knots = [rms * float(self._random.standard_normal())]
        self._first = 0  # the number of the first knot kept
        self._done = 0

    def onto(self, values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        if not len(values):
            return values
        if not self._rms:
            return values + self._offset if self._offset else values
        import numpy as np

        places = (self._done + np.arange(len(values))) / self._knot
        while self._first + len(self._knots) - 1 < places[-1] + 1:
            fresh = self._rms * math.sqrt(1 - self._keep**2) * float(self._random.standard_normal())
            self._knots.append(self._keep * self._knots[-1] + fresh)
        moved = values + self._at(places)
        self._done += len(values)
        spare = int(self._done / self._knot) - self._first
        self._knots = self._knots[spare:]
        self._first += spare
        return moved

    def zero(self, enclosed: float) -> None:
        """From here on, what it adds here is nothing, and what is enclosed is missing."""
        import numpy as np

        self._offset -= float(self._at(np.array([self._done / self._knot]))[0]) + enclosed

    def _at(self, places: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """The zero at these places, counted in knots."""
        import numpy as np

        knots = self._first + np.arange(len(self._knots))
        return np.interp(places, knots, np.array(self._knots) + self._offset)

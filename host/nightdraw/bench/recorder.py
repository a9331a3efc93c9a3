"""A current clamp and its recorder: from the true, piecewise-constant current to samples and to a CSV file.

It sees nothing but the current: no program, no journal. The truth comes in spans: memory is bounded.
"""

from __future__ import annotations

import math
from array import array
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

from boxcore.program import TICKS_PER_S

from nightdraw.bench.tables import TableFile

NOISE_UA = 500  # rms of a sample at 1 kHz: 3 mA over a good low-current clamp's 20 kHz, averaged over 1 ms
NOISE_RATE_HZ = 1_000  # the rate that NOISE_UA is stated at; white noise goes with the root of the rate
RESOLUTION_PER_A = 1_000_000  # a sample is written to the microampere, far below the noise
FLOAT_SLACK = 1e-6  # of a sample: a span that ends on a sample's end completes it


class TruthSpan(NamedTuple):
    """The truth from `start` to `stop` (ticks): `amps[i]` holds from `ticks[i]` on; `ticks[0]` is `start`."""

    start: int
    stop: int
    ticks: npt.NDArray[np.float64]
    amps: npt.NDArray[np.float64]


class TruthTrace:
    """The true current as it happens: changes go in, spans come out, and nothing is kept twice."""

    def __init__(self, tick: int = 0, amps: float = 0.0) -> None:
        self._start = tick
        self._ticks = array("q", [tick])
        self._amps = array("d", [amps])

    def add(self, tick: int, amps: float) -> None:
        """The current is `amps` from `tick` on; ticks never go back."""
        if tick == self._ticks[-1]:
            self._amps[-1] = amps
        elif amps != self._amps[-1]:
            self._ticks.append(tick)
            self._amps.append(amps)

    def take(self, stop: int) -> TruthSpan:
        """The span from where the last one stopped up to `stop`; no change after `stop` may be in yet."""
        import numpy as np

        span = TruthSpan(self._start, stop, np.array(self._ticks, float), np.array(self._amps, float))
        self._start = stop
        self._ticks = array("q", [stop])
        self._amps = self._amps[-1:]
        return span


class Sampler:
    """Averages the truth over each sampling interval, exactly, and adds the clamp's noise.

    Sample k stands at k / rate seconds after `origin` (a tick) and is the mean over the interval that ends
    there, so sample 0 is the last instant before the origin and an edge at the origin is seen. There are
    `count` samples. Noise is white, `noise_ua` rms at NOISE_RATE_HZ, from `seed`; 0 switches it off.
    """

    def __init__(
        self, rate_hz: Fraction, origin: int, count: int, seed: int, noise_ua: float = NOISE_UA
    ) -> None:
        import numpy as np

        self.count = count
        self.done = 0
        self._step = float(TICKS_PER_S / rate_hz)
        self._rate_hz = float(rate_hz)
        self._origin = origin
        self._noise_a = noise_ua / 1e6 * (self._rate_hz / NOISE_RATE_HZ) ** 0.5
        self._random = np.random.default_rng([seed, NOISE_UA])
        self._charge = 0.0  # ampere-ticks of the interval that is not complete yet

    def feed(self, span: TruthSpan) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
        """The samples that a further span completes: times in seconds, currents in amperes.

        The charge at the intervals' ends is read off the cumulated charge, a polyline through the changes.
        """
        import numpy as np

        last = min(math.floor((span.stop - self._origin) / self._step + FLOAT_SLACK), self.count - 1)
        numbers = np.arange(self.done, last + 1)
        opening = self._origin + (self.done - 1) * self._step
        corners = np.append(span.ticks, span.stop) - opening
        charge = np.concatenate(([0.0], np.cumsum(span.amps * np.diff(corners))))
        charge += self._charge - np.interp(0.0, corners, charge)  # counted from the opening of the interval
        at_ends = np.interp((numbers - self.done + 1) * self._step, corners, charge)
        samples = np.diff(at_ends, prepend=0.0) / self._step
        self._charge = charge[-1] - (at_ends[-1] if len(numbers) else 0.0)
        self.done += len(numbers)
        return numbers / self._rate_hz, self._clamp(samples)

    def _clamp(self, truth: Any) -> Any:
        import numpy as np

        noise = self._noise_a * self._random.standard_normal(len(truth)) if self._noise_a else 0.0
        return np.rint((truth + noise) * RESOLUTION_PER_A) / RESOLUTION_PER_A + 0.0  # + 0.0: no minus zero


class CsvFile(TableFile):
    """A clamp's recording on its way to disk: seconds and amperes."""

    def __init__(self, path: Path) -> None:
        super().__init__(path, ("current_a",))

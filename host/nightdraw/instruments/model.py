"""What an instruments file says: amperes, ohms, millivolts, seconds. Plain data and choices of range."""

from __future__ import annotations

import math
from dataclasses import dataclass

from nightdraw.instruments.front import Traits

SINGLE_ENDED, DIFFERENTIAL, ISOLATED = "single-ended", "differential", "isolated"
INPUTS = (SINGLE_ENDED, DIFFERENTIAL, ISOLATED)
MEANS, INSTANTS = "means", "instants"
SHORTS = (
    "a single-ended input across a fuse shorts battery positive to ground through the recorder: its other"
    " side is earth"
)


@dataclass(frozen=True)
class Range:
    """One of a meter's ranges: the most it shows, what it puts into the circuit, its last digit."""

    most_a: float
    ohms: float
    step_a: float


@dataclass(frozen=True)
class Meter:
    """A hand-held meter in line: ranges ascending, seconds between readings, seconds that MAX must see,
    error as a share of the reading at most."""

    ranges: tuple[Range, ...]
    update_s: float
    capture_s: float
    accuracy: float

    def range_for(self, most_a: float | None) -> Range | None:
        """The range of that name, or the highest: a meter starts there (common practice)."""
        if most_a is None:
            return self.ranges[-1]
        return next((one for one in self.ranges if math.isclose(one.most_a, most_a)), None)


@dataclass(frozen=True)
class Clamp:
    """A low-current clamp, `count` of them: volts an ampere as mv_per_a, noise rms over its bandwidth, what
    it gives around nothing until it is zeroed."""

    count: int
    most_a: float
    step_a: float
    noise_a: float
    bandwidth_hz: float
    drift_a: float
    mv_per_a: float
    offset_mv: float = 0.0

    @property
    def offset_a(self) -> float:
        """The offset as a current."""
        return self.offset_mv / self.mv_per_a

    def traits(self) -> Traits:
        """What it does to a current."""
        return Traits(
            self.noise_a, self.bandwidth_hz, self.drift_a, self.bandwidth_hz, self.step_a, self.most_a,
            offset=self.offset_a,
        )  # fmt: skip


@dataclass(frozen=True)
class Recorder:
    """A recorder: inputs, bits over twice a range, ranges ascending in mV, samples a second a channel, how
    many it holds (None: it streams to a computer), noise rms over its bandwidth (half its rate); whether a
    sample is the signal at its instant, or its mean since the last one."""

    channels: int
    inputs: str
    bits: int
    ranges_mv: tuple[float, ...]
    rate_hz: float
    memory: int | None
    noise_mv: float
    instant: bool = False

    def step_mv(self, range_mv: float) -> float:
        """The step between two readings in a range: it goes from minus to plus the range."""
        return 2 * range_mv / 2.0**self.bits

    def range_over(self, most_mv: float) -> float:
        """The lowest range that shows so much, the highest where none does."""
        return next((one for one in self.ranges_mv if one >= most_mv), self.ranges_mv[-1])


@dataclass(frozen=True)
class FuseMeter:
    """A millivolt meter across fuses: last digit, noise rms of a reading, seconds between readings."""

    step_mv: float
    noise_mv: float
    update_s: float


@dataclass(frozen=True)
class Thermal:
    """A hand or a camera: the rise above its surroundings that it makes out, kelvin."""

    least_k: float


@dataclass(frozen=True)
class Instruments:
    """What a school owns; None: hasn't."""

    name: str
    about: str
    meter: Meter | None
    clamp: Clamp | None
    recorder: Recorder | None
    fuse_meter: FuseMeter | None
    thermal: Thermal | None

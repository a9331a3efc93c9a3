"""What a hand-held meter in the battery's cable shows over time, MIN and MAX included; or one across a fuse.

The meter's burden stands in the circuit that the boxes and modules see. A reading is the mean over the time
between two; MIN and MAX keep the lowest and highest mean over any stretch as long as the capture time: a
pulse of that length shows whole, a shorter one too little: 0.5 A for 20 ms gives 0.1 A in 100 ms.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

from boxcore.program import TICKS_PER_S

from nightdraw.bench.averaging import Averager
from nightdraw.bench.drive import Drive, Placed, VehicleRecording
from nightdraw.bench.extremes import Extremes
from nightdraw.bench.record import POWER_UP_TICKS
from nightdraw.errors import InputError
from nightdraw.instruments.model import FuseMeter, Meter, Range
from nightdraw.vehicle import script
from nightdraw.vehicle.model import Vehicle

MOST_READINGS = 200_000  # 16 hours at three a second: more is a recorder's work
FUSE_BLOWS = 1.5  # times the range's most: the meter's own fuse would be gone (common practice)

Reading = tuple[float, float | None]


@dataclass(frozen=True)
class Shown:
    """Readings (seconds, milliamperes), MAX and MIN; None for overload.

    unit is `ma`, or `mv` across a fuse. boxes: how each stands at the end.
    """

    readings: tuple[Reading, ...]
    max_shown: float | None
    min_shown: float | None
    unit: str = "ma"
    boxes: tuple[dict[str, Any], ...] = ()

    def document(self) -> dict[str, object]:
        """The JSON contract's keys."""
        unit = self.unit
        return {
            "readings": [{"t_s": t_s, f"shown_{unit}": shown} for t_s, shown in self.readings],
            f"max_{unit}": self.max_shown,
            f"min_{unit}": self.min_shown,
            "boxes": list(self.boxes),
        }


def in_line(
    vehicle: Vehicle,
    boxes: Sequence[Placed],
    wanted: Drive,
    plan: script.Script,
    meter: Meter,
    scale: Range,
    say: Callable[[str], None] = lambda text: None,
    progress: Callable[[float], None] = lambda ticks: None,
) -> Shown:
    """A meter in the battery's cable, in one of its ranges; raises InputError where the engine runs."""
    if any(event.action == script.ENGINE for event in plan.events):
        raise InputError(
            "a meter is never in line while the engine cranks or runs: leave engine out of --script"
        )
    if any(event.action in (script.DOOR, script.CAR) for event in plan.events):
        say("caution: a meter should not be in line while a door opens or modules wake; its fuse may blow")
    readout = in_line_readout(meter, scale, wanted.seed)
    run = VehicleRecording(vehicle, boxes, wanted, plan, say, scale.ohms)
    shown = _watch(run, wanted, (meter.update_s, meter.capture_s), readout, progress)
    if readout.highest > FUSE_BLOWS * scale.most_a:
        say(
            f"overload: {readout.highest:.3g} A in the {scale.most_a:g} A range, "
            "the meter's fuse would be gone"
        )
    return replace(shown, boxes=run.ends(say))


def across(
    vehicle: Vehicle,
    boxes: Sequence[Placed],
    wanted: Drive,
    plan: script.Script,
    meter: FuseMeter,
    say: Callable[[str], None] = lambda text: None,
    progress: Callable[[float], None] = lambda ticks: None,
) -> Shown:
    """A millivolt meter across the fuse that is wanted's only channel; MAX and MIN are of its readings."""
    run = VehicleRecording(vehicle, boxes, wanted, plan, say)
    readout = across_readout(meter, wanted.seed)
    shown = _watch(run, wanted, (meter.update_s, meter.update_s), readout, progress, per=1000)
    known = [value for _, value in shown.readings if value is not None]
    return Shown(shown.readings, max(known, default=None), min(known, default=None), "mv", run.ends(say))


class Readout:
    """From a mean to what the display shows, in thousandths of the signal's unit; None for overload."""

    def __init__(self, step: float, most: float, gain: float, noise: float = 0.0, seed: int = 0) -> None:
        self._step = step
        self._most = most
        self._gain = gain
        self._noise = noise
        self._random = random.Random(f"nightdraw meter noise {seed}")
        self.highest = 0.0

    def show(self, mean: float) -> float | None:
        """What a mean of so many amperes or volts is shown as, mA or mV."""
        self.highest = max(self.highest, abs(mean))
        value = mean * self._gain
        if self._noise:
            value += self._random.gauss(0, self._noise)
        if abs(value) > self._most:
            return None
        return round(math.floor(value / self._step + 0.5) * self._step * 1000, 6) + 0.0


def in_line_readout(meter: Meter, scale: Range, seed: int) -> Readout:
    """A meter's display in one of its ranges; the seed says how far off this very meter is."""
    gain = 1 + meter.accuracy * random.Random(f"nightdraw meter {seed}").uniform(-1, 1)
    return Readout(scale.step_a, scale.most_a, gain)


def across_readout(meter: FuseMeter, seed: int) -> Readout:
    """A millivolt meter's display."""
    return Readout(meter.step_mv / 1000, math.inf, 1.0, meter.noise_mv / 1000, seed)


def _watch(
    run: VehicleRecording,
    wanted: Drive,
    times_s: tuple[float, float],
    readout: Readout,
    progress: Callable[[float], None],
    per: float = 1.0,
) -> Shown:
    """Readings and the captured extremes; per: how many of the channel's units make one of the readout's."""
    update, capture = (Fraction(time_s).limit_denominator(10_000) for time_s in times_s)
    seconds = Fraction(wanted.ticks, TICKS_PER_S)
    count = math.floor(seconds / update)
    if seconds < max(update, capture):
        least_s = float(max(update, capture))
        raise InputError(f"--for is too short for this meter: a reading takes {least_s:g} s")
    if count > MOST_READINGS:
        raise InputError(f"--for gives {count} readings, at most {MOST_READINGS}: take bench record")
    reader = Averager(1 / update, POWER_UP_TICKS, count + 1)
    catcher = Extremes(float(capture * TICKS_PER_S), POWER_UP_TICKS)
    readings: list[Reading] = []
    for _ in run.chunks():
        stretch = run.rig.take()
        first = reader.done
        for k, mean in enumerate(reader.feed(stretch)[0].tolist(), start=first):
            if k:  # the mean before zero is of the time before
                readings.append((float(k * update), readout.show(mean / per)))
        catcher.feed(stretch)
        progress(run.done)
    return Shown(tuple(readings), readout.show(catcher.highest / per), readout.show(catcher.lowest / per))

"""What was seen against the truth of tests.capture.signals: found, invented, errors in uncertainties."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from nightdraw.capture import seen as sn
from nightdraw.capture.seen import Seen
from numpy.typing import NDArray

from tests.capture.signals import World

Floats = NDArray[np.float64]


@dataclass
class Score:
    """Counts over any number of recordings; errors of the pulses that were found, each with its
    uncertainty."""

    tries: int = 0
    found: int = 0
    invented: int = 0
    duration_off_s: list[float] = field(default_factory=list)
    duration_u_s: list[float] = field(default_factory=list)
    interval_s: list[float] = field(default_factory=list)
    level_off: list[float] = field(default_factory=list)
    level_u: list[float] = field(default_factory=list)
    level: list[float] = field(default_factory=list)

    def add(self, world: World, seen: Seen) -> None:
        """One more recording. Pulses match where they overlap and neither is twice as long as the other."""
        pulses = seen.events.take(seen.events.kind == sn.PULSE)
        taken: set[int] = set()
        for event in world.events:
            self.tries += 1
            k = _matching(event.start_s, event.duration_s, pulses, seen.interval_s, taken)
            if k is None:
                continue
            taken.add(k)
            self.found += 1
            self.duration_off_s.append(float(pulses.duration_s[k]) - event.duration_s)
            self.duration_u_s.append(float(pulses.duration_u_s[k]))
            self.interval_s.append(seen.interval_s)
            self.level_off.append(float(pulses.level[k]) - event.top_ma)
            self.level_u.append(float(pulses.level_u[k]))
            self.level.append(event.top_ma)
        self.invented += len(pulses) - len(taken)

    def covered(self, times: float = 2.0) -> float:
        """The share of durations whose error is within so many standard uncertainties."""
        return float(np.mean(np.abs(self.duration_off_s) <= times * np.array(self.duration_u_s)))

    def levels_covered(self, times: float = 2.0) -> float:
        """The same of levels, a hundredth of the level allowed besides."""
        allowed = times * np.array(self.level_u) + 0.01 * np.array(self.level)
        return float(np.mean(np.abs(self.level_off) <= allowed))

    def within_half_a_sample(self) -> float:
        """The share of durations within half a sample plus twice the stated uncertainty."""
        allowed = np.array(self.interval_s) / 2 + 2 * np.array(self.duration_u_s)
        return float(np.mean(np.abs(self.duration_off_s) <= allowed))

    def text(self) -> str:
        """One line with the counts of tries."""
        half = 100 * self.within_half_a_sample()
        return (
            f"found {self.found} of {self.tries}, invented {self.invented}, durations within 2 u "
            f"{100 * self.covered():.1f} %, within half a sample + 2 u {half:.1f} %, "
            f"levels within 2 u + 1 % {100 * self.levels_covered():.1f} %"
        )


def _matching(
    start_s: float, lasting_s: float, pulses: sn.Events, interval_s: float, taken: set[int]
) -> int | None:
    end_s = pulses.start_s + pulses.duration_s
    overlap = (pulses.start_s <= start_s + lasting_s + 2 * interval_s) & (end_s >= start_s - 2 * interval_s)
    for k in np.flatnonzero(overlap).tolist():
        ratio = (float(pulses.duration_s[k]) + 2 * interval_s) / (lasting_s + 2 * interval_s)
        if k not in taken and 0.5 <= ratio <= 2:
            return int(k)
    return None

"""What comes again and again in a sleeping vehicle, from the pulses of its recordings.

Pulses of two activities that meet look like a third, higher kind: a kind whose level is the sum of two others
and that lasts as long as one of them is taken apart again. What came too seldom for a law, and what has none
that a vehicle's file knows, is told and left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from nightdraw.baseline.measure import Rest
from nightdraw.capture import kinds as kd
from nightdraw.capture.seen import Events, Floats

LEAST_COUNT = 3  # fewer have no law
ALIKE_SHARE, ALIKE_MA = 0.12, 1.5  # kinds of two recordings nearer than that are one
SUM_SHARE, SUM_MA = 0.06, 2.0  # two kinds' sum is met this closely
LASTS = 1.25  # and lasts as long as one of them within this factor
MISSED = 1.6  # a distance of so many medians has a missing pulse in it
SELDOM = 0.2  # of what is expected on the way to sleep: they come asleep only
EXPECTED = 4.0  # fewer expected there tell nothing


@dataclass
class Sort:
    """One kind of pulses over all recordings: instants by recording, durations and levels of each."""

    starts_s: dict[int, list[float]] = field(default_factory=dict)
    on_s: list[float] = field(default_factory=list)
    level_ma: list[float] = field(default_factory=list)

    @property
    def count(self) -> int:
        """How many came."""
        return sum(len(starts) for starts in self.starts_s.values())

    @property
    def level(self) -> float:
        """Their usual level above the base."""
        return float(np.median(self.level_ma))

    @property
    def lasts_s(self) -> float:
        """Their usual duration."""
        return float(np.median(self.on_s))

    def add(self, recording: int, starts_s: Sequence[float]) -> None:
        """Further instants of a recording."""
        self.starts_s[recording] = sorted([*self.starts_s.get(recording, []), *starts_s])

    def distances(self) -> Floats:
        """Start to start, within each recording; those that a missing pulse doubles left out."""
        found = np.concatenate([np.diff(starts) for starts in self.starts_s.values()] or [np.zeros(0)])
        if not len(found):
            return found
        kept: Floats = found[found <= MISSED * np.median(found)]
        return kept if 2 * len(kept) > len(found) else found


@dataclass(frozen=True)
class Again:
    """A kind that has a law: level, duration, start to start within `every_s`, whether asleep only."""

    level_ma: float
    on_s: float
    every_s: tuple[float, float]
    asleep_only: bool
    count: int


def sorts(rests: Sequence[Rest]) -> list[Sort]:
    """The kinds of all recordings, those of pulses that met taken apart."""
    found: list[Sort] = []
    for k, rest in enumerate(rests):
        for kind in rest.pulses.kinds:
            rows = rest.pulses.rows.take(kind.rows)
            levels = _levels(rest, rows)
            sort = next((one for one in found if _alike(one, float(np.median(levels)), kind)), None)
            if sort is None:
                sort = Sort()
                found.append(sort)
            sort.add(k, rows.start_s.tolist())
            sort.on_s += rows.duration_s.tolist()
            sort.level_ma += levels
    return _apart(found)


def _levels(rest: Rest, rows: Events) -> list[float]:
    """The level that each pulse has for most of its time: a short one on top of a long one makes it no
    higher."""
    parts, found = rest.seen.parts, []
    for level, low, high in zip(rows.level, rows.part_from, rows.part_to, strict=True):
        order = low + np.argsort(parts.level[low:high])
        lasted_s = np.cumsum(parts.duration_s[order])
        middle = np.searchsorted(lasted_s, lasted_s[-1] / 2) if len(order) else 0
        found.append(float(parts.level[order[middle]]) if len(order) > 1 else float(level))
    return found


def law(sort: Sort, rests: Sequence[Rest]) -> Again | None:
    """The law of a kind; None where there is none."""
    distances = sort.distances()
    if sort.count < LEAST_COUNT or not len(distances):
        return None
    mean, low, high = float(np.mean(distances)), float(distances.min()), float(distances.max())
    interval_s = max(rest.seen.interval_s for rest in rests)
    if high - low <= max(kd.PERIOD_SHARE * mean, 2 * kd.PERIOD_INTERVALS * interval_s):
        low = high = mean
    else:  # of n uniform draws the extremes lie (high - low) / (n - 1) within the law's ends, on average
        half = (high - low) / 2 * (1 + 2 / max(1, len(distances) - 1))
        # None may begin while the one before lasts. The longest says nothing of that: two that met are in it.
        half = max(0.0, min(half, mean - sort.lasts_s * 1.001))
        low, high = mean - half, mean + half
    on_s = min(sort.lasts_s, 0.999 * low)
    if low <= 0 or on_s <= 0:
        return None
    return Again(sort.level, on_s, (low, high), _asleep_only(sort, rests, mean), sort.count)


def _asleep_only(sort: Sort, rests: Sequence[Rest], mean_s: float) -> bool:
    expected = sum(rest.asleep_from_s - rest.begin_s for rest in rests) / mean_s
    came = sum(at < rests[k].asleep_from_s for k, starts in sort.starts_s.items() for at in starts)
    return expected >= EXPECTED and came < SELDOM * expected


def _alike(sort: Sort, level: float, kind: kd.Kind) -> bool:
    near = abs(sort.level - level) <= max(ALIKE_SHARE * sort.level, ALIKE_MA)
    longer, shorter = max(sort.lasts_s, kind.duration_s[1]), min(sort.lasts_s, kind.duration_s[1])
    return near and longer <= kd.FEW_STEP * shorter


def _apart(found: list[Sort]) -> list[Sort]:
    """Give the pulses of a kind that is two others at once to the one of them that lasts as long."""
    left = sorted(found, key=lambda sort: sort.level)
    for sort in left[::-1]:
        pair = _pair(sort, [one for one in left if one.level < sort.level])
        if pair is not None:
            for recording, starts in sort.starts_s.items():
                pair.add(recording, starts)
            left.remove(sort)
    return left


def _pair(sort: Sort, lower: list[Sort]) -> Sort | None:
    """Of two kinds that make this one together, the one that lasts longer: it lasts as long, or the other
    sticks out of it at one end."""
    for one in lower:
        for other in lower:
            if other is one or other.lasts_s > one.lasts_s or max(one.count, other.count) <= sort.count:
                continue
            off = abs(one.level + other.level - sort.level)
            shortest_s, longest_s = one.lasts_s / LASTS, (one.lasts_s + other.lasts_s) * LASTS
            if off <= max(SUM_SHARE * sort.level, SUM_MA) and shortest_s <= sort.lasts_s <= longest_s:
                return one
    return None

"""What was seen: the structure that one pass over a recording leaves, and that everything else works on.

Data only, no measuring: `events.see` fills it; pulses, comparisons, culprit, replay and plots read it. Levels
are in the recording's own unit (mA or mV), instants in seconds on the recording's clock, every `_u` a
standard uncertainty.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from typing import Self, TypeVar

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

Table = TypeVar("Table", bound="Columns")

PULSE, DIP, STEP, SPIKE, PLATEAU = range(5)
PLATEAU_S = 60.0  # an excursion that lasts this long and carries pulses of its own is a base to them
GAP, NOISE, CUT, WANDER = "gap", "noise", "cut", "wander"  # why a span was not judged


class Columns:
    """A table of equally long arrays: rows can be taken by index or mask."""

    def __len__(self) -> int:
        return len(getattr(self, fields(self)[0].name))  # type: ignore[arg-type]

    def take(self, rows: Ints | Bools | slice) -> Self:
        """The same table with some rows only."""
        return replace(self, **{f.name: getattr(self, f.name)[rows] for f in fields(self)})  # type: ignore[type-var,arg-type]


def grouped(values: Floats, apart: Callable[[Floats], Floats]) -> Ints:
    """The number of each value's group, from 0 at the lowest; a group ends where the next value is further
    away than `apart` of the one before it."""
    known = np.unique(values)
    gaps = np.diff(known) > apart(known[:-1])
    groups: Ints = np.concatenate(([0], np.cumsum(gaps)))[np.searchsorted(known, values)]
    return groups


def stacked(parts: Sequence[Table]) -> Table:
    """Tables of one kind, at least one, one under the other."""
    names = [f.name for f in fields(parts[0])]  # type: ignore[arg-type]
    return replace(parts[0], **{n: np.concatenate([getattr(part, n) for part in parts]) for n in names})  # type: ignore[type-var]


@dataclass(frozen=True)
class Edges(Columns):
    """Every change of level that stands out of the noise, in order of time.

    at_s, at_u_s: mid-reference level instant (IEEE 181) and its standard uncertainty; before, after: the
    levels just beside the edge, before_u, after_u theirs (noise, and what a wandering base may add); last_s,
    first_s: the last settled sample before the edge and the first one after it.
    """

    at_s: Floats
    at_u_s: Floats
    before: Floats
    before_u: Floats
    after: Floats
    after_u: Floats
    last_s: Floats
    first_s: Floats

    @property
    def height(self) -> Floats:
        """Level after less level before."""
        return self.after - self.before

    @property
    def height_u(self) -> Floats:
        """Standard uncertainty of the height."""
        u: Floats = np.hypot(self.before_u, self.after_u)
        return u


@dataclass(frozen=True)
class Base(Columns):
    """The slow base: what the current is without its pulses. Straight between the instants, a jump at a step
    that stays is two instants as close as the edge."""

    t_s: Floats
    level: Floats
    level_u: Floats

    def at(self, t_s: Floats) -> Floats:
        """The base at some instants; beyond its ends the nearest value (nan where nothing is known of it)."""
        if not len(self.t_s):
            return np.full(np.shape(t_s), np.nan)
        level: Floats = np.interp(t_s, self.t_s, self.level)
        return level


@dataclass(frozen=True)
class Span:
    """A stretch that was not judged, and why: GAP (samples are missing), NOISE (too loud for the pulses that
    are asked for), CUT (an event that the recording's begin, its end or a gap cuts), WANDER (what rises and
    comes back there is no more than what the base itself does in that time)."""

    from_s: float
    until_s: float
    why: str


@dataclass(frozen=True)
class Events(Columns):
    """What happened, in order of time: pulses, dips below the base, steps that stay, spikes of a single
    sample, and plateaus that carry pulses of their own.

    kind: PULSE, DIP, STEP, SPIKE or PLATEAU; first_edge, last_edge: rows of Edges (a step's are the same; -1
    where an event of one or two samples has no edges of its own); start_s, duration_s (0 for a step): from
    mid-reference to mid-reference instant; level: above the base beside it, of the highest of its settled
    parts (a step's: by how much the base changed); mean: of the whole event above the base; part_from,
    part_to: its rows of Parts.
    """

    kind: Ints
    first_edge: Ints
    last_edge: Ints
    start_s: Floats
    start_u_s: Floats
    duration_s: Floats
    duration_u_s: Floats
    level: Floats
    level_u: Floats
    mean: Floats
    part_from: Ints
    part_to: Ints

    def of(self, kind: int) -> Events:
        """Those of one kind."""
        return self.take(self.kind == kind)


@dataclass(frozen=True)
class Parts(Columns):
    """The levels that events are made of, one after the other; level: above the base beside the event."""

    start_s: Floats
    duration_s: Floats
    level: Floats
    level_u: Floats


@dataclass(frozen=True)
class Seen:
    """One channel of a recording, as it was seen.

    noise: rms of one sample; wander: rms by which the base moves within a second; interval_s: the sampling
    interval; time_constant_s: of a first-order low-pass that the edges show (0 where they show none; instants
    and durations are already without it); z: the deviations that a change must stand out by, from the rate of
    false alarms; least_change: whatever is smaller isn't told from the values' resolution or the bends of
    what creeps.
    """

    name: str
    channel: str
    unit: str
    samples: int
    start_s: float
    end_s: float
    interval_s: float
    noise: float
    wander: float
    mean: float
    z: float
    least_change: float
    time_constant_s: float
    edges: Edges
    base: Base
    events: Events
    parts: Parts
    unjudged: tuple[Span, ...]
    notes: tuple[str, ...] = ()

    @property
    def gaps(self) -> Floats:
        """Rows of begin and end of the stretches where samples are missing."""
        rows = [(s.from_s, s.until_s) for s in self.unjudged if s.why == GAP]
        return np.array(rows, dtype=float).reshape(len(rows), 2)

    @property
    def unjudged_s(self) -> float:
        """Seconds that were not judged; stretches that overlap count once."""
        total, reached = 0.0, -np.inf
        for span in sorted(self.unjudged, key=lambda s: s.from_s):
            total += max(0.0, span.until_s - max(reached, span.from_s))
            reached = max(reached, span.until_s)
        return total

    @property
    def length_s(self) -> float:
        """From the first sample to the end of the last one's interval."""
        return self.end_s - self.start_s + self.interval_s

    def shortest_s(self, level: float) -> float:
        """The shortest pulse of a level that is surely found (a miss once in a thousand), infinite where
        none is; at least LEAST_SAMPLES. Weaker ones than 3 dB must be 14 times as far apart as long."""
        if level <= self.least_change:
            return np.inf
        samples = ((self.z + MISS_Z) * FILTER_LOSS * self.noise / level) ** 2
        return float(max(np.ceil(samples), LEAST_SAMPLES) * self.interval_s)

    def least(self, duration_s: float) -> float:
        """The smallest level that a pulse of some duration, up to a second, must have to be surely found."""
        samples = max(duration_s / max(self.interval_s, 1e-12), 1.0)
        by_noise = (self.z + MISS_Z) * FILTER_LOSS * self.noise / np.sqrt(samples)
        return float(max(by_noise, self.least_change, BENEATH * self.wander * duration_s))

    def times(self, factor: float, unit: str) -> Seen:
        """The same with every level times a factor (millivolts as the current that makes them, or back)."""
        scaled = {
            table: replace(
                getattr(self, table),
                **{name: getattr(getattr(self, table), name) * factor for name in names},
            )
            for table, names in LEVELS.items()
        }
        own = {name: getattr(self, name) * factor for name in ("noise", "wander", "mean", "least_change")}
        return replace(self, unit=unit, **own, **scaled)


FILTER_LOSS = (
    1.27  # the widths of filters are steps apart, what is beside a pulse is noisy: as counted at 3 dB
)
LEAST_SAMPLES = 2.0  # a single sample is a spike
BENEATH = 3.0  # of the wander's rms: a sine moves by 1.4 of it, a car that falls asleep by 3
MISS_Z = 3.1  # a normal deviation is larger once in a thousand
LEVELS = {
    "edges": ("before", "before_u", "after", "after_u"),
    "base": ("level", "level_u"),
    "events": ("level", "level_u", "mean"),
    "parts": ("level", "level_u"),
}

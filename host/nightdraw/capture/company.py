"""Other loads on the circuit that was recorded: what they do to a recording, and what stays the box's.

A clamp at a vehicle's battery sees modules asleep, twitches, doors. The box's own edges are known, so each is
taken from the current just before to just after it, up to where another load moved; its height tells of the
box alone. How high the base is tells of all loads together. Nothing is judged here.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from nightdraw.capture import differences as df
from nightdraw.capture.accounts import Train
from nightdraw.capture.against import Seen
from nightdraw.capture.faults import LONG_WIRES_PER_A
from nightdraw.capture.read import CURRENT_NAMES, MILLIVOLT, Recording
from nightdraw.capture.seen import Bools, Floats, Ints

SEVERAL = 3  # edges of one kind: the majority tells what is the box's and what is chance
MOST_ODD = 0.5  # of the edges that have no fellows: more than this being off is no chance either
BUSY = 6  # moves of other loads (three twitches): more than a recording of a box alone ever shows
YIELDING = (
    0.5  # of what others draw, give or take, yields with the supply (lamps and heaters do, modules don't)
)
DOUBTS = 3.0
SLEEPING_MA = (10, 50)  # what a vehicle in good order draws asleep (common practice)


@dataclass(frozen=True)
class Circuit:
    """What is known of the place that was recorded. shared: other loads hang on it; levels: whether the
    recording's levels are currents; monitored: the box compares its bank's current itself, and would have
    flagged a broken switch."""

    shared: bool = False
    levels: bool = True
    monitored: bool = False


ALONE = Circuit()


def is_shared(recording: Recording, splice: str | None, channels: int) -> bool:
    """Whether a recording is of a vehicle's circuit: the journal names a splice, or the channel was chosen
    among several, or it has another name than just "current" or is a voltage."""
    named = recording.channel.lower() not in CURRENT_NAMES
    return splice is not None or channels > 1 or named or recording.unit == MILLIVOLT


@dataclass(frozen=True)
class Edges:
    """By how much each edge of a course (edge i begins level i) was seen larger than it should be, mA, and
    the variance of that (inf where it wasn't seen). doubt_ma: what averaging doesn't mend: other loads draw
    less while the box pulls their supply down."""

    excess: Floats
    variance: Floats
    step_ma: Floats
    doubt_ma: Floats

    @property
    def known(self) -> Bools:
        """True for edges that were seen."""
        known: Bools = np.isfinite(self.variance)
        return known

    def without(self, unsure: Bools) -> Edges:
        """The same with some edges as if they had not been seen."""
        return replace(self, variance=np.where(unsure, np.inf, self.variance))

    def odd(self, kind: Ints) -> tuple[Bools, Bools]:
        """Edges that are off: those that chance, another load's move at the same instant, may have made, and
        those that are off as their fellows are; kind: a number that edges alike share."""
        allowed = np.maximum(df.LEVEL_MA, df.LEVEL_SHARE * np.abs(self.step_ma))
        allowed = allowed + df.DOUBTS * np.sqrt(np.where(self.known, self.variance, 0.0))
        allowed = allowed + DOUBTS * self.doubt_ma
        off = self.known & (np.abs(self.excess) > allowed)
        chance, real = np.zeros(len(off), dtype=bool), np.zeros(len(off), dtype=bool)
        lone: list[int] = []
        for members in _by_kind(kind, self.known):
            if len(members) < SEVERAL:
                lone += members.tolist()
                continue
            excess = self.excess[members]
            middle = float(np.median(excess))
            alike = np.abs(excess - middle) <= allowed[members]
            real[members] = off[members] & alike & (abs(middle) > allowed[members])
            chance[members] = (off[members] | ~alike) & ~real[members]
        several = len(lone) >= SEVERAL and float(np.mean(off[lone])) > MOST_ODD
        (real if several else chance)[lone] = off[lone]
        return chance, real


def _by_kind(kind: Ints, known: Bools) -> list[Ints]:
    places = np.flatnonzero(known)
    if not len(places):
        return []
    order = places[np.argsort(kind[places], kind="stable")]
    return list(np.split(order, np.flatnonzero(np.diff(kind[order])) + 1))


def edges_of(seen: Seen) -> Edges:
    """The edges of a recording's course as they were seen."""
    level = seen.course.level_ma
    step = np.diff(level, prepend=seen.course.idle_ma)
    known = (seen.n_before > 0) & (seen.n_after > 0)
    with np.errstate(invalid="ignore", divide="ignore"):
        variance = seen.sigma_ma**2 * (1 / seen.n_before + 1 / seen.n_after)
    excess = np.where(known, seen.after - seen.before - step, 0.0)
    level_before = np.append(seen.course.idle_ma, level[:-1])
    others_a = np.where(known, np.maximum(seen.before - level_before, 0.0), 0.0) / 1000
    doubt = YIELDING * LONG_WIRES_PER_A * others_a * np.abs(step)
    return Edges(excess, np.where(known, np.maximum(variance, 1e-12), np.inf), step, doubt)


def kinds(*values: Ints | Floats) -> Ints:
    """A number for each edge, the same for edges that are alike in all the values."""
    _, number = np.unique(np.column_stack(values), axis=0, return_inverse=True)
    found: Ints = number.reshape(-1)
    return found


def by_edges(seen: Seen, train: Train, edges: Edges) -> Seen:
    """The same with each level of a pulse taken from the base beside it, edge by edge; the zero is nought.

    A level is as much too high as the edges up to it were too large, and those after it too small.
    """
    excess = np.where(edges.known, edges.excess, 0.0)
    variance = np.where(edges.known, edges.variance + edges.doubt_ma**2, 0.0)
    risen, doubt = np.append(0.0, np.cumsum(excess)), np.append(0.0, np.cumsum(variance))
    unseen = np.append(0, np.cumsum(~edges.known))
    off, spread = np.zeros(len(excess)), np.full(len(excess), np.inf)
    level = np.arange(len(excess))
    pulse = np.searchsorted(train.first, level, side="right") - 1
    inside = (pulse >= 0) & (level <= np.append(train.last, -1)[pulse])
    level, pulse = level[inside], pulse[inside]
    first, after = train.first[pulse], train.last[pulse] + 1
    sides = (
        (risen[level + 1] - risen[first], doubt[level + 1] - doubt[first], unseen[level + 1] - unseen[first]),
        (
            risen[level + 1] - risen[after + 1],
            doubt[after + 1] - doubt[level + 1],
            unseen[after + 1] - unseen[level + 1],
        ),
    )
    weights = [np.where(hidden == 0, 1 / np.maximum(v, 1e-12), 0.0) for _, v, hidden in sides]
    whole = weights[0] + weights[1]
    with np.errstate(invalid="ignore", divide="ignore"):
        off[level] = np.where(whole > 0, (weights[0] * sides[0][0] + weights[1] * sides[1][0]) / whole, 0.0)
        spread[level] = np.where(whole > 0, 1 / whole, np.inf)
    known = seen.base | np.isfinite(spread)
    return replace(
        seen,
        mean=np.where(known, seen.course.level_ma + off, np.nan),
        count=np.where(known, seen.count, 0.0),
        known_zero=(np.zeros(len(off)), np.where(seen.base, 0.0, spread)),
    )

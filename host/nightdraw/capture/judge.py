"""Differences between a recording and the account that it is held against.

Every row names its pulse by the number that the leading account gives it: what was asked, else what was done.
Tolerances stand in differences.py; what a level really was is worked out in against.py.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from nightdraw.capture import differences as df
from nightdraw.capture.accounts import Course, Train
from nightdraw.capture.against import Seen
from nightdraw.capture.align import Clock
from nightdraw.capture.differences import Difference
from nightdraw.capture.match import match
from nightdraw.capture.pulses import Pulses
from nightdraw.capture.steps import Floats, Ints
from nightdraw.capture.transitions import Bools

TELLABLE_Z = 10.0  # an edge whose level stands out less than this may be seen anywhere in it
EDGE_DOUBT = (5.0, 20.0)  # samples by which noise moves an edge s deviations high: 5 / s + 20 / s^2
RESOLVED = 2.0  # samples: shorter pulses and gaps run into each other


Suspects = Callable[
    [float, int | None], str
]  # excess and pulse (None: the base) -> what else may be at fault


@dataclass(frozen=True)
class Reference:
    """The account that the recording is held against: `did` where there is a journal, else `asked`.

    asked, asked_of: what was asked, and which of its pulses each pulse is (-1: none), where both are known;
    asked_course: the same as levels.
    """

    name: str
    course: Course
    train: Train
    asked: Train | None
    asked_of: Ints
    asked_course: Course | None

    def number(self, pulse: int) -> int | None:
        """The pulse's number from 1 in the leading account."""
        place = int(self.asked_of[pulse]) if self.asked is not None else pulse
        return place + 1 if place >= 0 else None

    def row(self, kind: str, pulse: int, of: str, seen: float | None, message: str) -> Difference:
        """A row about a pulse; of: the attribute of Train that is compared."""
        said: dict[str, float | None] = {"asked": None, "did": None}
        said[self.name] = round(float(getattr(self.train, of)[pulse]), 6)
        if self.asked is not None and self.asked_of[pulse] >= 0:
            said["asked"] = round(float(getattr(self.asked, of)[self.asked_of[pulse]]), 6)
        shown = None if seen is None else round(seen, 6)
        return Difference(kind, self.number(pulse), said["asked"], said["did"], shown, message)

    def base_row(self, seen: float, message: str) -> Difference:
        """A row about the base."""
        said: dict[str, float | None] = {"asked": None, "did": None}
        said[self.name] = round(self.train.base_ma, 6)
        if self.asked is not None:
            said["asked"] = round(self.asked.base_ma, 6)
        return Difference(df.BASE, None, said["asked"], said["did"], round(seen, 6), message)


@dataclass(frozen=True)
class Heights:
    """For each of the reference's pulses how high it was seen above its base (mA, nan where the recording has
    nothing of it) and the deviation of that."""

    level_ma: Floats
    deviation_ma: Floats


def heights(reference: Reference, seen: Seen) -> Heights:
    """Measure every pulse of the reference where it should be."""
    train = reference.train
    zero, variance = seen.zero()
    excess = np.where(seen.count > 0, seen.excess - zero, 0.0)
    count, summed = np.append(0.0, np.cumsum(seen.count)), np.append(0.0, np.cumsum(seen.count * excess))
    number = count[train.last + 1] - count[train.first]
    with np.errstate(invalid="ignore", divide="ignore"):
        level = train.level_ma + (summed[train.last + 1] - summed[train.first]) / number
        deviation = np.sqrt(seen.sigma_ma**2 / number + variance[train.first])
    known = (number > 0) & np.isfinite(deviation)
    return Heights(np.where(known, level, np.nan), np.where(known, deviation, np.nan))


def base(reference: Reference, seen: Seen, suspects: Suspects) -> Iterator[Difference]:
    """The base, over the whole recording."""
    known = seen.base & (seen.count > 0)
    if not known.any():
        return
    number = float(seen.count[known].sum())
    excess = float(np.dot(seen.count[known], seen.excess[known]) / number)
    level = reference.train.base_ma
    if abs(excess) <= df.level_tolerance(level) + df.DOUBTS * seen.sigma_ma / np.sqrt(number):
        return
    way = "above" if excess > 0 else "below"
    message = (
        f"the base was seen at {level + excess:.1f} mA, {abs(excess):.1f} mA {way} {level:.1f} mA: "
        f"another draw, or the clamp's zero{suspects(excess, None)}"
    )
    yield reference.base_row(level + excess, message)


def levels(reference: Reference, high: Heights, known: Bools, suspects: Suspects) -> Iterator[Difference]:
    """Levels that are off: pulses of one level together, so that noise averages out, then single ones.

    known: pulses that count.
    """
    train = reference.train
    off = high.level_ma - train.level_ma
    group = _groups(train.level_ma)
    told = np.zeros(len(train), dtype=bool)
    for number in np.unique(group[known]):
        members = np.flatnonzero((group == number) & known)
        weight = 1.0 / np.maximum(high.deviation_ma[members], 1e-6) ** 2
        mean = float(np.average(off[members], weights=weight))
        level = float(np.average(train.level_ma[members]))
        if abs(mean) > df.level_tolerance(level) + df.DOUBTS / np.sqrt(weight.sum()):
            told[members] = True
            text = _level_text(level, mean, len(members)) + suspects(mean, int(members[0]))
            yield reference.row(df.LEVEL, int(members[0]), "level_ma", level + mean, text)
    doubt = df.DOUBTS * high.deviation_ma
    allowed = np.maximum(df.LEVEL_MA, df.LEVEL_SHARE * np.abs(train.level_ma)) + doubt
    for pulse in np.flatnonzero(known & ~told & (np.abs(off) > allowed)):
        text = _level_text(float(train.level_ma[pulse]), float(off[pulse]), 1)
        yield reference.row(df.LEVEL, int(pulse), "level_ma", float(high.level_ma[pulse]), text)


def _groups(level_ma: Floats) -> Ints:
    values = np.unique(level_ma)
    gaps = np.diff(values) > np.maximum(df.LEVEL_MA, df.LEVEL_SHARE * values[:-1])
    groups: Ints = np.concatenate(([0], np.cumsum(gaps)))[np.searchsorted(values, level_ma)]
    return groups


def _level_text(level: float, off: float, pulses: int) -> str:
    share = f", {100 * off / level:+.1f} %" if level > 0 else ""
    what = f"{pulses} pulses" if pulses > 1 else "a pulse"
    return f"{what} of {level:.1f} mA above the base seen at {level + off:.1f} mA ({off:+.1f} mA{share})"


def timing(
    reference: Reference, pulses: Pulses, clock: Clock, seen: Seen, pairs: tuple[Ints, Ints]
) -> Iterator[tuple[int, Difference]]:
    """Durations and instants of pulses that both have; each row with the pulse it is about."""
    here, there = pairs
    train = reference.train
    start_s = clock.to_run(pulses.start_s[there])
    duration_s = pulses.duration_s[there] / (1 + clock.rate_ppm * 1e-6)
    tellable, doubt_s = _edge_doubts(reference, seen)
    allowed = df.TIME_S + seen.interval_s + doubt_s[here]
    longer = duration_s - train.duration_s[here]
    later = start_s - train.start_s[here]
    for k in np.flatnonzero(tellable[here] & (np.abs(longer) > allowed)):
        pulse = int(here[k])
        text = f"seen to last {_ms(duration_s[k])} instead of {_ms(train.duration_s[pulse])}"
        yield pulse, reference.row(df.DURATION, pulse, "duration_s", float(duration_s[k]), text)
    for k in np.flatnonzero(tellable[here] & (np.abs(longer) <= allowed) & (np.abs(later) > allowed)):
        pulse = int(here[k])
        text = f"seen {_ms(abs(later[k]))} {'later' if later[k] > 0 else 'earlier'} than it should start"
        yield pulse, reference.row(df.TIME, pulse, "start_s", float(start_s[k]), text)


def _ms(seconds: float) -> str:
    return f"{seconds * 1e3:.1f} ms" if seconds < 10 else f"{seconds:.3f} s"


def _edge_doubts(reference: Reference, seen: Seen) -> tuple[Bools, Floats]:
    """For each pulse whether its two ends can be told from noise and neighbours, and by how much noise moves
    them (s). An end that a broken channel's part took away, or turned round, can't."""
    train, course = reference.train, seen.course
    believed, real = _rises(train, reference.course), _rises(train, course)
    lasting = (course.until_s - course.t_s) / seen.interval_s
    samples = np.column_stack((lasting[train.first], lasting[train.last]))
    sigma = max(seen.sigma_ma, 1e-6)
    tellable = np.all((real * np.sqrt(samples) >= TELLABLE_Z * sigma) & (real > believed / 2), axis=1)
    tellable &= train.duration_s >= RESOLVED * seen.interval_s
    gaps = np.concatenate(([np.inf], train.start_s[1:] - train.end_s[:-1], [np.inf])) / seen.interval_s
    tellable &= (gaps[:-1] >= RESOLVED) & (gaps[1:] >= RESOLVED)
    s = np.maximum(real.min(axis=1, initial=np.inf) / sigma, 1e-6)
    return tellable, (EDGE_DOUBT[0] / s + EDGE_DOUBT[1] / s**2) * seen.interval_s


def _rises(train: Train, course: Course) -> Floats:
    """By how much each pulse rises at its start and falls at its end, mA; one row a pulse."""
    before = np.append(course.idle_ma, course.level_ma[:-1])[train.first]
    after = np.append(course.level_ma, course.idle_ma)[train.last + 1]
    return np.column_stack((course.level_ma[train.first] - before, course.level_ma[train.last] - after))


def missing(reference: Reference, high: Heights, unmatched: Ints) -> Iterator[Difference]:
    """Pulses that were not found, and whose level isn't there either."""
    train = reference.train
    for pulse in unmatched:
        gone = train.level_ma[pulse] - high.level_ma[pulse]
        least = max(train.level_ma[pulse] / 2, df.DOUBTS * high.deviation_ma[pulse])
        if gone > least:
            text = (
                f"the pulse at {train.start_s[pulse]:.3f} s ({_ms(train.duration_s[pulse])}, "
                f"{train.level_ma[pulse]:.1f} mA) was not seen"
            )
            yield reference.row(df.MISSING, int(pulse), "start_s", None, text)


def extra(
    reference: Reference, also: Train, pulses: Pulses, clock: Clock, unmatched: Ints, seen: Seen
) -> Iterator[Difference]:
    """Pulses that were seen within the run where neither the reference nor `also` has any."""
    slack_s = RESOLVED * seen.interval_s + df.TIME_S
    start_s = clock.to_run(pulses.start_s[unmatched])
    end_s = start_s + pulses.duration_s[unmatched]
    free = (start_s > 0) & (end_s < reference.course.end_s)
    for train in (reference.train, also):
        free &= ~_overlaps(start_s - slack_s, end_s + slack_s, train)
    for k in np.flatnonzero(free):
        pulse = int(unmatched[k])
        text = (
            f"a pulse that is in no other account was seen at {start_s[k]:.3f} s "
            f"({_ms(pulses.duration_s[pulse])}, {pulses.level_ma[pulse]:.1f} mA)"
        )
        yield Difference(df.EXTRA, None, None, None, round(float(start_s[k]), 6), text)


def _overlaps(start_s: Floats, end_s: Floats, train: Train) -> Bools:
    begun = np.searchsorted(train.start_s, end_s)
    ended = np.searchsorted(train.end_s, start_s)
    overlaps: Bools = begun > ended
    return overlaps


def pairs_of(reference: Reference, pulses: Pulses, clock: Clock) -> tuple[Ints, Ints]:
    """Which pulse of the reference is which that was seen."""
    start_s = clock.to_run(pulses.start_s)
    end_s = clock.to_run(pulses.start_s + pulses.duration_s)
    return match(reference.train.start_s, reference.train.end_s, start_s, end_s)

"""Differences between a recording and the account that it is held against.

Every row names its pulse by the number that the leading account gives it: what was asked, else what was done.
Tolerances stand in differences.py; what a level really was is worked out in against.py.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from nightdraw.capture import differences as df
from nightdraw.capture.accounts import Course, Lost, Train
from nightdraw.capture.against import Seen
from nightdraw.capture.align import Clock
from nightdraw.capture.differences import Difference
from nightdraw.capture.pulses import Pulses
from nightdraw.capture.steps import Floats, Ints
from nightdraw.capture.transitions import Bools

Suspects = Callable[
    [float, int | None], str
]  # excess and pulse (None: the base) -> what else may be at fault


PART_SAMPLES = 5  # a shorter part of a pulse may be made of edges
BESIDE = 7  # instants within the slack beside a pulse at which its base is looked for


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
    excess = float(np.sum(seen.count[known] * seen.excess[known]) / number)
    level = reference.train.base_ma
    if abs(excess) <= df.level_tolerance(level) + df.DOUBTS * seen.sigma_ma / np.sqrt(number):
        return
    way = "above" if excess > 0 else "below"
    message = (
        f"the base was seen at {level + excess:.1f} mA, {abs(excess):.1f} mA {way} {level:.1f} mA: "
        f"another draw, or the clamp's zero{suspects(excess, None)}"
    )
    yield reference.base_row(level + excess, message)


def levels(reference: Reference, high: Heights, known: Bools, suspects: Suspects) -> list[Difference]:
    """Levels that are off: pulses of one level together, so that noise averages out, then single ones.

    known: pulses that count.
    """
    return list(_levels(reference, high, known, suspects))


def parts(reference: Reference, high: Heights, known: Bools, seen: Seen) -> Iterator[Difference]:
    """Pulses whose mean is right and a part of which is off."""
    train, course = reference.train, reference.course
    zero, variance = seen.zero()
    with np.errstate(invalid="ignore", divide="ignore"):
        off = seen.excess - zero
        doubt = df.DOUBTS * np.sqrt(seen.sigma_ma**2 / seen.count + variance)
    height = course.level_ma - train.base_ma
    wrong = (seen.count >= PART_SAMPLES) & (
        np.abs(off) > np.maximum(df.LEVEL_MA, df.LEVEL_SHARE * height) + doubt
    )
    told: set[int] = set()
    for level in np.flatnonzero(wrong).tolist():
        pulse = int(np.searchsorted(train.first, level, side="right")) - 1
        if pulse < 0 or level > train.last[pulse] or not known[pulse] or pulse in told:
            continue
        told.add(pulse)
        text = (
            f"the part at {course.t_s[level]:.3f} s, {height[level]:.1f} mA above the base, "
            f"seen at {height[level] + off[level]:.1f} mA"
        )
        yield reference.row(df.LEVEL, pulse, "level_ma", float(high.level_ma[pulse]), text)


def _levels(reference: Reference, high: Heights, known: Bools, suspects: Suspects) -> Iterator[Difference]:
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


def missing(reference: Reference, high: Heights, unmatched: Ints) -> Iterator[Difference]:
    """Pulses that were not found, and whose level isn't there either."""
    train = reference.train
    for pulse in unmatched:
        gone = train.level_ma[pulse] - high.level_ma[pulse]
        least = max(train.level_ma[pulse] / 2, df.DOUBTS * high.deviation_ma[pulse])
        if gone > least:
            text = (
                f"the pulse at {train.start_s[pulse]:.3f} s ({df.milliseconds(train.duration_s[pulse])}, "
                f"{train.level_ma[pulse]:.1f} mA) was not seen"
            )
            yield reference.row(df.MISSING, int(pulse), "start_s", None, text)


def extra(
    reference: Reference, lost: Lost, pulses: Pulses, clock: Clock, seen: Seen, known_s: Floats
) -> Iterator[Difference]:
    """Pulses that were seen within the run where the reference's level hardly rises, if at all.

    known_s: starts that were found to belong to the reference's pulses.
    """
    slack_s = 2 * seen.interval_s + df.TIME_S
    start_s = clock.to_run(pulses.start_s)
    end_s = clock.to_run(pulses.start_s + pulses.duration_s)
    free = (start_s > 0) & (end_s < reference.course.end_s) & ~np.isin(start_s, known_s)
    free &= ~lost.touches(start_s - slack_s, end_s + slack_s)
    shares = np.linspace(0.0, 1.0, BESIDE)
    for course in (reference.course, seen.course):
        beside = np.min(
            [course.at(t) for k in shares for t in (start_s - k * slack_s, end_s + k * slack_s)], axis=0
        )
        free &= course.mean(start_s, end_s) - beside < pulses.level_ma / 2
    for k in np.flatnonzero(free).tolist():
        text = (
            f"a pulse that is in no other account was seen at {start_s[k]:.3f} s "
            f"({df.milliseconds(pulses.duration_s[k])}, {pulses.level_ma[k]:.1f} mA)"
        )
        yield Difference(df.EXTRA, None, None, None, round(float(start_s[k]), 6), text)

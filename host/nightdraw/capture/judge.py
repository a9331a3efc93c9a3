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
from nightdraw.capture.seen import Bools, Floats, Ints

Suspects = Callable[
    [float, int | None], str
]  # excess and pulse (None: the base) -> what else may be at fault


PART_SAMPLES = 5  # a shorter part of a pulse may be made of edges
MANY = 3  # pulses more than this that nobody asked for are one story
ON_END = 3  # pulses on end that weren't seen are one story
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


def levels(
    reference: Reference, high: Heights, known: Bools, suspects: Suspects, fellows: int = 1
) -> list[Difference]:
    """Levels that are off: pulses of one level together, so that noise averages out, then single ones.

    known: pulses that count; fellows: fewer pulses than this may be off by chance.
    """
    return list(_levels(reference, high, known, suspects, fellows))


def off_level(reference: Reference, high: Heights) -> Bools:
    """Pulses that are off, each by itself."""
    level = reference.train.level_ma
    allowed = np.maximum(df.LEVEL_MA, df.LEVEL_SHARE * np.abs(level)) + df.DOUBTS * high.deviation_ma
    with np.errstate(invalid="ignore"):
        off: Bools = np.abs(high.level_ma - level) > allowed
    return off


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


def _levels(
    reference: Reference, high: Heights, known: Bools, suspects: Suspects, fellows: int
) -> Iterator[Difference]:
    train = reference.train
    off = high.level_ma - train.level_ma
    group = _groups(train.level_ma)
    told = np.zeros(len(train), dtype=bool)
    for number in np.unique(group[known]):
        members = np.flatnonzero((group == number) & known)
        if len(members) < fellows:
            continue
        weight = 1.0 / np.maximum(high.deviation_ma[members], 1e-6) ** 2
        mean = float(np.average(off[members], weights=weight))
        level = float(np.average(train.level_ma[members]))
        if abs(mean) > df.level_tolerance(level) + df.DOUBTS / np.sqrt(weight.sum()):
            told[members] = True
            text = _level_text(level, mean, len(members)) + suspects(mean, int(members[0]))
            yield reference.row(df.LEVEL, int(members[0]), "level_ma", level + mean, text)
    if fellows > 1:
        return
    for pulse in np.flatnonzero(known & ~told & off_level(reference, high)):
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


def missing(
    reference: Reference, high: Heights, unmatched: Ints, known: Bools, clock: Clock
) -> Iterator[Difference]:
    """Pulses that were not found, and whose level isn't there either; several on end in one row.

    known: pulses that the recording has something of.
    """
    train = reference.train
    gone = train.level_ma[unmatched] - high.level_ma[unmatched]
    least = np.maximum(train.level_ma[unmatched] / 2, df.DOUBTS * high.deviation_ma[unmatched])
    lost = unmatched[gone > least]
    place = np.cumsum(known) - 1  # pulses of which nothing is known don't divide others
    for pulses in np.split(lost, np.flatnonzero(np.diff(place[lost]) > 1) + 1):
        if len(pulses) >= ON_END:
            yield reference.row(
                df.MISSING, int(pulses[0]), "start_s", None, _stop_text(reference, pulses, clock)
            )
            continue
        for pulse in pulses:
            text = (
                f"the pulse at {train.start_s[pulse]:.3f} s ({df.milliseconds(train.duration_s[pulse])}, "
                f"{train.level_ma[pulse]:.1f} mA) was not seen"
            )
            yield reference.row(df.MISSING, int(pulse), "start_s", None, text)


def _stop_text(reference: Reference, pulses: Ints, clock: Clock) -> str:
    """Many pulses on end that weren't seen, and from when to when."""
    first_s, last_s = (reference.train.start_s[k] for k in (pulses[0], pulses[-1]))
    return (
        f"{len(pulses)} pulses on end were not seen, from the one at {first_s:.3f} s to the one at "
        f"{last_s:.3f} s: {_from_there_on(float(first_s), clock)}"
    )


def _from_there_on(run_s: float, clock: Clock) -> str:
    at_s = float(clock.to_recording(np.array([run_s]))[0])
    return f"at {at_s:.3f} s of the recording the pulses stop fitting"


def stop_row(reference: Reference, pulse: int, clock: Clock) -> Difference:
    """The row about a run that fits no more from a pulse on, where no journal says why."""
    text = (
        f"{_from_there_on(float(reference.train.start_s[pulse]), clock)}: the power off and the run begun "
        "anew, held, or over? The journal would tell"
    )
    return reference.row(df.MISSING, pulse, "start_s", None, text)


def extra(
    reference: Reference, lost: Lost, pulses: Pulses, clock: Clock, seen: Seen, known_s: Floats
) -> Ints:
    """Which of the recording's pulses were seen within the run where the reference's level hardly rises, if
    at all.

    known_s: starts that were found to belong to the reference's pulses.
    """
    slack_s = 2 * seen.interval_s + df.TIME_S
    start_s = clock.to_run(pulses.start_s)
    end_s = clock.to_run(pulses.start_s + pulses.duration_s)
    free = (start_s > reference.course.t_s[0]) & (end_s < reference.course.end_s) & ~np.isin(start_s, known_s)
    free &= ~lost.touches(start_s - slack_s, end_s + slack_s)
    shares = np.linspace(0.0, 1.0, BESIDE)
    for course in (reference.course, seen.course):
        beside = np.min(
            [course.at(t) for k in shares for t in (start_s - k * slack_s, end_s + k * slack_s)], axis=0
        )
        free &= course.mean(start_s, end_s) - beside < pulses.level_ma / 2
    return np.flatnonzero(free)


def extra_rows(pulses: Pulses, which: Ints, clock: Clock) -> Iterator[Difference]:
    """Rows about pulses that are in no other account; of many a single one."""
    start_s = clock.to_run(pulses.start_s)
    if len(which) > MANY:
        first, last = pulses.start_s[which[0]], pulses.start_s[which[-1]]
        text = (
            f"{len(which)} pulses that are in no other account were seen, from {first:.3f} s to {last:.3f} s "
            "of the recording: another load, another run, or a run begun anew after a power loss"
        )
        yield Difference(df.EXTRA, None, None, None, round(float(start_s[which[0]]), 6), text)
        return
    for k in which.tolist():
        text = (
            f"a pulse that is in no other account was seen at {start_s[k]:.3f} s "
            f"({df.milliseconds(pulses.duration_s[k])}, {pulses.level_ma[k]:.1f} mA)"
        )
        yield Difference(df.EXTRA, None, None, None, round(float(start_s[k]), 6), text)

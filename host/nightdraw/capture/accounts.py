"""The accounts of a run that need no measuring: asked (from a program) and did (from a journal).

Each is a course of levels on the box's clock, zero at the run's start. What was seen is measured elsewhere;
nothing is compared here.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from boxcore import program as pg
from boxcore import schedule

from nightdraw.capture import journallines
from nightdraw.capture import states as sts
from nightdraw.capture.seen import Bools, Floats, Ints
from nightdraw.capture.stints import WHOLE_RUN, Stint, split
from nightdraw.errors import Finding, InputError

SAME_MA = 2.0  # levels nearer than this, or than a fiftieth, are one state: the bank's steps lie between them
SAME_SHARE = 0.02
OPEN_KINDS = ("hold", "trip", "end", "halt", "starved", "gone")  # after these every switch is open
LEVEL_KINDS = ("edge", "repick")  # these carry the level and the pattern from then on
STOP_KINDS = ("trip", "end", "halt", "gone")  # after these the run is over


@dataclass(frozen=True)
class Train:
    """The pulses of a course: excursions above its base, arrays in order of time, seconds and mA.

    level_ma is the mean above the base; first, last: the course's levels that a pulse is made of. A pulse
    that the course's end cuts is left out.
    """

    start_s: Floats
    duration_s: Floats
    level_ma: Floats
    base_ma: float
    first: Ints
    last: Ints

    def __len__(self) -> int:
        return len(self.start_s)

    @property
    def end_s(self) -> Floats:
        """The end of each pulse."""
        return self.start_s + self.duration_s


@dataclass(frozen=True)
class Course:
    """Levels over time: level_ma[i] holds from t_s[i] to t_s[i + 1], the last to end_s; idle_ma before the
    first and after the end. Seconds from the run's start."""

    t_s: Floats
    level_ma: Floats
    end_s: float
    idle_ma: float

    @property
    def until_s(self) -> Floats:
        """The end of each level."""
        return np.append(self.t_s[1:], self.end_s)

    @property
    def mean_ma(self) -> float:
        """The mean from the first level to the end."""
        lasting = self.until_s - self.t_s
        return float(np.sum(self.level_ma * lasting) / max(lasting.sum(), 1e-12))

    def at(self, t_s: Floats) -> Floats:
        """The level at each instant."""
        place = np.searchsorted(self.t_s, t_s, side="right") - 1
        levels = np.where(place < 0, self.idle_ma, self.level_ma[np.maximum(place, 0)])
        return np.where(t_s < self.end_s, levels, self.idle_ma)

    def mean(self, from_s: Floats, to_s: Floats) -> Floats:
        """The mean level over each span within the course."""
        charge = np.append(0.0, np.cumsum(self.level_ma * (self.until_s - self.t_s)))
        corners = np.append(self.t_s, self.end_s)
        spans = np.interp(to_s, corners, charge) - np.interp(from_s, corners, charge)
        mean: Floats = spans / np.maximum(to_s - from_s, 1e-12)
        return mean

    def since(self, from_s: float) -> Course:
        """The same from an instant on."""
        place = max(int(np.searchsorted(self.t_s, from_s, side="right")) - 1, 0)
        t_s = np.maximum(self.t_s[place:], from_s)
        return replace(self, t_s=t_s, level_ma=self.level_ma[place:], end_s=max(self.end_s, from_s))

    def states(self) -> Ints:
        """For each level the number of its state: levels a bank step apart are one."""
        values = np.unique(self.level_ma)
        gaps = np.diff(values) > np.maximum(SAME_MA, SAME_SHARE * values[:-1])
        number = np.concatenate(([0], np.cumsum(gaps)))
        found: Ints = number[np.searchsorted(values, self.level_ma)]
        return found

    def is_base(self) -> Bools:
        """True for the levels that pulses rise from."""
        of_level = self.states()
        lasting = self.until_s - self.t_s
        value = np.bincount(of_level, self.level_ma) / np.bincount(of_level)
        states = sts.States(of_level, value, self.level_ma, self.level_ma)
        base: Bools = of_level == sts.base_state(states, lasting)
        return base

    def train(self) -> Train:
        """The pulses of the course."""
        base = self.is_base()
        lasting = self.until_s - self.t_s
        base_ma = float(np.sum(self.level_ma[base] * lasting[base]) / max(lasting[base].sum(), 1e-12))
        up = ~base & (self.level_ma > base_ma)
        change = np.diff(np.concatenate(([0], up.astype(np.int8), [0])))
        first, last = np.flatnonzero(change == 1), np.flatnonzero(change == -1) - 1
        whole = last < len(up) - 1
        first, last = first[whole], last[whole]
        charge = np.append(0.0, np.cumsum(self.level_ma * lasting))
        duration = self.until_s[last] - self.t_s[first]
        mean = (charge[last + 1] - charge[first]) / np.maximum(duration, 1e-12)
        return Train(self.t_s[first], duration, mean - base_ma, base_ma, first, last)


@dataclass(frozen=True)
class Event:
    """Something in the journal that is no edge: instant, kind, the record as read."""

    t_s: float
    kind: str
    record: dict[str, Any]

    def text(self) -> str:
        """For people: what happened, and when."""
        parts = [str(self.record[name]) for name in ("fault", "by") if name in self.record]
        supply = self.record.get("supply_mv") or 0
        if self.kind == "hold" and supply:
            parts.append(f"supply {supply / 1000:.2f} V")
        return f"{self.kind} at {self.t_s:.3f} s" + (f" ({', '.join(parts)})" if parts else "")


@dataclass(frozen=True)
class Spell:
    """A time in which the box kept every switch open, although it was asked to play; to_s may be infinite."""

    from_s: float
    to_s: float
    why: Event


@dataclass(frozen=True)
class Lost:
    """Times of which the journal lost records: what it says of them is not all."""

    from_s: Floats
    to_s: Floats

    def touches(self, from_s: Floats, to_s: Floats) -> Bools:
        """For each span whether records of it may be lost."""
        touched: Bools = np.searchsorted(self.from_s, to_s) > np.searchsorted(self.to_s, from_s)
        return touched


NOTHING_LOST = Lost(np.empty(0), np.empty(0))


@dataclass(frozen=True)
class Did:
    """What the box says it did: its course, pattern and supply of each level, what it believes of itself.

    channels_ns: conductance of each channel; seed, run: of the schedule; events: all that is no edge;
    spells: with open switches; lost: times that the journal doesn't tell wholly; stint: where in the journal
    this is; others: the run's other stints, before and after power losses; splice: where in a vehicle the box
    sits, board: its board's name, monitor: whether it measures its bank; None where the journal doesn't say.
    """

    course: Course
    pattern: Ints
    supply_mv: Floats
    own_ma: float
    channels_ns: tuple[int, ...]
    profile: str
    seed: int
    run: int
    events: tuple[Event, ...]
    spells: tuple[Spell, ...]
    lost: Lost
    stint: Stint = WHOLE_RUN
    others: tuple[Did, ...] = ()
    splice: str | None = None
    board: str | None = None
    monitor: bool | None = None

    def stopped(self) -> Event | None:
        """The event that ended the run, None where the journal shows none."""
        return next((event for event in self.events if event.kind in STOP_KINDS), None)

    def ending(self) -> Did:
        """The same, nothing being known of what came after its last record."""
        course = replace(self.course, end_s=self.course.end_s + 1 / pg.TICKS_PER_S)
        return self if self.stint.cut else replace(self, course=course, stint=replace(self.stint, cut=True))

    def until(self, end_s: float) -> Did:
        """The same, its last level lasting until end_s (never shortened); what a power loss cut stays cut."""
        if self.stint.cut:
            return self
        course = replace(self.course, end_s=max(end_s, self.course.end_s))
        return replace(self, course=course)


def asked(plan: pg.Program, run: int, own_ua: int, end_s: float) -> Course:
    """What a program asks for from the run's start to end_s, or to its own run-time limit.

    run: 1, 2, ... counts arms; own_ua: the box's own consumption, microamperes.
    """
    limits = dict(zip(pg.NUMBERS, plan.numbers(), strict=True))
    ticks = min(round(end_s * pg.TICKS_PER_S), limits["run_ticks"])
    edges = list(schedule.edges(schedule.Schedule(plan, run, own_ua), max(ticks, 1)))
    table = np.array(edges, dtype=float).reshape(-1, 2)
    return Course(table[:, 0] / pg.TICKS_PER_S, table[:, 1] / 1000, ticks / pg.TICKS_PER_S, own_ua / 1000)


def read_did(path: Path | str) -> Did:
    """Read a journal file (JSON lines); raises InputError with file and line."""
    lines = list(journallines.objects(Path(path)))
    if not lines or lines[0][1].get("kind") != "box":
        message = "not a journal: its first line says of which box and run it is"
        raise InputError(
            Finding(message, file=str(path), line=1, hint="NAME.journal.jsonl, beside a recording")
        )
    try:
        return did_of(lines[0][1], [record for _, record in lines[1:]])
    except KeyError as missing:
        message = f"a line lacks {missing}: not a journal of this version"
        raise InputError(Finding(message, file=str(path))) from None


def did_of(head: dict[str, Any], records: Iterable[dict[str, Any]]) -> Did:
    """The same from lines that are read already: the line of kind `box`, and the records in their order.

    Only the run that the head names counts: from its start (t_s 0) to the next arm. What the box played of it
    before and after power losses is in `others`.
    """
    stints, own = split(head, list(records))
    found = [_of_stint(head, stint) for stint in stints]
    return replace(found[own], others=tuple(found[:own] + found[own + 1 :]))


class _Course:
    """What a stint's records add up to."""

    def __init__(self, own_ma: float) -> None:
        self.own_ma = own_ma
        self.levels: list[tuple[float, float, int, int]] = []
        self.events: list[Event] = []
        self.spells: list[Spell] = []
        self.lost: list[tuple[float, float]] = []
        self.end_s = 0.0

    def take(self, record: dict[str, Any], t_s: float) -> None:
        """One record after the other."""
        kind = record["kind"]
        if kind == "lost":
            self.lost.append((self.end_s, t_s))
        self.end_s = max(self.end_s, t_s)
        if kind in LEVEL_KINDS:
            self.levels.append((t_s, record["level_ma"], record["pattern"], record["supply_mv"]))
            if self.spells and self.spells[-1].to_s > t_s:
                self.spells = [replace(s, to_s=min(s.to_s, t_s)) for s in self.spells]
            return
        self.events.append(Event(t_s, kind, record))
        if kind in OPEN_KINDS:
            self.levels.append((t_s, self.own_ma, 0, record["supply_mv"]))
            self.spells.append(Spell(t_s, np.inf, self.events[-1]))

    def over(self, record: dict[str, Any]) -> bool:
        """Whether a record belongs to another run."""
        return record["kind"] == "arm" and any(event.kind in STOP_KINDS for event in self.events)


def _of_stint(head: dict[str, Any], stint: Stint) -> Did:
    own_ma = float(head["own_ma"])
    course = _Course(own_ma)
    for record in stint.records:
        t_s = record.get("t_s")
        if t_s is None or t_s < stint.from_s:
            continue
        if course.over(record):
            break
        course.take(record, t_s)
    lost = course.lost
    if lost:  # what came after the last record may be lost as well, and not be said yet
        lost.append((course.end_s, np.inf))
    table = _last_of_each_instant(course.levels or [(stint.from_s, own_ma, 0, 0)])
    end_s = max(course.end_s, stint.from_s)
    if stint.cut:  # the last level was there, if only for a tick
        end_s += 1 / pg.TICKS_PER_S
    return Did(
        course=Course(table[:, 0], table[:, 1], end_s, own_ma),
        pattern=table[:, 2].astype(np.int64),
        supply_mv=table[:, 3],
        own_ma=own_ma,
        channels_ns=tuple(head["channels_ns"]),
        profile=str(head["profile"]),
        seed=int(head["seed"]),
        run=int(head["run"]),
        events=tuple(course.events),
        spells=tuple(course.spells),
        lost=Lost(np.array([a for a, _ in lost]), np.array([b for _, b in lost])),
        stint=stint,
        splice=head.get("splice"),
        board=head.get("board"),
        monitor=head.get("monitor"),
    )


def _last_of_each_instant(levels: list[tuple[float, float, int, int]]) -> Floats:
    table = np.array(levels, dtype=float)
    last = np.append(np.diff(table[:, 0]) > 0, True)
    kept: Floats = table[last]
    return kept

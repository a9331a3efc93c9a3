"""What the box says it did: a journal's records as an account, with the switches behind each level.

A run that lost its power has one part a power cycle, each with a clock of its own (cycles); the account of
the others hangs beside the journal's own. Nothing is compared here.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from nightdraw.capture.accounts import TICK_S, Account
from nightdraw.capture.cycles import ONE_CYCLE, Cycle, split
from nightdraw.capture.seen import Bools, Floats, Ints
from nightdraw.errors import Finding, InputError

OPEN_KINDS = ("hold", "trip", "end", "halt", "starved", "gone")  # after these every switch is open
LEVEL_KINDS = ("edge", "repick")  # these carry the level and the pattern from then on
STOP_KINDS = ("trip", "end", "halt", "gone")  # after these the run is over
SOURCE_MV = 13_200  # a battery alone rests below this, two in series below twice as much ...
LORRY_MV = 18_000  # ... which a supply above this is
SETTLED_KINDS = ("end", "halt")  # it was over because somebody, or its own profile, wanted it so
# What values a journal's lines have under a name.
WHOLE = (
    "boot",
    "tick",
    "pattern",
    "supply_mv",
    "seed",
    "run",
    "slot",
    "run_start_tick",
    "run_start_boot",
    "position",
)
UNSAID = ("slot", "run")  # null where the box plays a level by hand, or nothing
LEVELS = ("level_ma", "own_ma")
TIMES = ("at_s", "start_at_s")
MOST_S = 1e9  # thirty years
MOST_MA = 1e8  # as much as a program can ask for


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
    """What the box says it did: its account, pattern and supply of each level, what it believes of itself.

    channels_ns: conductance of each channel; seed, run: of the schedule; events: all that is no edge;
    spells: with open switches; lost: times that the journal doesn't tell wholly; cycle: the power cycle that
    this is, others: the run's other ones; began: False where the journal has no start of the run; splice:
    where in a vehicle the box sits, board: its board's name, monitor: whether it measures its bank; None
    where the journal doesn't say.
    """

    account: Account
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
    cycle: Cycle = ONE_CYCLE
    others: tuple[Did, ...] = ()
    began: bool = True
    splice: str | None = None
    board: str | None = None
    monitor: bool | None = None

    @property
    def cycles(self) -> list[Did]:
        """All power cycles of the run in their order, this one among them."""
        return sorted((self, *self.others), key=lambda one: one.cycle.order)

    @property
    def fed(self) -> Bools:
        """The levels at which a charger or an engine fed the supply."""
        lorry = self.supply_mv > LORRY_MV
        on: Bools = self.supply_mv / np.where(lorry, 2, 1) > SOURCE_MV
        return on

    def stopped(self) -> Event | None:
        """The event that ended the run, None where the journal shows none."""
        return next((event for event in self.events if event.kind in STOP_KINDS), None)

    def ending(self) -> Did:
        """The same, nothing being known of what came after its last record."""
        account = replace(self.account, end_s=self.account.end_s + TICK_S)
        return self if self.cycle.cut else replace(self, account=account, cycle=replace(self.cycle, cut=True))

    def until(self, end_s: float) -> Did:
        """The same, its last level lasting until end_s (never shortened); what a power loss cut stays cut."""
        if self.cycle.cut:
            return self
        return replace(self, account=replace(self.account, end_s=max(end_s, self.account.end_s)))

    def current_ma(self, channel: int) -> float:
        """What a channel (from 1) draws at the run's median supply."""
        return self.channels_ns[channel - 1] * float(np.median(self.supply_mv)) * 1e-9


def read_did(path: Path | str) -> Did:
    """Read a journal file (JSON lines); raises InputError with file and line."""
    lines = list(lines_of(Path(path)))
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
    cycles, own = split(head, list(records))
    found = [_of_cycle(head, cycle) for cycle in cycles]
    return replace(found[own], others=tuple(found[:own] + found[own + 1 :]))


def lines_of(path: Path) -> Iterator[tuple[int, dict[str, Any]]]:
    """Each line with its number; raises InputError, with file and line, for what is no journal's."""
    try:
        with path.open(encoding="utf-8") as stream:
            for number, line in enumerate(stream, 1):
                if line.strip():
                    yield number, _object(line, path, number)
    except UnicodeDecodeError:
        raise InputError(Finding("not text: a journal is JSON lines", file=str(path))) from None


def _object(line: str, path: Path, number: int) -> dict[str, Any]:
    try:
        found = json.loads(line)
    except json.JSONDecodeError as error:
        message = f"not JSON: {error.msg}"
        raise InputError(Finding(message, file=str(path), line=number, column=error.colno)) from None
    except (RecursionError, ValueError) as error:  # nested without end, or a number of thousands of digits
        raise InputError(Finding(f"not JSON: {error}", file=str(path), line=number, column=1)) from None
    if not isinstance(found, dict) or "kind" not in found:
        raise InputError(Finding("a journal's line is an object with a kind", file=str(path), line=number))
    for name, value in found.items():
        if not _sound(name, value):
            message = f"{name}: {json.dumps(value)[:40]} is no such value"
            raise InputError(Finding(message, file=str(path), line=number))
    return found


def _sound(name: str, value: Any) -> bool:
    """Whether a value is of the kind that a journal has under that name."""
    if name == "channels_ns":
        return isinstance(value, list) and bool(value) and all(_number(ns, 1, 2**32) for ns in value)
    if name in TIMES:
        return _number(value, -MOST_S, MOST_S)
    if name == "t_s":
        return value is None or _number(value, -MOST_S, MOST_S)
    if name in UNSAID and value is None:
        return True
    if name in WHOLE:
        return isinstance(value, int) and _number(value, 0, 2**63)
    return name not in LEVELS or _number(value, 0, MOST_MA)


def _number(value: Any, least: float, most: float) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and least <= value <= most


class _Records:
    """What a power cycle's records add up to."""

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
        """Whether a record belongs to another run, or to a level by hand."""
        stopped = any(event.kind in STOP_KINDS for event in self.events)
        return record["kind"] == "level" or (record["kind"] == "arm" and stopped)


def _of_cycle(head: dict[str, Any], cycle: Cycle) -> Did:
    own_ma = float(head["own_ma"])
    found = _Records(own_ma)
    for record in cycle.records:
        t_s = record.get("t_s")
        if t_s is None or t_s < cycle.from_s:
            continue
        if found.over(record):
            break
        found.take(record, t_s)
    lost = found.lost
    if lost:  # what came after the last record may be lost as well, and not be said yet
        lost.append((found.end_s, np.inf))
    table = _last_of_each_instant(found.levels or [(cycle.from_s, own_ma, 0, 0)])
    end_s = max(found.end_s, cycle.from_s)
    if cycle.cut:  # the last level was there, if only for a tick
        end_s += TICK_S
    return Did(
        account=Account(table[:, 0], table[:, 1], end_s, own_ma),
        pattern=table[:, 2].astype(np.int64),
        supply_mv=table[:, 3],
        own_ma=own_ma,
        channels_ns=tuple(head["channels_ns"]),
        profile=str(head.get("profile", "")),
        seed=int(head.get("seed", 0)),
        run=int(head.get("run") or 0),
        events=tuple(found.events),
        spells=tuple(found.spells),
        lost=Lost(np.array([a for a, _ in lost]), np.array([b for _, b in lost])),
        cycle=cycle,
        began=any(level[0] >= cycle.from_s for level in found.levels),
        splice=head.get("splice"),
        board=head.get("board"),
        monitor=head.get("monitor"),
    )


def _last_of_each_instant(levels: list[tuple[float, float, int, int]]) -> Floats:
    table = np.array(levels, dtype=float)
    last = np.append(np.diff(table[:, 0]) > 0, True)
    kept: Floats = table[last]
    return kept

"""The journal as lines for people and programs: what the box did, its ticks, and the date where it is known.

Box time counts from each power-up. Pairs of box time and host time, journaled whenever a host connects, date
the records of the same power-up; records of others are only in order. Nothing is left out but the journal's
own page marks.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise
from typing import Any

from boxcore import journal
from boxcore.program import TICKS_PER_S

from nightdraw import journals, programs
from nightdraw.link.client import BoxClient, Progress
from nightdraw.link.session import RefusedError

PAGE = "page"  # a file's head inside the box, no event
NAMES = {kind[0]: kind[1:] for kind in journals.KINDS.values()}  # kind -> what arg, value and pattern mean
EMPTY_SLOT = -282

Record = dict[str, Any]


@dataclass(frozen=True)
class JournalAccount:
    """A box's journal: the line that says of which box and which run it is, and one line a record.

    boots: how many power-ups have records in it, dated: how many of them a pair dates; lost: records known to
    be missing, those that were dropped and those that can't be read; may_be_lost: what power losses may have
    cost besides, at most.
    """

    head: Record
    lines: tuple[Record, ...]
    boots: int
    dated: int
    lost: int
    may_be_lost: int

    def document(self) -> dict[str, object]:
        """The JSON contract's keys, and more."""
        return {
            "records": len(self.lines),
            "boots": self.boots,
            "lost": self.lost,
            "dated_boots": self.dated,
            "may_be_lost": self.may_be_lost,
        }


def line(record: Record, start_tick: int | None, boot: int) -> Record:
    """One decoded record (see boxcore.journals.decode) as an object of the file.

    start_tick: the run's zero on the clock of boot `boot` (None: there is none); t_s is null in records of
    another boot.
    """
    document = {"kind": record["kind"], "boot": record["boot"], "tick": record["tick"], "t_s": None}
    if start_tick is not None and record["boot"] == boot:
        document["t_s"] = (record["tick"] - start_tick) / TICKS_PER_S
    for name in NAMES[record["kind"]]:
        if name == "level_ua":
            document["level_ma"] = record[name] / 1000
        elif name:
            document[name] = record[name]
    document["supply_mv"] = record["supply_mv"]
    return document


class Dates:
    """Host time of box ticks, by the pairs that the records hold."""

    def __init__(self, records: Iterable[Record]) -> None:
        self._pairs: dict[int, list[tuple[int, int]]] = {}
        for record in records:
            if record["kind"] == "clock":
                self._pairs.setdefault(record["boot"], []).append((record["tick"], record["utc_s"]))

    def knows(self, boot: int) -> bool:
        """Whether a pair of that power-up is known."""
        return boot in self._pairs

    def utc_s(self, boot: int, tick: int) -> float | None:
        """Seconds since 1970 UTC by the nearest pair of that boot (a crystal strays some 0.1 s an hour), None
        where there is none."""
        pairs = self._pairs.get(boot)
        if pairs is None:
            return None
        at, utc_s = min(pairs, key=lambda pair: abs(pair[0] - tick))
        return utc_s + (tick - at) / TICKS_PER_S

    def text(self, boot: int, tick: int) -> str | None:
        """The same as a date with milliseconds (ISO 8601)."""
        utc_s = self.utc_s(boot, tick)
        if utc_s is None:
            return None
        return datetime.fromtimestamp(utc_s, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


@dataclass(frozen=True)
class LastRun:
    """The last run that the records know of: its zero on the clock of its boot, slot and run number."""

    boot: int
    tick: int
    slot: int
    run: int


def last_start(records: Sequence[Record]) -> LastRun | None:
    """The last start among the records, None where no run started."""
    number = 0
    found = None
    for record in records:
        if record["kind"] == "arm":
            number = record["run"]
        elif record["kind"] == "start":
            zero = record["tick"] - record["position"]
            run = number if number & 0xFFFF == record["run_low"] else record["run_low"]
            found = LastRun(record["boot"], zero, record["slot"], run)
    return found


def read(box: BoxClient, progress: Progress | None = None) -> JournalAccount:
    """Read the whole journal of an open box; raises LinkError."""
    data = box.read_journal(progress=progress).data
    records = journals.decode(data)
    start = last_start(records)
    dates = Dates(records)
    lines = []
    for record in records:
        if record["kind"] == PAGE:
            continue
        document = line(record, None if start is None else start.tick, -1 if start is None else start.boot)
        document["utc"] = dates.text(record["boot"], record["tick"])
        lines.append(document)
    boots = {record["boot"] for record in records}
    return JournalAccount(
        head=_head(box, start),
        lines=tuple(lines),
        boots=len(boots),
        dated=sum(dates.knows(boot) for boot in boots),
        lost=missing(records) + _sum(records, "lost", "records"),
        may_be_lost=_sum(records, "boot", "may_be_lost"),
    )


def missing(records: Sequence[Record]) -> int:
    """How many records between decoded ones are missing, by their sequence; steps back are none."""
    gaps = [
        (after["sequence"] - before["sequence"] - 1) & journal.MAX_SEQUENCE
        for before, after in pairwise(records)
    ]
    return sum(gap for gap in gaps if gap <= journal.MAX_SEQUENCE // 2)


def _sum(records: Iterable[Record], kind: str, name: str) -> int:
    return sum(record[name] for record in records if record["kind"] == kind)


def believes(box: BoxClient) -> Record:
    """What the box believes of itself, as a journal's first line says it; monitor: it measures its bank."""
    facts = box.facts()
    return {
        "kind": "box",
        "board": facts.board,
        "own_ma": facts.own_ua / 1000,
        "channels_ns": list(facts.channels_ns),
        "monitor": box.has_monitor(),
    }


def _head(box: BoxClient, start: LastRun | None) -> Record:
    """The file's first line: what the box believes of itself, and which run is the file's zero."""
    head = {**believes(box), "serial": box.idn().serial}
    if start is None:
        return head
    head |= {"slot": start.slot, "run": start.run, "run_start_boot": start.boot, "run_start_tick": start.tick}
    try:
        stored = programs.unpack(box.program(start.slot))
    except RefusedError as refused:
        if refused.code != EMPTY_SLOT:
            raise
        return head
    return head | {"profile": stored.name, "seed": programs.numbers(stored)["seed"]}

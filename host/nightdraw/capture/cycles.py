"""A journal's run in its power cycles: from each start, the first or after a power loss, to the next or the
end.

Every power-up has a clock of its own, so each power cycle counts from its own zero: the instant at which the
run would have begun to be where it is. Records go in and come out; what they mean is told in journal.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from boxcore.program import TICKS_PER_S

Record = dict[str, Any]

AGAIN = "resume"  # an arm by the box's own resume rule goes on with the run
GONE = ("gone",)  # the supply went away, the processor lived on: the next start says where the run is


@dataclass(frozen=True)
class Cycle:
    """records: with t_s from the power cycle's zero; from_s: where in the run it starts (0 unless it
    continues); boot; boot_s: its power-up on that clock; zero_at_s: its zero on the recording's (None: not
    known); cut: the power went away at an instant that no record tells, some time after the last one; order:
    its place in the run."""

    records: tuple[Record, ...]
    from_s: float = 0.0
    boot: int | None = None
    zero_at_s: float | None = None
    boot_s: float | None = None
    cut: bool = False
    order: int = 0

    @property
    def boot_at_s(self) -> float | None:
        """Its power-up on the recording's clock."""
        if self.zero_at_s is None or self.boot_s is None:
            return None
        return self.zero_at_s + self.boot_s


ONE_CYCLE = Cycle(())


@dataclass(frozen=True)
class _Start:
    place: int
    boot: int
    zero: int
    position: int


def split(head: Record, records: Sequence[Record]) -> tuple[list[Cycle], int]:
    """The power cycles of the run that the head names, in order, and which of them is the head's own.

    Records without boots (or a start) are one power cycle, counting as they say.
    """
    starts = _starts(records)
    own = _own(head, records, starts)
    if own is None:
        return [Cycle(tuple(records), zero_at_s=head.get("start_at_s"))], 0
    first, last = _same_run(records, starts, own)
    run = starts[first : last + 1]
    stop = _next_arm(records, run[-1].place)
    ends = [start.place for start in run[1:]] + [stop]
    found = [
        replace(_cycle(head, records, start, end, own), order=k)
        for k, (start, end) in enumerate(zip(run, ends, strict=True))
    ]
    return found, run.index(own)


def _starts(records: Sequence[Record]) -> list[_Start]:
    return [
        _Start(place, said["boot"], said["tick"] - said["position"], said["position"])
        for place, said in enumerate(records)
        if said["kind"] == "start" and {"boot", "tick", "position"} <= said.keys()
    ]


def _own(head: Record, records: Sequence[Record], starts: list[_Start]) -> _Start | None:
    """The start that is the file's zero: by boot and tick, else the one at t_s 0."""
    zero, boot = head.get("run_start_tick"), head.get("run_start_boot")
    if boot is None:
        boot = next((said.get("boot") for said in records if said.get("t_s") is not None), None)
    return next((start for start in starts if (start.boot, start.zero) == (boot, zero)), None)


def _arms(said: Record) -> bool:
    return said["kind"] == "arm" and said.get("by") != AGAIN


def _next_arm(records: Sequence[Record], place: int) -> int:
    return next((k for k in range(place, len(records)) if _arms(records[k])), len(records))


def _same_run(records: Sequence[Record], starts: list[_Start], own: _Start) -> tuple[int, int]:
    """First and last start that no arm by hand divides from the head's own."""
    first = last = starts.index(own)
    while first and not any(_arms(said) for said in records[starts[first - 1].place : starts[first].place]):
        first -= 1
    while last + 1 < len(starts) and _next_arm(records, starts[last].place) > starts[last + 1].place:
        last += 1
    return first, last


def _cycle(head: Record, records: Sequence[Record], start: _Start, end: int, own: _Start) -> Cycle:
    """The records from a start on; those of its boot that came before it have times before the zero."""
    since = start.place
    while since and records[since - 1].get("boot") == start.boot and records[since - 1]["kind"] != "start":
        since -= 1
    mine = [said for said in records[since:end] if said.get("boot") == start.boot]
    position_s = start.position / TICKS_PER_S
    zero_at_s = None
    if "at_s" in records[start.place]:
        zero_at_s = records[start.place]["at_s"] - position_s
    elif "start_at_s" in head and start.boot == own.boot:
        zero_at_s = head["start_at_s"] + (start.zero - own.zero) / TICKS_PER_S
    later = any(said.get("boot") != start.boot for said in records[since:end])
    return Cycle(
        records=tuple({**said, "t_s": (said["tick"] - start.zero) / TICKS_PER_S} for said in mine),
        from_s=position_s,
        boot=start.boot,
        zero_at_s=zero_at_s,
        boot_s=-start.zero / TICKS_PER_S,
        cut=later and not any(said["kind"] in GONE for said in mine),
    )

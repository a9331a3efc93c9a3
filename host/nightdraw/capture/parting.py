"""A run's stints each against the recording, in the order in which their places can be known.

Without a power loss there is one. What lies between two stints belongs to none of them: the box was off, and
what it did after its last record nobody knows.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from boxcore import program as pg

from nightdraw.capture import accounts, against, trial
from nightdraw.capture import differences as df
from nightdraw.capture.accounts import Course, Did
from nightdraw.capture.align import Clock, Spot
from nightdraw.capture.company import Circuit
from nightdraw.capture.differences import Difference
from nightdraw.capture.faults import Diagnosis
from nightdraw.capture.journaled import asked_and_did, flagged
from nightdraw.capture.sight import Sight

AHEAD_S = 600.0  # a recording may begin this long after the run's start when nothing but the profile is known
TICK_S = 1 / pg.TICKS_PER_S
LEAST_MATCHED = 8  # edges: four pulses of a power-up whose place no clock tells


@dataclass(frozen=True)
class Asked:
    """What was asked: a program, the run's number (from 1) and the box's own consumption."""

    plan: pg.Program
    run: int
    own_ua: int

    def course(self, end_s: float, from_s: float = 0.0) -> Course:
        """The levels to end_s or to the program's own limit, from from_s of the run on."""
        course = accounts.asked(self.plan, self.run, self.own_ua, end_s)
        return course.since(from_s) if from_s else course

    def beside(self, did: Did, end_s: float) -> Course:
        """What was asked until end_s, or until the journal says that one of the profile's limits was
        reached."""
        stop = did.stopped()
        end_s = min(end_s, stop.t_s) if stop is not None and stop.kind == "end" else end_s
        return self.course(max(end_s, TICK_S), did.stint.from_s)


@dataclass(frozen=True)
class Part:
    """One stint against the recording. rows, the first about the broken channel if there is one; told: the
    recording can speak about it; placed: it lies in the recording."""

    clock: Clock
    did: Did | None
    asked: Course | None = None
    rows: tuple[Difference, ...] = ()
    notes: tuple[str, ...] = ()
    told: bool = False
    placed: bool = False
    broken: Diagnosis | None = None

    @property
    def span_s(self) -> tuple[float, float]:
        """From when to when it lies in the recording."""
        assert self.did is not None
        course = self.did.course
        first_s, last_s = self.clock.to_recording(np.array([course.t_s[0], course.t_s[-1]]))
        return float(first_s), float(last_s)


def stints_of(did: Did) -> list[Did]:
    """All stints of a run in their order."""
    return sorted((did, *did.others), key=lambda stint: stint.stint.order)


def parts_of(asked: Asked | None, did: Did | None, seen: Sight, circuit: Circuit) -> tuple[list[Part], int]:
    """Each stint against the recording, and which of them is the journal's own. The own comes first: of the
    others it is known then on which side of it they lie."""
    if did is None:
        return [_part(asked, None, seen, circuit, Spot(blind=not circuit.levels))], 0
    stints = stints_of(did)
    own = did.stint.order
    spot = Spot(did.stint.zero_at_s, late=own > 0, blind=not circuit.levels)
    parts = {own: _part(asked, did, seen, circuit, spot)}
    until_s, from_s = parts[own].span_s if parts[own].clock.matched else (np.inf, -np.inf)
    for k in [*range(own - 1, -1, -1), *range(own + 1, len(stints))]:
        zero_s = stints[k].stint.zero_at_s
        between = (-np.inf, until_s) if k < own else (from_s, np.inf)
        there = Spot(zero_s, *between, late=True, blind=spot.blind)
        parts[k] = _part(asked, stints[k], seen, circuit, there, several=True)
        if parts[k].placed and k < own:
            until_s = parts[k].span_s[0]
        elif parts[k].placed:
            from_s = parts[k].span_s[1]
    ordered = [parts[k] for k in range(len(stints))]
    return [
        replace(part, notes=(*part.notes, *_loss_notes(part, after)))
        for part, after in zip(ordered, [*ordered[1:], None], strict=True)
    ], own


def _part(
    asked: Asked | None, did: Did | None, seen: Sight, circuit: Circuit, spot: Spot, several: bool = False
) -> Part:
    scan = seen.pulses.scan
    ahead = _ahead(asked, did, scan.end_s - scan.start_s)
    clock = against.clock_of(ahead, seen.pulses, spot)
    if did is not None and several and spot.zero_s is None and clock.matched < LEAST_MATCHED:
        note = f"power-up {did.stint.boot} of the box has no place in the recording: left out"
        return Part(clock, did, notes=(note,))
    seen = seen.in_current(ahead, clock)
    if not circuit.levels and seen.pulses is seen.raw:
        note = "nothing in these millivolts moves as a current of the box would"
        return Part(clock, did, notes=(note,), placed=True)
    end_s = (scan.end_s - clock.offset_s) / (1 + clock.rate_ppm * 1e-6)
    if did is None:
        assert asked is not None
        course = asked.course(max(end_s, TICK_S))
        return _hold(course, None, seen, clock, circuit)
    last_s = did.course.end_s
    part = _of_journal(asked, did.until(end_s), seen, clock, circuit)
    late = [row for row in part.rows if row.kind == df.EXTRA and row.seen is not None and row.seen > last_s]
    if late and did.stopped() is None:
        part = _of_journal(asked, did.ending(), seen, clock, circuit)
        at_s = float(clock.to_recording(np.array([last_s]))[0])
        note = f"the journal's last record is at {at_s:.3f} s of the recording: later pulses aren't compared"
        part = replace(part, notes=(*part.notes, note))
    return part


def _of_journal(asked: Asked | None, did: Did, seen: Sight, clock: Clock, circuit: Circuit) -> Part:
    """A stint that has its place."""
    more_s = 0.0 if did.stint.cut else TICK_S
    course = None if asked is None else asked.beside(did, did.course.end_s + more_s)
    part = _hold(course, did, seen, clock, circuit)
    if not part.placed and (did.others or did.stint.cut):
        return replace(part, notes=())  # it was too short to show anything
    rows = list(part.rows)
    rows += asked_and_did(course, did) if course is not None else []
    rows += [] if part.broken else flagged(did)
    return replace(part, rows=tuple(rows), notes=(*part.notes, *journal_notes(did)))


def _hold(course: Course | None, did: Did | None, seen: Sight, clock: Clock, circuit: Circuit) -> Part:
    reference = trial.reference_of(course, did)
    found = trial.hold(reference, did, seen.recording, seen.pulses, clock, circuit)
    return Part(
        clock=clock,
        did=did,
        asked=course,
        rows=tuple(found.differences),
        notes=(*found.notes, *seen.notes),
        told=found.told,
        placed=not found.nothing,
        broken=found.broken,
    )


def _ahead(asked: Asked | None, did: Did | None, lasting_s: float) -> Course:
    """What may be in a recording that lasts so long."""
    if did is not None:
        return did.until(did.course.end_s + lasting_s).course
    assert asked is not None
    return asked.course(lasting_s + AHEAD_S)


def rows_of(parts: list[Part]) -> list[Difference]:
    """The rows of all parts; a broken channel is told once, by the part that knows it best, and so is what
    holds for the whole recording."""
    broken = [part for part in parts if part.broken is not None]
    best = min(broken, key=lambda part: len(part.broken.rivals) if part.broken else 0, default=None)
    found: list[Difference] = []
    for part in parts:
        mine = part.rows
        if best is not None and part is not best and part.broken is not None:
            mine = mine[1:] if _same(part.broken, best.broken) else mine
        found += [row for row in mine if row not in found and not _told(row, found, part is best)]
    return found


def _same(one: Diagnosis, other: Diagnosis | None) -> bool:
    return other is not None and other.fault.channel in {f.channel for f in (one.fault, *one.rivals)}


def _told(row: Difference, found: list[Difference], anyway: bool) -> bool:
    once = (df.STUCK_ON, df.OPEN, df.BASE)
    return not anyway and row.kind in once and any(other.kind == row.kind for other in found)


def journal_notes(did: Did) -> Iterator[str]:
    """What the journal says of itself and the run's end."""
    lost = sum(int(event.record.get("records", 0)) for event in did.events if event.kind == "lost")
    if lost:
        lasting_s = float((did.lost.to_s - did.lost.from_s)[:-1].sum())  # the last has no end
        yield f"the journal lost {lost} records: the pulses of {lasting_s:.1f} s can't be held against it"
    stop = did.stopped()
    if stop is not None:
        yield f"the run stopped: {stop.text()}"


def _loss_notes(part: Part, after: Part | None) -> Iterator[str]:
    """What a power loss leaves unknown."""
    did = part.did
    if did is None or after is None or not did.stint.cut:
        return
    last_s = float(part.clock.to_recording(np.array([did.course.end_s]))[0])
    text = f"power off: the box's last record before it is at {last_s:.3f} s of the recording"
    boot_at_s = None if after.did is None else after.did.stint.boot_at_s
    if boot_at_s is not None:
        text += f", its next power-up at {boot_at_s:.3f} s"
    yield f"{text}; what it did after that record is held against nothing"

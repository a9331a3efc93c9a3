"""Asked, did and seen of one run held side by side: the one door to a comparison.

Any two accounts will do. The journal, where there is one, is what the recording is held against, and what was
asked is held against the journal; without a journal the recording is held against what was asked. Agreement
needs coverage: of the edges that lie in the recording nine in ten must be judged.

A run's power cycles are taken in the order in which their places can be known. For each: the place (align),
then what `holding` finds there. What lies between two power cycles belongs to none of them: the box was off,
and what it did after its last record nobody knows.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from nightdraw.capture import differences as df
from nightdraw.capture.accounts import TICK_S, Account, Asked
from nightdraw.capture.align import Piece, Spot, align
from nightdraw.capture.asked_did import asked_and_did, ended, flagged
from nightdraw.capture.base import source_text
from nightdraw.capture.current import Current
from nightdraw.capture.differences import Difference
from nightdraw.capture.faults import Diagnosis
from nightdraw.capture.foreign import BETWEEN_S
from nightdraw.capture.holding import Holding, Part
from nightdraw.capture.instrument import PERFECT, Instrument
from nightdraw.capture.journal import Did
from nightdraw.capture.loads import Loads, loads_of
from nightdraw.capture.place import NO_CLOCK, Clock
from nightdraw.capture.pulses import Pulses
from nightdraw.capture.read import CURRENT_NAMES, MILLIVOLT, Recording
from nightdraw.capture.view import Prior
from nightdraw.errors import CannotTellError, InputError
from nightdraw.vehicle import Vehicle
from nightdraw.vehicle.script import EMPTY, Script

__all__ = ["Asked", "Comparison", "Place", "check_given", "compare"]

AHEAD_S = 600.0  # a recording may begin this long after the run's start when nothing but the profile is known
MOST_RIVALS = 6  # places that fit as well and are tried
LEAST_MATCHED = 8  # edges: four pulses of a power-up whose place no clock tells
NEVER = "the run never began: the journal has no start of it"


@dataclass(frozen=True)
class Place:
    """Where a recording was made. shared: other loads hang on the circuit (None: not said, the journal or the
    channel's name tells); channels: how many the file has; ohms: what a channel of millivolts is across;
    monitored: the box is known to compare its bank's current itself; vehicle, script: the circuit's own loads
    and what was done to them, from the recording's zero on."""

    shared: bool | None = None
    channels: int = 1
    ohms: float | None = None
    monitored: bool = False
    vehicle: Vehicle | None = None
    script: Script = EMPTY

    def loads(self, recording: Recording, until_s: float) -> Loads | None:
        """What the vehicle's own loads do up to an instant of the recording; None without its file."""
        return (
            None if self.vehicle is None else loads_of(self.vehicle, self.script, recording.channel, until_s)
        )

    def is_shared(self, recording: Recording, splice: str | None) -> bool:
        """Whether a recording is of a vehicle's circuit: it was said, or the journal names a splice, or the
        channel was chosen among several, or it has another name than just "current" or is a voltage."""
        if self.shared is not None:
            return self.shared
        if self.vehicle is not None:
            return True
        named = recording.channel.lower() not in CURRENT_NAMES
        return splice is not None or self.channels > 1 or named or recording.unit == MILLIVOLT


@dataclass(frozen=True)
class Comparison:
    """agree: None where it can't be told; clock: None without a recording; notes: what a reader should know;
    coverage_pct: share of the run's edges that was judged; levels: False where the recording's can't be held
    against anything; instrument: what recorder and clamp did; asked, did, seen: each account's pulses and
    levels as they were compared, None where it wasn't given."""

    agree: bool | None
    differences: tuple[Difference, ...]
    clock: Clock | None
    notes: tuple[str, ...]
    asked: Account | None
    did: Account | None
    seen: Pulses | None
    levels: bool = True
    coverage_pct: float = 0.0
    instrument: Instrument = PERFECT

    def document(self) -> dict[str, object]:
        """The contract's keys, and coverage_pct, levels_compared, instrument and notes."""
        clock = self.clock
        unknown = clock is not None and not clock.matched
        return {
            "agree": self.agree,
            "differences": [difference.document() for difference in self.differences],
            "clock": {
                "offset_s": None if unknown else round(clock.offset_s, 6) if clock else 0.0,
                "rate_ppm": None if unknown else round(clock.rate_ppm, 3) if clock else 0.0,
            },
            "coverage_pct": round(self.coverage_pct, 2),
            "levels_compared": self.levels,
            "instrument": self.instrument.document(),
            "notes": list(self.notes),
        }

    def text(self) -> str:
        """For people."""
        agreed = "the accounts agree" if self.levels else "the accounts agree in instants and durations"
        verdict = {True: agreed, False: "the accounts differ", None: "can't tell"}[self.agree]
        lines = [
            f"{row.kind}{f' (pulse {row.pulse})' if row.pulse else ''}: {row.message}"
            for row in self.differences
        ]
        if self.clock is not None and self.clock.matched:
            clock = self.clock
            lines.append(
                f"the run began {clock.offset_s:.4f} s into the recording, whose clock differs by "
                f"{round(clock.rate_ppm, 1) + 0.0:+.1f} ppm from the box's (from {clock.matched} edges)"
            )
        lines.append(f"coverage {self.coverage_pct:.1f} % of the run's edges")
        return "\n".join([*lines, *(f"note: {note}" for note in self.notes), verdict])


def check_given(*accounts: object) -> None:
    """Raise InputError where fewer than two accounts are given (the rest None)."""
    if sum(account is not None for account in accounts) < 2:
        raise InputError("two of --profile, --journal and --recording are needed to compare")


def compare(
    asked: Asked | None, did: Did | None, recording: Recording | None, place: Place = Place()
) -> Comparison:
    """Compare the accounts that are given, at least two; raises InputError for fewer.

    A recording that is too short or too noisy to be held against anything gives agree None.
    """
    check_given(asked, did, recording)
    if did is not None and not did.began:
        return _never(did)
    if recording is None:
        return _held(asked, did, None, Prior())
    shared = place.is_shared(recording, None if did is None else did.splice)
    try:
        seen = Current.of(recording, place.ohms)
    except CannotTellError as error:
        notes = tuple(finding.text() for finding in error.findings)
        if did is not None and shared and did.fed.any():  # what charges a battery turns its clamp's current
            notes = (source_text(did),)
        return Comparison(None, (), NO_CLOCK, notes, None, None, None)
    loads = place.loads(recording, seen.seen.end_s) if shared else None
    return _held(asked, did, seen, Prior(shared, seen.levels, place.monitored, loads))


def _never(did: Did) -> Comparison:
    """A journal without a run in it: nothing was done, so nothing can differ."""
    by_hand = [f"a level by hand: {event.text()}" for event in did.events if event.kind == "level"]
    return Comparison(None, (), NO_CLOCK, (NEVER, *by_hand), None, did.account, None)


def _held(asked: Asked | None, did: Did | None, seen: Current | None, prior: Prior) -> Comparison:
    """The accounts against each other, one power cycle after the other."""
    parts, own = _parts_of(asked, did, seen, prior)
    rows = _rows_of(parts)
    placed = [part for part in parts if part.placed]
    main = parts[own]
    told = bool(placed) and all(part.told for part in placed) and not main.instrument.inverted
    remarks = (*main.instrument.remarks(), *(() if seen is None else seen.recording.notes))
    notes = dict.fromkeys([*remarks, *(note for part in parts for note in part.notes)])
    edges = sum(part.edges for part in parts)
    covered = sum(part.judged for part in parts) / edges if edges else float(bool(placed))
    return Comparison(
        agree=False if rows else (True if told else None),
        differences=tuple(df.capped(rows)),
        clock=None if seen is None else main.clock,
        notes=tuple(notes),
        asked=main.asked,
        did=None if main.did is None else main.did.account,
        seen=None if seen is None else seen.raw,
        levels=prior.levels,
        coverage_pct=100 * covered,
        instrument=main.instrument,
    )


def _parts_of(
    asked: Asked | None, did: Did | None, seen: Current | None, prior: Prior
) -> tuple[list[Part], int]:
    """Each power cycle against the recording, where there is one, and which of them is the journal's own. The
    own comes first: of the others it is known then on which side of it they lie."""
    if seen is None:
        assert asked is not None
        assert did is not None
        return [_unseen(asked, cycle) for cycle in did.cycles], did.cycle.order
    blind = not prior.levels
    if did is None:
        return [_PowerCycle(asked, None, seen, prior).part(Spot(blind=blind))], 0
    cycles = did.cycles
    own = did.cycle.order
    parts = {
        own: _PowerCycle(asked, did, seen, prior).part(Spot(did.cycle.zero_at_s, late=own > 0, blind=blind))
    }
    until_s, from_s = parts[own].span_s if parts[own].clock.matched else (np.inf, -np.inf)
    for k in [*range(own - 1, -1, -1), *range(own + 1, len(cycles))]:
        zero_s = cycles[k].cycle.zero_at_s
        between = (-np.inf, until_s) if k < own else (from_s, np.inf)
        spot = Spot(zero_s, *between, late=True, blind=blind)
        parts[k] = _PowerCycle(asked, cycles[k], seen, prior, several=True).part(spot)
        if parts[k].placed and k < own:
            until_s = parts[k].span_s[0]
        elif parts[k].placed:
            from_s = parts[k].span_s[1]
    ordered = [parts[k] for k in range(len(cycles))]
    for part, after in zip(ordered, [*ordered[1:], None], strict=True):
        part.notes += _loss_notes(part, after)
    return ordered, own


def _unseen(asked: Asked, did: Did) -> Part:
    """A power cycle of which there is no recording: what was asked against the journal alone."""
    did = did.until(did.account.end_s + TICK_S)  # the last level lasts, if only for a tick
    wanted = _until(asked, did, did.account.end_s)
    rows = [*asked_and_did(wanted, did), *flagged(did)]
    edges = len(did.account.t_s)
    notes = list(_journal_notes(did))
    return Part(NO_CLOCK, did, wanted, rows, notes, told=True, placed=True, edges=edges, judged=edges)


@dataclass(frozen=True)
class _PowerCycle:
    """A power cycle that is looked for in a recording; several: the run's others may lie there too."""

    asked: Asked | None
    did: Did | None
    seen: Current
    prior: Prior
    several: bool = False

    def part(self, spot: Spot) -> Part:
        """At the best place."""
        whole = self.seen.seen
        ahead = _ahead(self.asked, self.did, whole.end_s - whole.start_s)
        span_s = (max(whole.start_s, spot.from_s), min(whole.end_s, spot.until_s))
        pieces = align(ahead.edges(), self.seen.edges(spot), span_s, whole.interval_s, spot)
        known = self._journaled(pieces, span_s[1])
        part = self._at(ahead, known)
        if len(known) < len(pieces):  # a box that goes on, a run begun anew or a cut: the journal ends before
            part.told = False
            part.notes.append(f"{self._read_early(pieces[0].clock)}, read the journal after the recording")
        # an even train fits as well elsewhere: what is told must hold at every such place, but for those by
        # which the run would begin behind another of its pieces
        begun_s = min((p.clock.to_recording(p.first_s) for p in known[1:]), default=np.inf)
        last_s = max((p.clock.to_recording(p.last_s) for p in pieces[1:]), default=-np.inf)
        rivals = [clock for clock in known[0].rivals if clock.offset_s <= begun_s]
        for clock in rivals[:MOST_RIVALS] if part.rows else ():
            other = self._at(ahead, [Piece(clock, *span_s, -np.inf, np.inf)])
            if not other.told or other.rows:
                continue
            # nor is anything agreed to by which the run would end ahead of another of its pieces
            end_s = clock.to_recording(float(ahead.t_s[-1]))
            if end_s < last_s - BETWEEN_S:
                other.told = False
                other.notes.append(
                    f"the run may as well lie elsewhere and end at {end_s:.3f} s of the recording, but edges "
                    f"like its own come until {last_s:.3f} s"
                )
            return other
        return part

    def _journaled(self, pieces: list[Piece], end_s: float) -> list[Piece]:
        """The pieces that the journal tells of: a box that goes on after its journal was read makes more, and
        an even train's are like those before."""
        main, did = pieces[0], self.did
        if did is None or did.stopped() is not None or did.others or self.several:
            return pieces
        last_s = main.clock.to_recording(did.account.end_s)
        known = [main, *(p for p in pieces[1:] if p.clock.to_recording(p.first_s) <= last_s)]
        latest = max(known, key=lambda piece: piece.from_s)
        return [replace(p, until_s=end_s) if p is latest else p for p in known]

    def _read_early(self, clock: Clock) -> str:
        """For people, of a journal that ends before the recording does."""
        assert self.did is not None
        at_s = clock.to_recording(self.did.account.end_s)
        return f"the journal's last record is at {at_s:.3f} s of the recording: later pulses aren't compared"

    def _at(self, ahead: Account, pieces: list[Piece]) -> Part:
        """At one place."""
        did, whole, clock = self.did, self.seen.seen, pieces[0].clock
        if did is not None and self.several and did.cycle.zero_at_s is None and clock.matched < LEAST_MATCHED:
            note = f"power-up {did.cycle.boot} of the box has no place in the recording: left out"
            return Part(clock, did, notes=[note])
        in_ma = self.seen.in_current(ahead, clock)
        if not self.prior.levels and in_ma.pulses is self.seen.raw:
            note = "nothing in these millivolts moves as a current of the box would"
            return Part(clock, did, notes=[note], placed=True)
        if did is not None and (did.others or self.several):
            pieces = [replace(pieces[0], from_s=whole.start_s, until_s=whole.end_s)]
        end_s = max(piece.clock.to_run(piece.until_s) for piece in pieces)
        if did is None:
            assert self.asked is not None
            return Holding(self.asked.account(max(end_s, TICK_S)), None, in_ma, pieces, self.prior).part()
        part = self._against(did.until(end_s), in_ma, pieces)
        at_s = pieces[0].clock.to_recording(did.account.end_s)
        late = any(row.kind == df.EXTRA and row.seen is not None and row.seen > at_s for row in part.rows)
        if late and did.stopped() is None:
            part = self._against(did.ending(), in_ma, pieces)
            part.notes.append(self._read_early(pieces[0].clock))
        return part

    def _against(self, did: Did, seen: Current, pieces: list[Piece]) -> Part:
        """By its journal, as long as that lasts here."""
        more_s = 0.0 if did.cycle.cut else TICK_S
        wanted = None if self.asked is None else _until(self.asked, did, did.account.end_s + more_s)
        part = Holding(wanted, did, seen, pieces, self.prior).part()
        if not part.placed and (did.others or did.cycle.cut):
            part.notes = []  # it was too short to show anything
            return part
        part.rows += list(asked_and_did(wanted, did)) if wanted is not None else []
        part.rows += [] if part.found.accused else list(flagged(did))
        part.notes += _journal_notes(did)
        return part


def _until(asked: Asked, did: Did, end_s: float) -> Account:
    """What was asked until end_s, or until the journal says that it was to end."""
    return asked.account(max(min(end_s, ended(did)), TICK_S), did.cycle.from_s)


def _ahead(asked: Asked | None, did: Did | None, lasting_s: float) -> Account:
    """What may be in a recording that lasts so long."""
    if did is not None:
        return did.until(did.account.end_s + lasting_s).account
    assert asked is not None
    return asked.account(lasting_s + AHEAD_S)


def _rows_of(parts: list[Part]) -> list[Difference]:
    """The rows of all parts; a broken channel is told once, by the part that knows it best, and so is what
    holds for the whole recording."""
    broken = [part for part in parts if part.found.accused]
    best = min(broken, key=lambda part: len(part.found.rivals), default=None)
    found: list[Difference] = []
    for part in parts:
        mine = part.rows
        if best is not None and part is not best and part in broken:
            mine = mine[1:] if _same(part.found, best.found) else mine
        found += [row for row in mine if row not in found and not _told(row, found, part is best)]
    return found


def _same(one: Diagnosis, other: Diagnosis) -> bool:
    if one.fault is None or other.fault is None:
        return False
    return other.fault.channel in {fault.channel for fault in (one.fault, *one.rivals)}


def _told(row: Difference, found: list[Difference], anyway: bool) -> bool:
    once = (df.STUCK_ON, df.OPEN, df.BASE)
    return not anyway and row.kind in once and any(other.kind == row.kind for other in found)


def _journal_notes(did: Did) -> Iterator[str]:
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
    if did is None or after is None or not did.cycle.cut:
        return
    last_s = part.clock.to_recording(did.account.end_s)
    text = f"power off: the box's last record before it is at {last_s:.3f} s of the recording"
    boot_at_s = None if after.did is None else after.did.cycle.boot_at_s
    if boot_at_s is not None:
        text += f", its next power-up at {boot_at_s:.3f} s"
    yield f"{text}; what it did after that record is held against nothing"

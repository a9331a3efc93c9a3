"""Asked, did and seen of one run held side by side: the one door to a comparison.

Any two accounts will do. The journal, where there is one, is what the recording is held against, and what was
asked is held against the journal; without a journal the recording is held against what was asked. Agreement
needs coverage: of the edges that lie in the recording nine in ten must be judged.
"""

from __future__ import annotations

from dataclasses import dataclass

from nightdraw.capture import differences as df
from nightdraw.capture import recorded
from nightdraw.capture.accounts import Account, Asked
from nightdraw.capture.base import source_text
from nightdraw.capture.current import Current
from nightdraw.capture.differences import Difference
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
    parts, own = recorded.parts_of(asked, did, seen, prior)
    rows = recorded.rows_of(parts)
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

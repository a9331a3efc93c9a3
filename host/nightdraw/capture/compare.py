"""Asked, did and seen of one run held side by side: the one door to a comparison.

Any two accounts will do. The journal, where there is one, is what the recording is held against, and what was
asked is held against the journal; without a journal the recording is held against what was asked.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from nightdraw.capture import differences as df
from nightdraw.capture import parting
from nightdraw.capture.accounts import Course, Did
from nightdraw.capture.align import Clock
from nightdraw.capture.company import Circuit, is_shared
from nightdraw.capture.differences import Difference
from nightdraw.capture.journaled import asked_and_did, flagged
from nightdraw.capture.parting import TICK_S, Asked
from nightdraw.capture.pulses import Pulses
from nightdraw.capture.read import Recording
from nightdraw.capture.sight import Sight
from nightdraw.errors import CannotTellError, InputError

__all__ = ["Asked", "Comparison", "Place", "check_given", "compare"]


@dataclass(frozen=True)
class Place:
    """Where a recording was made. shared: other loads hang on the circuit (None: not said, the journal or the
    channel's name tells); channels: how many the file has; ohms: what a channel of millivolts is across;
    monitored: the box is known to compare its bank's current itself."""

    shared: bool | None = None
    channels: int = 1
    ohms: float | None = None
    monitored: bool = False


@dataclass(frozen=True)
class Comparison:
    """agree: None where it can't be told; clock: None without a recording; notes: what a reader should know;
    levels: False where the recording's can't be held against anything; asked, did, seen: each account's
    pulses and levels as they were compared, None where it wasn't given."""

    agree: bool | None
    differences: tuple[Difference, ...]
    clock: Clock | None
    notes: tuple[str, ...]
    asked: Course | None
    did: Course | None
    seen: Pulses | None
    levels: bool = True

    def document(self) -> dict[str, object]:
        """The contract's keys."""
        clock = self.clock
        unknown = clock is not None and not clock.matched
        return {
            "agree": self.agree,
            "differences": [difference.document() for difference in self.differences],
            "clock": {
                "offset_s": None if unknown else round(clock.offset_s, 6) if clock else 0.0,
                "rate_ppm": None if unknown else round(clock.rate_ppm, 3) if clock else 0.0,
            },
            "levels_compared": self.levels,
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
    if recording is None:
        assert asked is not None
        assert did is not None
        return _by_journal(asked, did)
    try:
        seen = Sight.of(recording, place.ohms)
    except CannotTellError as error:
        notes = tuple(finding.text() for finding in error.findings)
        return Comparison(None, (), Clock(0.0, 0.0, 0, 0.0, 0), notes, None, None, None)
    shared = place.shared
    if shared is None:
        shared = is_shared(recording, None if did is None else did.splice, place.channels)
    circuit = replace(seen.circuit, shared=shared, monitored=place.monitored)
    return _with_recording(asked, did, seen, circuit)


def _with_recording(asked: Asked | None, did: Did | None, seen: Sight, circuit: Circuit) -> Comparison:
    parts, own = parting.parts_of(asked, did, seen, circuit)
    rows = parting.rows_of(parts)
    placed = [part for part in parts if part.placed]
    told = bool(placed) and all(part.told for part in placed)
    notes = dict.fromkeys([*seen.recording.notes, *(note for part in parts for note in part.notes)])
    main = parts[own]
    return Comparison(
        agree=False if rows else (True if told else None),
        differences=tuple(df.capped(rows)),
        clock=main.clock,
        notes=tuple(notes),
        asked=main.asked,
        did=None if main.did is None else main.did.course,
        seen=seen.raw,
        levels=seen.circuit.levels,
    )


def _by_journal(asked: Asked, did: Did) -> Comparison:
    rows: list[Difference] = []
    courses = []
    stints = [stint.until(stint.course.end_s + TICK_S) for stint in parting.stints_of(did)]
    for stint in stints:  # the last level lasts, if only for a tick
        course = asked.beside(stint, stint.course.end_s)
        rows += [*asked_and_did(course, stint), *flagged(stint)]
        courses.append(course)
    found = tuple(df.capped(rows))
    own = stints.index(next(s for s in stints if s.stint == did.stint))
    notes = tuple(note for stint in stints for note in parting.journal_notes(stint))
    return Comparison(not found, found, None, notes, courses[own], stints[own].course, None)

"""Asked, did and seen of one run held side by side: the one door to a comparison.

Any two accounts will do. The journal, where there is one, is what the recording is held against, and what was
asked is held against the journal; without a journal the recording is held against what was asked.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from boxcore import program as pg

from nightdraw.capture import accounts, against, trial
from nightdraw.capture import differences as df
from nightdraw.capture.accounts import Course, Did
from nightdraw.capture.align import Clock
from nightdraw.capture.differences import Difference
from nightdraw.capture.journaled import asked_and_did, flagged
from nightdraw.capture.pulses import Pulses, measure
from nightdraw.capture.reading import Recording
from nightdraw.errors import CannotTellError, InputError

AHEAD_S = 600.0  # a recording may begin this long after the run's start when nothing but the profile is known
TICK_S = 1 / pg.TICKS_PER_S


@dataclass(frozen=True)
class Asked:
    """What was asked: a program, the run's number (from 1) and the box's own consumption."""

    plan: pg.Program
    run: int
    own_ua: int

    def course(self, end_s: float) -> Course:
        """The levels from the run's start to end_s or to the program's own limit."""
        return accounts.asked(self.plan, self.run, self.own_ua, end_s)


@dataclass(frozen=True)
class Comparison:
    """agree: None where it can't be told; clock: None without a recording; notes: what a reader should know;
    asked, did, seen: each account's pulses and levels as they were compared, None where it wasn't given."""

    agree: bool | None
    differences: tuple[Difference, ...]
    clock: Clock | None
    notes: tuple[str, ...]
    asked: Course | None
    did: Course | None
    seen: Pulses | None

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
            "notes": list(self.notes),
        }

    def text(self) -> str:
        """For people."""
        verdict = {True: "the accounts agree", False: "the accounts differ", None: "can't tell"}[self.agree]
        lines = [
            f"{row.kind}{f' (pulse {row.pulse})' if row.pulse else ''}: {row.message}"
            for row in self.differences
        ]
        if self.clock is not None and self.clock.matched:
            clock = self.clock
            lines.append(
                f"the run began {clock.offset_s:.4f} s into the recording, whose clock differs by "
                f"{clock.rate_ppm:+.1f} ppm from the box's (from {clock.matched} edges)"
            )
        return "\n".join([*lines, *(f"note: {note}" for note in self.notes), verdict])


def check_given(*accounts: object) -> None:
    """Raise InputError where fewer than two accounts are given (the rest None)."""
    if sum(account is not None for account in accounts) < 2:
        raise InputError("two of --profile, --journal and --recording are needed to compare")


def compare(asked: Asked | None, did: Did | None, recording: Recording | None) -> Comparison:
    """Compare the accounts that are given, at least two; raises InputError for fewer.

    A recording that is too short or too noisy to be held against anything gives agree None.
    """
    check_given(asked, did, recording)
    if recording is None:
        assert asked is not None
        assert did is not None
        did = did.until(did.course.end_s + TICK_S)  # the last level lasts, if only for a tick
        course = _asked_beside(asked, did, did.course.end_s)
        found = tuple(df.capped([*asked_and_did(course, did), *flagged(did)]))
        return Comparison(not found, found, None, tuple(_journal_notes(did)), course, did.course, None)
    try:
        pulses = measure(recording)
    except CannotTellError as error:
        notes = tuple(finding.text() for finding in error.findings)
        return Comparison(None, (), Clock(0.0, 0.0, 0, 0.0, 0), notes, None, None, None)
    return _with_recording(asked, did, recording, pulses)


def _with_recording(asked: Asked | None, did: Did | None, recording: Recording, pulses: Pulses) -> Comparison:
    scan = pulses.scan
    lasting_s = scan.end_s - scan.start_s
    if did is not None:
        ahead = did.until(did.course.end_s + lasting_s).course
    else:
        assert asked is not None
        ahead = asked.course(lasting_s + AHEAD_S)
    clock = against.clock_of(ahead, pulses)
    end_s = (scan.end_s - clock.offset_s) / (1 + clock.rate_ppm * 1e-6)
    did = None if did is None else did.until(end_s)
    course = None
    if asked is not None:
        course = (
            asked.course(max(end_s, TICK_S))
            if did is None
            else _asked_beside(asked, did, did.course.end_s + TICK_S)
        )
    found = trial.hold(trial.reference_of(course, did), did, recording, pulses, clock)
    rows = list(found.differences)
    if did is not None:
        rows += asked_and_did(course, did) if course is not None else []
        rows += [] if found.broken else flagged(did)
    notes = [*recording.notes, *found.notes, *(_journal_notes(did) if did is not None else [])]
    agree = False if rows else (True if found.told else None)
    done = None if did is None else did.course
    return Comparison(agree, tuple(df.capped(rows)), clock, tuple(notes), course, done, pulses)


def _asked_beside(asked: Asked, did: Did, end_s: float) -> Course:
    """What was asked until end_s, or until the journal says that one of the profile's limits was reached."""
    stop = did.stopped()
    return asked.course(min(end_s, stop.t_s) if stop is not None and stop.kind == "end" else end_s)


def _lasting(did: Did) -> str:
    return f"{float((did.lost.to_s - did.lost.from_s)[:-1].sum()):.1f}"  # the last has no end


def _journal_notes(did: Did) -> Iterator[str]:
    lost = sum(int(event.record.get("records", 0)) for event in did.events if event.kind == "lost")
    if lost:
        yield f"the journal lost {lost} records: the pulses of {_lasting(did)} s can't be held against it"
    stop = did.stopped()
    if stop is not None:
        yield f"the run stopped: {stop.text()}"

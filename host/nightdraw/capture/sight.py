"""A recording and its pulses in milliamperes, whatever the recording is in: what a comparison looks at.

Millivolts become milliamperes by a resistance that is given, or by the one that the box's own edges show; by
the latter levels say nothing, for they were used up to find it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from nightdraw.capture import against, volts
from nightdraw.capture.accounts import Course
from nightdraw.capture.align import REACH_S, Clock
from nightdraw.capture.company import Circuit
from nightdraw.capture.pulses import Pulses, measure
from nightdraw.capture.read import MILLIVOLT, Recording
from nightdraw.errors import InputError


@dataclass(frozen=True)
class Sight:
    """recording, pulses: as they are compared; raw: the pulses in the recording's own unit; circuit: what is
    known of its levels; notes: what a reader should know."""

    recording: Recording
    pulses: Pulses
    raw: Pulses
    circuit: Circuit
    notes: tuple[str, ...] = ()

    @classmethod
    def of(cls, recording: Recording, ohms: float | None = None) -> Sight:
        """Measure a recording; ohms: what millivolts are across. Raises CannotTellError as measure() does,
        InputError for a resistance of nothing, or for a current."""
        if ohms is not None and recording.unit != MILLIVOLT:
            raise InputError(f"--ohms is for a channel of millivolts, {recording.channel!r} is a current")
        if ohms is not None and ohms <= 0:
            raise InputError("--ohms must be more than nothing")
        raw = measure(recording)
        if recording.unit != MILLIVOLT:
            return cls(recording, raw, raw, Circuit())
        if ohms is None:
            return cls(recording, raw, raw, Circuit(levels=False))
        current = volts.as_current(recording, ohms)
        return cls(current, raw.times(1 / ohms, "mA"), raw, Circuit())

    def in_current(self, course: Course, clock: Clock) -> Sight:
        """Millivolts of an unknown resistance as currents by a course's edges; the same where none meet."""
        if self.circuit.levels:
            return self
        known, seen = against.edges_known(course), against.edges_seen(self.raw)
        ohms = volts.resistance(known, seen, clock, REACH_S + 2 * self.raw.scan.interval_s)
        if ohms is None:
            return self
        note = (
            f"millivolts: instants and durations are compared, levels are not (if they are right, "
            f"{ohms * 1e3:.2f} milliohm were measured across: give it with --ohms to compare levels)"
        )
        current = volts.as_current(self.recording, ohms)
        return replace(self, recording=current, pulses=self.raw.times(1 / ohms, "mA"), notes=(note,))

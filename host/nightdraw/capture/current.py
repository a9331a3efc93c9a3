"""A recording as a comparison looks at it: in milliamperes, whatever it is in.

Millivolts become milliamperes by a resistance that is given, or by the one that the box's own edges show; by
the latter levels say nothing, for they were used up to find it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from nightdraw.capture import accounts, volts
from nightdraw.capture.accounts import Account, Edges
from nightdraw.capture.align import Spot
from nightdraw.capture.place import REACH_S, Clock
from nightdraw.capture.pulses import Pulses, measure
from nightdraw.capture.read import MILLIVOLT, Recording
from nightdraw.capture.scanview import ScanView as Scan
from nightdraw.errors import InputError


@dataclass(frozen=True)
class Current:
    """recording, pulses: as they are compared; raw: the pulses in the recording's own unit; levels: False
    where its levels are currents but for a factor; notes: what a reader should know."""

    recording: Recording
    pulses: Pulses
    raw: Pulses
    levels: bool = True
    notes: tuple[str, ...] = ()

    @classmethod
    def of(cls, recording: Recording, ohms: float | None = None) -> Current:
        """Measure a recording; ohms: what millivolts are across. Raises CannotTellError as measure() does,
        InputError for a resistance of nothing, or for a current."""
        if ohms is not None and recording.unit != MILLIVOLT:
            raise InputError(f"--ohms is for a channel of millivolts, {recording.channel!r} is a current")
        if ohms is not None and ohms <= 0:
            raise InputError("--ohms must be more than nothing")
        raw = measure(recording)
        if recording.unit != MILLIVOLT:
            return cls(recording, raw, raw)
        if ohms is None:
            return cls(recording, raw, raw, levels=False)
        current = volts.as_current(recording, ohms)
        return cls(current, raw.times(1 / ohms, "mA"), raw)

    @property
    def scan(self) -> Scan:
        """The pass that found its transitions."""
        return self.pulses.scan

    def edges(self, spot: Spot) -> Edges:
        """Its edges where a run may lie, on its own clock."""
        edges = accounts.seen(self.scan)
        return edges.only((edges.at_s > spot.from_s) & (edges.at_s < spot.until_s))

    def in_current(self, account: Account, clock: Clock) -> Current:
        """Millivolts of an unknown resistance as currents by an account's edges; the same where none meet."""
        if self.levels:
            return self
        reach_s = REACH_S + 2 * self.raw.scan.interval_s
        ohms = volts.resistance(account.edges(), accounts.seen(self.raw.scan), clock, reach_s)
        if ohms is None:
            return self
        note = (
            f"millivolts: instants and durations are compared, levels are not (if they are right, "
            f"{ohms * 1e3:.2f} milliohm were measured across: give it with --ohms to compare levels)"
        )
        current = volts.as_current(self.recording, ohms)
        return replace(self, recording=current, pulses=self.raw.times(1 / ohms, "mA"), notes=(note,))

"""A recording as a comparison looks at it: in milliamperes, whatever it is in.

Millivolts become milliamperes by a resistance that is given, or by the one that the box's own edges show; by
the latter levels say nothing, for they were used up to find it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from nightdraw.capture.accounts import Account, Edges, seen_edges
from nightdraw.capture.align import Spot
from nightdraw.capture.place import REACH_S, Clock, nearest
from nightdraw.capture.pulses import Pulses, measure
from nightdraw.capture.read import MILLIVOLT, Recording
from nightdraw.capture.seen import Seen
from nightdraw.errors import InputError

LEAST_OHM, MOST_OHM = 1e-4, 10.0  # a main fuse's 0.3 milliohm and less; a shunt, or a meter's own resistance
LIKE = 0.25  # of the typical edge: smaller ones say little about a resistance
LEAST_EDGES = 4  # fewer say too little
MOST_MV = 1000.0  # a fuse that carries its rated current drops 0.2 V at the most; a pulled one the supply


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
        current = as_current(recording, ohms)
        return cls(current, raw.times(1 / ohms, "mA"), raw)

    @property
    def seen(self) -> Seen:
        """What was seen in it."""
        return self.pulses.seen

    def edges(self, spot: Spot, slow: bool = True) -> Edges:
        """Its edges where a run may lie, on its own clock; slow: the clamp may be."""
        edges = seen_edges(self.seen, slow)
        return edges.take((edges.at_s > spot.from_s) & (edges.at_s < spot.until_s))

    def in_current(self, account: Account, clock: Clock) -> Current:
        """Millivolts of an unknown resistance as currents by an account's edges; the same where none meet."""
        if self.levels:
            return self
        reach_s = REACH_S + 2 * self.raw.seen.interval_s
        ohms = resistance(account.edges(), seen_edges(self.raw.seen), clock, reach_s)
        if ohms is None:
            return self
        note = (
            f"millivolts: instants and durations are compared, levels are not (if they are right, "
            f"{ohms * 1e3:.2f} milliohm were measured across: give it with --ohms to compare levels)"
        )
        current = as_current(self.recording, ohms)
        return replace(self, recording=current, pulses=self.raw.times(1 / ohms, "mA"), notes=(note,))


def as_current(recording: Recording, ohms: float) -> Recording:
    """The current (mA) that makes a drop in a resistance, without what no drop can be."""
    return recording.times(1 / ohms, "mA", MOST_MV)


def resistance(known: Edges, seen: Edges, clock: Clock, reach_s: float) -> float | None:
    """The resistance (ohm) that makes the seen steps (mV) of the known ones (mA), None where too few meet."""
    large = np.abs(known.height_ma) >= LIKE * np.max(np.abs(known.height_ma), initial=0.0)
    at_s, height = clock.to_recording(known.at_s[large]), known.height_ma[large]
    if not len(at_s) or not len(seen.at_s):
        return None
    near = nearest(seen.at_s, at_s)
    met = (np.abs(seen.at_s[near] - at_s) <= reach_s) & (seen.height_ma[near] * height > 0)
    if np.count_nonzero(met) < LEAST_EDGES:
        return None
    ohms = float(np.median(seen.height_ma[near][met] / height[met]))
    return ohms if LEAST_OHM <= ohms <= MOST_OHM else None

"""Recordings of millivolts, a drop across a fuse, as the currents that would make them.

The steps, states and noise of a recording are judged in milliamperes; a drop becomes one by the resistance
that it is across, which is known, or is found by the edges that it shares with an account.
"""

from __future__ import annotations

import numpy as np

from nightdraw.capture.accounts import Edges
from nightdraw.capture.place import Clock
from nightdraw.capture.read import Recording

LEAST_OHM, MOST_OHM = 1e-4, 10.0  # a main fuse's 0.3 milliohm and less; a shunt, or a meter's own resistance
LIKE = 0.25  # of the typical edge: smaller ones say little about a resistance
LEAST_EDGES = 4  # fewer say too little
MOST_MV = 1000.0  # a fuse that carries its rated current drops 0.2 V at the most; a pulled one the supply


def as_current(recording: Recording, ohms: float) -> Recording:
    """The current (mA) that makes a drop in a resistance, without what no drop can be."""
    return recording.times(1 / ohms, "mA", MOST_MV)


def resistance(known: Edges, seen: Edges, clock: Clock, reach_s: float) -> float | None:
    """The resistance (ohm) that makes the seen steps (mV) of the known ones (mA), None where too few meet."""
    large = np.abs(known.height_ma) >= LIKE * np.max(np.abs(known.height_ma), initial=0.0)
    at_s, height = clock.to_recording(known.at_s[large]), known.height_ma[large]
    if not len(at_s) or not len(seen.at_s):
        return None
    place = np.clip(np.searchsorted(seen.at_s, at_s), 1, max(len(seen.at_s) - 1, 1))
    left = np.abs(seen.at_s[place - 1] - at_s)
    right = np.abs(seen.at_s[np.minimum(place, len(seen.at_s) - 1)] - at_s)
    near = np.where(left <= right, place - 1, np.minimum(place, len(seen.at_s) - 1))
    met = (np.minimum(left, right) <= reach_s) & (seen.height_ma[near] * height > 0)
    if np.count_nonzero(met) < LEAST_EDGES:
        return None
    ohms = float(np.median(seen.height_ma[near][met] / height[met]))
    return ohms if LEAST_OHM <= ohms <= MOST_OHM else None

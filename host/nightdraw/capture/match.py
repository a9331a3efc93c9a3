"""Which pulse of one account is which of another, and how their instants and durations differ.

Both trains are on the run's clock. Levels are compared elsewhere.
"""

from __future__ import annotations

import numpy as np

from nightdraw.capture.seen import Floats, Ints

NEAR_SHARE = (
    0.25  # a pulse may be displaced by a quarter of the distance to its neighbours and still be itself
)
NEAR_S = 1.0  # but by no more than this


def match(one_s: Floats, one_end_s: Floats, other_s: Floats, other_end_s: Floats) -> tuple[Ints, Ints]:
    """Indices of pulses that are each other's nearest, and overlap or start close together.

    Seconds; both trains in order of time.
    """
    here, there = _mutual(one_s, other_s)
    overlap = (other_s[there] < one_end_s[here]) & (one_s[here] < other_end_s[there])
    good = overlap | (np.abs(one_s[here] - other_s[there]) <= _reach(one_s)[here])
    return here[good], there[good]


def near(one_s: Floats, other_s: Floats) -> tuple[Ints, Ints]:
    """Indices of instants that are each other's nearest and close together; both in order of time."""
    here, there = _mutual(one_s, other_s)
    good = np.abs(one_s[here] - other_s[there]) <= _reach(one_s)[here]
    return here[good], there[good]


def _mutual(one_s: Floats, other_s: Floats) -> tuple[Ints, Ints]:
    if not len(one_s) or not len(other_s):
        nothing = np.empty(0, dtype=np.int64)
        return nothing, nothing
    there = _nearest(other_s, one_s)
    here = np.flatnonzero(_nearest(one_s, other_s)[there] == np.arange(len(one_s)))
    return here, there[here]


def _nearest(times_s: Floats, wanted_s: Floats) -> Ints:
    right = np.clip(np.searchsorted(times_s, wanted_s), 0, len(times_s) - 1)
    left = np.maximum(right - 1, 0)
    nearest: Ints = np.where(
        np.abs(wanted_s - times_s[left]) <= np.abs(times_s[right] - wanted_s), left, right
    )
    return nearest


def _reach(starts_s: Floats) -> Floats:
    distance = np.diff(starts_s, prepend=-np.inf, append=np.inf)
    reach: Floats = np.minimum(NEAR_SHARE * np.minimum(distance[:-1], distance[1:]), NEAR_S)
    return reach

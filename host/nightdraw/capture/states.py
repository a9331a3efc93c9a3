"""Which of the known levels of an account is its base: the state that pulses rise from."""

from __future__ import annotations

import numpy as np

from nightdraw.capture.seen import Floats, Ints

RETURNS = 2  # a base is a level that the current comes back to
SHARE_OF_VISITS = 8  # a base is visited at least an eighth as often as the busiest state: a lone dip is none
SHARE_OF_TIME = 0.2  # or it fills a fifth of the time
SEEN_SHARE = 0.05  # where nothing returns: the lowest level that fills a twentieth of the time


class States:
    """of_level: the state of each level (there is one level more than transitions); value: of each state
    without drift; at_start, at_end: what was believed of each level at its two ends, drift included (mA)."""

    def __init__(self, of_level: Ints, value: Floats, at_start: Floats, at_end: Floats) -> None:
        self.of_level = of_level
        self.value = value
        self.at_start = at_start
        self.at_end = at_end


def base_state(states: States, lasting_s: Floats) -> int:
    """The state that pulses rise from: the lowest of those that the current keeps coming back to.

    lasting_s: how long each level lasted. The first and the last level are cut by the recording, and the box
    may have waited before its run: they count only where nothing between them returns to a base.
    """
    inside = slice(1, len(lasting_s) - 1)
    found = _lowest(states, states.of_level[inside], lasting_s[inside], above=True)
    if found is None:
        found = _lowest(states, states.of_level, lasting_s, above=False)
    if found is not None:
        return found
    share = _times(states, states.of_level, lasting_s) / max(float(lasting_s.sum()), 1e-12)
    seen = np.flatnonzero(share >= min(SEEN_SHARE, float(share.max())))
    return int(seen[np.argmin(states.value[seen])])


def _times(states: States, of_level: Ints, lasting_s: Floats) -> Floats:
    return np.bincount(of_level, lasting_s, len(states.value)).astype(float)


def _lowest(states: States, of_level: Ints, lasting_s: Floats, above: bool) -> int | None:
    """The lowest state of some levels that is visited often; above: only where another one lies above it."""
    if not len(of_level):
        return None
    visits: Ints = np.bincount(of_level, minlength=len(states.value))
    times = _times(states, of_level, lasting_s)
    often = (visits * SHARE_OF_VISITS >= visits.max()) | (times >= SHARE_OF_TIME * times.sum())
    often &= visits >= RETURNS
    if above:
        often &= states.value < states.value[visits > 0].max()
    found = np.flatnonzero(often)
    return int(found[np.argmin(states.value[found])]) if len(found) else None

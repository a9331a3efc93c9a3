"""What a recording does where the box has no edge: somebody else on the circuit, or a gap.

Times only; whose it is, and what it means for a comparison, is said elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from nightdraw.capture.accounts import Course
from nightdraw.capture.align import REACH_S, Clock
from nightdraw.capture.pulses import Pulses
from nightdraw.capture.seen import Floats


@dataclass(frozen=True)
class Moves:
    """Changes of the recording at which the box has no edge: the last instant before, the first after, in
    order; a gap counts as one."""

    last_s: Floats
    first_s: Floats

    def __len__(self) -> int:
        return len(self.last_s)

    def cut_after(self, low_s: Floats, high_s: Floats, slack_s: float) -> Floats:
        """How far each span stays undisturbed from its beginning."""
        if not len(self):
            return high_s
        place = np.searchsorted(self.first_s, low_s, side="right")
        next_s = np.append(self.last_s, np.inf)[place]
        cut: Floats = np.clip(next_s + slack_s, low_s, high_s)
        return cut

    def cut_before(self, low_s: Floats, high_s: Floats, slack_s: float) -> Floats:
        """From where on each span is undisturbed up to its end."""
        if not len(self):
            return low_s
        place = np.searchsorted(self.last_s, high_s, side="left")
        before_s = np.append(-np.inf, self.first_s)[place]
        cut: Floats = np.clip(before_s - slack_s, low_s, high_s)
        return cut


def moves(course: Course, clock: Clock, pulses: Pulses) -> Moves:
    """The changes of a recording that are at none of a course's edges."""
    t = pulses.scan.transitions
    at_s = np.where(np.isnan(t.at_s), (t.last_s + t.first_s) / 2, t.at_s)
    edges_s = clock.to_recording(np.append(course.t_s, course.end_s))
    place = np.clip(np.searchsorted(edges_s, at_s), 1, len(edges_s) - 1)
    away_s = np.minimum(np.abs(at_s - edges_s[place - 1]), np.abs(edges_s[place] - at_s))
    others = (away_s > REACH_S + 2 * pulses.scan.interval_s) | np.isnan(t.at_s)
    return Moves(t.last_s[others], t.first_s[others])

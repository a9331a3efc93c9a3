"""One comparison of a recording with an account: what is held against what, and which edges count.

The edges of a box's run are told here from what other loads did at the same instants; nothing is judged.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from nightdraw.capture import accounts, company
from nightdraw.capture.accounts import Did, Lost
from nightdraw.capture.against import Seen
from nightdraw.capture.align import Clock
from nightdraw.capture.company import Circuit, Edges
from nightdraw.capture.judge import Reference
from nightdraw.capture.moves import Moves
from nightdraw.capture.pulses import Pulses
from nightdraw.capture.seen import Ints


@dataclass(frozen=True)
class Case:
    """What a recording is held against, and how: did is None where there is no journal; others: moves of
    other loads; busy: there are so many that the box's edges have to be told from them."""

    reference: Reference
    did: Did | None
    pulses: Pulses
    clock: Clock
    circuit: Circuit
    others: Moves
    busy: bool

    @property
    def lost(self) -> Lost:
        """The times that the journal doesn't tell wholly."""
        return accounts.NOTHING_LOST if self.did is None else self.did.lost

    def edges(self, seen: Seen) -> Edges:
        """The edges that the recording has, without those that another load seems to have spoilt."""
        edges = company.edges_of(seen)
        return edges.without(edges.odd(self.kinds())[0])

    def off(self, seen: Seen) -> int:
        """How many edges are off as their fellows are."""
        return int(np.count_nonzero(company.edges_of(seen).odd(self.kinds())[1]))

    def kinds(self) -> Ints:
        """Edges are alike that close and open the same switches, else that lie between the same levels."""
        if self.did is not None:
            pattern, volts = self.did.pattern, np.round(self.did.supply_mv / 100)
            return company.kinds(np.append(0, pattern[:-1]), pattern, volts)
        course = self.reference.course
        level = np.round(course.level_ma)
        return company.kinds(np.append(np.round(course.idle_ma), level[:-1]), level)

"""One piece of a recording beside what it is held against: what is known of the place, which edges differ."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from nightdraw.capture import differences as df
from nightdraw.capture.accounts import Edges
from nightdraw.capture.align import Piece
from nightdraw.capture.loads import Loads
from nightdraw.capture.observed import Observed
from nightdraw.capture.place import Clock
from nightdraw.capture.reference import Reference
from nightdraw.capture.seen import Bools, Ints

SEVERAL = 3  # edges of one kind: the majority tells what is the box's and what is chance
MOST_OFF = 0.5  # of the edges that are few of their kind: more than this being off is no chance either
DEVIATIONS = 3.0


@dataclass(frozen=True)
class Prior:
    """What is known of the place that was recorded. shared: other loads hang on it; levels: whether the
    recording's levels are currents; monitored: the box compares its bank's current itself, and would have
    flagged a broken switch; loads: what a vehicle's own loads do, where its file was given."""

    shared: bool = False
    levels: bool = True
    monitored: bool = False
    loads: Loads | None = None

    @property
    def base_known(self) -> bool:
        """Whether it is known what others draw: nothing, or what a vehicle's file says."""
        return not self.shared or self.loads is not None


@dataclass(frozen=True)
class View:
    """One piece of a recording against a reference. seen: the recording's edges there, times on the run's
    clock, heights as the box's."""

    reference: Reference
    observed: Observed
    seen: Edges
    piece: Piece
    prior: Prior
    gain: float = 1.0

    @property
    def clock(self) -> Clock:
        """The piece's."""
        return self.piece.clock

    def of_loads(self) -> Bools:
        """The recorded edges that are the vehicle's own, by its file and script; else none."""
        loads, to_recording = self.prior.loads, self.clock.to_recording
        if loads is None or not self.prior.levels:
            return np.zeros(len(self.seen), dtype=bool)
        seen, box_s = self.seen, to_recording(self.observed.account.t_s)
        interval_s = self.observed.interval_s
        owners = loads.explain(to_recording(seen.at_s), seen.height_ma, seen.u_ma, box_s, interval_s)
        return np.array([owner is not None for owner in owners], dtype=bool)

    def kinds(self) -> Ints:
        """Edges are alike that close and open the same switches, else that lie between the same levels."""
        box, account = self.reference.box, self.reference.account
        table: list[Any] = [np.round(account.before_ma), np.round(account.level_ma)]
        if box is not None:
            table = [np.append(0, box.pattern[:-1]), box.pattern, np.round(box.supply_mv / 100)]
        _, number = np.unique(np.column_stack(table), axis=0, return_inverse=True)
        found: Ints = number.reshape(-1)
        return found


def edges_off(view: View) -> tuple[Bools, Bools]:
    """Edges that are off: those that chance, another load's move at the same instant, may have made, and
    those that are off like the others of their kind."""
    seen = view.observed
    allowed = df.tolerance_ma(seen.account.step_ma)
    allowed = (
        allowed
        + df.DEVIATIONS * np.sqrt(np.where(seen.known, seen.edge_var, 0.0))
        + DEVIATIONS * seen.systematic_ma
    )
    off = seen.known & (np.abs(seen.edge_ma) > allowed)
    chance, real = np.zeros(len(off), dtype=bool), np.zeros(len(off), dtype=bool)
    lone: list[int] = []
    places = np.flatnonzero(seen.known)
    order = places[np.argsort(view.kinds()[places], kind="stable")]
    for members in np.split(order, np.flatnonzero(np.diff(view.kinds()[order])) + 1):
        if len(members) < SEVERAL:
            lone += members.tolist()
            continue
        excess = seen.edge_ma[members]
        middle = float(np.median(excess))
        alike = np.abs(excess - middle) <= allowed[members]
        real[members] = off[members] & alike & (abs(middle) > allowed[members])
        chance[members] = (off[members] | ~alike) & ~real[members]
    several = len(lone) >= SEVERAL and float(np.mean(off[lone])) > MOST_OFF
    (real if several else chance)[lone] = off[lone]
    return chance, real

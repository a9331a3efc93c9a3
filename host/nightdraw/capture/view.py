"""One piece of a recording beside the account that it is held against: how its pulses are numbered in what is
said of them, what is known of the place, which edges differ."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from nightdraw.capture import differences as df
from nightdraw.capture.accounts import Account, Edges, Train
from nightdraw.capture.align import Piece
from nightdraw.capture.differences import Difference
from nightdraw.capture.journal import NOTHING_LOST, Did, Lost
from nightdraw.capture.loads import Loads
from nightdraw.capture.observed import Observed
from nightdraw.capture.place import Clock
from nightdraw.capture.seen import Bools, Floats, Ints

SEVERAL = 3  # edges of one kind: the majority tells what is the box's and what is chance
MOST_OFF = 0.5  # of the edges that are few of their kind: more than this being off is no chance either
DEVIATIONS = 3.0
PART_SAMPLES = 5  # a shorter part of a pulse may be made of edges


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
class Reference:
    """`did` where there is a journal, else `asked`; every row names its pulse by the number that the leading
    account gives it: what was asked, else what was done.

    asked, asked_of: what was asked, and which of its pulses each pulse is (-1: none), where both are known;
    wanted: the same as levels; box: what the journal knows besides levels (None: no journal).
    """

    name: str
    account: Account
    train: Train
    asked: Train | None
    asked_of: Ints
    wanted: Account | None
    box: Did | None

    @property
    def lost(self) -> Lost:
        """The times that the journal doesn't tell wholly."""
        return NOTHING_LOST if self.box is None else self.box.lost

    def number(self, pulse: int) -> int | None:
        """The pulse's number from 1 in the leading account."""
        place = int(self.asked_of[pulse]) if self.asked is not None else pulse
        return place + 1 if place >= 0 else None

    def row(self, kind: str, pulse: int, of: str, seen: float | None, message: str) -> Difference:
        """A row about a pulse; of: the attribute of Train that is compared."""
        place = -1 if self.asked is None else int(self.asked_of[pulse])
        wanted = getattr(self.asked, of)[place] if place >= 0 else None
        return self._row(kind, self.number(pulse), getattr(self.train, of)[pulse], wanted, seen, message)

    def level_row(self, kind: str, level: int, seen: float, message: str) -> Difference:
        """A row about a level of the account, or a part of a pulse."""
        pulse = int(self.train.of_level(np.array([level]))[0])
        here = slice(level, level + 1)
        middle = self.account.t_s[here] + self.account.lasting_s[here] / 2
        wanted = None if self.wanted is None else self.wanted.at(middle)[0]
        number = self.number(pulse) if pulse >= 0 else None
        return self._row(kind, number, self.account.level_ma[level], wanted, seen, message)

    def base_row(self, seen: float, message: str) -> Difference:
        """A row about the base."""
        wanted = None if self.asked is None else self.asked.base_ma
        return self._row(df.BASE, None, self.train.base_ma, wanted, seen, message)

    def _row(
        self,
        kind: str,
        number: int | None,
        own: float,
        wanted: float | None,
        seen: float | None,
        message: str,
    ) -> Difference:
        """A row with the reference's own figure and, where it is known besides, the one that was asked."""
        said = {"asked": None, "did": None, self.name: own}
        if wanted is not None:
            said["asked"] = wanted
        return Difference(kind, number, said["asked"], said["did"], seen, message)


def reference_of(asked: Account | None, did: Did | None) -> Reference:
    """What the recording is held against."""
    account = did.account if did is not None else asked
    assert account is not None
    train = account.train()
    if asked is None or did is None:
        name = "did" if did is not None else "asked"
        return Reference(name, account, train, None, np.arange(len(train)), asked, did)
    wanted = asked.train()
    here, there = df.match(wanted.start_s, wanted.end_s, train.start_s, train.end_s)
    asked_of = np.full(len(train), -1)
    asked_of[there] = here
    return Reference("did", account, train, wanted, asked_of, asked, did)


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

    def owners(self, at_s: Floats, height_ma: Floats, u_ma: Floats) -> list[str | None]:
        """Whose some changes (at the recording's instants) are by the vehicle's file and script; None where
        nobody's is known."""
        loads, account = self.prior.loads, self.observed.account
        if loads is None or not self.prior.levels:
            return [None] * len(at_s)
        box_s = self.clock.to_recording(np.append(account.t_s, account.end_s))
        return loads.explain(at_s, height_ma, u_ma, box_s, self.observed.interval_s)

    def of_loads(self) -> Bools:
        """The recorded edges that are the vehicle's own."""
        seen = self.seen
        owners = self.owners(self.clock.to_recording(seen.at_s), seen.height_ma, seen.u_ma)
        return np.array([owner is not None for owner in owners], dtype=bool)

    def kinds(self) -> Ints:
        """Edges are alike that close and open the same switches, else that lie between the same levels."""
        box, account = self.reference.box, self.reference.account
        table: list[Any] = [np.round(account.before_ma), np.round(account.level_ma)]
        if box is not None:
            table = [np.append(0, box.pattern[:-1]), box.pattern, np.round(at_edges(box.supply_mv) / 100)]
        _, number = np.unique(np.column_stack(table), axis=0, return_inverse=True)
        found: Ints = number.ravel()
        return found


def at_edges(supply_mv: Floats) -> Floats:
    """The supply at the edge that begins each level: the mean of those of both its sides."""
    mean: Floats = (np.append(supply_mv[:1], supply_mv[:-1]) + supply_mv) / 2
    return mean


def levels_off(view: View, seen: Observed, off: Floats, variance: Floats) -> Bools:
    """The levels of pulses that are off the reference by more than their tolerance and noise."""
    train = view.reference.train
    height = view.reference.account.level_ma - train.base_ma
    known = np.isfinite(variance) & (seen.count >= PART_SAMPLES) & (train.of_level(np.arange(len(off))) >= 0)
    noise = df.DEVIATIONS * np.sqrt(np.where(known, variance, 0.0))
    wrong: Bools = known & (np.abs(off) > df.tolerance_ma(height) + noise)
    return wrong


def edges_off(view: View) -> tuple[Bools, Bools]:
    """Edges that are off: those that chance, another load's move at the same instant, may have made, and
    those that are off like the others of their kind."""
    seen = view.observed
    allowed = df.tolerance_ma(seen.account.step_ma)
    allowed = (
        allowed
        + df.DEVIATIONS * np.sqrt(np.where(seen.known, seen.edge_var, 0.0))
        + DEVIATIONS * seen.systematic_ma
        + np.abs(seen.ahead_ma)
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

"""The account that a recording is held against, and how its pulses are numbered in what is said of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from nightdraw.capture import differences as df
from nightdraw.capture.accounts import Account, Train
from nightdraw.capture.differences import Difference
from nightdraw.capture.journal import NOTHING_LOST, Did, Lost
from nightdraw.capture.seen import Ints


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
        said: dict[str, float | None] = {"asked": None, "did": None}
        said[self.name] = round(float(getattr(self.train, of)[pulse]), 6)
        if self.asked is not None and self.asked_of[pulse] >= 0:
            said["asked"] = round(float(getattr(self.asked, of)[self.asked_of[pulse]]), 6)
        shown = None if seen is None else round(seen, 6)
        return Difference(kind, self.number(pulse), said["asked"], said["did"], shown, message)

    def level_row(self, kind: str, level: int, seen: float, message: str) -> Difference:
        """A row about a level of the account, or a part of a pulse."""
        pulse = int(self.train.of_level(np.array([level]))[0])
        said: dict[str, float | None] = {"asked": None, "did": None}
        said[self.name] = round(float(self.account.level_ma[level]), 6)
        if self.wanted is not None:
            middle = self.account.t_s[level : level + 1] + self.account.lasting_s[level : level + 1] / 2
            said["asked"] = round(float(self.wanted.at(middle)[0]), 6)
        number = self.number(pulse) if pulse >= 0 else None
        return Difference(kind, number, said["asked"], said["did"], round(seen, 6), message)

    def base_row(self, seen: float, message: str) -> Difference:
        """A row about the base."""
        said: dict[str, float | None] = {"asked": None, "did": None}
        said[self.name] = round(self.train.base_ma, 6)
        if self.asked is not None:
            said["asked"] = round(self.asked.base_ma, 6)
        return Difference(df.BASE, None, said["asked"], said["did"], round(seen, 6), message)


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

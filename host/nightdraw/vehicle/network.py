"""The circuit of a vehicle, solved exactly: battery, feeds, fuse boxes, fuses, branches with loads and boxes.

A tree of resistances whose leaves draw constant currents and conductances, with battery, charger and
alternator at its root: two passes (leaves to root, root to leaves) satisfy Kirchhoff's laws to rounding.
Nothing here knows time or what the loads are.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from nightdraw.bank import fuses as blades
from nightdraw.vehicle.model import Vehicle
from nightdraw.vehicle.root import Root

HOT_FACTOR = 1.5  # resistance at rated current over cold where no sheet was seen; those seen give 1.3 .. 1.7


def hot_factor(kind: str, rating_a: float) -> float:
    """How many times its cold resistance a fuse has at its rated current (drop at rating / rating / cold)."""
    if kind == blades.HIGH or rating_a not in blades.RATED_MV:
        return HOT_FACTOR
    mohm, _ = blades.cold_mohm(kind, rating_a)
    return HOT_FACTOR if mohm is None else blades.RATED_MV[rating_a] / rating_a / mohm


class Limb:
    """A fuse and what hangs on it: i = eq_a + eq_s v, v the volts that it hangs on."""

    __slots__ = (
        "cold_ohms", "current_a", "eq_a", "eq_s", "fuse_ohms", "hot", "pulled", "rating_a", "stale",
        "wire_ohms",
    )  # fmt: skip

    def __init__(self, wire_ohms: float, fuse: tuple[str, float] | None) -> None:
        self.wire_ohms = wire_ohms
        self.cold_ohms, self.hot, self.rating_a = 0.0, 1.0, math.inf
        if fuse is not None:
            mohm, _ = blades.cold_mohm(*fuse)
            assert mohm is not None  # the reader refused what no list knows
            self.cold_ohms, self.hot, self.rating_a = mohm / 1000, hot_factor(*fuse), fuse[1]
        self.fuse_ohms = self.cold_ohms
        self.pulled = False
        self.stale = True
        self.eq_a = self.eq_s = self.current_a = 0.0


class Branch(Limb):
    """Everything behind one fuse of a fuse box.

    draw_a and siemens are its loads', boxes' = [lead ohms, own A, siemens].
    """

    __slots__ = ("boxes", "draw_a", "end_v", "feed", "siemens")

    def __init__(self, feed: int, wire_ohms: float, fuse: tuple[str, float]) -> None:
        super().__init__(wire_ohms, fuse)
        self.feed = feed
        self.draw_a = self.siemens = self.end_v = 0.0
        self.boxes: list[list[float]] = []

    def reduce(self) -> None:
        """What the branch looks like from its fuse box."""
        if self.pulled:
            self.eq_a = self.eq_s = 0.0
            return
        amps, siemens = self.draw_a, self.siemens
        for ohms, own_a, bank_s in self.boxes:
            shrink = 1 + ohms * bank_s
            amps += own_a / shrink
            siemens += bank_s / shrink
        shrink = 1 + (self.fuse_ohms + self.wire_ohms) * siemens
        self.eq_a = amps / shrink
        self.eq_s = siemens / shrink


class Feed(Limb):
    """A wire from the battery to a fuse box, behind its main fuse."""

    __slots__ = ("branches", "volts")

    def __init__(self, wire_ohms: float, fuse: tuple[str, float] | None) -> None:
        super().__init__(wire_ohms, fuse)
        self.branches: list[Branch] = []
        self.volts = 0.0

    def reduce(self) -> None:
        """What the feed looks like from the battery."""
        amps = siemens = 0.0
        if not self.pulled:
            for branch in self.branches:
                amps += branch.eq_a
                siemens += branch.eq_s
        shrink = 1 + (self.fuse_ohms + self.wire_ohms) * siemens
        self.eq_a = amps / shrink
        self.eq_s = siemens / shrink


class Network(Root):
    """The circuit of one vehicle and its present solution.

    Change it through its attributes and touch(), then ask: battery_a (out of the battery), bus_v, feed_a(i),
    branches[i].current_a and .end_v, drop_v(i), box_v(...). A question after a change solves anew; `before`
    is called each time before the old solution goes. `limbs` has every fuse by name, `branches` those of the
    fuse boxes only. meter_ohms: what stands in the battery's cable beside it.
    """

    def __init__(self, vehicle: Vehicle, meter_ohms: float = 0.0) -> None:
        super().__init__(vehicle, meter_ohms)
        places = {feed.name: k for k, feed in enumerate(vehicle.feeds)}
        self.feeds = [
            Feed(feed.ohms, None if feed.main is None else (feed.main.type, feed.main.rating_a))
            for feed in vehicle.feeds
        ]
        self.branches: list[Branch] = []
        self.fuse_places = {fuse.name: k for k, fuse in enumerate(vehicle.fuses)}
        for fuse in vehicle.fuses:
            branch = Branch(places[fuse.feed], fuse.wire_ohms, (fuse.type, fuse.rating_a))
            self.branches.append(branch)
            self.feeds[branch.feed].branches.append(branch)
        self.limbs: dict[str, Limb] = {
            fuse.name: branch for fuse, branch in zip(vehicle.fuses, self.branches, strict=True)
        }
        mains = zip(vehicle.feeds, self.feeds, strict=True)
        self.limbs.update({said.main.name: feed for said, feed in mains if said.main is not None})
        self.before: Callable[[], None] = lambda: None
        self.changes = 0  # counts touches: whoever remembers the count knows whether anything was changed
        self.stale: list[Limb] = [*self.branches, *self.feeds]
        self._dirty = True

    def touch(self, limb: Limb | None = None) -> None:
        """Say that something behind a fuse (or, without one, at the root) was changed."""
        if limb is None:
            self.forget()
        elif not limb.stale:
            limb.stale = True
            self.stale.append(limb)
        self._dirty = True
        self.changes += 1

    def solve(self) -> None:
        """Solve where something was changed."""
        if not self._dirty:
            return
        self.before()
        for limb in self.stale:
            if isinstance(limb, Branch):
                limb.reduce()
                limb.stale = False
                feed = self.feeds[limb.feed]
                if not feed.stale:
                    feed.stale = True
                    self.stale.append(feed)
        amps, siemens = self.starter_a, 0.0
        for feed in self.feeds:
            if feed.stale:
                feed.reduce()
                feed.stale = False
            amps += feed.eq_a
            siemens += feed.eq_s
        self.stale.clear()
        self._down(self.settle(amps, siemens))
        self._dirty = False

    def feed_a(self, k: int) -> float:
        """The current through feed k, amperes."""
        self.solve()
        return self.feeds[k].current_a

    def feed_v(self, k: int) -> float:
        """The voltage of fuse box k."""
        self.solve()
        return self.feeds[k].volts

    def drop_v(self, k: int) -> float:
        """The voltage across fuse k of the fuse boxes."""
        return self.across_v(self.branches[k])

    def across_v(self, limb: Limb) -> float:
        """The voltage across a fuse: current times resistance; across an empty socket all there is."""
        self.solve()
        if not limb.pulled:
            return limb.current_a * limb.fuse_ohms
        return self.feeds[limb.feed].volts if isinstance(limb, Branch) else self.bus_v

    def box_v(self, k: int, box: list[float]) -> float:
        """The voltage at a box (one of branch k's lists) behind its own lead."""
        if self._dirty:
            self.solve()
        ohms, own_a, bank_s = box
        volts = (self.branches[k].end_v - ohms * own_a * self.share) / (1 + ohms * bank_s)
        return volts if volts > 0 else 0.0

    def _down(self, volts: float) -> None:
        """From the root to the leaves."""
        share = self.share
        total = self.starter_a * share
        for feed in self.feeds:
            feed.current_a = feed_a = feed.eq_a * share + feed.eq_s * volts
            feed_v = 0.0 if feed.pulled else volts - (feed.fuse_ohms + feed.wire_ohms) * feed_a
            feed.volts = feed_v
            total += feed_a
            if feed.pulled:
                for branch in feed.branches:
                    branch.current_a = branch.end_v = 0.0
                continue
            for branch in feed.branches:
                branch.current_a = i = branch.eq_a * share + branch.eq_s * feed_v
                branch.end_v = 0.0 if branch.pulled else feed_v - (branch.fuse_ohms + branch.wire_ohms) * i
        self.battery_a = total - self.source_a[0] - self.source_a[1]

    def warm(self, limb: Limb, share: float) -> None:
        """Give a fuse the resistance of a warmth: 0 cold, 1 as at rated current."""
        ohms = limb.cold_ohms * (1 + (limb.hot - 1) * share)
        if ohms != limb.fuse_ohms:
            limb.fuse_ohms = ohms
            self.touch(limb)

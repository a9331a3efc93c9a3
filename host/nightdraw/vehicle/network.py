"""The circuit of a vehicle, solved exactly: battery, feeds, fuse boxes, fuses, branches with loads and boxes.

A tree of resistances whose leaves draw constant currents and conductances, with a charger and an alternator
at its root: linear, so two passes (leaves to root, root to leaves) satisfy Kirchhoff's laws to rounding.
Nothing here knows time or what the loads are.
"""

from __future__ import annotations

from nightdraw.bank import fuses as blades
from nightdraw.vehicle.model import Source, Vehicle

HOT_FACTOR = 1.5  # resistance at rated current over cold where no sheet was seen; those seen give 1.3 .. 1.7
OFF, HOLDS_VOLTS, HOLDS_AMPS = 0, 1, 2


def hot_factor(kind: str, rating_a: float) -> float:
    """How many times its cold resistance a fuse has at its rated current (drop at rating / rating / cold)."""
    if kind == blades.HIGH or rating_a not in blades.RATED_MV:
        return HOT_FACTOR
    mohm, _ = blades.cold_mohm(kind, rating_a)
    return HOT_FACTOR if mohm is None else blades.RATED_MV[rating_a] / rating_a / mohm


class Branch:
    """Everything behind one fuse. draw_a and siemens are its loads', boxes' = [lead ohms, own A, siemens]."""

    __slots__ = (
        "boxes", "cold_ohms", "current_a", "draw_a", "end_v", "eq_a", "eq_s", "feed", "fuse_ohms", "hot",
        "pulled", "rating_a", "siemens", "wire_ohms",
    )  # fmt: skip

    def __init__(self, feed: int, cold_ohms: float, wire_ohms: float, hot: float, rating_a: float) -> None:
        self.feed = feed
        self.cold_ohms = self.fuse_ohms = cold_ohms
        self.wire_ohms = wire_ohms
        self.hot = hot
        self.rating_a = rating_a
        self.pulled = False
        self.draw_a = self.siemens = 0.0
        self.boxes: list[list[float]] = []
        self.eq_a = self.eq_s = 0.0
        self.current_a = self.end_v = 0.0

    def reduce(self) -> None:
        """What the branch looks like from its fuse box: i = eq_a + eq_s v."""
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


class _Feed:
    __slots__ = ("amps", "branches", "eq_a", "eq_s", "ohms", "volts")

    def __init__(self, ohms: float) -> None:
        self.ohms = ohms
        self.branches: list[Branch] = []
        self.eq_a = self.eq_s = self.amps = self.volts = 0.0

    def reduce(self) -> None:
        amps = siemens = 0.0
        for branch in self.branches:
            amps += branch.eq_a
            siemens += branch.eq_s
        shrink = 1 + self.ohms * siemens
        self.eq_a = amps / shrink
        self.eq_s = siemens / shrink


class Network:
    """The circuit of one vehicle and its present solution.

    Change it through the set functions, then ask: battery_a (out of the battery), bus_v, feed_a(i),
    branches[i].current_a and .end_v, drop_v(i), box_v(...). A question after a change solves anew.
    meter_ohms: what stands in the battery's cable beside it.
    """

    def __init__(self, vehicle: Vehicle, meter_ohms: float = 0.0) -> None:
        self.meter_ohms = meter_ohms
        self.voc_v = 12.6
        self.battery_ohms = vehicle.battery.ohms
        self.starter_a = 0.0
        self.sources: list[Source | None] = [vehicle.charger, vehicle.alternator]
        self.on = [bool(vehicle.charger and vehicle.charger.on), False]
        self._modes = [OFF, OFF]
        self.source_a = [0.0, 0.0]
        places = {feed.name: k for k, feed in enumerate(vehicle.feeds)}
        self._feeds = [_Feed(feed.ohms) for feed in vehicle.feeds]
        self.branches: list[Branch] = []
        self.fuse_places = {fuse.name: k for k, fuse in enumerate(vehicle.fuses)}
        for fuse in vehicle.fuses:
            mohm, _ = blades.cold_mohm(fuse.type, fuse.rating_a)
            assert mohm is not None  # the reader refused what no list knows
            hot = hot_factor(fuse.type, fuse.rating_a)
            branch = Branch(places[fuse.feed], mohm / 1000, fuse.wire_ohms, hot, fuse.rating_a)
            self.branches.append(branch)
            self._feeds[branch.feed].branches.append(branch)
        self.battery_a = self.bus_v = 0.0
        self.changes = 0  # counts touches: whoever remembers the count knows whether anything was changed
        self._stale: set[Branch] = set(self.branches)
        self._dirty = True

    def touch(self, branch: Branch | None = None) -> None:
        """Say that a branch (or something at the root) was changed."""
        if branch is not None:
            self._stale.add(branch)
        self._dirty = True
        self.changes += 1

    def solve(self) -> None:
        """Solve where something was changed."""
        if not self._dirty:
            return
        feeds = self._feeds
        touched = {branch.feed for branch in self._stale}
        for branch in self._stale:
            branch.reduce()
        self._stale.clear()
        for k in touched:
            feeds[k].reduce()
        amps, siemens = self.starter_a, 0.0
        for feed in feeds:
            amps += feed.eq_a
            siemens += feed.eq_s
        self.bus_v = self._root(amps, siemens)
        self._down()
        self._dirty = False

    def feed_a(self, k: int) -> float:
        """The current through feed k, amperes."""
        self.solve()
        return self._feeds[k].amps

    def feed_v(self, k: int) -> float:
        """The voltage of fuse box k."""
        self.solve()
        return self._feeds[k].volts

    def drop_v(self, k: int) -> float:
        """The voltage across fuse k: current times resistance; across an empty socket all there is."""
        self.solve()
        branch = self.branches[k]
        if branch.pulled:
            return self._feeds[branch.feed].volts
        return branch.current_a * branch.fuse_ohms

    def box_v(self, k: int, box: list[float]) -> float:
        """The voltage at a box (one of branch k's lists) behind its own lead."""
        self.solve()
        ohms, own_a, bank_s = box
        return max(0.0, (self.branches[k].end_v - ohms * own_a) / (1 + ohms * bank_s))

    def _root(self, amps: float, siemens: float) -> float:
        """The voltage at the battery's cables: Norton's equivalents of all that meets there.

        A source holds its volts, or its most amperes where that would be more, or nothing where it would be
        below nothing; the modes are tried until none changes.
        """
        ohms = self.battery_ohms + self.meter_ohms
        for _ in range(8):  # two sources of three modes settle in at most four
            into, inner = self.voc_v / ohms - amps, 1 / ohms + siemens
            for source, mode in zip(self.sources, self._modes, strict=True):
                if source is not None and mode == HOLDS_VOLTS:
                    into += source.volts / source.ohms
                    inner += 1 / source.ohms
                elif source is not None and mode == HOLDS_AMPS:
                    into += source.most_a
            volts = max(0.0, into / inner)
            if not self._switch_modes(volts):
                break
        return volts

    def _switch_modes(self, volts: float) -> bool:
        changed = False
        for k, source in enumerate(self.sources):
            mode, amps = OFF, 0.0
            if source is not None and self.on[k]:
                amps = (source.volts - volts) / source.ohms
                mode = HOLDS_VOLTS if 0 < amps <= source.most_a else HOLDS_AMPS if amps > 0 else OFF
                if self._modes[k] == HOLDS_AMPS and amps > 0:
                    # it leaves the limit only where its volts alone ask for less
                    mode = HOLDS_AMPS if amps >= source.most_a else HOLDS_VOLTS
                amps = min(amps, source.most_a) if mode else 0.0
            self.source_a[k] = amps
            if mode != self._modes[k]:
                self._modes[k] = mode
                changed = True
        return changed

    def _down(self) -> None:
        """From the root to the leaves; every current follows from the one above it."""
        volts = self.bus_v
        total = self.starter_a
        for feed in self._feeds:
            amps = feed.eq_a + feed.eq_s * volts
            feed.amps = 0.0
            feed.volts = volts - feed.ohms * amps
            for branch in feed.branches:
                i = branch.eq_a + branch.eq_s * feed.volts
                branch.current_a = i
                branch.end_v = (
                    0.0 if branch.pulled else feed.volts - (branch.fuse_ohms + branch.wire_ohms) * i
                )
                feed.amps += i
            total += feed.amps
        self.battery_a = total - self.source_a[0] - self.source_a[1]

    def warm(self, k: int, share: float) -> None:
        """Give fuse k the resistance of a warmth: 0 cold, 1 as at rated current."""
        branch = self.branches[k]
        ohms = branch.cold_ohms * (1 + (branch.hot - 1) * share)
        if ohms != branch.fuse_ohms:
            branch.fuse_ohms = ohms
            self.touch(branch)

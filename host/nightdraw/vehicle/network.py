"""The circuit of a vehicle, solved exactly: battery, feeds, fuse boxes, fuses, branches with loads and boxes.

Theory of operation. A tree of resistances whose leaves draw constant currents and conductances, with battery,
charger and alternator at its root: two passes (leaves to root, root to leaves) satisfy Kirchhoff's laws to
rounding. Nothing here knows what the loads are; of time only how much charge went and how warm fuses got.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from boxcore.program import TICKS_PER_S

from nightdraw.bank.parts import blade_fuses as blades
from nightdraw.vehicle.model import Vehicle
from nightdraw.vehicle.root import Root

HOT_FACTOR = 1.5  # resistance at rated current over cold where no sheet was seen; those seen give 1.3 .. 1.7
WARM_S = 30.0  # a blade fuse's resistance follows its current with this time constant (our own figure)
WARM_TICKS = WARM_S * TICKS_PER_S
WARM_STEP = 1e-4  # a change of warmth smaller than this changes no digit that anyone reads
NOTED_V = 0.05  # a fuse box may move by so much before its lamps' currents count anew for their fuses' warmth
NOTED_SHARE = 0.005  # of its rating that a main fuse's current may move by before it counts anew for warmth


def hot_factor(kind: str, rating_a: float) -> float:
    """How many times its cold resistance a fuse has at its rated current (drop at rating / rating / cold)."""
    if kind == blades.HIGH or rating_a not in blades.RATED_MV:
        return HOT_FACTOR
    mohm, _ = blades.cold_mohm(kind, rating_a)
    return HOT_FACTOR if mohm is None else blades.RATED_MV[rating_a] / rating_a / mohm


class FusedPath:
    """A fuse and what hangs on it: i = eq_a + eq_s v, v the volts that it hangs on.

    warmth: 0 cold, 1 as at rated current for ever; it follows the square of the current as a low-pass of
    WARM_S does, exactly, up to tick `since`. shown: the warmth that fuse_ohms has.
    """

    __slots__ = (
        "cold_ohms", "eq_a", "eq_s", "fuse_ohms", "hot", "pulled", "rating_a", "shown", "since", "stale",
        "warmth", "wire_ohms",
    )  # fmt: skip

    current_a: float

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
        self.eq_a = self.eq_s = self.warmth = self.shown = 0.0
        self.since = 0

    def warm_to(self, tick: int) -> None:
        """Let the present current have flowed up to `tick`."""
        if tick > self.since:
            share = self.current_a / self.rating_a
            target = share * share
            self.warmth = target + (self.warmth - target) * math.exp((self.since - tick) / WARM_TICKS)
            self.since = tick


class Branch(FusedPath):
    """Everything behind one fuse of a fuse box.

    draw_a and siemens are its loads', boxes' = [lead ohms, own A, siemens].
    """

    __slots__ = ("boxes", "draw_a", "feed", "siemens")

    def __init__(self, feed: Feed, wire_ohms: float, fuse: tuple[str, float]) -> None:
        super().__init__(wire_ohms, fuse)
        self.feed = feed
        self.draw_a = self.siemens = 0.0
        self.boxes: list[list[float]] = []

    @property
    def current_a(self) -> float:  # type: ignore[override]
        """By the last solution."""
        return self.eq_a * self.feed.share + self.eq_s * self.feed.volts

    @property
    def end_v(self) -> float:
        """The voltage at its loads, by the last solution."""
        if self.pulled:
            return 0.0
        return self.feed.volts - (self.fuse_ohms + self.wire_ohms) * self.current_a

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


class Feed(FusedPath):
    """A wire from the battery to a fuse box, behind its main fuse.

    share: of their constant currents that its loads draw. noted_v, noted_a: the volts that its branches'
    warmth knows, and the current that its own does.
    """

    __slots__ = (
        "branches", "current_a", "noted_a", "noted_step_a", "noted_v", "share", "volts",
    )  # fmt: skip

    def __init__(self, wire_ohms: float, fuse: tuple[str, float] | None) -> None:
        super().__init__(wire_ohms, fuse)
        self.branches: list[Branch] = []
        self.current_a = self.noted_a = self.noted_v = self.share = self.volts = 0.0
        self.noted_step_a = NOTED_SHARE * self.rating_a

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

    def take(self, volts: float, share: float, tick: int) -> None:
        """Take the battery's voltage; up to `tick` what flowed was by the old one."""
        amps = self.eq_a * share + self.eq_s * volts
        after_v = 0.0 if self.pulled else volts - (self.fuse_ohms + self.wire_ohms) * amps
        # A fuse warms by the square of its current: what flowed until now must count before it changes.
        # Changes below NOTED_V and NOTED_SHARE wait for the next one: each costs a pass over all branches.
        if not -NOTED_V < after_v - self.noted_v < NOTED_V:
            for branch in self.branches:
                branch.warm_to(tick)
            self.noted_v = after_v
        if not -self.noted_step_a < amps - self.noted_a < self.noted_step_a:
            self.warm_to(tick)
            self.noted_a = amps
        self.current_a, self.volts, self.share = amps, after_v, 0.0 if self.pulled else share


class Network(Root):
    """The circuit of one vehicle and its present solution.

    Change it through its attributes and touch(), then ask: battery_a (out of the battery), bus_v, feed_a(i),
    branches[i].current_a and .end_v, drop_v(i), box_v(...). A question after a change solves anew.
    fused_paths has every fuse by name, branches those of the fuse boxes only. meter_ohms: what stands in the
    battery's cable beside it. leak_s: siemens at the root. now(): the tick; drawn, entered: ampere-ticks out
    of the battery's plates and into them up to tick `counted` (posts: of those, across its posts and through
    no cable; second_: the second battery's).
    """

    __slots__ = (
        "_dirty", "_now", "_stale", "_stale_feeds", "branches", "changes", "counted", "drawn", "entered",
        "feeds", "fuse_places", "fused_paths", "leak_s", "posts", "second_drawn", "second_entered",
        "second_now_a",
    )  # fmt: skip

    def __init__(self, vehicle: Vehicle, meter_ohms: float = 0.0, now: Callable[[], int] = lambda: 0) -> None:
        super().__init__(vehicle, meter_ohms)
        self.feeds = [
            Feed(feed.ohms, None if feed.main is None else (feed.main.type, feed.main.rating_a))
            for feed in vehicle.feeds
        ]
        places = {spec.name: feed for spec, feed in zip(vehicle.feeds, self.feeds, strict=True)}
        self.branches: list[Branch] = []
        self.fuse_places = {fuse.name: k for k, fuse in enumerate(vehicle.fuses)}
        for fuse in vehicle.fuses:
            branch = Branch(places[fuse.feed], fuse.wire_ohms, (fuse.type, fuse.rating_a))
            self.branches.append(branch)
            branch.feed.branches.append(branch)
        self.fused_paths: dict[str, FusedPath] = {
            fuse.name: branch for fuse, branch in zip(vehicle.fuses, self.branches, strict=True)
        }
        mains = zip(vehicle.feeds, self.feeds, strict=True)
        self.fused_paths.update({spec.main.name: feed for spec, feed in mains if spec.main is not None})
        self.second_now_a = self.leak_s = 0.0
        self.clear()
        self.counted = 0
        self.changes = 0  # counts touches: whoever remembers the count knows whether anything was changed
        self._now = now
        self._stale: list[Branch] = list(self.branches)
        self._stale_feeds: list[Feed] = list(self.feeds)
        self._dirty = True

    def touch(self, fused_path: FusedPath | None = None) -> None:
        """Say that something behind a fuse (or, without one, at the root) was changed."""
        if fused_path is None:
            self.forget()
        elif not fused_path.stale:
            fused_path.stale = True
            if isinstance(fused_path, Branch):
                self._stale.append(fused_path)
            elif isinstance(fused_path, Feed):
                self._stale_feeds.append(fused_path)
        self._dirty = True
        self.changes += 1

    def count(self, tick: int) -> None:
        """Count the charge that was drawn up to `tick` by what the last solution said."""
        if tick > self.counted:
            # what leaks across the posts: the plates give it, or get less of what comes in
            leaked = self.posts_s * self.posts_v * (tick - self.counted)
            self.posts += leaked
            charge = self.battery_a * (tick - self.counted) + leaked
            if charge >= 0:
                self.drawn += charge
            else:  # apart from what is drawn, for of what enters only a part is stored
                self.entered -= charge
            if self.second_now_a:
                charge = self.second_now_a * (tick - self.counted)
                self.second_drawn += max(charge, 0.0)
                self.second_entered -= min(charge, 0.0)
            self.counted = tick

    def clear(self) -> None:
        """Count the charge from 0 again."""
        self.drawn = self.entered = self.posts = self.second_drawn = self.second_entered = 0.0

    def solve(self) -> None:
        """Solve where something was changed; the old solution is accounted for first."""
        if not self._dirty:
            return
        tick = self._now()
        self.count(tick)
        stale_feeds = self._stale_feeds
        for branch in self._stale:
            branch.warm_to(tick)
            branch.reduce()
            branch.stale = False
            if not branch.feed.stale:
                branch.feed.stale = True
                stale_feeds.append(branch.feed)
        for feed in stale_feeds:
            feed.reduce()
            feed.stale = False
        self._stale.clear()
        stale_feeds.clear()
        self._spread(tick)
        self._dirty = False

    def _spread(self, tick: int) -> None:
        """From the root to the fuse boxes; what is behind follows when it is asked for."""
        amps, siemens = self.starter_a, self.leak_s
        for feed in self.feeds:
            amps += feed.eq_a
            siemens += feed.eq_s
        volts = self.settle(amps, siemens)
        total = self.starter_a * self.share + self.leak_s * volts
        for feed in self.feeds:
            feed.take(volts, self.share, tick)
            total += feed.current_a
        amps = total - self.source_a[0] - self.source_a[1]
        if self.joined or self.second_now_a:
            self.second_now_a = self.second_a()
            amps -= self.second_now_a
        self.battery_a = amps

    @property
    def posts_v(self) -> float:
        """The voltage at the battery's posts, by the last solution."""
        return self.open_v() if self.cut else self.bus_v + self.meter_ohms * self.battery_a

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

    def across_v(self, fused_path: FusedPath) -> float:
        """The voltage across a fuse: current times resistance; across an empty socket all there is."""
        self.solve()
        if not fused_path.pulled:
            return fused_path.current_a * fused_path.fuse_ohms
        return fused_path.feed.volts if isinstance(fused_path, Branch) else self.bus_v

    def box_v(self, k: int, box: list[float]) -> float:
        """The voltage at a box (one of branch k's lists) behind its own lead."""
        if self._dirty:
            self.solve()
        branch = self.branches[k]
        if branch.pulled:
            return 0.0
        feed = branch.feed
        share, volts = feed.share, feed.volts  # as end_v has it, which is too slow for every settling
        volts -= (branch.fuse_ohms + branch.wire_ohms) * (branch.eq_a * share + branch.eq_s * volts)
        ohms, own_a, bank_s = box
        volts = (volts - ohms * own_a * share) / (1 + ohms * bank_s)
        return volts if volts > 0 else 0.0  # next to 0 V its own constant draw would turn the sign

    def warm_up(self, tick: int) -> None:
        """Let every fuse have the resistance of its warmth at `tick`."""
        for fused_path in self.fused_paths.values():
            fused_path.warm_to(tick)
            # each new resistance is a change of the whole circuit: none for a warmth that shows nowhere
            if abs(fused_path.warmth - fused_path.shown) > WARM_STEP:
                self.warm(fused_path, fused_path.warmth)

    def warm(self, fused_path: FusedPath, warmth: float) -> None:
        """Give a fuse the resistance of a warmth: 0 cold, 1 as at rated current."""
        fused_path.shown = warmth
        fused_path.fuse_ohms = fused_path.cold_ohms * (1 + (fused_path.hot - 1) * warmth)
        self.touch(fused_path)

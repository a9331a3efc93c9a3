"""What draws current in a vehicle by itself: lamps, twitches, and what sums loads up; each on a branch.

They change their branch's loads and plan what comes next. The simulated vehicle says when they wake.
"""

from __future__ import annotations

import random
from collections.abc import Callable

from nightdraw.vehicle.agenda import Agenda
from nightdraw.vehicle.cabin import Cabin
from nightdraw.vehicle.model import ALWAYS, ENGINE, NOT_CRANKING, Lamp, Relay, Second, Twitch
from nightdraw.vehicle.network import Branch, Network


class Loads:
    """One branch's loads by number; the branch gets their sums, each time anew so that nothing drifts."""

    def __init__(self, network: Network, branch: Branch) -> None:
        self._network = network
        self.branch = branch
        self._amps: list[float] = []
        self._siemens: list[float] = []

    def slot(self) -> int:
        """A number for one more load."""
        self._amps.append(0.0)
        self._siemens.append(0.0)
        return len(self._amps) - 1

    def draw(self, slot: int, amps: float) -> None:
        """Let a load draw a constant current."""
        if self._amps[slot] != amps:
            self._amps[slot] = amps
            self.branch.draw_a = sum(self._amps)
            self._network.touch(self.branch)

    def conduct(self, slot: int, siemens: float) -> None:
        """Let a load be a conductance."""
        if self._siemens[slot] != siemens:
            self._siemens[slot] = siemens
            self.branch.siemens = sum(self._siemens)
            self._network.touch(self.branch)

    def powered(self) -> bool:
        """Whether both fuses, its own and its feed's, are in."""
        branch = self.branch
        return not branch.pulled and not branch.feed.pulled


class LampState:
    """A lamp: lit for its time, or until it is let go, but never longer than its saver allows."""

    def __init__(self, spec: Lamp, loads: Loads, agenda: Agenda) -> None:
        self.spec = spec
        self._loads = loads
        self._slot = loads.slot()
        self._agenda = agenda
        self._lit = False
        self._until = 0
        self._saver = 0  # when the battery saver darkens it

    @property
    def conducts(self) -> float:
        """Its siemens now: none where it is dark or a fuse is out."""
        return self.spec.siemens if self._lit and self._loads.powered() else 0.0

    def light(self, now: int, stays: bool) -> None:
        """Light it; stays: until let go (a door is open), else for its time."""
        self._saver = now + self.spec.saver_ticks
        self._lit = True
        self._loads.conduct(self._slot, self.spec.siemens)
        self._stay(self._saver if stays else now + self.spec.ticks)

    def let_go(self, now: int) -> None:
        """The door is closed: its time begins, unless the saver has darkened it."""
        if self._lit:
            self._stay(now + self.spec.ticks)

    def darken(self) -> None:
        """Put it out at once."""
        self._lit = False
        self._loads.conduct(self._slot, 0.0)

    def _stay(self, until: int) -> None:
        until = self._until = min(until, self._saver)
        self._agenda.add(until, lambda: self.darken() if until == self._until else None)


class Contact:
    """A relay's contact by its name; stuck: it stays closed; failed: it stays open, unless it is stuck."""

    def __init__(self, name: str | None) -> None:
        self.name = name
        self.stuck = self.failed = False

    def follow(self) -> None:
        """Open or close by what is so now."""
        raise NotImplementedError

    def _closed(self) -> bool:
        return self.stuck or (not self.failed and self._wanted())

    def _wanted(self) -> bool:
        """Whether its coil is driven."""
        raise NotImplementedError


class JointState(Contact):
    """What joins a second battery with the first."""

    def __init__(self, spec: Second, network: Network) -> None:
        super().__init__(spec.relay)
        self._when = spec.joined
        self._network = network

    def follow(self) -> None:
        self._network.joined = self._closed()
        self._network.touch()

    def _wanted(self) -> bool:
        network = self._network
        driven = {ALWAYS: True, ENGINE: network.on[1], NOT_CRANKING: not network.starter_a}
        return driven[self._when]


class RelayState(Contact):
    """A relay with the load behind it. by_awake(): whether the module that holds it is awake."""

    def __init__(self, spec: Relay, loads: Loads, cabin: Cabin, by_awake: Callable[[], bool]) -> None:
        super().__init__(spec.name)
        self.spec = spec
        self._loads = loads
        self._slot = loads.slot()
        self._cabin = cabin
        self._by_awake = by_awake

    @property
    def conducts(self) -> float:
        """The siemens of what is behind it now."""
        return self.spec.siemens if self._closed() and self._loads.powered() else 0.0

    def follow(self) -> None:
        self._loads.conduct(self._slot, self.spec.siemens if self._closed() else 0.0)

    def _wanted(self) -> bool:
        closed = self.spec.closed
        switched = not self._cabin.conditions.isdisjoint(closed) or (self._cabin.engine and ENGINE in closed)
        return switched or self._by_awake()


class TwitchState:
    """A twitch that comes again and again; asleep(): whether the vehicle sleeps."""

    def __init__(self, spec: Twitch, loads: Loads, seed: int, agenda: Agenda, now: Callable[[], int]) -> None:
        self._spec = spec
        self._loads = loads
        self._slot = loads.slot()
        self._source = random.Random(f"nightdraw twitch {seed} {spec.name}")
        self._agenda = agenda
        self._now = now

    def plan(self, zero: int, asleep: Callable[[], bool]) -> None:
        """Plan the first one: time zero is no special instant for it."""
        low, high = self._spec.every_ticks
        while True:  # an instant meets a long interval more often than a short one
            interval = self._source.randint(low, high)
            if self._source.randint(1, high) <= interval:
                break
        self._agenda.add(zero + self._source.randint(1, interval), lambda: self._begin(asleep))

    def _begin(self, asleep: Callable[[], bool]) -> None:
        """One twitch, and the next is planned."""
        spec, at = self._spec, self._now()
        self._agenda.add(at + self._source.randint(*spec.every_ticks), lambda: self._begin(asleep))
        if not spec.asleep_only or asleep():
            self._loads.draw(self._slot, spec.draw_a)
            self._agenda.add(at + spec.on_ticks, self._end)

    def _end(self) -> None:
        self._loads.draw(self._slot, 0.0)

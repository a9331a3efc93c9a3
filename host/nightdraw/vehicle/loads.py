"""What draws current in a vehicle by itself: modules in their stages, lamps, twitches; each on a branch.

They change their branch's loads and plan what comes next. What wakes or lights them is the body's to say.
"""

from __future__ import annotations

import random
from collections.abc import Callable

from nightdraw.vehicle.agenda import NEVER, Agenda
from nightdraw.vehicle.model import Lamp, Module, Twitch
from nightdraw.vehicle.network import Branch, Network

RESET_TICKS = 3_000  # a module's own start; our own figure
SOON_TICKS = 60 * 10_000  # one that stops within so long is still on a battery that can't bear it
NAPPING, AWAKE = -1, 0  # a module's stage while asleep or dead; while awake the number of its stage


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


class ModuleState:
    """A module's way to sleep. It lives while its fuses are in, its voltage is enough and the battery
    sensor has not shed it.

    flat: it has stopped for want of voltage; back: the tick at which it looks whether it may start anew;
    falls: how often it has stopped soon after that.
    """

    def __init__(self, said: Module, loads: Loads, agenda: Agenda, now: Callable[[], int]) -> None:
        self.said = said
        self.loads = loads
        self.stage = NAPPING
        self.live = True
        self.shed = self.flat = False
        self.back = NEVER
        self.falls = 0
        self._lived = -SOON_TICKS  # when it last started anew
        self._slot = loads.slot()
        self._turn = 0  # counts wakes: a stage that an earlier wake planned is void
        self._agenda = agenda
        self._now = now
        loads.draw(self._slot, said.asleep_a)

    @property
    def draws_a(self) -> float:
        """What it draws now."""
        if not self.live:
            return 0.0
        return self.said.asleep_a if self.stage == NAPPING else self.said.stages[self.stage].draw_a

    def revive(self, stays: bool) -> None:
        """Die where a fuse is out, the voltage too low or the sensor sheds it, wake where that is over;
        `stays` as in wake()."""
        live = self.loads.powered() and not self.shed and not self.flat
        if live == self.live:
            return
        self.live = live
        self._turn += 1
        self.stage = NAPPING
        self.loads.draw(self._slot, self.said.asleep_a if live else 0.0)
        if live:
            self.wake(stays)

    def fall(self) -> None:
        """Its voltage is too low: it stops."""
        self.flat, self.back = True, NEVER
        self.falls = self.falls + 1 if self._now() - self._lived < SOON_TICKS else 0
        self.revive(False)

    def rise(self, stays: bool) -> None:
        """Its voltage is enough again: it starts anew."""
        self.flat, self.back = False, NEVER
        self._lived = self._now()
        self.revive(stays)

    @property
    def pause_ticks(self) -> int:
        """From enough voltage to its new start: twice as long each time it has stopped again soon."""
        return min(RESET_TICKS << min(self.falls, 16), SOON_TICKS)

    def wake(self, stays: bool) -> None:
        """Begin anew with the first stage; stays: it goes no further (the engine runs)."""
        if self.live and self.said.stages:
            self._turn += 1
            self._enter(AWAKE, self._turn, stays)

    def _enter(self, stage: int, turn: int, stays: bool = False) -> None:
        """Go into a stage, or to sleep behind the last, unless it was woken anew meanwhile."""
        if turn != self._turn:
            return
        stages = self.said.stages
        if stage == len(stages):
            self.stage = NAPPING
            self.loads.draw(self._slot, self.said.asleep_a)
            return
        self.stage = stage
        self.loads.draw(self._slot, stages[stage].draw_a)
        if not stays:
            self._agenda.add(self._now() + stages[stage].ticks, lambda: self._enter(stage + 1, turn))


class LampState:
    """A lamp: lit for its time, or until it is let go, but never longer than its saver allows."""

    def __init__(self, said: Lamp, loads: Loads, agenda: Agenda) -> None:
        self.said = said
        self._loads = loads
        self._slot = loads.slot()
        self._agenda = agenda
        self._lit = False
        self._until = 0
        self._saver = 0  # when the battery saver darkens it

    @property
    def conducts(self) -> float:
        """Its siemens now: none where it is dark or a fuse is out."""
        return self.said.siemens if self._lit and self._loads.powered() else 0.0

    def light(self, now: int, stays: bool) -> None:
        """Light it; stays: until let go (a door is open), else for its time."""
        self._saver = now + self.said.saver_ticks
        self._lit = True
        self._loads.conduct(self._slot, self.said.siemens)
        self._stay(self._saver if stays else now + self.said.ticks)

    def let_go(self, now: int) -> None:
        """The door is closed: its time begins, unless the saver has darkened it."""
        if self._lit:
            self._stay(now + self.said.ticks)

    def darken(self) -> None:
        """Put it out at once."""
        self._lit = False
        self._loads.conduct(self._slot, 0.0)

    def _stay(self, until: int) -> None:
        until = self._until = min(until, self._saver)
        self._agenda.add(until, lambda: self.darken() if until == self._until else None)


class TwitchState:
    """A twitch that comes again and again; asleep(): whether the vehicle sleeps."""

    def __init__(self, said: Twitch, loads: Loads, seed: int, agenda: Agenda, now: Callable[[], int]) -> None:
        self._said = said
        self._loads = loads
        self._slot = loads.slot()
        self._source = random.Random(f"nightdraw twitch {seed} {said.name}")
        self._agenda = agenda
        self._now = now

    def plan(self, zero: int, asleep: Callable[[], bool]) -> None:
        """Plan the first one: time zero is no special instant for it."""
        low, high = self._said.every_ticks
        while True:  # an instant meets a long interval more often than a short one
            interval = self._source.randint(low, high)
            if self._source.randint(1, high) <= interval:
                break
        self._agenda.add(zero + self._source.randint(1, interval), lambda: self._begin(asleep))

    def _begin(self, asleep: Callable[[], bool]) -> None:
        """One twitch, and the next is planned."""
        said, at = self._said, self._now()
        self._agenda.add(at + self._source.randint(*said.every_ticks), lambda: self._begin(asleep))
        if not said.asleep_only or asleep():
            self._loads.draw(self._slot, said.draw_a)
            self._agenda.add(at + said.on_ticks, self._end)

    def _end(self) -> None:
        self._loads.draw(self._slot, 0.0)

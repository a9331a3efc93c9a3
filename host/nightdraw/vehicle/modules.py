"""Control modules on their way to sleep, and those that wake by themselves.

A module that is woken has work to do: its stages, and what holds it awake beyond. Then it is ready to sleep,
and sleeps where no bus keeps it. The simulated vehicle says what wakes it, its buses what they do.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import TYPE_CHECKING

from nightdraw.vehicle.agenda import NEVER, Agenda
from nightdraw.vehicle.cabin import Cabin
from nightdraw.vehicle.loads import Loads
from nightdraw.vehicle.model import Calls, Module

if TYPE_CHECKING:
    from nightdraw.vehicle.buses import BusState

RESET_TICKS = 3_000  # a module's own start; our own figure
SOON_TICKS = 60 * 10_000  # one that stops within so long is still on a battery that can't bear it
WAITING, ASLEEP, AWAKE = -2, -1, 0  # ready while a bus is awake; asleep or dead; else its stage's number


class ModuleState:
    """A module's way to sleep. It is powered while its fuses are in, its voltage is enough and the battery
    sensor has not shed it.

    browned_out: it has stopped because its voltage was too low; back: the tick at which it looks whether it
    may start anew; brown_outs: how often it has stopped soon after that. buses: those that it is on; changed:
    called when it may keep other modules awake, or no longer. never_ready: a defect, it never leaves its last
    stage.
    """

    def __init__(
        self, spec: Module, loads: Loads, agenda: Agenda, now: Callable[[], int], cabin: Cabin
    ) -> None:
        self.spec = spec
        self.loads = loads
        self.stage = ASLEEP
        self.live = True
        self.shed = self.browned_out = self.never_ready = False
        self.back = NEVER
        self.brown_outs = 0
        self.buses: list[BusState] = []
        self.changed: Callable[[], None] = lambda: None
        self.followers: list[Callable[[], None]] = []  # called after each change of stage
        self._cabin = cabin
        self._lingers = False  # in its last stage beyond its time, for something holds it
        self._started = -SOON_TICKS  # when it last started anew
        self._slot = loads.slot()
        self._turn = 0  # counts wakes: a stage that an earlier wake planned is void
        self._agenda = agenda
        self._now = now
        loads.draw(self._slot, spec.asleep_a)

    @property
    def draws_a(self) -> float:
        """What it draws now."""
        if not self.live:
            return 0.0
        if self.stage == WAITING:
            return self.spec.waits_a
        return self.spec.asleep_a if self.stage == ASLEEP else self.spec.stages[self.stage].draw_a

    @property
    def needs(self) -> bool:
        """Whether it isn't ready to sleep."""
        return self.stage >= AWAKE

    def revive(self) -> None:
        """Die where a fuse is out, the voltage too low or the sensor sheds it; wake where that is over."""
        live = self.loads.powered() and not self.shed and not self.browned_out
        if live == self.live:
            return
        self.live = live
        self._turn += 1
        self._move(ASLEEP)
        if live:
            self.wake()
        self.changed()

    def brown_out(self) -> None:
        """Its voltage is too low: it stops."""
        self.browned_out, self.back = True, NEVER
        self.brown_outs = self.brown_outs + 1 if self._now() - self._started < SOON_TICKS else 0
        self.revive()

    def restart(self) -> None:
        """Its voltage is enough again: it starts anew."""
        self.browned_out, self.back = False, NEVER
        self._started = self._now()
        self.revive()

    @property
    def pause_ticks(self) -> int:
        """From enough voltage to its new start: twice as long each time it has stopped again soon."""
        return min(RESET_TICKS << min(self.brown_outs, 16), SOON_TICKS)

    def wake(self) -> None:
        """Begin anew with the first stage, and wake the buses that it is on."""
        if not self.live:
            return
        if self.spec.stages:
            self._turn += 1
            self._enter(AWAKE, self._turn)
        for bus in self.buses:
            bus.wake()

    def stay_in_last_stage(self) -> None:
        """Stand in the last stage already, as one does that has been held awake for long."""
        if self.live and self.spec.stages:
            self._turn += 1
            self._move(len(self.spec.stages) - 1)
            self._lingers = True
            for bus in self.buses:
                bus.wake()

    def wake_by_bus(self) -> None:
        """A bus was woken: be up, with no work of its own."""
        if self.live and self.stage == ASLEEP:
            self._move(WAITING)

    def bus_asleep(self) -> None:
        """A bus went to sleep: so does a module that is ready, unless another of its buses is awake."""
        if self.stage == WAITING:
            if not any(bus.awake for bus in self.buses):
                self._move(ASLEEP)
            self.changed()

    def reconsider(self) -> None:
        """What holds modules awake has changed."""
        if self._lingers and not self._held():
            self._ready()

    def _held(self) -> bool:
        return self.never_ready or self._cabin.holds(self.spec)

    def _enter(self, stage: int, turn: int) -> None:
        """Go into a stage, or be ready behind the last, unless it was woken anew meanwhile."""
        if turn != self._turn:
            return
        stages = self.spec.stages
        if stage == len(stages):
            if self._held():
                self._linger(turn)
            else:
                self._ready()
            return
        self._move(stage)
        if not self._cabin.stays(self.spec):
            self._agenda.add(self._now() + stages[stage].ticks, lambda: self._enter(stage + 1, turn))

    def _linger(self, turn: int) -> None:
        """Stay in the last stage for as long as something holds it, or until it gives up."""
        self._lingers = True
        after = self.spec.gives_up_ticks
        if after is not None and not self.never_ready:
            self._agenda.add(self._now() + after, lambda: self._ready() if turn == self._turn else None)

    def _ready(self) -> None:
        """Ready to sleep: it waits for its buses, or sleeps."""
        self._turn += 1
        self._move(WAITING if any(bus.awake for bus in self.buses) else ASLEEP)
        self.changed()

    def _move(self, stage: int) -> None:
        self.stage, self._lingers = stage, False
        self.loads.draw(self._slot, self.draws_a)
        for follow in self.followers:
            follow()


class Caller:
    """What wakes a module again and again: a schedule, or a defect (on: whether there is one)."""

    def __init__(
        self, spec: Calls, module: ModuleState, seed: int, agenda: Agenda, now: Callable[[], int]
    ) -> None:
        self._spec = spec
        self._module = module
        self._source = random.Random(f"nightdraw calls {seed} {module.spec.name}")
        self._agenda = agenda
        self._now = now
        self._turn = 0
        self._left = spec.times

    def begin(self, zero: int) -> None:
        """Let the first come when the schedule has it."""
        self._plan(zero + self._spec.first_ticks)

    def _plan(self, first: int) -> None:
        turn = self._turn
        self._agenda.add(first, lambda: self._call(turn))

    def begin_anywhere(self) -> None:
        """Let the first come at a random instant of an interval."""
        self._turn += 1
        self._plan(self._now() + self._source.randint(1, self._spec.every_ticks[1]))

    def stop(self) -> None:
        """No more of it."""
        self._turn += 1

    def driven(self) -> None:
        """The engine has run: as many times as ever are left."""
        self._left = self._spec.times

    def _call(self, turn: int) -> None:
        if turn != self._turn:
            return
        self._plan(self._now() + self._source.randint(*self._spec.every_ticks))
        if not self._spec.times or self._left:
            self._left -= 1
            self._module.wake()

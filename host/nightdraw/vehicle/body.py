"""A vehicle's own life: modules waking and falling asleep, twitches, lamps, the engine, the battery's charge.

It changes the network's loads as its agenda and the script say. It knows no box and records nothing.
"""

from __future__ import annotations

import functools
from collections.abc import Callable

from boxcore.program import TICKS_PER_S

from nightdraw.vehicle import battery, script
from nightdraw.vehicle.agenda import Agenda
from nightdraw.vehicle.loads import NAPPING, LampState, Loads, ModuleState, TwitchState
from nightdraw.vehicle.model import DOOR, FUSE, UNLOCK, Vehicle
from nightdraw.vehicle.network import Network
from nightdraw.vehicle.sensor import Watch

SLOW_TICKS = 10 * TICKS_PER_S  # the battery's charge and the fuses' warmth are brought up to date this often
SLOW_HOURS = SLOW_TICKS / TICKS_PER_S / battery.SECONDS_AN_HOUR

Say = Callable[[str], None]


class Body:
    """One vehicle from tick `zero` on: its network, its agenda, its battery's charge.

    now(): the present tick, asked by every action. A seed makes the twitches' instants. charge_pct is the
    battery's present state.
    """

    def __init__(
        self,
        vehicle: Vehicle,
        plan: script.Script,
        now: Callable[[], int],
        zero: int = 0,
        seed: int = 0,
        meter_ohms: float = 0.0,
        say: Say = lambda text: None,
    ) -> None:
        self.vehicle = vehicle
        self.network = Network(vehicle, meter_ohms, now)
        self.agenda = Agenda()
        self.charge_pct = vehicle.battery.charge_pct
        self._now = now
        self._zero = zero
        self._say = say
        self._engine = self._door_open = False
        self._engine_turn = 0  # counts cranks: a stop that an earlier one planned is void
        self._ran = False  # whether the engine was cranked or ran at all since the last slow step
        self._watch = None if vehicle.sensor is None else Watch(vehicle.sensor)
        self._loads = [Loads(self.network, branch) for branch in self.network.branches]
        self._modules = [
            ModuleState(module, self._of(module.fuse), self.agenda, now) for module in vehicle.modules
        ]
        self._lamps = [LampState(lamp, self._of(lamp.fuse), self.agenda) for lamp in vehicle.lamps]
        self._begin(plan, seed)

    def asleep(self) -> bool:
        """Whether no module is awake and the engine stands."""
        return not self._engine and all(module.stage == NAPPING for module in self._modules)

    def hungriest_a(self) -> float:
        """The most that any one module draws now."""
        return max((module.draws_a for module in self._modules), default=0.0)

    def set_charge(self, charge_pct: float) -> None:
        """Let the battery be charged so far."""
        self.charge_pct = charge_pct
        self._set_battery()

    def _of(self, fuse: str) -> Loads:
        return self._loads[self.network.fuse_places[fuse]]

    def _begin(self, plan: script.Script, seed: int) -> None:
        self._set_battery()
        for module in self._modules:
            if plan.awake:
                module.wake(False)
        for twitch in self.vehicle.twitches:
            state = TwitchState(twitch, self._of(twitch.fuse), seed, self.agenda, self._now)
            state.plan(self._zero, self.asleep)
        for event in plan.events:
            self.agenda.add(self._zero + event.at_ticks, functools.partial(self._happen, event))
        self.agenda.add(SLOW_TICKS, self._slow)

    def _happen(self, event: script.Event) -> None:
        action, word = event.action, event.word
        if action == script.PULL:
            self._pull(word, True)
        elif action == script.BACK:
            self._pull(word, False)
        elif action == script.DOOR:
            self._move_door(word == "opens")
        elif action == script.CAR:
            self._lock(word == "locked")
        elif action == script.CHARGER:
            self.network.on[0] = word == "on"
            self.network.touch()
        elif action == script.ENGINE:
            self._crank(event.ticks)

    def _pull(self, fuse: str, out: bool) -> None:
        """Pull a fuse, a main fuse too, or put it back: what is behind it dies, or wakes."""
        limb = self.network.limbs[fuse]
        limb.pulled = out
        self.network.touch(limb)
        for module in self._modules:
            module.revive(self._engine)
        self._stir(FUSE)
        self._light(FUSE)

    def _move_door(self, opens: bool) -> None:
        """A door opens or closes: both stir modules; lamps are lit, or their time begins."""
        was_open, self._door_open = self._door_open, opens
        self._stir(DOOR)
        if opens:
            self._light(DOOR)
        elif was_open:
            for lamp in self._lamps:
                if DOOR in lamp.said.lit:
                    lamp.let_go(self._now())

    def _lock(self, locked: bool) -> None:
        """The car is locked or unlocked: both stir modules; locking darkens lamps, unless a door is open."""
        self._stir(UNLOCK)
        if not locked:
            self._light(UNLOCK)
        elif not self._door_open:
            for lamp in self._lamps:
                if DOOR in lamp.said.lit or UNLOCK in lamp.said.lit:
                    lamp.darken()

    def _stir(self, what: str) -> None:
        """Wake every module that this concerns."""
        for module in self._modules:
            if what in module.said.wakes:
                module.wake(self._engine)

    def _light(self, what: str) -> None:
        """Light every lamp that this concerns; an open door holds those that it lights."""
        for lamp in self._lamps:
            if what in lamp.said.lit:
                lamp.light(self._now(), self._door_open and DOOR in lamp.said.lit)

    def _crank(self, ticks: int) -> None:
        """The engine is cranked; where the battery is good for it, it then runs and everything is awake."""
        starter, cell = self.vehicle.starter, self.vehicle.battery
        wait, starts = 0, True
        if starter is not None:
            self.network.starter_a, wait = starter.draw_a, starter.ticks
            self.network.touch()
            starts = battery.starts(cell, self.charge_pct, starter.draw_a)
        self._engine = self._ran = True
        self._engine_turn += 1
        for module in self._modules:
            module.wake(True)
        self.agenda.add(
            self._now() + wait, functools.partial(self._cranked, self._engine_turn, ticks, starts)
        )

    def _cranked(self, turn: int, ticks: int, starts: bool) -> None:
        if turn != self._engine_turn:  # it is being cranked anew
            return
        self.network.starter_a = 0.0
        self.network.on[1] = starts
        self.network.touch()
        if starts:
            self.agenda.add(self._now() + ticks, lambda: self._stop(turn))
            if self._watch is not None and self._watch.started():
                self._shed(False)
        else:
            self._tell("the engine doesn't start: the battery is too weak", self._now())
            self._stop(turn)

    def _stop(self, turn: int) -> None:
        """The engine stops, unless it was cranked anew meanwhile; everything is on its way to sleep."""
        if turn != self._engine_turn:
            return
        self._engine = False
        self.network.on[1] = False
        self.network.touch()
        for module in self._modules:
            module.wake(False)

    def _slow(self) -> None:
        """Bring the battery, the fuses' warmth and the battery sensor up to date."""
        now, network, cell = self._now(), self.network, self.vehicle.battery
        network.count(now)
        drawn_a, network.drawn = network.drawn / SLOW_TICKS, 0.0
        self.charge_pct = battery.after(cell, self.charge_pct, drawn_a, SLOW_HOURS)
        self._set_battery()
        network.warm_up(now)
        self._sense(drawn_a, now)
        self.agenda.add(now + SLOW_TICKS, self._slow)

    def _set_battery(self) -> None:
        cell = self.vehicle.battery
        self.network.voc_v = battery.rest_v(cell, self.charge_pct)
        self.network.battery_ohms = battery.ohms(cell, self.charge_pct)
        self.network.charge_ohms = battery.charge_ohms(cell, self.charge_pct)
        self.network.touch()

    def _sense(self, drawn_a: float, now: int) -> None:
        """Let the battery sensor have the step's mean draw and the charge."""
        ran, self._ran = self._ran, self._engine
        watch = self._watch
        if watch is None:
            return
        if watch.draws(drawn_a, now - SLOW_TICKS, now, ran):
            self._tell(f"the battery sensor notes a draw of {drawn_a * 1000:.0f} mA: scan and clear it", now)
        if watch.charged(self.charge_pct, ran):
            self._shed(True)

    def _shed(self, off: bool) -> None:
        """Switch what may be shed off, or let it on again."""
        said = "sheds" if off else "lets on again"
        for module in self._modules:
            if module.said.sheds:
                module.shed = off
                module.revive(self._engine)
                self._tell(f"the battery sensor {said} {module.said.name}", self._now())

    def _tell(self, text: str, now: int) -> None:
        self._say(f"{text} (at {(now - self._zero) / TICKS_PER_S / 60:.1f} min)")

"""A simulated vehicle: modules waking and falling asleep, twitches, lamps, the engine, the battery's charge.

It changes the network's loads as its agenda and the script say. It knows no box and records nothing."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import ClassVar

from boxcore.program import TICKS_PER_S

from nightdraw.vehicle import battery, script
from nightdraw.vehicle.agenda import Agenda
from nightdraw.vehicle.buses import connect, stand
from nightdraw.vehicle.cabin import Cabin
from nightdraw.vehicle.cells import SLOW_TICKS, Cells
from nightdraw.vehicle.cranking import levels
from nightdraw.vehicle.defects import Defects, Parts
from nightdraw.vehicle.loading import NOMINAL_V
from nightdraw.vehicle.loads import Contact, JointState, LampState, Loads, RelayState, TwitchState
from nightdraw.vehicle.model import (
    DOOR,
    FUSE,
    KEY,
    UNLOCK,
    UNLOCKED,
    Relay,
    Vehicle,
)
from nightdraw.vehicle.modules import ASLEEP, Caller, ModuleState
from nightdraw.vehicle.network import Network
from nightdraw.vehicle.sensor import SensorState
from nightdraw.vehicle.undervoltage import Undervoltage

Say = Callable[[str], None]


class SimulatedVehicle:
    """One vehicle from tick `zero` on: its network, its agenda, its battery's charge.

    now(): the present tick, asked by every action. A seed makes the twitches' instants.
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
        self._now = now
        self._zero = zero
        self._say = say
        self.cells = Cells(vehicle, self.network, self._tell)
        self.cabin = Cabin()
        self._engine_turn = 0  # counts cranks: a stop that an earlier one planned is void
        self._ran = False  # whether the engine was cranked or ran at all since the last slow step
        self._sensor = None if vehicle.sensor is None else SensorState(vehicle.sensor)
        self._loads = [Loads(self.network, branch) for branch in self.network.branches]
        self._modules = [
            ModuleState(module, self._of(module.fuse), self.agenda, now, self.cabin)
            for module in vehicle.modules
        ]
        self.undervoltage = Undervoltage(vehicle, self.network, self._modules, self.agenda, now)
        self._buses = connect(vehicle, self._modules, self.agenda, now)
        self._lamps = [LampState(lamp, self._of(lamp.fuse), self.agenda) for lamp in vehicle.lamps]
        self._callers = [
            Caller(module.spec.calls, module, seed, self.agenda, now)
            for module in self._modules
            if module.spec.calls is not None
        ]
        self._relays = [self._relay(relay) for relay in vehicle.relays]
        joints = [] if vehicle.second is None else [JointState(vehicle.second, self.network)]
        self._contacts: list[Contact] = [*self._relays, *joints]
        loads = {fuse.name: self._of(fuse.name) for fuse in vehicle.fuses}
        parts = Parts(self.network, loads, self._modules, self._contacts, self.cabin, self._sensor)
        self.defects = Defects(vehicle, parts, seed, self.agenda, now)
        self._begin(plan, seed)

    def asleep(self) -> bool:
        """Whether no module is awake and the engine stands."""
        return not self.cabin.engine and all(module.stage == ASLEEP for module in self._modules)

    def largest_draw_a(self) -> float:
        """The most that any one module draws now."""
        return max((module.draws_a for module in self._modules), default=0.0)

    def drawn(self) -> dict[tuple[str, str], float]:
        """What each module and lamp draws now, by its name and its fuse; a lamp at its nominal voltage."""
        nominal_v = NOMINAL_V * self.vehicle.battery.in_series
        found = {(module.spec.name, module.spec.fuse): module.draws_a for module in self._modules}
        for lamp in self._lamps:
            found[f"lamp {lamp.spec.name}", lamp.spec.fuse] = lamp.conducts * nominal_v
        for relay in self._relays:
            found[f"relay {relay.spec.name}", relay.spec.fuse] = relay.conducts * nominal_v
        for (name, fuse), siemens in self.defects.leaks().items():
            powered = self._of(fuse).powered()
            found[f"defect {name}", fuse] = siemens * nominal_v if powered else 0.0
        return found

    @property
    def charge_pct(self) -> float:
        """The battery's present charge."""
        return self.cells.charge_pct

    @property
    def surface_v(self) -> float:
        """The battery's present surface charge, volts."""
        return self.cells.surface_v

    def _of(self, fuse: str) -> Loads:
        return self._loads[self.network.fuse_places[fuse]]

    def _relay(self, spec: Relay) -> RelayState:
        by = next((module for module in self._modules if module.spec.name == spec.by), None)
        if by is None:
            return RelayState(spec, self._of(spec.fuse), self.cabin, lambda: False)
        relay = RelayState(spec, self._of(spec.fuse), self.cabin, lambda: by.live and by.stage != ASLEEP)
        by.followers.append(relay.follow)
        return relay

    def _switch(self) -> None:
        """Let relays and a second battery follow the ignition and the engine."""
        for contact in self._contacts:
            contact.follow()

    def _begin(self, plan: script.Script, seed: int) -> None:
        self._switch()
        self.defects.begin()
        stand(self._buses)
        if plan.awake and self._now() < self._zero:
            self.agenda.add(self._zero, self._wake_all)
        elif plan.awake:
            self._wake_all()
        for caller in self._callers:
            caller.begin(self._zero)
        for twitch in self.vehicle.twitches:
            state = TwitchState(twitch, self._of(twitch.fuse), seed, self.agenda, self._now)
            state.plan(self._zero, self.asleep)
        for event in plan.events:
            self.agenda.add(self._zero + event.at_ticks, functools.partial(self.happen, event))
        self.agenda.add(SLOW_TICKS, self._slow)

    @property
    def engine(self) -> bool:
        """Whether it is cranked or runs."""
        return self.cabin.engine

    @property
    def door_open(self) -> bool:
        """Whether a door is open."""
        return self.cabin.door_open

    def refuses(self, event: script.Event) -> str | None:
        """Why something can't happen now; None where it can."""
        action, word = event.action, event.word
        if action in (script.PULL, script.BACK):
            pulled = self.network.fused_paths[word].pulled
            if pulled == (action == script.PULL):
                return f"fuse {word} is {'out already' if pulled else 'in already'}"
        elif action in (script.DEFECT, script.MENDED):
            there = word in self.defects.present()
            if there == (action == script.DEFECT):
                return f"the defect {word} {'is there already' if there else 'is not there'}"
        elif action == script.LATCH and not self.cabin.door_open:
            return "the door is closed, its latch can't be reached"
        elif action == script.DOOR and word == "closes" and self.cabin.blocked:
            return "the door doesn't close on a closed latch: open the latch before"
        return None

    def happen(self, event: script.Event) -> None:
        """Let something happen to the vehicle now, whatever its time says."""
        if event.action == script.ENGINE:
            self._crank(event.ticks)
        else:
            self._ACTIONS[event.action](self, event.word)

    def _pull(self, fuse: str) -> None:
        """Pull a fuse, a main fuse too: what is behind it dies."""
        self._move_fuse(fuse, True)

    def _put_back(self, fuse: str) -> None:
        """Put a fuse back: what is behind it wakes."""
        self._move_fuse(fuse, False)

    def _move_fuse(self, fuse: str, out: bool) -> None:
        fused_path = self.network.fused_paths[fuse]
        fused_path.pulled = out
        self.network.touch(fused_path)
        for module in self._modules:
            module.revive()
        self._wake_by(FUSE)
        self._light(FUSE)

    def _move_door(self, word: str) -> None:
        """A door opens or closes, its latch with it."""
        was_open = self.cabin.seen_open
        self._seen(self.cabin.move_door(word == "opens"), was_open)

    def _move_latch(self, word: str) -> None:
        """A door's latch is opened or closed, whatever the door does."""
        self._seen(self.cabin.move_latch(word == "opens"))

    def _seen(self, sees: bool, was_open: bool = True) -> None:
        """Modules and lamps see a door open or close: both wake modules; lamps are lit, or their time
        begins."""
        if not sees:
            return
        self._wake_by(DOOR)
        if self.cabin.seen_open:
            self._light(DOOR)
        elif was_open:
            for lamp in self._lamps:
                if DOOR in lamp.spec.lit:
                    lamp.let_go(self._now())

    def _lock(self, word: str) -> None:
        """The car is locked or unlocked: both wake modules; locking darkens lamps, unless a door is open."""
        locked = word == "locked"
        self.cabin.set(UNLOCKED, not locked)
        self._wake_by(UNLOCK)
        if not locked:
            self._light(UNLOCK)
        elif not self.cabin.seen_open:
            for lamp in self._lamps:
                if DOOR in lamp.spec.lit or UNLOCK in lamp.spec.lit:
                    lamp.darken()

    def _turn_ignition(self, word: str) -> None:
        """The ignition is turned to a position: what it switches wakes, and is held by it or let go."""
        self._wake_by(*self.cabin.turn_ignition(word))
        self._switch()

    def _move_key(self, word: str) -> None:
        """The key comes near, or goes: only its coming wakes."""
        self.cabin.set(KEY, word == "near")
        self._wake_by(*((KEY,) if word == "near" else ()))

    def _switch_charger(self, word: str) -> None:
        self.network.on[0] = word == "on"
        self.network.touch()

    def _break(self, name: str) -> None:
        """A defect comes about."""
        self._seen(self.defects.switch(name, True))

    def _mend(self, name: str) -> None:
        """A defect is mended."""
        self._seen(self.defects.switch(name, False))

    _ACTIONS: ClassVar[dict[str, Callable[[SimulatedVehicle, str], None]]] = {
        script.PULL: _pull, script.BACK: _put_back, script.DOOR: _move_door, script.LATCH: _move_latch,
        script.CAR: _lock, script.IGNITION: _turn_ignition, script.KEY: _move_key,
        script.CHARGER: _switch_charger, script.DEFECT: _break, script.MENDED: _mend,
    }  # fmt: skip

    def _wake_by(self, *what: str) -> None:
        """Wake every module that one of these concerns; the others see what holds them."""
        for module in self._modules:
            if not module.spec.wakes_by.isdisjoint(what):
                module.wake()
            else:
                module.reconsider()

    def _light(self, what: str) -> None:
        """Light every lamp that this concerns; an open door holds those that it lights."""
        for lamp in self._lamps:
            if what in lamp.spec.lit:
                lamp.light(self._now(), self.cabin.seen_open and DOOR in lamp.spec.lit)

    def _crank(self, ticks: int) -> None:
        """The engine is cranked; where the battery is good for it, it then runs and everything is awake."""
        starter, cell = self.vehicle.starter, self.vehicle.battery
        wait, starts = 0, True
        self.cabin.engine = self._ran = True
        self._engine_turn += 1
        if starter is not None:
            wait, now = starter.ticks, self._now()
            starts = battery.starts(cell, self.cells.charge_pct, starter.draw_a)
            first, *later = levels(starter)[:-1]
            self._turn_over(self._engine_turn, first[1])
            for after, amps in later:
                self.agenda.add(now + after, functools.partial(self._turn_over, self._engine_turn, amps))
        self._wake_all()
        self.agenda.add(
            self._now() + wait, functools.partial(self._cranked, self._engine_turn, ticks, starts)
        )

    def _turn_over(self, turn: int, amps: float) -> None:
        """The starter draws so much from now on."""
        if turn == self._engine_turn:
            self.network.starter_a = amps
            self.network.touch()
            self._switch()

    def _cranked(self, turn: int, ticks: int, starts: bool) -> None:
        if turn != self._engine_turn:  # it is being cranked anew
            return
        self.network.starter_a = 0.0
        self.network.on[1] = starts
        self.network.touch()
        self._switch()
        if starts:
            self.agenda.add(self._now() + ticks, lambda: self._stop(turn))
            if self._sensor is not None and self._sensor.started():
                self._shed(False)
        else:
            self._tell("the engine doesn't start: the battery is too weak", self._now())
            self._stop(turn)

    def _stop(self, turn: int) -> None:
        """The engine stops, unless it was cranked anew meanwhile; everything is on its way to sleep."""
        if turn != self._engine_turn:
            return
        self.cabin.engine = False
        for caller in self._callers:
            caller.driven()
        self.network.starter_a, self.network.on[1] = 0.0, False
        self.network.touch()
        self._switch()
        self._wake_all()

    def _wake_all(self) -> None:
        for module in self._modules:
            module.wake()

    def stall(self) -> None:
        """The engine stops, or is cranked no further: nothing feeds its starter any more."""
        self._engine_turn += 1
        self._stop(self._engine_turn)

    def _slow(self) -> None:
        """Bring the batteries, the fuses' warmth and the battery sensor up to date."""
        now = self._now()
        mean_a = self.cells.slow(now)
        self.network.warm_up(now)
        self._sense(mean_a, now)
        self.cells.judge(now)
        self.agenda.add(now + SLOW_TICKS, self._slow)

    def _sense(self, drawn_a: float, now: int) -> None:
        """Let the battery sensor have the step's mean draw and the charge."""
        ran, self._ran = self._ran, self.cabin.engine
        sensor = self._sensor
        if sensor is None:
            return
        if sensor.draws(drawn_a, now - SLOW_TICKS, now, ran):
            self._tell(f"the battery sensor notes a draw of {drawn_a * 1000:.0f} mA: scan and clear it", now)
        if sensor.charged(self.cells.charge_pct, ran):
            self._shed(True)

    def _shed(self, off: bool) -> None:
        """Switch what may be shed off, or let it on again."""
        does = "sheds" if off else "lets on again"
        for module in self._modules:
            if module.spec.sheds:
                module.shed = off
                module.revive()
                self._tell(f"the battery sensor {does} {module.spec.name}", self._now())

    def _tell(self, text: str, now: int) -> None:
        self._say(f"{text} (at {(now - self._zero) / TICKS_PER_S / 60:.1f} min)")

"""A vehicle's own life: modules waking and falling asleep, twitches, lamps, the engine, the battery's charge.

It changes the network's loads as its agenda and the script say. It knows no box and records nothing.
"""

from __future__ import annotations

import functools
import heapq
import math
import random
from collections.abc import Callable

from boxcore.program import TICKS_PER_S

from nightdraw.vehicle import battery, script
from nightdraw.vehicle.model import DOOR, FUSE, UNLOCK, Lamp, Module, Twitch, Vehicle
from nightdraw.vehicle.network import Branch, Network

NEVER = 1 << 62  # a tick that never comes
SLOW_TICKS = 10 * TICKS_PER_S  # the battery's charge and the fuses' warmth are brought up to date this often
WARM_S = 30.0  # a blade fuse's resistance follows its current with this time constant (our own figure)
WARM_STEP = 1e-4  # a change of warmth smaller than this changes no digit that anyone reads
NAPPING, AWAKE = -1, 0  # a module's stage while asleep; while awake the number of its stage

Say = Callable[[str], None]


class Agenda:
    """What will happen when; equal ticks in the order of entry."""

    def __init__(self) -> None:
        self._heap: list[tuple[int, int, Callable[[], None]]] = []
        self._entries = 0

    def add(self, tick: int, action: Callable[[], None]) -> None:
        """Let `action` happen at `tick`."""
        self._entries += 1
        heapq.heappush(self._heap, (tick, self._entries, action))

    def next(self) -> int:
        """The tick of the next entry, NEVER where there is none."""
        return self._heap[0][0] if self._heap else NEVER

    def run(self, tick: int) -> None:
        """Let everything happen that is due."""
        while self._heap and self._heap[0][0] <= tick:
            heapq.heappop(self._heap)[2]()


class _Loads:
    """One branch's loads by number; the branch gets their sums, each time anew so that nothing drifts."""

    def __init__(self, network: Network, branch: Branch) -> None:
        self._network = network
        self.branch = branch
        self._amps: list[float] = []
        self._siemens: list[float] = []

    def slot(self) -> int:
        self._amps.append(0.0)
        self._siemens.append(0.0)
        return len(self._amps) - 1

    def draw(self, slot: int, amps: float) -> None:
        if self._amps[slot] != amps:
            self._amps[slot] = amps
            self.branch.draw_a = sum(self._amps)
            self._network.touch(self.branch)

    def conduct(self, slot: int, siemens: float) -> None:
        if self._siemens[slot] != siemens:
            self._siemens[slot] = siemens
            self.branch.siemens = sum(self._siemens)
            self._network.touch(self.branch)


class _Module:
    def __init__(self, said: Module, loads: _Loads) -> None:
        self.said = said
        self.loads = loads
        self.slot = loads.slot()
        self.stage = NAPPING
        self.turn = 0  # counts wakes: a stage that an earlier wake planned is void
        self.shed = False


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
        self.network = Network(vehicle, meter_ohms)
        self.agenda = Agenda()
        self.charge_pct = vehicle.battery.charge_pct
        self._now = now
        self._zero = zero
        self._say = say
        self._awake = 0
        self._engine = False
        self._logged = False
        self._over_since = NEVER
        self._warmth = [0.0] * len(vehicle.fuses)
        self._drawn_as = 0.0  # ampere-seconds out of the battery since the last slow step
        self._drawn_to = 0
        self._loads = [_Loads(self.network, branch) for branch in self.network.branches]
        self._modules = [_Module(module, self._of(module.fuse)) for module in vehicle.modules]
        self._lamps = [_LampState(lamp, self._of(lamp.fuse)) for lamp in vehicle.lamps]
        self._begin(plan, seed)

    def pass_time(self, tick: int) -> None:
        """Count the charge that was drawn up to `tick` by what the last solution said."""
        if tick > self._drawn_to:
            self._drawn_as += self.network.battery_a * (tick - self._drawn_to) / TICKS_PER_S
            self._drawn_to = tick

    def asleep(self) -> bool:
        """Whether every module sleeps and the engine stands."""
        return self._awake == 0 and not self._engine

    def _of(self, fuse: str) -> _Loads:
        return self._loads[self.network.fuse_places[fuse]]

    def _begin(self, plan: script.Script, seed: int) -> None:
        self._set_battery()
        for module in self._modules:
            module.loads.draw(module.slot, module.said.asleep_a)
            if plan.awake:
                self._wake(module)
        for twitch in self.vehicle.twitches:
            source = random.Random(f"nightdraw twitch {seed} {twitch.name}")
            loads = self._of(twitch.fuse)
            start = self._zero + source.randint(0, twitch.every_ticks[1])
            self.agenda.add(start, _TwitchState(self, twitch, loads, source).begin)
        for event in plan.events:
            self.agenda.add(self._zero + event.at_ticks, functools.partial(self._happen, event))
        self.agenda.add(SLOW_TICKS, self._slow)

    def _happen(self, event: script.Event) -> None:
        action, word = event.action, event.word
        if action == script.PULL:
            self._pull(word, True)
        elif action == script.BACK:
            self._pull(word, False)
        elif action == script.DOOR and word == "opens":
            self._stir(DOOR)
        elif action == script.CAR and word == "unlocked":
            self._stir(UNLOCK)
        elif action == script.CHARGER:
            self.network.on[0] = word == "on"
            self.network.touch()
        elif action == script.ENGINE:
            self._crank(event.ticks)

    def _pull(self, fuse: str, out: bool) -> None:
        loads = self._of(fuse)
        loads.branch.pulled = out
        self.network.touch(loads.branch)
        if not out:
            for module in self._modules:
                if module.loads is loads:
                    self._wake(module)
        self._stir(FUSE)

    def _stir(self, what: str) -> None:
        """Wake every module and light every lamp that this concerns."""
        for module in self._modules:
            if what in module.said.wakes:
                self._wake(module)
        for lamp in self._lamps:
            if what in lamp.said.lit:
                lamp.light(self.agenda, self._now())

    def _wake(self, module: _Module) -> None:
        if module.said.stages:
            module.turn += 1
            self._enter(module, AWAKE, module.turn)

    def _enter(self, module: _Module, stage: int, turn: int) -> None:
        """Put a module into a stage, or to sleep behind the last, unless it was woken anew meanwhile."""
        if turn != module.turn:
            return
        stages = module.said.stages
        self._awake += (stage < len(stages)) - (module.stage != NAPPING)
        if stage == len(stages):
            module.stage = NAPPING
            self._draw(module, module.said.asleep_a)
            return
        module.stage = stage
        self._draw(module, stages[stage].draw_a)
        if not self._engine:
            later = self._now() + stages[stage].ticks
            self.agenda.add(later, lambda: self._enter(module, stage + 1, turn))

    def _draw(self, module: _Module, amps: float) -> None:
        module.loads.draw(module.slot, 0.0 if module.shed else amps)

    def _crank(self, ticks: int) -> None:
        """The engine is started; after cranking the alternator charges and everything is awake."""
        starter = self.vehicle.starter
        wait = 0
        if starter is not None:
            self.network.starter_a, wait = starter.draw_a, starter.ticks
            self.network.touch()
        self._engine = True
        for module in self._modules:
            self._wake(module)
        self.agenda.add(self._now() + wait, self._run)
        self.agenda.add(self._now() + wait + ticks, self._stall)

    def _run(self) -> None:
        self.network.starter_a = 0.0
        self.network.on[1] = True
        self.network.touch()

    def _stall(self) -> None:
        self._engine = False
        self.network.on[1] = False
        self.network.touch()
        for module in self._modules:
            self._wake(module)

    def _slow(self) -> None:
        """Bring the battery, the fuses' warmth and the battery sensor up to date."""
        now = self._now()
        self.pass_time(now)
        cell = self.vehicle.battery
        drawn_a = self._drawn_as * TICKS_PER_S / SLOW_TICKS
        hours = SLOW_TICKS / TICKS_PER_S / battery.SECONDS_AN_HOUR
        self.charge_pct = battery.after(cell, self.charge_pct, drawn_a, hours)
        self._drawn_as = 0.0
        self._set_battery()
        self._warm()
        self._sense(drawn_a, now)
        self.agenda.add(now + SLOW_TICKS, self._slow)

    def _set_battery(self) -> None:
        cell = self.vehicle.battery
        self.network.voc_v = battery.ocv_v(cell.type, self.charge_pct, cell.temp_c)
        self.network.battery_ohms = battery.ohms(cell, self.charge_pct)
        self.network.touch()

    def _warm(self) -> None:
        share = -math.expm1(-SLOW_TICKS / TICKS_PER_S / WARM_S)
        for k, branch in enumerate(self.network.branches):
            target = (branch.current_a / branch.rating_a) ** 2
            warmth = self._warmth[k] + (target - self._warmth[k]) * share
            if abs(warmth - self._warmth[k]) > WARM_STEP:
                self.network.warm(k, warmth)
            self._warmth[k] = warmth

    def _sense(self, drawn_a: float, now: int) -> None:
        sensor = self.vehicle.sensor
        if sensor is None:
            return
        over = drawn_a > sensor.logs_above_a and not self._engine
        self._over_since = min(self._over_since, now) if over else NEVER
        if over and not self._logged and now - self._over_since >= sensor.logs_after_ticks:
            self._logged = True
            self._tell(f"the battery sensor notes a draw of {drawn_a * 1000:.0f} mA: scan and clear it", now)
        if self.charge_pct < sensor.sheds_below_pct:
            for module in self._modules:
                if module.said.sheds and not module.shed:
                    module.shed = True
                    self._draw(module, 0.0)
                    self._tell(f"the battery sensor sheds {module.said.name}", now)

    def _tell(self, text: str, now: int) -> None:
        self._say(f"{text} (at {(now - self._zero) / TICKS_PER_S / 60:.1f} min)")


class _LampState:
    def __init__(self, said: Lamp, loads: _Loads) -> None:
        self.said = said
        self._loads = loads
        self._slot = loads.slot()
        self._until = 0

    def light(self, agenda: Agenda, now: int) -> None:
        self._until = now + self.said.ticks
        until = self._until
        self._loads.conduct(self._slot, self.said.siemens)
        agenda.add(until, lambda: self._darken(until))

    def _darken(self, until: int) -> None:
        if until == self._until:
            self._loads.conduct(self._slot, 0.0)


class _TwitchState:
    def __init__(self, body: Body, said: Twitch, loads: _Loads, source: random.Random) -> None:
        self._body = body
        self._said = said
        self._loads = loads
        self._slot = loads.slot()
        self._source = source
        self._at = 0

    def begin(self) -> None:
        """One twitch, and the next is planned."""
        body, said = self._body, self._said
        self._at = body._now()
        body.agenda.add(self._at + self._source.randint(*said.every_ticks), self.begin)
        if not said.asleep_only or body.asleep():
            self._loads.draw(self._slot, said.draw_a)
            body.agenda.add(self._at + said.on_ticks, self.end)

    def end(self) -> None:
        """The twitch is over."""
        self._loads.draw(self._slot, 0.0)

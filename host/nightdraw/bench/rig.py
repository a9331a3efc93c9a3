"""Boxes in a vehicle: each box's real code, the vehicle's events and the circuit, by events on one clock.

Whatever changes a current anywhere (a gate, a module, a fuse, the battery's charge) is solved for at its own
tick, so the true signals are piecewise constant and exact. Nothing is decided for a box or measured here.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from boxcore.port import NOT_MEASURED

from nightdraw.bench.hal import NEVER
from nightdraw.bench.plant import ADC_STEP_MV, MONITOR_STEP_UA, NS_PER_S, Plant, Point
from nightdraw.bench.setup import Bench
from nightdraw.bench.world import SETTLED_TICKS, World
from nightdraw.vehicle import model, script
from nightdraw.vehicle.modules import RESET_TICKS, SOON_TICKS
from nightdraw.vehicle.network import Network
from nightdraw.vehicle.simulated import Say, SimulatedVehicle

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

POWER_LOST_V = 5.5  # the box's converter needs this for its 5 V; below it the processor stops
POWER_BACK_V = 6.0  # and comes back from here on
MV_PER_V = 1000.0


class Outlet(Plant):
    """What one box hangs on: its bank behind a splice's lead, on a branch of the vehicle's network."""

    def __init__(self, real: Plant, network: Network, place: int, lead_ohms: float) -> None:
        super().__init__(real.channels_ns, real.own_ua, real.monitor, real.faults)
        self._network = network
        self._place = place
        self._box = [lead_ohms, 0.0, 0.0]
        self._siemens: dict[int, float] = {}
        self._read_at, self._read_with = -1, 0  # the network's count of changes and the pattern of ...
        self._reading = 0, 0  # ... this reading
        network.branches[place].boxes.append(self._box)
        self.play(0)

    @property
    def supply_v(self) -> float:
        """The true voltage at the box now."""
        return self._network.box_v(self._place, self._box)

    def play(self, pattern: int) -> None:
        """Drive the gates to a pattern."""
        self._box[1] = self.own_ua / 1e6 if self.powered else 0.0
        self._box[2] = self._conductance(pattern if self.powered else 0)
        self._network.touch(self._network.branches[self._place])

    def power(self, on: bool) -> None:
        """Take the box's power away or give it back; a stuck switch conducts while there is a voltage."""
        self.powered = on
        self.play(0)

    def point(self, pattern: int) -> Point:
        """The operating point with another pattern than the one that plays; the network is left as it was."""
        playing = self._box[2]
        self._box[2] = self._conductance(pattern)
        self._network.touch(self._network.branches[self._place])
        volts = self.supply_v
        bank_a = volts * self._box[2]
        self._box[2] = playing
        self._network.touch(self._network.branches[self._place])
        self._network.solve()  # the trial must not be taken for the present solution
        return Point(bank_a + self._box[1], bank_a, volts)

    def sensed(self, pattern: int) -> tuple[int, int]:
        """What the box's converters read: supply millivolts, bank microamperes or NOT_MEASURED."""
        # most readings find nothing changed
        if self._network.changes != self._read_at or pattern != self._read_with:
            self._reading = self._read(pattern)
            self._read_at, self._read_with = self._network.changes, pattern
        return self._reading

    def _read(self, pattern: int) -> tuple[int, int]:
        siemens = self._conductance(pattern)
        volts = self.supply_v if siemens == self._box[2] else self.point(pattern).supply_v
        bank_ua = _steps(volts * siemens * 1e6, MONITOR_STEP_UA) if self.monitor else NOT_MEASURED
        return _steps(volts * 1e3, ADC_STEP_MV), bank_ua

    def _conductance(self, pattern: int) -> float:
        siemens = self._siemens.get(pattern)
        if siemens is None:
            closed = pattern & self._working | self._stuck
            siemens = sum(ns for k, ns in enumerate(self.channels_ns) if closed >> k & 1) / NS_PER_S
            self._siemens[pattern] = siemens
        return siemens


class BoxWorld(World):
    """A World whose time is driven from outside and whose supply is a place in a vehicle.

    boots: each boot's number and the tick that it began at. passes: lets so many ticks pass, where somebody
    at this box's link may ask for it.
    """

    def __init__(self, bench: Bench, outlet: Outlet, splice: str, tick: int = 0) -> None:
        self.splice = splice
        self.outlet = outlet
        self.boots: dict[int, int] = {}
        self.passes: Callable[[int], None] | None = None
        self._noted_mv = -1
        self._next_due = NEVER
        self._back = NEVER  # without power: when it may come back
        self._powered, self._brown_outs = (
            -SOON_TICKS,
            0,
        )  # the tick of its last start; sags of its own in a row
        super().__init__(bench.board, outlet, bench.store(), f"BENCH-{splice}")

    def wake(self) -> int:
        """The next tick at which this box or its gates have something to do."""
        change = self.hal.next_change()
        due = self._next_due = self._back if self.box is None else self._due(change)
        return due if due < change else change

    def advance(self, ticks: int) -> None:
        """Let time pass for the whole rig that this box is in; only a served one is asked."""
        assert self.passes is not None, "this rig's time is driven from outside"
        self.passes(ticks)

    def run_due(self, tick: int) -> None:
        """Do what is due at `tick`, by what wake() found last."""
        if self.box is not None and self._next_due <= tick:
            self._visit(self.box, tick)
        elif self.box is None and self._back <= tick:
            self.follow_supply(tick)
        else:
            self.reach(tick)

    def reach(self, tick: int) -> None:
        """Let time pass to `tick`; nothing may be due before it."""
        self.tick = tick
        self.hal.settle(tick)

    def follow_supply(self, tick: int) -> bool:
        """Let the box have the supply as it is now; True where the box lost or got its power."""
        volts = self.outlet.supply_v
        if self.box is None:
            return self._revive(tick, volts)
        if volts < POWER_LOST_V:
            self.reach(tick)
            self.cut_power()
            soon = (
                volts > 0 and tick - self._powered < SOON_TICKS
            )  # it pulls its own supply down, no fuse does
            self._brown_outs, self._back = self._brown_outs + 1 if soon else 0, NEVER
            return True
        supply_mv = _steps(volts * 1e3, ADC_STEP_MV)
        if supply_mv != self._noted_mv:
            self._noted_mv = supply_mv
            if self.tick < tick:
                self.reach(tick)
            self._settled_tick = tick + SETTLED_TICKS  # it senses anew until the reading has stood
        return False

    def _revive(self, tick: int, volts: float) -> bool:
        """Give the box its power back where it has enough: at once, or later where it has pulled the supply
        down before; True where it got it."""
        if volts < POWER_BACK_V:
            self._back = NEVER
            return False
        if self._back == NEVER:
            again = self._brown_outs
            self._back = tick + (min(RESET_TICKS << min(again, 16), SOON_TICKS) if again else 0)
        if tick < self._back:
            return False
        self._back, self._powered = NEVER, tick
        self.reach(tick)
        self.restore_power()
        return True

    def _boot(self) -> None:
        super()._boot()
        if self.box is not None:
            self.boots[self.box.journal.boot] = self._boot_tick

    def _gates_changed(self, tick: int, pattern: int) -> None:
        super()._gates_changed(tick, pattern)
        self.outlet.play(pattern)


@dataclass(frozen=True)
class Stretch:
    """The truth from `start` to `stop` (ticks): row k of `levels`, one a channel, holds from ticks[k] on."""

    start: int
    stop: int
    ticks: npt.NDArray[np.float64]
    levels: npt.NDArray[np.float64]


class Rig:
    """A vehicle with boxes at splices, from tick 0; channels are names of Vehicle.channels().

    zero: the tick at which the script and the recording begin. advance() lets time pass, take() gives the
    truth of the channels since the last call. watch: called after each solution, to note what it did.
    """

    def __init__(
        self,
        vehicle: model.Vehicle,
        benches: Sequence[tuple[str, Bench]],
        channels: Sequence[str],
        plan: script.Script = script.EMPTY,
        zero: int = 0,
        seed: int = 0,
        meter_ohms: float = 0.0,
        say: Say = lambda text: None,
    ) -> None:
        self.tick = 0
        self.watch: Callable[[], None] | None = None
        self.simulated = SimulatedVehicle(vehicle, plan, lambda: self.tick, zero, seed, meter_ohms, say)
        network = self.network = self.simulated.network
        self.worlds: list[BoxWorld] = []
        kinds = vehicle.channels()
        feeds = [feed.name for feed in vehicle.feeds]
        self._width = len(channels)
        self._readers = [self._reader(name, kinds[name], feeds) for name in channels]
        self._settled = -1
        self._start = 0
        self._ticks = array("q", [0])
        self._levels = array("d", [0.0] * self._width)
        self._last = [0.0] * self._width  # the levels noted last
        for splice_name, bench in benches:
            splice = vehicle.splice(splice_name)
            assert splice is not None
            outlet = Outlet(bench.plant, network, network.fuse_places[splice.fuse], splice.ohms)
            self.worlds.append(BoxWorld(bench, outlet, splice_name))
        self.settle()

    def advance(self, stop: int, through: bool = True) -> None:
        """Let time pass to tick `stop`; what is due at it happens, unless not `through`."""
        agenda, worlds = self.simulated.agenda, self.worlds
        wakes = [world.wake() for world in worlds]
        planned = agenda.next()  # boxes plan nothing: only what runs, or a solution, can change it
        while True:
            tick = min(planned, *wakes) if wakes else planned
            if tick > stop or (tick == stop and not through):
                break
            if tick < self.tick:
                tick = self.tick
            self.tick = tick
            if planned <= tick:
                agenda.run(tick)
                planned = agenda.next()
            for k, world in enumerate(worlds):
                if wakes[k] <= tick:
                    world.run_due(tick)
                    if self.network.changes == self._settled:  # else all are asked once more below
                        wakes[k] = world.wake()
            if self.network.changes != self._settled:
                self.settle()
                planned = agenda.next()
                wakes = [world.wake() for world in worlds]
        self.tick = stop
        for world in worlds:
            world.reach(stop)

    def pass_ticks(self, ticks: int) -> None:
        """Let so many ticks pass, for whoever has no use for the truth of channels."""
        self.advance(self.tick + ticks)
        self.settle()

    def settle(self) -> None:
        """Solve the circuit as it is now, let the boxes have their supplies, and note the channels."""
        network, simulated = self.network, self.simulated
        network.solve()
        undervoltage = simulated.undervoltage
        if (network.bus_v < undervoltage.alarm_v or undervoltage.any_stopped) and undervoltage.check():
            self.settle()  # a module stopped
            return
        for world in self.worlds:
            if world.follow_supply(self.tick):
                self.settle()  # a box lost or got its power: its draw changed
                return
        self._settled = self.network.changes
        self.network.solve()
        self._note()

    def level(self, place: int) -> float:
        """The truth of a channel now, A or mV."""
        self.settle()
        return self._last[place]

    def take(self) -> Stretch:
        """The truth since the last call up to now."""
        import numpy as np

        ticks = np.array(self._ticks, float)
        levels = np.array(self._levels, float).reshape(-1, self._width)
        stretch = Stretch(self._start, self.tick, ticks, levels)
        self._start = self.tick
        self._ticks = array("q", [self.tick])
        self._levels = self._levels[-self._width :] if self._width else self._levels
        return stretch

    def _note(self) -> None:
        levels = [read() for read in self._readers]
        if self.tick == self._ticks[-1]:
            if self._width:
                self._levels[-self._width :] = array("d", levels)
                self._last = levels
        elif levels != self._last:
            self._ticks.append(self.tick)
            self._levels.extend(levels)
            self._last = levels
        if self.watch is not None:
            self.watch()

    def _reader(self, name: str, kind: str, feeds: list[str]) -> Callable[[], float]:
        network = self.network
        if kind == model.BATTERY:
            return lambda: network.battery_a
        if kind == model.FEED:
            feed = network.feeds[feeds.index(name)]
            return lambda: feed.current_a  # only read behind a solution
        fused_path = network.fused_paths[name]
        return lambda: network.across_v(fused_path) * MV_PER_V


def _steps(value: float, step: int) -> int:
    return int(value / step + 0.5) * step

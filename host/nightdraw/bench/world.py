"""The bench's virtual time: the box's real code, its shell and the plant, moved from deadline to deadline.

The world counts its own ticks; the box gets ticks since its boot, as the board's shell gives them. No wall
clock is read here, and nothing is decided for the box.
"""

from __future__ import annotations

from boxcore import guard, trim
from boxcore.board import Board
from boxcore.box import Box
from boxcore.loop import SENSE_TICKS
from boxcore.port import Readings

from nightdraw.bench.hal import NEVER, SimHal
from nightdraw.bench.plant import AMBIENT_CDEG, Plant
from nightdraw.bench.recorder import TruthSpan, TruthTrace
from nightdraw.bench.store import MemoryStore, PowerCut

SERIAL = "BENCH"  # a simulated box's serial number in *IDN?, where nobody gives it another
# The board's loop senses every SENSE_TICKS, for ever. Here it does so until readings have stood long enough
# for the slowest guard, a switch fault; from then on they say nothing new and the next sensing comes with the
# box's deadline. That keeps a simulated day at a few seconds.
SETTLED_TICKS = guard.STANDING_TICKS + guard.FAULT_READINGS * SENSE_TICKS


class World:
    """One box on one supply, from power-up at tick 0.

    board: what the box believes; plant: what it really is; store: its flash (new where None). `tick` is the
    present instant; `box` is None while there is no power. `trace` collects the true current after record().
    """

    def __init__(
        self, board: Board, plant: Plant, store: MemoryStore | None = None, serial: str = SERIAL
    ) -> None:
        self.board = board
        self.plant = plant
        self.store = MemoryStore() if store is None else store
        self.serial = serial
        self.tick = 0
        self.trace: TruthTrace | None = None
        self.readings = Readings()
        self.readings.bank_cdeg = self.readings.board_cdeg = AMBIENT_CDEG
        self.hal = SimHal(self._gates_changed, self._bank_ua)
        self.box: Box | None = None
        self._boot_tick = 0
        self._deadline = NEVER
        self._settled_tick = 0
        self._sensed: tuple[int, int] | None = None  # what the readings were made of
        self._sensed_ppm = 0
        self._boot()

    def rename(self, serial: str) -> None:
        """Give the box another serial number, now and after every power loss."""
        self.serial = serial
        if self.box is not None:
            self.box.serial = serial

    def record(self) -> TruthTrace:
        """Collect the true current from now on (anew, if it was collected before); returns the trace."""
        self.trace = TruthTrace(self.tick, self.current_a)
        return self.trace

    def seen(self) -> TruthSpan:
        """The true current since record() or the last call, up to now."""
        assert self.trace is not None, "record() was not called"
        return self.trace.take(self.tick)

    @property
    def current_a(self) -> float:
        """The true current out of the supply now, amperes."""
        return self.plant.current_a(self.hal.pattern)

    @property
    def box_now(self) -> int:
        """The box's own time: ticks since its boot."""
        return self.tick - self._boot_tick

    def world_tick(self, box_tick: int) -> int:
        """The world's tick for a tick of the box's present boot."""
        return box_tick + self._boot_tick

    def box_tick(self, tick: int) -> int:
        """The tick of the box's present boot for one of the world's."""
        return tick - self._boot_tick

    def advance(self, ticks: int) -> None:
        """Let time pass, the box being called at each of its deadlines on the way."""
        stop = self.tick + ticks
        while self.box is not None and (due := self._due(self.hal.next_change())) <= stop:
            self._visit(self.box, due)
        self.tick = stop
        self.hal.settle(stop)

    def call_box(self) -> None:
        """Call the box at this instant, after something happened to it."""
        if self.box is not None:
            self._visit(self.box, self.tick, step=True)

    def sense(self) -> int:
        """Let the box sense at this instant, within a command of its link; returns the box's tick."""
        if self.box is not None:
            self.hal.settle(self.tick)
            self._read()
            self.box.sense(self.box_now, self.readings)
        return self.box_now

    def supply_to(self, voc_mv: int | None = None, source_uohm: int | None = None) -> None:
        """Step the supply at this instant."""
        self.plant.supply_to(voc_mv, source_uohm)
        self._plant_changed()

    def panel(self, arm: bool | None = None, selector: int | None = None) -> None:
        """Flip the arm switch or turn the slot selector (0 .. 9)."""
        self.readings.arm = self.readings.arm if arm is None else arm
        self.readings.selector = self.readings.selector if selector is None else selector
        self._plant_changed()

    def cut_power(self) -> None:
        """Pull the fuse: the box is gone in this instant, its flash keeps what was safe."""
        self.hal.stop()
        self.plant.power(False)
        self.store.lose_power()
        self.box = None
        self._deadline = NEVER
        self._note_current()

    def restore_power(self) -> None:
        """Put the fuse back: a new box boots from the flash."""
        if self.box is None:
            self.plant.power(True)
            self.store.revive()
            self._note_current()
            self._boot()

    def _boot(self) -> None:
        self._boot_tick = self.tick
        try:
            box = Box(self.board, self.store, self.hal, self.serial)
            self._read()
            box.boot(0, self.readings)
        except PowerCut:
            self.cut_power()
            return
        self.box = box
        self.call_box()

    def _visit(self, box: Box, tick: int, step: bool = False) -> None:
        """Let the box sense at `tick`, and step where that is due (or asked for); take its next deadline."""
        self.tick = tick
        self.hal.settle(tick)
        self._read()
        now = tick - self._boot_tick
        try:
            box.sense(now, self.readings)
            if step or box.deadline <= now:
                box.step(now)
        except PowerCut:
            self.cut_power()
            return
        due = box.deadline
        self._deadline = (due if due > now else now + 1) + self._boot_tick

    def _due(self, change: int) -> int:
        """When the box is called next: at its deadline, or earlier while its readings are on the move or
        after `change`, the tick of its gates' next one."""
        due = self._deadline
        sense = (self.tick if self.tick < self._settled_tick else change) + SENSE_TICKS
        return due if due <= sense else sense

    def _read(self) -> None:
        sensed, supply_ppm = self.plant.sensed(self.hal.pattern), self.hal.supply_ppm
        if sensed is self._sensed and supply_ppm == self._sensed_ppm:
            return
        self._sensed, self._sensed_ppm = sensed, supply_ppm
        supply_mv, self.readings.bank_ua = sensed
        self.readings.supply_mv = trim.corrected_mv(supply_mv, supply_ppm)

    def _plant_changed(self) -> None:
        self._settled_tick = self.tick + SETTLED_TICKS
        self._note_current()
        self.call_box()

    def _gates_changed(self, tick: int, pattern: int) -> None:
        self._settled_tick = tick + SETTLED_TICKS
        if self.trace is not None:
            self.trace.add(tick, self.plant.current_a(pattern))

    def _note_current(self) -> None:
        if self.trace is not None:
            self.trace.add(self.tick, self.current_a)

    def _bank_ua(self, pattern: int) -> int:
        return self.plant.sensed(pattern)[1]

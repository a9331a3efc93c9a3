"""A link to the simulated box: bytes in, answers out, at the world's present instant.

It adds the one command that only a bench has, `DIAGnostic:CLOCk:ADVance <seconds>`, to the box's own table.
"""

from __future__ import annotations

from boxcore import scpi_text as words
from boxcore.commands import Instrument
from boxcore.commands_common import OPEN
from boxcore.program import TICKS_PER_S

from nightdraw.bench.store import PowerCut
from nightdraw.bench.world import World

MAX_ADVANCE_TICKS = 86_400 * TICKS_PER_S  # one day a command: seconds of computing, a client waits for it
_SECONDS = {"": 4, "S": 4, "MS": 1}  # suffix -> power of ten to ticks


def _ticks(item: tuple[str, object]) -> int:
    return int(words.scaled(item, _SECONDS, 0, MAX_ADVANCE_TICKS))


class BenchLink:
    """One link to the world's box; it goes on with the next box after a power loss, as a serial line does."""

    def __init__(self, world: World) -> None:
        self._world = world
        self._box = world.box
        self._instrument = None if self._box is None else self._connect()

    def feed(self, data: bytes) -> bytes:
        """Bytes to the box now; returns the answers that became complete, none from a box without power."""
        self._world.call_box()  # the shell's turn: sense, then the link, then what the link asked for
        instrument = self._present()
        if instrument is None:
            return b""
        try:
            answers: bytes = instrument.feed(data, self._world.box_now)
        except PowerCut:
            self._world.cut_power()
            return b""
        self._world.call_box()
        self._compute(instrument)
        return answers

    @staticmethod
    def _compute(instrument: Instrument) -> None:
        """The lock's arithmetic, for which the board's loop finds its time step by step."""
        while instrument.box.lock.work():
            pass

    def tick(self) -> None:
        """Let the box notice that nothing came: it gives up a block that has fallen silent."""
        instrument = self._present()
        if instrument is not None:
            instrument.tick(self._world.box_now)

    def in_block(self) -> bool:
        """Whether a block is under way, whose sender may not fall silent."""
        instrument = self._present()
        return instrument is not None and bool(instrument.in_block())

    def hang_up(self) -> None:
        """The other end has gone: whoever comes next has an instrument that knows nothing of it, but of no
        power-up either, and of no condition that begins just now."""
        instrument = self._present()
        if instrument is not None:
            instrument.abort_block()
            self._instrument = instrument = self._connect()
            instrument.tick(self._world.box_now)
            instrument.status.clear()

    def _present(self) -> Instrument | None:
        if self._world.box is not self._box:
            self._box = self._world.box
            self._instrument = None if self._box is None else self._connect()
        return self._instrument

    def _connect(self) -> Instrument:
        rows = (("DIAGnostic:CLOCk:ADVance", OPEN, 1, (_ticks,), self._advance),)
        return Instrument(self._box, rows, self._world.sense)

    def _advance(self, instrument: Instrument, ticks: int) -> None:
        self._world.call_box()  # what came earlier in this message happens before time passes
        self._world.advance(ticks)
        self._world.call_box()
        instrument.now = self._world.box_now

"""The bench as an instrument for any program: virtual time tied to the wall clock, endpoints tied to boxes.

One loop; only running() puts it into a thread. What the bytes mean is the boxes' affair, or that of the
vehicle's channel.
"""

from __future__ import annotations

import selectors
import threading
import time
from collections.abc import Callable, Container, Iterator
from contextlib import contextmanager
from typing import Self

from boxcore.program import TICKS_PER_S

from nightdraw.bench.control import Control, Talk
from nightdraw.bench.endpoints import Endpoints
from nightdraw.bench.rig import Rig
from nightdraw.bench.world import World

TICK_S = 0.02  # the loop comes round at least this often: a block's silence and a trip show up in time
SLICE_TICKS = 60 * TICKS_PER_S  # a fast bench lets at most this much pass before it listens again
MAX_SPEED = 10_000  # a simulated day takes seconds of computing: faster than this it can't keep up anywhere


class Pace:
    """How many ticks are due: wall-clock seconds times speed, remainders kept, never more than a slice.

    What is beyond a slice is dropped: a bench that was suspended, or is asked for too much, falls behind.
    """

    def __init__(self, speed: float, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._ticks_per_s = speed * TICKS_PER_S
        self._last_s = clock()
        self._rest = 0.0

    def due(self, held: bool = False) -> int:
        """Ticks since the last call; `held`: no more than the wall clock has seen, whatever the speed."""
        now_s = self._clock()
        ticks_per_s = min(self._ticks_per_s, TICKS_PER_S) if held else self._ticks_per_s
        ticks = self._rest + (now_s - self._last_s) * ticks_per_s
        self._last_s = now_s
        whole = int(ticks)
        self._rest = ticks - whole
        return min(whole, SLICE_TICKS)


class Server:
    """A world behind its endpoints. `address` and `path` say where; run() serves until stop() is called, from
    a signal handler or another thread."""

    def __init__(self, world: World, port: int = 0, terminal: bool = False, speed: float = 1.0) -> None:
        self._begin(speed, world.advance)
        self._endpoints.append(Endpoints(world, port, terminal, self._selector))

    def _begin(self, speed: float, advance: Callable[[int], None]) -> None:
        self._pace = Pace(speed)
        self._advance = advance
        self._stopped = threading.Event()
        self._selector = selectors.DefaultSelector()
        self._talk: Talk | None = None
        self._endpoints: list[Endpoints] = []

    @property
    def address(self) -> str:
        """Where a program connects, as --box takes it."""
        return self._endpoints[0].address

    @property
    def path(self) -> str | None:
        """The pseudo-terminal's name, None without one."""
        return self._endpoints[0].path

    def stop(self) -> None:
        """End run() within TICK_S."""
        self._stopped.set()

    def run(self) -> None:
        """Serve until stop() is called; then, or on any error, every endpoint is closed."""
        try:
            while not self._stopped.is_set():
                self._round()
        finally:
            self._close()

    @contextmanager
    def running(self) -> Iterator[Self]:
        """Serve from a thread of its own while the block runs."""
        thread = threading.Thread(target=self.run, daemon=True)
        thread.start()
        try:
            yield self
        finally:
            self.stop()
            thread.join()

    def _round(self) -> None:
        """Let time pass, then hear who has something to say. While a block is under way it is the other way
        round, and time no faster than its sender's: a busy sender must not be taken for a silent one."""
        ready = {key.fileobj for key, _ in self._selector.select(TICK_S)}
        blocked = self._in_block()
        if not blocked:
            self._advance(self._pace.due())
        self._hear(ready)
        if blocked:
            self._advance(self._pace.due(held=self._in_block()))
        for endpoints in self._endpoints:
            endpoints.tick()

    def _in_block(self) -> bool:
        return any(endpoints.in_block() for endpoints in self._endpoints)

    def _hear(self, ready: Container[object]) -> None:
        for endpoints in self._endpoints:
            endpoints.hear(ready)
        if self._talk is not None:
            self._talk.hear(ready)

    def _close(self) -> None:
        self._selector.close()
        for endpoints in self._endpoints:
            endpoints.close()
        if self._talk is not None:
            self._talk.close()


class VehicleServer(Server):
    """A live vehicle on, each of its boxes behind a port of its own, the vehicle behind one more.

    port: of the first box, the others and the vehicle's follow; 0: any.
    """

    def __init__(self, rig: Rig, port: int = 0, speed: float = 1.0) -> None:
        self._rig = rig
        self._begin(speed, rig.pass_ticks)
        for k, world in enumerate(rig.worlds):
            world.passes = rig.pass_ticks
            self._endpoints.append(Endpoints(world, port + k if port else 0, False, self._selector))
        own = port + len(rig.worlds) if port else 0
        self._talk = Talk(Control(rig), own, self._selector)

    def where(self) -> dict[str, object]:
        """The first line on standard output."""
        boxes = [
            {"splice": world.splice, "socket": endpoints.address}
            for world, endpoints in zip(self._rig.worlds, self._endpoints, strict=True)
        ]
        assert self._talk is not None
        return {"boxes": boxes, "control": self._talk.address}

    def _hear(self, ready: Container[object]) -> None:
        super()._hear(ready)
        self._rig.settle()  # what was said to a box or the vehicle is felt at once

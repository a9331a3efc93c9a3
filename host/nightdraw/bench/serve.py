"""The bench as an instrument for any program: virtual time tied to the wall clock, doors tied to the box.

One loop, no threads. What the bytes mean is the box's affair.
"""

from __future__ import annotations

import selectors
import threading
import time
from collections.abc import Callable, Container

from boxcore.program import TICKS_PER_S

from nightdraw.bench.instrument import BenchLink
from nightdraw.bench.ports import HOST, Client, Listener, SocketClient, TerminalClient, deaf
from nightdraw.bench.world import SERIAL, World

TICK_S = 0.02  # the loop comes round at least this often: a block's silence and a trip show up in time
SLICE_TICKS = 60 * TICKS_PER_S  # a fast bench lets at most this much pass before it listens again
LAST_READS = 16  # a client that leaves 64 KB behind is heard out before the next is taken; a flood is not
MAX_SPEED = 10_000  # a simulated day takes seconds of computing: faster than this it can't keep up anywhere


class Pace:
    """How many ticks are due: wall-clock seconds times speed, remainders kept, never more than a slice.

    What is beyond a slice is let go: a bench that was suspended, or is asked for too much, falls behind.
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
    """A world behind a loopback port, and behind a pseudo-terminal where asked for.

    One program at a time on the port (a second is let go at once); each door is a link of its own to the same
    box. `address` and `path` say where; run() serves until stop() is called, from a signal handler or another
    thread. A box that has no serial number of its own gets the port's: no two served at a time are alike.
    """

    def __init__(self, world: World, port: int = 0, terminal: bool = False, speed: float = 1.0) -> None:
        self._world = world
        self._terminal = TerminalClient() if terminal else None
        self._listener = Listener(port)
        if world.serial == SERIAL:
            world.rename(f"{SERIAL}-{self._listener.port}")
        self._client: SocketClient | None = None
        self._socket_link = BenchLink(world)
        self._terminal_link = BenchLink(world)
        self._pace = Pace(speed)
        self._stopped = threading.Event()
        self._selector = selectors.DefaultSelector()
        self._selector.register(self._listener, selectors.EVENT_READ)
        if self._terminal is not None:
            self._selector.register(self._terminal, selectors.EVENT_READ)

    @property
    def address(self) -> str:
        """Where a program connects, as --box takes it."""
        return f"socket://{HOST}:{self._listener.port}"

    @property
    def path(self) -> str | None:
        """The pseudo-terminal's name, None without one."""
        return None if self._terminal is None else self._terminal.path

    def stop(self) -> None:
        """End run() within TICK_S."""
        self._stopped.set()

    def run(self) -> None:
        """Serve until stop() is called; then, or on any error, every door is closed."""
        try:
            while not self._stopped.is_set():
                self._round()
        finally:
            self._close()

    def _round(self) -> None:
        """Let time pass, then hear who has something to say. While a block is under way it is the other way
        round, and time no faster than its sender's: a busy sender must not be taken for a silent one."""
        ready = {key.fileobj for key, _ in self._selector.select(TICK_S)}
        blocked = self._in_block()
        if not blocked:
            self._world.advance(self._pace.due())
        self._hear(ready)
        if blocked:
            self._world.advance(self._pace.due(held=self._in_block()))
        self._socket_link.tick()
        self._terminal_link.tick()

    def _in_block(self) -> bool:
        return self._socket_link.in_block() or self._terminal_link.in_block()

    def _hear(self, ready: Container[object]) -> None:
        if self._client is not None and self._client in ready:
            self._client.flush()
            self._hear_client()
        if self._terminal is not None and self._terminal in ready:
            _exchange(self._terminal, self._terminal_link)
        if self._listener in ready:
            self._welcome()

    def _hear_client(self) -> bool:
        """Serve the client once; False when there was nothing, or nobody."""
        if self._client is None or deaf(self._client):
            return False
        heard = _exchange(self._client, self._socket_link)
        if heard is None:
            self._selector.unregister(self._client)
            self._client.close()
            self._client = None
            self._socket_link.hang_up()
            return False
        self._watch(self._client)
        return bool(heard)

    def _watch(self, client: SocketClient) -> None:
        """Wait for what this client may do next: read its answers, send more, or both."""
        reading = 0 if deaf(client) else selectors.EVENT_READ
        writing = selectors.EVENT_WRITE if client.unread else 0
        self._selector.modify(client, reading | writing)

    def _welcome(self) -> None:
        """Take a new client unless there is one, whose last bytes and whose end are heard first."""
        for _ in range(LAST_READS):
            if not self._hear_client():
                break
        client = self._listener.accept()
        if client is None:
            return
        if self._client is not None:
            client.close()
            return
        self._client = client
        self._selector.register(client, selectors.EVENT_READ)

    def _close(self) -> None:
        self._selector.close()
        for door in (self._client, self._terminal, self._listener):
            if door is not None:
                door.close()


def _exchange(client: Client, link: BenchLink) -> bytes | None:
    """Take what a client sent and send it the answers; what it sent, None when it has gone."""
    heard = client.receive()
    if heard:
        client.send(link.feed(heard))
    return heard

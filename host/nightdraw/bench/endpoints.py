"""One simulated box's endpoints: a loopback port, a pseudo-terminal where asked for, the links behind them.

Time is another's affair; what the bytes mean is the box's.
"""

from __future__ import annotations

import selectors
from collections.abc import Container

from nightdraw.bench.instrument import BenchLink
from nightdraw.bench.ports import HOST, Client, Listener, SocketClient, TerminalClient, is_stalled
from nightdraw.bench.world import SERIAL, World

LAST_READS = 16  # a client that leaves 64 KB behind is heard out before the next is taken; a flood is not


class Endpoints:
    """A world behind a loopback port, and behind a pseudo-terminal where asked for.

    One program at a time on the port (a second is closed at once); each endpoint is a link of its own to
    the same box. `address` and `path` say where. A box that has no serial number of its own gets the
    port's: no two served at a time are alike.
    """

    def __init__(self, world: World, port: int, terminal: bool, selector: selectors.BaseSelector) -> None:
        self._terminal = TerminalClient() if terminal else None
        self._listener = Listener(port)
        if world.serial == SERIAL:
            world.rename(f"{SERIAL}-{self._listener.port}")
        self._client: SocketClient | None = None
        self._socket_link = BenchLink(world)
        self._terminal_link = BenchLink(world)
        self._selector = selector
        selector.register(self._listener, selectors.EVENT_READ)
        if self._terminal is not None:
            selector.register(self._terminal, selectors.EVENT_READ)

    @property
    def address(self) -> str:
        """Where a program connects, as --box takes it."""
        return f"socket://{HOST}:{self._listener.port}"

    @property
    def path(self) -> str | None:
        """The pseudo-terminal's name, None without one."""
        return None if self._terminal is None else self._terminal.path

    def in_block(self) -> bool:
        """Whether a block is under way on either."""
        return self._socket_link.in_block() or self._terminal_link.in_block()

    def tick(self) -> None:
        """Let the box notice what has fallen silent."""
        self._socket_link.tick()
        self._terminal_link.tick()

    def hear(self, ready: Container[object]) -> None:
        """Serve those of its endpoints that are ready."""
        if self._client is not None and self._client in ready:
            self._client.flush()
            self._hear_client()
        if self._terminal is not None and self._terminal in ready:
            _exchange(self._terminal, self._terminal_link)
        if self._listener in ready:
            self._welcome()

    def close(self) -> None:
        """Close every endpoint."""
        for end in (self._client, self._terminal, self._listener):
            if end is not None:
                end.close()

    def _hear_client(self) -> bool:
        """Serve the client once; False when there was nothing, or nobody."""
        if self._client is None or is_stalled(self._client):
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
        reading = 0 if is_stalled(client) else selectors.EVENT_READ
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


def _exchange(client: Client, link: BenchLink) -> bytes | None:
    """Take what a client sent and send it the answers; what it sent, None when it has gone."""
    heard = client.receive()
    if heard:
        client.send(link.feed(heard))
    return heard

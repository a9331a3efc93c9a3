"""The bench's endpoints for programs: a loopback TCP port and, where the system has them, a pseudo-terminal.

Bytes only: no instrument grammar, no time. Nothing a client does (or stops doing) blocks the bench.
"""

from __future__ import annotations

import contextlib
import os
import socket
import sys
from typing import Protocol

from nightdraw.errors import InputError

HOST = "127.0.0.1"  # loopback only: the box's lock is no safe, and the link has no other protection
READ_BYTES = 4096  # at once: one page, far beyond a command line
MAX_UNREAD_BYTES = 4096  # of answers that a client leaves lying: from here on it isn't listened to


class Client(Protocol):
    """One end that bytes come from and go to."""

    def fileno(self) -> int:
        """What to wait on."""

    def receive(self) -> bytes | None:
        """What has come; b"" for nothing; None when the client has gone."""

    def send(self, data: bytes) -> None:
        """Send, now or as soon as the client reads on."""

    def flush(self) -> None:
        """Send on what is waiting; called whenever there may be room."""

    @property
    def unread(self) -> int:
        """Bytes of answers that are still waiting here."""

    def close(self) -> None:
        """Let go."""


class SocketClient:
    """A program on the TCP port. One that doesn't read its answers isn't listened to until it does."""

    def __init__(self, connection: socket.socket) -> None:
        self._socket = connection
        self._socket.setblocking(False)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._waiting = bytearray()
        self._gone = False

    def fileno(self) -> int:
        """The socket's number."""
        return self._socket.fileno()

    def receive(self) -> bytes | None:
        """What has come; b"" for nothing; None when the client has gone."""
        if self._gone:
            return None
        try:
            return self._socket.recv(READ_BYTES) or None
        except (BlockingIOError, InterruptedError):
            return b""
        except OSError:
            return None

    def send(self, data: bytes) -> None:
        """Send, now or as soon as the client reads on."""
        self._waiting += data
        self.flush()

    def flush(self) -> None:
        """Send on what is waiting; that a client has gone is said when it is next read."""
        try:
            while self._waiting:
                del self._waiting[: self._socket.send(self._waiting)]
        except (BlockingIOError, InterruptedError):
            return
        except OSError:
            self._gone = True
            self._waiting.clear()

    @property
    def unread(self) -> int:
        """Bytes of answers that are still waiting here."""
        return len(self._waiting)

    def close(self) -> None:
        """Close the connection."""
        self._socket.close()


class TerminalClient:
    """A pseudo-terminal in raw mode, as a serial port would be.

    It never goes: whoever opens `path` next goes on with it. Answers that nobody reads are dropped when the
    terminal is full, as a USB port drops them.
    """

    def __init__(self) -> None:
        if sys.platform == "win32":
            raise InputError("this system has no pseudo-terminals: leave --pty out and use the socket")
        import tty

        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)  # no echo, no line-end translation, no signals
        os.set_blocking(self._master, False)
        self.path = os.ttyname(self._slave)

    def fileno(self) -> int:
        """The terminal's number on this side."""
        return self._master

    def receive(self) -> bytes | None:
        """What has come; b"" for nothing."""
        try:
            return os.read(self._master, READ_BYTES)
        except OSError:  # nothing there; and a hang-up can't be while this process holds the other side open
            return b""

    def send(self, data: bytes) -> None:
        """Send what the terminal takes; the rest is dropped."""
        with contextlib.suppress(OSError):
            while data:
                data = data[os.write(self._master, data) :]

    def flush(self) -> None:
        """Nothing ever waits."""

    @property
    def unread(self) -> int:
        """Nothing ever waits."""
        return 0

    def close(self) -> None:
        """Take the terminal away."""
        os.close(self._master)
        os.close(self._slave)


class Listener:
    """The TCP port (0: any free one)."""

    def __init__(self, port: int) -> None:
        try:
            self._socket = socket.create_server((HOST, port))
        except OSError as error:
            raise InputError(f"port {port} can't be opened on {HOST}: {error.strerror or error}") from None
        self._socket.setblocking(False)
        self.port = int(self._socket.getsockname()[1])

    def fileno(self) -> int:
        """The socket's number."""
        return self._socket.fileno()

    def accept(self) -> SocketClient | None:
        """The next client, None when it has gone again."""
        try:
            return SocketClient(self._socket.accept()[0])
        except OSError:
            return None

    def close(self) -> None:
        """Take no more clients."""
        self._socket.close()


def is_stalled(client: Client) -> bool:
    """Whether a client has left so many answers unread that no more is taken from it."""
    return client.unread >= MAX_UNREAD_BYTES

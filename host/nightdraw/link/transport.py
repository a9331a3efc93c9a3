"""Bytes to and from a box: a TCP socket, a serial port, or a function in the same process.

Every call has a time limit; a failure says where and what to do. Nothing here knows what the bytes mean.
"""

from __future__ import annotations

import socket
from collections.abc import Callable
from typing import TYPE_CHECKING, Protocol

from nightdraw.errors import Finding, InputError, LinkError

if TYPE_CHECKING:
    import serial

SCHEME = "socket://"
CONNECT_S = 5.0
WRITE_S = 5.0  # a box takes its bytes within a flash stall, 0.4 s; beyond this nobody is reading
READ_BYTES = 4096
CHUNK_BYTES = 1024  # a serial port's write limit holds for each of these
BAUD = 115_200  # a USB port ignores it


class Transport(Protocol):
    """One open line. `name` is the address, for messages."""

    name: str

    def write(self, data: bytes) -> None:
        """Send everything; raises LinkError when it can't be sent within WRITE_S."""

    def read(self, limit_s: float) -> bytes:
        """Some bytes as soon as there are any, b"" after `limit_s`; raises LinkError on a dead line."""

    def close(self) -> None:
        """Let go of the line."""


def open_transport(address: str) -> Transport:
    """The line to `socket://HOST:PORT` or to a serial port by its name; raises InputError, LinkError."""
    if address.startswith(SCHEME):
        host, port = _host_and_port(address)
        return SocketTransport(address, host, port)
    if "://" in address or not address.strip():
        raise InputError(
            Finding(
                f"{address!r} is no address of a box", hint="socket://HOST:PORT or the name of a serial port"
            )
        )
    return SerialTransport(address)


def _host_and_port(address: str) -> tuple[str, int]:
    host, _, port = address.removeprefix(SCHEME).rpartition(":")
    if not host or not port.isascii() or not port.isdigit() or not 0 < int(port) < 65536:
        raise InputError(Finding(f"{address!r} needs a host and a port", hint="like socket://127.0.0.1:5025"))
    return host.strip("[]"), int(port)


def _failed(name: str, what: str, hint: str) -> LinkError:
    return LinkError(Finding(f"{name}: {what}", hint=hint))


class SocketTransport:
    """A TCP connection."""

    def __init__(self, name: str, host: str, port: int) -> None:
        self.name = name
        try:
            self._socket = socket.create_connection((host, port), timeout=CONNECT_S)
        except OSError as error:
            hint = "is the bench serving there? `nightdraw bench serve` prints its address"
            raise _failed(name, f"can't connect: {error.strerror or error}", hint) from None
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def write(self, data: bytes) -> None:
        """Send everything."""
        try:
            self._socket.settimeout(WRITE_S)
            self._socket.sendall(data)
        except OSError as error:
            raise _failed(self.name, f"can't send: {error.strerror or error}", "connect again") from None

    def read(self, limit_s: float) -> bytes:
        """Some bytes, b"" after the limit."""
        try:
            self._socket.settimeout(max(limit_s, 0.001))  # 0 would mean without blocking at all
            data = self._socket.recv(READ_BYTES)
        except TimeoutError:
            return b""
        except OSError as error:
            raise _failed(self.name, f"can't receive: {error.strerror or error}", "connect again") from None
        if not data:
            raise _failed(self.name, "the other end closed the connection", "is another program connected?")
        return data

    def close(self) -> None:
        """Close the connection."""
        self._socket.close()


class SerialTransport:
    """A serial port, held exclusively.

    DTR is left as pyserial's open sets it: a box answers only while it is up, and a pseudo-terminal has none
    (setting it there later fails).
    """

    def __init__(self, name: str) -> None:
        import serial

        self.name = name
        self._error = serial.SerialException
        try:
            self._port: serial.Serial = serial.Serial(name, BAUD, write_timeout=WRITE_S, exclusive=True)
        except (serial.SerialException, ValueError) as error:
            hint = "is the box plugged in, and does no other program hold the port?"
            raise _failed(name, f"can't open the port: {error}", hint) from None

    def write(self, data: bytes) -> None:
        """Send everything."""
        try:
            for at in range(0, len(data), CHUNK_BYTES):
                self._port.write(data[at : at + CHUNK_BYTES])
        except (self._error, OSError) as error:
            raise _failed(self.name, f"can't send: {error}", "unplug the box, plug it in again") from None

    def read(self, limit_s: float) -> bytes:
        """Some bytes, b"" after the limit."""
        try:
            self._port.timeout = limit_s
            first = self._port.read(1)
            return bytes(first + self._port.read(self._port.in_waiting)) if first else b""
        except (self._error, OSError) as error:
            raise _failed(self.name, f"can't receive: {error}", "was the cable pulled?") from None

    def close(self) -> None:
        """Close the port."""
        self._port.close()


class LoopTransport:
    """A line to a box in the same process: `feed` takes bytes, returns the answers that became complete."""

    def __init__(self, feed: Callable[[bytes], bytes], name: str = "the bench") -> None:
        self.name = name
        self._feed = feed
        self._waiting = b""

    def write(self, data: bytes) -> None:
        """Send everything."""
        self._waiting += self._feed(data)

    def read(self, limit_s: float) -> bytes:
        """What was answered; no time passes here."""
        data, self._waiting = self._waiting, b""
        return data

    def close(self) -> None:
        """Nothing to let go of."""

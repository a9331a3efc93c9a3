"""What the transports ask of sockets and serial ports: limits, sizes and hints; both ends are played here."""

from __future__ import annotations

import socket
from typing import Any

import pytest
import serial
from nightdraw.errors import InputError, LinkError
from nightdraw.link import transport
from nightdraw.link.transport import SerialTransport, SocketTransport, open_transport


class FakeSocket:
    """Notes every call; `gives` is what recv returns next."""

    def __init__(self) -> None:
        self.calls: list[tuple[Any, ...]] = []
        self.gives: bytes | Exception = b""

    def setsockopt(self, *given: int) -> None:
        self.calls.append(("setsockopt", *given))

    def settimeout(self, seconds: float) -> None:
        self.calls.append(("settimeout", seconds))

    def sendall(self, data: bytes) -> None:
        self.calls.append(("sendall", data))

    def recv(self, size: int) -> bytes:
        self.calls.append(("recv", size))
        if isinstance(self.gives, Exception):
            raise self.gives
        return self.gives


@pytest.fixture
def fake(monkeypatch: pytest.MonkeyPatch) -> FakeSocket:
    one = FakeSocket()

    def connect(address: tuple[str, int], timeout: float) -> FakeSocket:
        one.calls.append(("connect", address, timeout))
        return one

    monkeypatch.setattr(socket, "create_connection", connect)
    return one


def test_a_connection_has_five_seconds_and_sends_at_once(fake: FakeSocket) -> None:
    open_transport("socket://[::1]:5025")
    assert fake.calls == [
        ("connect", ("::1", 5025), 5.0),
        ("setsockopt", socket.IPPROTO_TCP, socket.TCP_NODELAY, 1),
    ]


def test_sending_has_five_seconds_and_reading_what_is_asked_for(fake: FakeSocket) -> None:
    line = SocketTransport("here", "127.0.0.1", 5025)
    fake.calls.clear()
    line.write(b"*IDN?\n")
    fake.gives = b"answer"
    assert line.read(2.5) == b"answer"
    fake.gives = TimeoutError()
    assert line.read(0.0) == b""
    assert fake.calls == [
        ("settimeout", 5.0), ("sendall", b"*IDN?\n"),
        ("settimeout", 2.5), ("recv", 4096),
        ("settimeout", 0.001), ("recv", 4096),
    ]  # fmt: skip
    fake.gives = b""
    with pytest.raises(LinkError, match="here: the other end closed the connection"):
        line.read(1.0)


class FakePort:
    """A serial port: notes its writes, gives one byte and what waits behind it."""

    def __init__(self, *given: Any, **more: Any) -> None:
        self.given, self.more = given, more
        self.writes: list[bytes] = []
        self.waiting = b""
        self.timeout: float | None = None

    @property
    def in_waiting(self) -> int:
        return len(self.waiting)

    def write(self, data: bytes) -> None:
        self.writes.append(data)

    def read(self, size: int) -> bytes:
        data, self.waiting = self.waiting[:size], self.waiting[size:]
        return data


def test_a_serial_port_is_held_alone_and_written_in_kilobytes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serial, "Serial", FakePort)
    line = SerialTransport("/dev/port")
    port: Any = line._port
    assert port.given == ("/dev/port", 115_200)
    assert port.more == {"write_timeout": 5.0, "exclusive": True}
    data = bytes(range(256)) * 9
    line.write(data)
    assert [len(piece) for piece in port.writes] == [1024, 1024, 256]
    assert b"".join(port.writes) == data
    port.waiting = b"answer"
    assert (line.read(1.5), port.timeout) == (b"answer", 1.5)
    assert line.read(0.5) == b""


@pytest.mark.parametrize(
    "address",
    [
        "socket://host:0",
        "socket://host:65536",
        "socket://:5025",
        "socket://host",
        "socket://host:5x",
        "socket://host:\uff15",
    ],
)
def test_an_address_needs_a_host_and_a_port_that_there_is(address: str) -> None:
    with pytest.raises(InputError, match="needs a host and a port"):
        open_transport(address)


def test_the_highest_port_is_one(fake: FakeSocket) -> None:
    open_transport("socket://host:65535")
    open_transport("socket://host:1")
    assert [call[1][1] for call in fake.calls if call[0] == "connect"] == [65535, 1]


@pytest.mark.parametrize("address", ["", "  ", "tcp://host:1"])
def test_what_is_neither_a_socket_nor_a_ports_name(address: str) -> None:
    with pytest.raises(InputError, match="is no address of a box"):
        open_transport(address)


def test_a_line_in_this_process_gives_each_answer_once() -> None:
    line = transport.LoopTransport(lambda data: data.upper())
    line.write(b"ab")
    line.write(b"c")
    assert (line.read(1.0), line.read(1.0)) == (b"ABC", b"")

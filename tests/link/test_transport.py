"""Lines that are wrong, closed, silent, held by another: each an error that says where and what to do."""

from __future__ import annotations

import os
import socket
import sys
import threading

import pytest
from nightdraw.errors import InputError, LinkError
from nightdraw.link import open_transport, session
from nightdraw.link.client import open_box


@pytest.mark.parametrize(
    "address",
    [
        *(
            "socket://",
            "socket://here",
            "socket://:5025",
            "socket://here:",
            "socket://here:x",
            "socket://here:0",
        ),
        *("socket://here:65536", "http://here:1", "", "  "),
    ],
)
def test_addresses_that_are_none(address):
    with pytest.raises(InputError) as error:
        open_transport(address)
    assert error.value.findings[0].hint
    assert repr(address) in str(error.value)


@pytest.fixture
def listener():
    with socket.create_server(("127.0.0.1", 0)) as server:
        yield server


def address_of(server):
    return f"socket://127.0.0.1:{server.getsockname()[1]}"


def test_a_closed_port(listener):
    address = address_of(listener)
    listener.close()
    with pytest.raises(LinkError, match=rf"{address}: can't connect: .*bench serve"):
        open_transport(address)


def test_the_other_end_goes_away(listener):
    line = open_transport(address_of(listener))
    other, _ = listener.accept()
    other.sendall(b"hello")
    assert line.read(1.0) == b"hello"
    assert line.read(0.0) == b""
    other.close()
    with pytest.raises(LinkError, match="closed the connection"):
        line.read(1.0)
    line.close()


def test_a_silent_server_is_given_up_in_time(listener, monkeypatch):
    for name in ("ANSWER_S", "SETTLE_S", "QUIET_S", "SILENCE_S"):
        monkeypatch.setattr(session, name, 0.001)
    with pytest.raises(LinkError, match=r"no believable answer to \*IDN\?"):
        open_box(address_of(listener))


def test_a_port_that_nobody_has():
    with pytest.raises(LinkError, match=r"no-such-port: can't open the port.*plugged in"):
        open_transport("no-such-port")


@pytest.fixture
def terminal():
    if sys.platform == "win32":
        pytest.skip("this system has no pseudo-terminals")
    import tty

    master, slave = os.openpty()
    tty.setraw(slave)
    yield master, os.ttyname(slave)
    os.close(master)
    os.close(slave)


def test_a_serial_port_passes_every_byte(terminal):
    master, name = terminal
    line = open_transport(name)
    every = bytes(range(256))
    line.write(every)
    assert os.read(master, 1000) == every
    os.write(master, every)
    received = b""
    while len(received) < 256:
        received += line.read(1.0)
    assert received == every
    assert line.read(0.0) == b""
    line.close()


def test_a_serial_port_is_held_by_one_program(terminal):
    _, name = terminal
    line = open_transport(name)
    with pytest.raises(LinkError, match="no other program hold the port"):
        open_transport(name)
    line.close()
    open_transport(name).close()


def test_a_large_message_goes_out_whole(listener):
    line = open_transport(address_of(listener))
    other, _ = listener.accept()
    data = bytes(range(256)) * 1024
    sender = threading.Thread(target=line.write, args=(data,))
    sender.start()
    received = b""
    while len(received) < len(data):
        received += other.recv(65536)
    sender.join()
    assert received == data
    line.close()
    other.close()

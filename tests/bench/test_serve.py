"""The bench as an instrument on real sockets and a real pseudo-terminal; the wall clock is a fake one."""

from __future__ import annotations

import os
import socket
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress

import pytest
from boxcore import program as pg
from nightdraw import programs
from nightdraw.bench.serve import SLICE_TICKS, Pace, Server
from nightdraw.bench.world import World
from nightdraw.errors import InputError

from tests.bench import support

PATIENCE_S = 20  # a test that hears nothing for this long has failed
WITH_TERMINALS = sys.platform != "win32"
needs_terminals = pytest.mark.skipif(not WITH_TERMINALS, reason="this system has no pseudo-terminals")


@contextmanager
def serving(world: World | None = None, **options) -> Iterator[Server]:
    server = Server(world or support.world(), **options)
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        yield server
    finally:
        server.stop()
        thread.join(PATIENCE_S)
        assert not thread.is_alive()


def connect(server: Server) -> socket.socket:
    host, port = server.address.removeprefix("socket://").split(":")
    return socket.create_connection((host, int(port)), timeout=PATIENCE_S)


def ask(connection: socket.socket, question: bytes) -> bytes:
    connection.sendall(question + b"\n")
    return line(connection)


def line(connection: socket.socket) -> bytes:
    heard = b""
    while not heard.endswith(b"\n"):
        piece = connection.recv(4096)
        if not piece:
            raise EOFError(heard)
        heard += piece
    return heard


def test_answers_over_tcp():
    with serving() as server, connect(server) as client:
        assert ask(client, b"*IDN?").startswith(b"NIGHTDRAW,bench-test,BENCH-")
        assert ask(client, b"MEAS:VOLT?") == b"12.600\n"


def test_no_two_served_boxes_are_alike_and_a_given_number_stays():
    with serving() as one, serving() as other, connect(one) as first, connect(other) as second:
        assert ask(first, b"*IDN?") != ask(second, b"*IDN?")
    named = support.world()
    named.rename("GROUP-B-3")
    named.cut_power()
    named.restore_power()
    with serving(named) as server, connect(server) as client:
        assert b",GROUP-B-3," in ask(client, b"*IDN?")


def test_listens_on_the_loopback_only():
    with serving() as server:
        assert server.address.startswith("socket://127.0.0.1:")
        assert server.path is None


def test_a_program_is_loaded_byte_by_byte_and_runs():
    data = programs.pack(support.PULSED)
    with serving() as server, connect(server) as client:
        for byte in b"PROG:EXPL:DEF SLOT3," + support.block(data) + b"\n":
            client.sendall(bytes([byte]))
        assert ask(client, b"PROG:CAT?") == b'"SLOT3"\n'
        assert ask(client, b"PROG:EXPL:STAT SLOT3,RUN;:DIAG:CLOC:ADV 1.5;:PROG:EXPL:STAT? SLOT3") == b"RUN\n"
        assert float(ask(client, b"MEAS:CURR?")) == pytest.approx(0.350 + 0.040, abs=0.002)


def test_a_dropped_client_leaves_no_half_message_behind():
    with serving() as server:
        for half in (b"MEAS:VO", b"PROG:DEF #45000ab", b"*IDN?\n*IDN?"):
            with connect(server) as client:
                client.sendall(half)
        with connect(server) as client:
            assert ask(client, b"*IDN?").startswith(b"NIGHTDRAW,")
            assert ask(client, b"SYST:ERR?") == b'0,"No error"\n'


def test_each_client_begins_afresh_and_the_box_goes_on():
    with serving() as server:
        with connect(server) as client:
            client.sendall(b"NONSENSE;*ESE 32\n*SRE 16;:PROG:NAME SLOT7;:CURR 0.1;:OUTP ON\n")
            assert ask(client, b"*STB?;*ESR?") != b"16;0\n"
        with connect(server) as client:
            assert ask(client, b"SYST:ERR?;:PROG:NAME?") == b'0,"No error";SLOT0\n'
            assert ask(client, b"*ESR?;*ESE?;*SRE?;*STB?") == b"0;0;0;16\n"
            assert ask(client, b"OUTP?;:CURR?") == b"1;0.100000\n"


def test_a_second_client_at_the_same_time_is_let_go():
    with serving() as server, connect(server) as first:
        assert ask(first, b"*OPC?") == b"1\n"
        with connect(server) as second:
            assert second.recv(1) == b""
        assert ask(first, b"*OPC?") == b"1\n"
    with serving() as server:
        for _ in range(20):  # one straight after the other is not "at the same time"
            with connect(server) as client:
                assert ask(client, b"*OPC?") == b"1\n"


def test_a_client_that_never_reads_cannot_stop_the_bench():
    with serving(terminal=WITH_TERMINALS) as server, connect(server) as rude:
        rude.setblocking(False)
        with suppress(BlockingIOError):  # raised once the bench has stopped listening to it
            for _ in range(1000):
                rude.send(b"*IDN?\n" * 1000)
        rude.close()
        with connect(server) as client:
            assert ask(client, b"*OPC?") == b"1\n"


@needs_terminals
def test_a_terminal_passes_every_byte_and_echoes_none():
    data = programs.pack(
        support.program((pg.REPLAY, 0, programs.pack_levels([(0x0D0A, 0x0D0A0D0A), (0x0304, 0x11131A1C)])))
    )
    with serving(terminal=True) as server:
        client = os.open(server.path, os.O_RDWR | os.O_NOCTTY)
        os.write(client, b"PROG:EXPL:DEF SLOT0," + support.block(data) + b"\n")
        os.write(client, b"PROG:EXPL:DEF? SLOT0,0,160;*OPC?\n")
        expected = support.block(data[:160]) + b";1\n"
        heard = b""
        while len(heard) < len(expected):
            heard += os.read(client, 4096)
        os.close(client)
        assert heard == expected


@needs_terminals
def test_a_terminal_goes_on_after_its_client_has_gone():
    with serving(terminal=True) as server:
        for _ in range(5):
            client = os.open(server.path, os.O_RDWR | os.O_NOCTTY)
            os.write(client, b"*OPC?\n")
            assert os.read(client, 100) == b"1\n"
            os.close(client)


def test_a_port_that_is_taken_is_an_input_error():
    with serving() as server:
        port = int(server.address.rsplit(":", 1)[1])
        with pytest.raises(InputError, match=f"port {port} can't be opened"):
            Server(support.world(), port=port)


class FakeClock:
    def __init__(self):
        self.now_s = 1000.0

    def __call__(self):
        return self.now_s


def test_virtual_time_follows_the_wall_times_speed():
    clock = FakeClock()
    pace = Pace(0.5, clock)
    total = 0
    for _ in range(1000):
        clock.now_s += 0.000_33
        total += pace.due()
    assert total == pytest.approx(0.33 * 0.5 * support.S, abs=1)


def test_a_bench_that_was_suspended_falls_behind_instead_of_racing():
    clock = FakeClock()
    pace = Pace(1, clock)
    clock.now_s += 86_400
    assert pace.due() == SLICE_TICKS
    clock.now_s += 1
    assert pace.due() == support.S


class Served:
    """A bench whose rounds the test makes, at a speed, with a clock of the test's own."""

    def __init__(self, speed):
        self.clock = FakeClock()
        self.world = support.world()
        self.server = Server(self.world)
        self.server._pace = Pace(speed, self.clock)
        self.client = connect(self.server)
        self.server._round()

    def round(self, wall_s, data=b""):
        """Wall time passes, bytes come meanwhile, then the bench has its turn."""
        self.client.sendall(data)
        self.clock.now_s += wall_s
        self.server._round()

    def ask(self, question):
        self.round(0.001, question + b"\n")
        self.round(0.0)
        return line(self.client)

    def __enter__(self):
        return self

    def __exit__(self, *problem):
        self.client.close()
        self.server._close()


@pytest.mark.parametrize("speed", [0.5, 1, 1000, 10_000])
def test_a_busy_sender_is_never_taken_for_a_silent_one(speed):
    """A program in small pieces, half a second between them: at any speed of the bench."""
    data = b"PROG:EXPL:DEF SLOT3," + support.block(programs.pack(support.PULSED)) + b"\n"
    with Served(speed) as served:
        for at in range(0, len(data), 40):
            served.round(0.5, data[at : at + 40])
        assert served.ask(b"SYST:ERR?;:PROG:CAT?") == b'0,"No error";"SLOT3"\n'


@pytest.mark.parametrize("speed", [1, 10_000])
def test_bytes_that_wait_count_before_the_time_that_passed(speed):
    """The bench was suspended in the middle of a block, for longer than a sender may be silent."""
    data = b"PROG:EXPL:DEF SLOT3," + support.block(programs.pack(support.PULSED)) + b"\n"
    with Served(speed) as served:
        served.round(0.01, data[:60])
        served.round(30, data[60:])
        assert served.ask(b"SYST:ERR?;:PROG:CAT?") == b'0,"No error";"SLOT3"\n'


@pytest.mark.parametrize("speed", [1, 10_000])
def test_a_sender_that_falls_silent_is_given_up_after_two_seconds(speed):
    with Served(speed) as served:
        served.round(0.01, b"PROG:DEF #3500abc")
        for _ in range(20):
            served.round(0.09)
        served.round(0.01, b"def")  # 1.8 s of silence: not yet
        for _ in range(23):
            served.round(0.09)
        assert served.ask(b"SYST:ERR?") == b'-365,"Time out error"\n'


def test_a_fast_bench_is_fast_again_when_the_block_is_over():
    data = b"PROG:EXPL:DEF SLOT3," + support.block(programs.pack(support.PULSED)) + b"\n"
    with Served(1000) as served:
        served.round(0.01, data[:60])
        before = served.world.tick
        served.round(0.01)
        assert served.world.tick - before == 100
        served.round(0.01, data[60:])
        before = served.world.tick
        served.round(0.01)
        assert served.world.tick - before == 100_000

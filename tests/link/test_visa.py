"""The outside client: pyvisa with pyvisa-py drives the served bench over TCP and over a pseudo-terminal.

Resources are named, never listed: listing scans the network.
"""

from __future__ import annotations

import socket
import sys

import pytest
import pyvisa
from boxcore import __version__
from nightdraw.bench.serve import Server
from nightdraw.bench.setup import build
from nightdraw.errors import LinkError
from nightdraw.link import open_box

from tests.micropython import link_cases

KINDS = ["socket", "pty"]


@pytest.fixture(params=KINDS)
def visa(request):
    """An open pyvisa resource on each kind of line."""
    if request.param == "pty" and sys.platform == "win32":
        pytest.skip("this system has no pseudo-terminals")
    with Server(build().world(), terminal=request.param == "pty").running() as server:
        host, _, port = server.address.removeprefix("socket://").rpartition(":")
        name = f"ASRL{server.path}::INSTR" if request.param == "pty" else f"TCPIP::{host}::{port}::SOCKET"
        manager = pyvisa.ResourceManager("@py")
        line = manager.open_resource(name, read_termination="\n", write_termination="\n", timeout=5000)
        yield line
        line.close()
        manager.close()


def test_a_script_that_knows_only_the_standard(visa):
    maker, model, _, firmware = visa.query("*IDN?").split(",")
    assert (maker, model, firmware) == ("NIGHTDRAW", "bench-12v", __version__)
    visa.write("*RST;*CLS")
    assert visa.query("*OPC?") == "1"
    assert visa.query("SYST:VERS?") == "1999.0"
    visa.write("BOGUS:HEADER")
    assert visa.query("*STB?") == "4"
    assert int(visa.query("*ESR?")) & 32
    assert visa.query("SYSTem:ERRor:NEXT?") == '-113,"Undefined header"'
    assert visa.query("SYST:ERR?") == '0,"No error"'
    assert visa.query_ascii_values("MEAS:VOLT?;TEMP?", separator=";")[0] == pytest.approx(12.6, abs=0.02)


def test_a_program_is_loaded_started_watched_and_stopped(visa):
    visa.write("PROG:NAME SLOT2")
    visa.write_binary_values("PROG:DEF ", link_cases.LONG, datatype="B")
    assert visa.query("PROG:CAT?") == '"SLOT2"'
    read = b""
    while len(read) < len(link_cases.LONG):
        read += visa.query_binary_values(f"PROG:DEF? {len(read)},160", datatype="B", container=bytes)
    assert read == link_cases.LONG
    visa.write("PROG:DEL;:PROG:NAME SLOT2")
    visa.write_binary_values("PROG:DEF ", link_cases.OTHER, datatype="B")
    visa.write("PROG:STAT RUN")
    assert visa.query("PROG:STAT?") == "RUN"
    visa.write("DIAG:CLOC:ADV 5")
    assert float(visa.query("MEAS:CURR?")) == pytest.approx(0.2, abs=0.004)  # the board's 2 %
    assert int(visa.query("STAT:OPER:COND?")) & 1 << 14
    visa.write("PROG:STAT STOP")
    assert visa.query("PROG:STAT?;:OUTP?") == "STOP;0"
    assert visa.query("SYST:ERR?") == '0,"No error"'


def test_every_byte_value_passes_in_a_block(visa):
    """Refused, for it is no program; but not one of its bytes was taken for a command or lost."""
    visa.write_binary_values("PROG:DEF ", bytes(range(256)) * 4, datatype="B")
    assert visa.query("SYST:ERR?") == '-285,"Program syntax error;not a program"'
    assert visa.query("SYST:ERR:COUN?;*OPC?") == "0;1"


def test_a_level_by_hand(visa):
    visa.write("CURR 350 MA;:OUTP ON")
    assert float(visa.query("CURR?")) == 0.35
    visa.write("DIAG:CLOC:ADV 1")
    assert float(visa.query("MEAS:CURR?")) == pytest.approx(0.35, rel=0.02)
    visa.write("OUTP OFF")
    visa.write("DIAG:CLOC:ADV 1")
    assert float(visa.query("MEAS:CURR?")) == pytest.approx(0.011, abs=0.001)


@pytest.mark.parametrize("kind", KINDS)
def test_our_own_client_on_the_same_lines(kind):
    if kind == "pty" and sys.platform == "win32":
        pytest.skip("this system has no pseudo-terminals")
    with (
        Server(build().world(), terminal=kind == "pty").running() as server,
        open_box(server.path if kind == "pty" else server.address) as box,
    ):
        assert box.facts().board == "bench-12v"
        box.send(1, link_cases.OTHER)
        assert box.arm(1).state == "running"
        before = box.clock()
        assert box.advance(3600) - before >= 36_000_000
        assert box.measure().current_a == pytest.approx(0.2, abs=0.004)
        assert box.halt().state == "idle"
        kinds = [record["kind"] for record in box.read_journal().records()]
        assert kinds[:5] == ["page", "boot", "clock", "arm", "start"]  # the pair of times of every connection
        assert kinds[-1] == "halt"


def test_a_second_program_is_told_that_it_is_not_alone():
    with (
        Server(build().world()).running() as server,
        open_box(server.address),
        pytest.raises(LinkError, match="is another program connected"),
    ):
        open_box(server.address)


def test_a_client_that_vanishes_in_mid_block_leaves_the_box_usable():
    with Server(build().world()).running() as server:
        host, _, port = server.address.removeprefix("socket://").rpartition(":")
        with socket.create_connection((host, int(port))) as line:
            line.sendall(b"PROG:DEF #3500only the beginning")
        with open_box(server.address) as box:
            assert box.slots() == []

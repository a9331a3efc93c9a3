"""Lines that answer from a script, and computers with ports of a test's choice; nothing here is real."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from nightdraw.errors import Finding, LinkError
from nightdraw.link import BoxClient, LoopTransport
from nightdraw.link import open_box as open_client
from nightdraw.link.ports import Port

from tests.micropython.link_rig import Rig

BOX = (0x2E8A, 0x0005)


def port(name: str, usb: tuple[int, int] | None = BOX, serial: str | None = None) -> Port:
    """A serial port."""
    return Port(name, usb, serial)


class Recorder(LoopTransport):
    """A line that remembers what was written to it, and answers what a function says."""

    def __init__(self, answer: Callable[[bytes], bytes], name: str) -> None:
        super().__init__(self._feed, name)
        self.written = b""
        self._answer = answer
        self.open = True

    def _feed(self, data: bytes) -> bytes:
        self.written += data
        return self._answer(data)

    def close(self) -> None:
        """Let go."""
        self.open = False


@dataclass
class Computer:
    """What a computer offers, as find and check ask for it; `answers` by port name, LinkError for none."""

    names: list[Port] = field(default_factory=list)
    answers: dict[str, Callable[[bytes], bytes]] = field(default_factory=dict)
    usb: set[tuple[int, int]] | None = None
    errors: dict[str, BaseException] = field(default_factory=dict)
    platform: str = "linux"
    lines: list[Recorder] = field(default_factory=list)

    def ports(self) -> list[Port]:
        """The serial ports."""
        return self.names

    def candidates(self) -> list[Port]:
        """Those that may be a box."""
        return [port for port in self.names if port.may_be_a_box]

    def devices(self) -> set[tuple[int, int]] | None:
        """What is on USB."""
        return self.usb

    def try_open(self, name: str) -> BaseException | None:
        """Why a port can't be opened."""
        return self.errors.get(name)

    def open_line(self, name: str) -> Recorder:
        """Open a line."""
        if name not in self.answers:
            raise LinkError(Finding(f"{name}: can't open the port: gone"))
        self.lines.append(Recorder(self.answers[name], name))
        return self.lines[-1]

    def open_box(self, name: str) -> BoxClient:
        """Open a box."""
        return open_client(self.open_line(name))


def box(rig: Rig | None = None) -> Callable[[bytes], bytes]:
    """A box whose clock runs with every message."""
    rig = rig or Rig()

    def say(data: bytes) -> bytes:
        rig.wait(20)
        return rig.say(data)

    return say


def silence(data: bytes) -> bytes:
    """Nobody."""
    return b""


def prompt(data: bytes) -> bytes:
    """MicroPython's prompt, as it answers *IDN? on a real one."""
    lines = [
        b'Traceback (most recent call last):\r\n  File "<stdin>", line 1',
        b"SyntaxError: invalid syntax",
    ]
    return b"\r\n>>> *IDN?\r\n" + b"\r\n".join(lines) + b"\r\n>>> " if b"*IDN?" in data else b""


def other(data: bytes) -> bytes:
    """Another maker's instrument."""
    return b"OTHER,METER,7,1.0\n" if b"*IDN?" in data else b""


def older(data: bytes) -> bytes:
    """A box of another version."""
    return b"NIGHTDRAW,bench-12v,e66058,0.0.1\n" if b"*IDN?" in data else b""

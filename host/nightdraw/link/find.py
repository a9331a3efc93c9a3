"""Which boxes there are, and which one a command means. It never guesses.

Only ports with the board's USB number are opened by themselves; what a user names is taken at its word unless
its USB number says that it can't be a box.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from nightdraw import __version__
from nightdraw.errors import Finding, InputError, LinkError
from nightdraw.link import ports, probe
from nightdraw.link.client import BoxClient
from nightdraw.link.ports import Port
from nightdraw.link.replies import Identity
from nightdraw.link.transport import Transport, open_transport

CHECK_HINT = "run `nightdraw box check`: it says what is missing"


@dataclass(frozen=True)
class Found:
    """A box that answers. locked: None where a box of another version wasn't asked."""

    address: str
    identity: Identity
    locked: bool | None

    def document(self) -> dict[str, object]:
        """The same as the JSON contract's keys."""
        who = self.identity
        return {
            "address": self.address,
            "identity": ",".join((who.maker, who.model, who.serial, who.firmware)),
            "firmware": who.firmware,
            "locked": self.locked,
        }

    def text(self) -> str:
        """One line for people."""
        who = self.identity
        more = {True: ", locked", False: "", None: f" (this program is version {__version__})"}[self.locked]
        return f"{self.address}: {who.model} {who.serial}, firmware {who.firmware}{more}"


@dataclass(frozen=True)
class Surroundings:
    """What a computer offers: its serial ports, and how a line is opened. Tests have their own."""

    ports: Callable[[], list[Port]] = ports.serial_ports
    open_line: Callable[[str], Transport] = open_transport

    def candidates(self) -> list[Port]:
        """The ports that may be written to."""
        return [port for port in self.ports() if port.may_be_a_box]


def find(
    around: Surroundings | None = None, progress: Callable[[float], None] = lambda share: None
) -> tuple[list[Found], list[Finding]]:
    """Every box that is plugged in and answers; and what is to be said of the ports that don't.

    progress: takes the share of the ports that were looked at; a silent one takes some seconds.
    """
    around = around or Surroundings()
    found: list[Found] = []
    notes: list[Finding] = []
    candidates = around.candidates()
    for number, port in enumerate(candidates):
        progress(number / len(candidates))
        try:
            box = look(port.name, around)
        except LinkError as error:
            notes += error.findings
            continue
        if box is None:
            notes.append(Finding(f"{port.name}: no box answers there", hint=_check(port.name)))
        else:
            found.append(box)
    return found, notes


def look(address: str, around: Surroundings | None = None) -> Found | None:
    """The box at an address, None where something else or nobody answers; raises LinkError on a dead line."""
    line = (around or Surroundings()).open_line(address)
    try:
        heard = probe.probe(line)
        if heard.kind != probe.BOX or heard.identity is None:
            return None
        known = heard.identity.firmware == __version__
        return Found(address, heard.identity, BoxClient(line).locked() if known else None)
    finally:
        line.close()


def other_than_a_box(address: str, around: Surroundings | None = None) -> str | None:
    """What answers at a port that may be a box's and is certainly none: a bare board's prompt, another
    instrument; None where a box may be, one that doesn't answer included. Raises LinkError on a dead line."""
    line = (around or Surroundings()).open_line(address)
    try:
        heard = probe.probe(line)
    finally:
        line.close()
    if heard.kind == probe.PROMPT:
        return "a MicroPython prompt"
    return heard.text if heard.kind == probe.STRANGER and heard.identity is not None else None


def choose(box: str | None, around: Surroundings | None = None) -> str:
    """The address that a command means: the one that was given, or the only one there is.

    Raises InputError, with all of them named, where it can't be told.
    """
    around = around or Surroundings()
    if box is not None:
        return _given(box, around)
    names = [port.name for port in around.candidates()]
    if not names:
        raise InputError(Finding("no box is plugged in", hint=CHECK_HINT))
    if len(names) > 1:
        message = f"{len(names)} boxes may be meant: {', '.join(names)}"
        raise InputError(
            Finding(message, hint=f"choose one, like --box {names[0]}; `nightdraw box find` lists them")
        )
    return names[0]


def every(around: Surroundings | None = None) -> list[str]:
    """The addresses of all that may be boxes; raises InputError where there are none."""
    names = [port.name for port in (around or Surroundings()).candidates()]
    if not names:
        raise InputError(Finding("no box is plugged in", hint=CHECK_HINT))
    return names


def each(boxes: Sequence[str], around: Surroundings | None = None) -> list[str]:
    """The addresses that were given; raises InputError where two of them are one."""
    around = around or Surroundings()
    found: dict[str, str] = {}
    for box in boxes:
        address = _given(box, around)
        real = address if "://" in address else os.path.realpath(address)
        if real in found:
            raise InputError(Finding(f"--box {box} is given twice, or is {found[real]} by another name"))
        found[real] = address
    return list(found.values())


def _given(box: str, around: Surroundings) -> str:
    if "://" in box:
        return box
    port = ports.named(box, around.ports())
    if port is not None and not port.may_be_a_box:
        theirs, ours = ports.usb_text(port.usb), ports.usb_text(ports.USB_NUMBER)
        message = f"{box} is no box: its USB number is {theirs}, a box has {ours}; nothing was written to it"
        raise InputError(Finding(message, hint=CHECK_HINT))
    return box


def _check(name: str) -> str:
    return f"run `nightdraw box check --box {name}`"

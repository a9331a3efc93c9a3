"""The way from the cable to the box: broken at each link in turn, with its own cause and its own remedy."""

from __future__ import annotations

import errno
import re
from typing import cast

import pytest
import serial
from nightdraw import data
from nightdraw.link import check as checking
from nightdraw.link import ports
from nightdraw.link.check import RULES, Environment, Step

from tests.box import lines
from tests.box.lines import BOX, Computer, port

CHAIN = [
    "cable",
    "port",
    "permission",
    "busy",
    "answer",
    "identity",
    "version",
    "clock",
    "programs",
    "journal",
]
A = port("/dev/ttyACM0")
BOOT_LOADER = (0x2E8A, 0x0003)


def walk(computer: Computer, box: str | None = None) -> list[Step]:
    return list(checking.walk(box, cast(Environment, computer)))


def plugged(answer=None, **other) -> Computer:
    """A box on a computer."""
    return Computer([A], {A.name: answer or lines.box()}, {BOX}, **other)


def test_a_whole_chain():
    computer = plugged()
    steps = walk(computer)
    assert [step.name for step in steps] == CHAIN
    assert all(step.ok and step.remedy is None for step in steps)
    assert not any(line.open for line in computer.lines)


def test_a_named_pseudo_terminal_is_walked_too():
    computer = Computer([], {"/dev/pts/3": lines.box()})
    assert [step.name for step in walk(computer, "/dev/pts/3")] == CHAIN


def test_over_a_socket_there_is_no_cable():
    computer = Computer([], {"socket://127.0.0.1:5": lines.box()})
    assert [step.name for step in walk(computer, "socket://127.0.0.1:5")] == CHAIN[4:]


def holed() -> Computer:
    """A box whose journal is rubbish."""
    rig = lines.Rig()
    rig.box.journal.read_at = lambda offset, length: b"\xff" * min(length, 16)
    return plugged(lines.box(rig))


def error(code: int) -> dict[str, BaseException]:
    return {A.name: serial.SerialException(code, "could not open port")}


BROKEN = [
    # what is wrong, the link that breaks, words of the cause, words of the remedy
    (Computer(), "cable", "nothing with a box's USB number", "charge-only"),
    (Computer(usb={(0x1D6B, 2)}), "cable", "nothing with a box's USB number", "cable that carries data"),
    (Computer([port("a", None), port("b", (1, 2))]), "cable", "nothing with", "charge-only"),
    (Computer(usb={BOOT_LOADER}), "port", "boot loader", "without touching the boot button"),
    (Computer(usb={BOX}), "port", "has made no serial port", "plug it in again"),
    (Computer([A, port("/dev/ttyACM1")]), "port", "2 boxes may be meant", "--box /dev/ttyACM0"),
    (
        plugged(errors=error(errno.EACCES)),
        "permission",
        "this user may not open",
        r"sudo cp .*70-nightdraw\.rules",
    ),
    (
        plugged(errors=error(errno.EACCES), platform="darwin"),
        "permission",
        "may not open",
        "right to use serial",
    ),
    (plugged(errors=error(errno.EBUSY)), "busy", "another program holds", "close every other program"),
    (plugged(errors=error(errno.EAGAIN)), "busy", "another program holds", "close every other program"),
    (plugged(errors=error(errno.EIO)), "busy", "can't be opened", "plug it in again"),
    (Computer([A]), "answer", "can't open the port: gone", "plug the box in again"),
    (plugged(lines.silence), "answer", "nobody answers", "plug it in again"),
    (plugged(lines.prompt), "identity", "MicroPython prompt answers", "nightdraw box install"),
    (plugged(lines.other), "identity", "something else answers: 'OTHER,METER,7,1.0'", "--box"),
    (plugged(lines.older), "version", r"0\.0\.1, this program is version", "nightdraw box install"),
    (plugged(lines.Rig().say), "clock", "stands still", "off and on"),
    (holed(), "journal", "last records can't be read", "nightdraw box journal"),
]


@pytest.mark.parametrize(("computer", "name", "cause", "remedy"), BROKEN)
def test_the_first_broken_link_has_one_cause_and_one_remedy(computer, name, cause, remedy):
    *before, last = walk(computer)
    assert (last.name, last.ok) == (name, False)
    assert re.search(cause, last.message)
    assert last.remedy
    assert re.search(remedy, last.remedy)
    assert [step.name for step in before] == CHAIN[: CHAIN.index(last.name)]
    assert all(step.ok for step in before)


@pytest.mark.parametrize(
    ("box", "ports_", "name"),
    [
        ("/dev/ttyACM7", [A], "cable"),
        ("nonsense://x", [A], "cable"),
        ("/dev/ttyS0", [port("/dev/ttyS0", None)], "port"),
    ],
)
def test_a_wrong_name_is_told_and_nothing_is_written(box, ports_, name):
    gone = {box: serial.SerialException(errno.ENOENT, "no such port")}
    computer = Computer(ports_, {box: lines.box()}, errors=gone)
    steps = walk(computer, box)
    assert (steps[-1].name, steps[-1].ok) == (name, False)
    assert computer.lines == []


def test_a_locked_box_passes_without_its_journal():
    rig = lines.Rig()
    computer = plugged(lines.box(rig))
    with computer.open_box(A.name) as box:
        box.set_passcode("a passcode", 1 << 10)
        box.lock()
    steps = walk(computer)
    assert all(step.ok for step in steps)
    assert "locked" in steps[-1].message


# -- the udev rule


def test_the_rule_that_ships_is_for_the_ports_that_a_box_has():
    """The grammar is udev(7)'s: KEY==value matches, KEY=value, += assign; comma separated."""
    text = (data.folder(data.HARDWARE) / RULES).read_text("ascii")
    (rule,) = [line for line in text.splitlines() if line and not line.startswith("#")]
    parts = [
        re.fullmatch(r'([A-Z]+(?:\{\w+\})?)(==|\+=|=)"([^"]*)"', part.strip()) for part in rule.split(",")
    ]
    assert all(parts)
    found = {part[1]: (part[2], part[3]) for part in parts if part}
    vendor, product = ports.USB_NUMBER
    assert found["ATTRS{idVendor}"] == ("==", f"{vendor:04x}")
    assert found["ATTRS{idProduct}"] == ("==", f"{product:04x}")
    assert found["SUBSYSTEM"] == ("==", "tty")
    assert found["TAG"] == ("+=", "uaccess")
    assert int(RULES.partition("-")[0]) < 73  # systemd's 73-seat-late.rules acts on the tag

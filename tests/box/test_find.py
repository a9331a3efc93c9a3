"""Finding boxes: only what can be one is ever written to, and nothing is guessed."""

from __future__ import annotations

import errno
import itertools
import os
from typing import Any, cast

import pytest
import serial
from hypothesis import given
from hypothesis import strategies as st
from nightdraw import __version__
from nightdraw.errors import InputError
from nightdraw.link import find, ports, probe
from nightdraw.link.find import Surroundings

from tests.box import lines
from tests.box.lines import BOX, Computer, port


def around(computer: Computer) -> Surroundings:
    return cast(Surroundings, computer)


def test_boxes_are_listed_with_what_they_say_of_themselves():
    computer = Computer(
        [port("/dev/a"), port("/dev/b"), port("/dev/c", (0x1234, 0x5678)), port("/dev/d", None)],
        {"/dev/a": lines.box(), "/dev/b": lines.older, "/dev/c": lines.box(), "/dev/d": lines.box()},
    )
    found, notes = find.find(around(computer))
    assert [box.document() for box in found] == [
        {
            "address": "/dev/a",
            "identity": f"NIGHTDRAW,rig,42,{__version__}",
            "firmware": __version__,
            "locked": False,
        },
        {
            "address": "/dev/b",
            "identity": "NIGHTDRAW,bench-12v,e66058,0.0.1",
            "firmware": "0.0.1",
            "locked": None,
        },
    ]
    assert notes == []
    assert [line.name for line in computer.lines] == ["/dev/a", "/dev/b"]  # the others were never opened
    assert not any(line.open for line in computer.lines)


def test_a_locked_box_is_told():
    rig = lines.Rig()
    say = lines.box(rig)
    computer = Computer([port("x")], {"x": say})
    with computer.open_box("x") as box:
        box.set_passcode("a passcode", 1 << 10)
        box.lock()
    (box,) = find.find(around(computer))[0]
    assert box.locked is True
    assert box.text().endswith(", locked")


@pytest.mark.parametrize("answer", [lines.silence, lines.prompt, lines.other])
def test_what_is_no_box_is_not_listed_but_told(answer, monkeypatch):
    computer = Computer([port("x"), port("y")], {"x": answer})
    found, notes = find.find(around(computer))
    assert found == []
    assert [note.message for note in notes] == [
        "x: no box answers there",
        "y: can't open the port: gone",
    ]


usb_numbers = st.sampled_from([None, BOX, (0x2E8A, 0x0003), (0x2E8A, 0x000A), (0x1A86, 0x7523), (5, 0x2E8A)])


@given(st.lists(usb_numbers, max_size=6))
def test_whatever_is_plugged_in_only_matching_ports_are_opened(numbers):
    names = [port(f"p{k}", usb) for k, usb in enumerate(numbers)]
    computer = Computer(names, {p.name: lines.box() for p in names})
    found, _ = find.find(around(computer))
    fitting = [p.name for p in names if p.usb == BOX]
    assert [box.address for box in found] == fitting
    assert {line.name for line in computer.lines} == set(fitting)


# -- which box is meant


def test_the_only_box_is_meant():
    computer = Computer([port("a", None), port("b"), port("c", (1, 2))])
    assert find.choose(None, around(computer)) == "b"
    assert computer.lines == []


def test_of_two_boxes_none_is_guessed():
    computer = Computer([port("a"), port("b")])
    with pytest.raises(InputError, match=r"2 boxes may be meant: a, b \(choose one, like --box a"):
        find.choose(None, around(computer))
    assert find.choose("b", around(computer)) == "b"


def test_no_box_says_how_to_look_for_the_reason():
    with pytest.raises(InputError, match=r"no box is plugged in.*nightdraw box check"):
        find.choose(None, around(Computer([port("a", None)])))


@pytest.mark.parametrize("usb", [None, (0x2E8A, 0x0003), (0x1234, 0x5678)])
def test_a_port_that_can_not_be_a_box_is_refused_even_by_name(usb):
    computer = Computer([port("a", usb)], {"a": lines.box()})
    with pytest.raises(InputError, match=r"is no box: its USB number.*nothing was written to it"):
        find.choose("a", around(computer))
    assert computer.lines == []


@pytest.mark.parametrize("name", ["socket://127.0.0.1:5025", "/dev/pts/7"])
def test_a_socket_and_a_pseudo_terminal_are_taken_by_name(name):
    assert find.choose(name, around(Computer([port("a", None)]))) == name


def test_a_link_to_a_port_is_that_port(tmp_path):
    (tmp_path / "ttyACM0").touch()
    (tmp_path / "by-id").symlink_to(tmp_path / "ttyACM0")
    wrong = port(str(tmp_path / "ttyACM0"), (1, 2))
    with pytest.raises(InputError, match="is no box"):
        find.choose(str(tmp_path / "by-id"), around(Computer([wrong])))


# -- who answers


IDENTITY = b"NIGHTDRAW,bench-12v,e66058,0.1.0\n"


@pytest.mark.parametrize(
    ("data", "kind"),
    [
        (IDENTITY, probe.BOX),
        (b"\r\n" + IDENTITY, probe.BOX),
        (b'0,"No error"\n' + IDENTITY, probe.BOX),
        (b"OTHER,X,1,2\r\n", probe.STRANGER),
        (b">>> ", probe.PROMPT),
        (b"\r\nraw REPL; CTRL-B to exit\r\n>", probe.PROMPT),
        (b"Nightdraw stays out. A reset without the button starts it\r\n>>> ", probe.PROMPT),
        (b"NIGHTDRAW,bench-12v,e66058", None),
        (b"", None),
        (b"hello\n", None),
    ],
)
def test_bytes_say_who_sent_them(data, kind):
    heard = probe.judge(data)
    assert (None if heard is None else heard.kind) == kind


@given(st.lists(st.integers(1, len(IDENTITY) - 1), max_size=5, unique=True))
def test_an_identity_in_pieces_is_one_in_the_end(cuts):
    places = [0, *sorted(cuts), len(IDENTITY)]
    pieces = [IDENTITY[a:b] for a, b in itertools.pairwise(places)]

    class Line(lines.Recorder):
        def read(self, limit_s: float) -> bytes:
            return pieces.pop(0) if pieces else b""

    heard = probe.probe(Line(lines.silence, "x"))
    assert heard.kind == probe.BOX
    assert heard.identity is not None
    assert heard.identity.serial == "e66058"


def test_whoever_talks_without_end_is_no_box():
    line = lines.Recorder(lines.silence, "x")
    line.read = lambda limit_s: b"blah " * 100  # type: ignore[method-assign]
    assert probe.probe(line).kind == probe.STRANGER


def test_a_silent_line_is_asked_twice_and_waited_for_no_longer_than_said():
    now = iter(range(100))
    line = lines.Recorder(lines.silence, "x")
    assert probe.probe(line, lambda: float(next(now))).kind == probe.SILENCE
    assert line.written == probe.QUESTION + probe.END_RAW_PROMPT + probe.QUESTION


# -- why a port can't be opened


def refused(code: int, text: str = "could not open port") -> serial.SerialException:
    return serial.SerialException(code, text)


@pytest.mark.parametrize(
    ("error", "platform", "why"),
    [
        (refused(errno.EACCES), "linux", ports.PERMISSION),
        (refused(errno.EPERM), "linux", ports.PERMISSION),
        (refused(errno.EBUSY), "linux", ports.BUSY),
        (refused(errno.EAGAIN, "Could not exclusively lock port"), "linux", ports.BUSY),
        (refused(errno.EBUSY), "darwin", ports.BUSY),
        (refused(errno.ENOENT), "linux", ports.GONE),
        (refused(errno.EIO), "linux", ports.GONE),
        (
            serial.SerialException("could not open port 'COM3': PermissionError(13, 'denied')"),
            "win32",
            ports.BUSY,
        ),
        (
            serial.SerialException("could not open port 'COM3': FileNotFoundError(2, 'x')"),
            "win32",
            ports.GONE,
        ),
        (serial.SerialException("Cannot configure port"), "win32", ports.OTHER),
        (ValueError("no such baud rate"), "linux", ports.OTHER),
    ],
)
def test_the_reason_is_told_apart(error, platform, why):
    assert ports.trouble(error, platform) == why


def test_real_errors_of_this_system():
    """The system itself says busy and gone, as the table above has it."""
    tty: Any = pytest.importorskip("tty", reason="this system has no pseudo-terminals")
    host, end = os.openpty()
    tty.setraw(end)
    name = os.ttyname(end)
    assert ports.try_open(name) is None
    with serial.Serial(name, exclusive=True):
        error = ports.try_open(name)
    assert error is not None
    assert ports.trouble(error) == ports.BUSY
    os.close(host)
    os.close(end)
    error = ports.try_open(name + "-gone")
    assert error is not None
    assert ports.trouble(error) == ports.GONE


def test_usb_numbers_are_read_where_the_system_shows_them(tmp_path):
    assert ports.usb_devices(tmp_path / "none") is None
    for name, vendor, product in (("1-1", "2e8a\n", "0005\n"), ("1-2", "1d6b\n", "0002\n")):
        (tmp_path / name).mkdir()
        (tmp_path / name / "idVendor").write_text(vendor)
        (tmp_path / name / "idProduct").write_text(product)
    (tmp_path / "1-1:1.0").mkdir()
    assert ports.usb_devices(tmp_path) == {BOX, (0x1D6B, 0x0002)}

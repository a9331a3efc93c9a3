"""How the firmware gets on the emulated board: over its prompt, and as one image; and what a host is told
where it doesn't start there.
"""

from __future__ import annotations

import json
import zlib
from pathlib import Path

import pytest
from nightdraw import __version__
from nightdraw.board import load_board
from nightdraw.cli import main
from nightdraw.link import firmware, image

from tests.box.test_image import boot_loader, used_flash
from tests.emulated import play, stored
from tests.emulated.board import FIRMWARE, Board, images, open_file_system

FILES_AT = image.START - 0x1000_0000
ENABLE = play.board().circuit.pins.enable


def with_pin_twice(data: bytes) -> bytes:
    """A board.json under a right CRC in which a channel's pin is the gate buffer's too."""
    body = json.loads(data.partition(b"\n")[2])
    body["hardware"] = {**body.get("hardware", {}), "enable_pin": body["pins"][0]}
    text = json.dumps(body).encode()
    return b"%08x\n%s" % (zlib.crc32(text), text)


def install(box: Board, capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    """Run `nightdraw box install` on it; returns status, what it answered, what it said besides."""
    status = main.run(["box", "install", "--box", box.address])
    said = capsys.readouterr()
    return status, said.out, said.err


def test_what_ended_the_program_is_told_and_an_installation_mends_it(
    firmware: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    fs = stored.root(firmware)
    stored.put(fs, "board.json", with_pin_twice((firmware / "board.json").read_bytes()))
    with Board(bytes(fs.context.buffer), speed=0) as box:
        box.wait_usb()
        box.run(2)
        assert box.pins()[ENABLE] in (1, "Z")
        assert "board.json uses a pin twice" in box.said()
        status, answer, said = install(box, capsys)
        assert status == 0, said
        assert "the box had fallen to its prompt: ValueError: board.json uses a pin twice" in said
        assert f"answers, firmware {__version__}" in answer
        assert "fault.txt" not in open_file_system(box.file_system()).listdir("/")


@pytest.mark.campaign
def test_a_bare_board_becomes_a_box(firmware: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with Board(speed=0) as box:
        box.wait_usb()
        status, answer, said = install(box, capsys)
        assert status == 0, said
        assert f"answers, firmware {__version__}" in answer
        fs = open_file_system(box.file_system())
        for path in firmware.rglob("*"):
            if path.is_file():
                with fs.open(path.relative_to(firmware).as_posix(), "rb") as file:
                    assert file.read() == path.read_bytes()


def test_the_image_boots_on_a_board_that_was_used() -> None:
    folder = images()
    assert folder is not None
    flash = used_flash()
    boot_loader(flash, image.build((folder / FIRMWARE).read_bytes(), FIRMWARE, firmware.build(load_board())))
    with Board(bytes(flash[FILES_AT : FILES_AT + image.BLOCKS * image.BLOCK_BYTES])) as box:
        box.wait_usb()
        assert box.ask("*IDN?", 30).startswith("NIGHTDRAW,bench-12v,")
        assert box.pins()[ENABLE] == 1

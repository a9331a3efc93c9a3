"""Whatever lies in the box's data folder, the emulated board boots, keeps what is whole, says what is not,
and is mended by storing anew.
"""

from __future__ import annotations

import struct
import zlib
from pathlib import Path
from random import Random
from typing import Any

from boxcore import program as pg
from boxcore.journal import FILE_BYTES
from nightdraw import programs

from tests.emulated import play, stored
from tests.emulated.board import Board, open_file_system

SMALL = programs.pack(pg.Program("small", [(pg.STEADY, 40_000), (pg.PULSE, 90_000, 500, 2_000, 0)]))
GOOD, LARGEST = 0, 9
EMPTY = 7
WRONG = (1, 2, 3, 4, 5, 6, 8)
SAVED_S = 12.0  # the journal is written within 10 s


def older_format() -> bytes:
    """A program as a firmware of another format would have it, its CRC-32 right."""
    body = bytearray(SMALL[:-4])
    body[4] = pg.FORMAT - 1
    return bytes(body) + struct.pack("<I", zlib.crc32(body))


def spoil(fs: Any, seed: int) -> None:
    """One sound program, one as large as can be, and everything else that may lie there."""
    whole = stored.slot_file(SMALL, 5)
    files = {
        f"slot{GOOD}": whole,
        f"slot{LARGEST}": stored.slot_file(stored.largest(1), 7),
        "slot1": Random(seed).randbytes(20_000),
        "slot2": b"",
        "slot4": stored.slot_file(older_format(), 6),
        "slot5": whole[:-60],
        "slot6": whole[:-1] + bytes((whole[-1] ^ 1,)),
        "slot8": bytes(300_000),
        "trim": b"t" * 100_000,
        "n" * 200: b"a long name",
        "J\xfcrgen": b"another alphabet",
        "jabcdefghij": b"nearly a journal's name",
    }
    for name, data in files.items():
        stored.put(fs, f"data/{name}", data)
    for name in ("slot3/deep/er", "slot.new", "ledger", "ledger.new/x", "trim.new", f"j{FILE_BYTES:010d}"):
        fs.makedirs(f"data/{name}")
    stored.put(fs, "data/slot3/deep/er/file", bytes(5_000))
    for number in range(100):
        stored.put(fs, f"data/stranger{number}", b"nobody knows")


def test_any_file_in_the_data_folder_is_survived_and_mended(firmware: Path, seed: int) -> None:
    fs = stored.root(firmware)
    spoil(fs, seed)
    with Board(bytes(fs.context.buffer)) as box:
        box.wait_usb()
        assert box.ask("*IDN?", 20).startswith("NIGHTDRAW,")
        assert box.ask("SYST:ERR?") == '-313,"Calibration memory lost;it is damaged"'
        assert f"SLOT{EMPTY}" not in box.ask("PROG:CAT?")
        assert box.ask(f"DIAG:PROG? SLOT{GOOD}").startswith(f'"small",{len(SMALL)},')
        for slot in WRONG:
            box.send(f"DIAG:PROG? SLOT{slot}\n")
            assert box.ask("SYST:ERR?").startswith(f'-311,"Memory error;slot {slot}: ')
        for slot in WRONG:
            assert play.define(box, slot, SMALL) == '0,"No error"'
        assert box.ask("PROG:CAT?").count("SLOT") == len(WRONG) + 2
        assert play.arm(box, LARGEST).startswith("0,")
        box.run(SAVED_S)
        assert box.ask("DIAG:RUN?").startswith(f"RUNNING,{LARGEST},1,")
        box.power_cycle()
        box.wait_usb()
        assert box.ask("PROG:CAT?", 20).count("SLOT") == len(WRONG) + 2
        box.run(2)
        assert box.ask("DIAG:RUN?").startswith(f"RUNNING,{LARGEST},1,")
        names = open_file_system(box.file_system()).listdir("/data")
        assert {"ledger", "slot3", "stranger7"} <= set(names)
        assert "fault.txt" not in open_file_system(box.file_system()).listdir("/")


def test_a_full_flash_is_survived_and_keeps_what_it_holds(firmware: Path) -> None:
    fs = stored.root(firmware)
    stored.put(fs, f"data/slot{GOOD}", stored.slot_file(SMALL, 5))
    stored.put(fs, f"data/slot{LARGEST}", stored.slot_file(stored.largest(1), 7))
    stored.fill(fs, "data")
    with Board(bytes(fs.context.buffer)) as box:
        box.wait_usb()
        assert box.ask("PROG:CAT?", 20) == f'"SLOT{GOOD}","SLOT{LARGEST}"'
        assert play.define(box, EMPTY, stored.largest(2)).startswith('-250,"Mass storage error')
        assert box.ask("PROG:CAT?", 20) == f'"SLOT{GOOD}","SLOT{LARGEST}"'
        box.send(f"PROG:EXPL:DEL SLOT{LARGEST}\n")
        assert play.define(box, EMPTY, SMALL) == '0,"No error"'
        assert play.arm(box, EMPTY).startswith("0,")
        box.run(1)
        assert box.ask("DIAG:RUN?").startswith(f"RUNNING,{EMPTY},1,")


def test_a_file_in_place_of_the_data_folder_is_survived(firmware: Path) -> None:
    fs = stored.root(firmware)
    fs.rmdir("data")
    stored.put(fs, "data", b"no folder")
    with Board(bytes(fs.context.buffer)) as box:
        box.wait_usb()
        assert box.ask("PROG:CAT?", 20) == '""'
        assert play.define(box, 0, SMALL) == '0,"No error"'

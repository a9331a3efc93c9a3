"""Slots' files as they lie on a box, and programs as large as a slot, for boards that begin with them."""

from __future__ import annotations

import contextlib
import struct
import zlib
from pathlib import Path
from random import Random
from typing import Any

from boxcore import files, ledger, states
from boxcore import program as pg
from littlefs import LittleFSError
from nightdraw import programs

from tests.emulated.board import BLOCK_BYTES, file_system, open_file_system

HOUR_TICKS = 3_600 * pg.TICKS_PER_S


def slot_file(data: bytes, serial: int) -> bytes:
    """A program's bytes, its store number, a CRC-32 of all before."""
    body = data + struct.pack("<I", serial)
    return body + struct.pack("<I", zlib.crc32(body))


def largest(seed: int, resume: int = pg.RESUME_RESTART) -> bytes:
    """A replay as long as a slot takes it, no two levels in a row alike."""
    rng = Random(seed)
    room = pg.MAX_BYTES - len(replay(seed, []))
    levels = []
    for k in range(room // pg.LEVEL_BYTES):
        levels.append((20_000 + 10_000 * (2 * rng.randint(0, 11) + k % 2), rng.randint(300, 2_300)))
    return replay(seed, levels, resume)


def replay(seed: int, levels: list[tuple[int, int]], resume: int = pg.RESUME_RESTART) -> bytes:
    """A program with one replay; one of no levels is only good for its length."""
    whole = programs.pack(
        pg.Program(
            f"largest-{seed}",
            [(pg.REPLAY, pg.FOREVER, programs.pack_levels(levels or [(1, 10)]))],
            resume=resume,
        )
    )
    return whole if levels else whole[: -pg.LEVEL_BYTES]


def root(firmware: Path) -> Any:
    """The file system of a box with its firmware and an empty data folder, to be changed."""
    fs = open_file_system(file_system(firmware))
    fs.makedirs("data")
    return fs


def interrupted(firmware: Path, data: bytes, position_ticks: int) -> bytes:
    """The file system of a box whose run of slot 0 lost its power so long after its beginning; the other nine
    slots are full, as after long use."""
    fs = root(firmware)
    put(fs, "data/slot0", slot_file(data, 10))
    for slot in range(1, 10):
        put(fs, f"data/slot{slot}", slot_file(largest(slot), slot))
    kept = ledger.Ledger(None)
    kept.phase, kept.by, kept.serial, kept.run, kept.boot = ledger.RUNNING, states.BY_LINK, 10, 1, 3
    kept.position_ticks = kept.used_ticks = position_ticks
    kept.serials[0], kept.runs[0] = 10, 1
    put(fs, "data/ledger", files.sealed(ledger.HEAD, struct.pack(ledger.LAYOUT, *kept.numbers())))
    return bytes(fs.context.buffer)


def put(fs: Any, name: str, data: bytes) -> None:
    """Write a file."""
    with fs.open(name, "wb") as file:
        file.write(data)


def fill(fs: Any, folder: str) -> None:
    """Write files until not even a small one has room."""
    size, count = 64 * BLOCK_BYTES, 0
    while size >= 64:
        name = f"{folder}/filler{count}"
        try:
            put(fs, name, bytes(size))
            count += 1
        except LittleFSError:
            with contextlib.suppress(FileNotFoundError):
                fs.remove(name)
            size //= 2

"""Slots' files as they lie on a box, and programs as large as a slot, for boards that begin with them."""

from __future__ import annotations

import contextlib
import struct
import zlib
from pathlib import Path
from random import Random
from typing import Any

from boxcore import program as pg
from littlefs import LittleFSError
from nightdraw import programs

from tests.emulated.board import BLOCK_BYTES, file_system, open_file_system


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

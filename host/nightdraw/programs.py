"""A compiled program's bytes on the host's side: packed for a box, read back, and the edges they stand for.

What the bytes mean and what a box refuses stands in boxcore.program alone: whatever is packed here has passed
the box's own check. Runs under MicroPython too, where tests compare the two Pythons: hence no __future__.
"""

import binascii
import struct

from boxcore import program as pg
from boxcore.program import Program, ProgramError
from boxcore.schedule import Schedule

TYPE_CHECKING = False  # for mypy alone: MicroPython has neither module
if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from typing import Any


def pack_levels(levels: "Iterable[tuple[int, int]]") -> bytes:
    """Pack (level_ua, ticks) pairs into the bytes a replay draw holds."""
    return b"".join([struct.pack(pg.LEVEL_FORMAT, level, ticks) for level, ticks in levels])


def numbers(program: Program) -> dict[str, int]:
    """The 32-bit fields by their names in boxcore.program.NUMBERS."""
    return {field: getattr(program, field) for field in pg.NUMBERS}


def pack(program: Program) -> bytes:
    """The program's bytes, CRC-32 last; raises ProgramError for whatever a box would refuse."""
    pg.check_head(program)
    fields = numbers(program)
    for field, value in fields.items():
        _ask_word(field, value)
    rules = (len(program.draws), program.start, program.resume, program.name.encode())
    body: bytes = struct.pack(pg.HEAD, pg.MAGIC, pg.FORMAT, *rules, *[fields[field] for field in pg.NUMBERS])
    body += b"".join([_pack_draw(number + 1, draw) for number, draw in enumerate(program.draws)])
    data = body + struct.pack("<I", binascii.crc32(body))
    if len(data) > pg.MAX_BYTES:
        raise ProgramError(f"the program has {len(data)} bytes, a slot holds {pg.MAX_BYTES}")
    unpack(data)
    return data


def _ask_word(what: str, value: int) -> None:
    if not 0 <= value <= pg.MAX_U32:
        raise ProgramError(f"{what} is out of range")


def _pack_draw(number: int, draw: "tuple[Any, ...]") -> bytes:
    kind = draw[0]
    if kind != pg.REPLAY and kind not in pg.BODIES:
        raise ProgramError(f"draw {number}: kind {kind} is unknown")
    for value in draw[1:2] if kind == pg.REPLAY else draw[1:]:
        _ask_word(f"draw {number}: {value}", value)
    if kind == pg.REPLAY:
        body = struct.pack("<I", draw[1]) + draw[2][: pg.MAX_BYTES]  # more doesn't fit a slot, nor the length
    else:
        body = struct.pack(pg.BODIES[kind], *draw[1:])
    data: bytes = struct.pack(pg.DRAW, kind, len(body)) + body
    return data


def unpack(data: bytes) -> Program:
    """The Program in the bytes; raises ProgramError when they are cut, changed or not understood."""
    data = bytes(data)
    parser = pg.Parser(pg.MAX_BYTES)
    while parser.wants:
        view = data[parser.size : parser.size + parser.wants]
        if len(view) != parser.wants:
            raise ProgramError("the program is cut")
        parser.take(view)
    if parser.size != len(data):
        raise ProgramError("bytes left over after the last draw")
    program: Program = parser.program
    return program


def checksum(data: bytes) -> int:
    """The CRC-32 that a program's bytes end with. (A CRC-32 over all of them would be the same for every
    program: that is how a CRC with its own value behind it comes out.)"""
    crc: int = struct.unpack("<I", bytes(data[-4:]))[0]
    return crc


def edges(schedule: Schedule, ticks: int) -> "Iterator[tuple[int, int]]":
    """(tick, level_ua) from the schedule's present instant: the level first, then each change in
    [0, ticks)."""
    at = 0
    level = schedule.level_ua
    yield at, level
    while True:
        at += schedule.take(ticks - at)
        if at >= ticks:
            return
        if schedule.level_ua != level:
            level = schedule.level_ua
            yield at, level

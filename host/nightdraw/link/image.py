"""One UF2 file for an empty or used board: the user's MicroPython, and our files as its file system.

Every block of the file system is in it, the empty ones too: a used board's old blocks could win otherwise.
So programs, journal, settings and passcode of a used board are gone afterwards. Nothing here talks to a
board.
"""

from __future__ import annotations

import re

from nightdraw.errors import Finding, InputError
from nightdraw.link import uf2
from nightdraw.link.deploy import OLDEST, PROCESSOR
from nightdraw.link.firmware import BoardFile

# MicroPython's share for files on a board with 2 MB of flash; with another size it would format it anew.
START = 0x100A_0000
BLOCK_BYTES = uf2.SECTOR_BYTES
BLOCKS = 352
# As MicroPython mounts it, so that what lies inside a directory's own block is the same on both sides.
READ_BYTES = 32
PROGRAM_BYTES = 256
CACHE_BYTES = 4 * PROGRAM_BYTES
LOOKAHEAD_BYTES = 32

_BANNER = re.compile(rb"MicroPython v(\d+)\.(\d+)[^;\0]{0,60}; ([^\0]{0,60}?) with (RP\d+)")


def build(micropython: bytes, file: str, files: list[BoardFile]) -> bytes:
    """The image's bytes from MicroPython's own UF2 (`file` is its name for errors); raises InputError."""
    pages = uf2.read(micropython, file)
    _check(pages, file)
    content = file_system(files)
    for at in range(0, len(content), uf2.PAGE_BYTES):
        pages[START + at] = content[at : at + uf2.PAGE_BYTES]
    return uf2.write(pages)


def file_system(files: list[BoardFile]) -> bytes:
    """A whole littlefs with these files; raises InputError when they don't fit."""
    import littlefs

    image = littlefs.LittleFS(
        block_size=BLOCK_BYTES,
        block_count=BLOCKS,
        read_size=READ_BYTES,
        prog_size=PROGRAM_BYTES,
        cache_size=CACHE_BYTES,
        lookahead_size=LOOKAHEAD_BYTES,
    )
    try:
        for file in files:
            folder = file.name.rpartition("/")[0]
            if folder:
                image.makedirs(folder, exist_ok=True)
            with image.open(file.name, "wb") as target:
                target.write(file.data)
        image.unmount()
    except littlefs.LittleFSError as error:
        raise InputError(f"the files don't fit on the board: {error}") from None
    return bytes(image.context.buffer)


def version(pages: uf2.Pages) -> tuple[tuple[int, int], str] | None:
    """MicroPython's version and the processor it is for, from its own banner; None where it has none."""
    flat = b"".join(pages[address] for address in sorted(pages))
    found = _BANNER.search(flat)
    if found is None:
        return None
    return (int(found[1]), int(found[2])), found[4].decode("ascii")


def _check(pages: uf2.Pages, file: str) -> None:
    if max(pages) >= START:
        message = f"it reaches into the file system at {START:#x}"
        hint = "take MicroPython's file for the plain RP2040 board with 2 MB of flash"
        raise InputError(Finding(message, file, hint=hint))
    known = version(pages)
    if known is None:
        return
    oldest = ".".join(str(part) for part in OLDEST)
    (major, minor), processor = known
    if (major, minor) < OLDEST:
        message = f"MicroPython {major}.{minor} is too old, the firmware needs {oldest} or later"
        raise InputError(Finding(message, file))
    if processor != PROCESSOR:
        raise InputError(Finding(f"it is for the {processor}, the box needs the {PROCESSOR}", file))

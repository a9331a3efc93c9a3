"""UF2 files for the board's boot loader: pages of flash in blocks of 512 bytes.

The format is Microsoft's UF2 specification; the processor's family number and what its boot loader takes are
from the RP2040 datasheet, 2.8.4.2. Its erratum RP2040-E14: the boot loader erases a sector when it meets the
first of each sixteen block numbers, so a file must hold whole sectors, ascending, numbered through once.
Pure functions over bytes.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping

from nightdraw.errors import Finding, InputError

MAGIC = (0x0A324655, 0x9E5D5157)
MAGIC_END = 0x0AB16F30
HEAD = "<8I"  # two magics, flags, address, size, block number, number of blocks, family
HEAD_BYTES = 32
BLOCK_BYTES = 512
NOT_FLASH = 0x0000_0001
HAS_FAMILY = 0x0000_2000
FAMILY = 0xE48B_FF56  # RP2040
PAGE_BYTES = 256  # the only payload that the boot loader takes
SECTOR_BYTES = 4096
SECTOR_PAGES = SECTOR_BYTES // PAGE_BYTES
FLASH_START = 0x1000_0000
FLASH_END = FLASH_START + (1 << 21)  # 2 MB, the standard board's
ERASED = 0xFF

Pages = Mapping[int, bytes]  # address -> PAGE_BYTES bytes


def read(data: bytes, file: str) -> dict[int, bytes]:
    """The pages of flash in a UF2 file; `file` is its name for errors. Raises InputError."""
    if not data or len(data) % BLOCK_BYTES:
        raise _bad(file, "its length is no multiple of 512 bytes")
    pages: dict[int, bytes] = {}
    for number in range(len(data) // BLOCK_BYTES):
        block = data[number * BLOCK_BYTES : (number + 1) * BLOCK_BYTES]
        page = _page(block, number, file)
        if page is None:
            continue
        address, content = page
        if pages.setdefault(address, content) != content:
            raise _bad(file, f"block {number} says otherwise than an earlier one of the address {address:#x}")
    if not pages:
        raise _bad(file, "it holds nothing for the RP2040", "take MicroPython's file for your RP2040 board")
    return pages


def _page(block: bytes, number: int, file: str) -> tuple[int, bytes] | None:
    first, second, flags, address, size, _, _, family = struct.unpack_from(HEAD, block)
    (end,) = struct.unpack_from("<I", block, BLOCK_BYTES - 4)
    if (first, second, end) != (*MAGIC, MAGIC_END):
        raise _bad(file, f"block {number} is no UF2 block")
    if flags & NOT_FLASH or not flags & HAS_FAMILY or family != FAMILY:
        return None  # the boot loader passes over it too
    if size != PAGE_BYTES or address % PAGE_BYTES or not FLASH_START <= address < FLASH_END:
        raise _bad(file, f"block {number} ({size} bytes for {address:#x}) is no page of a 2 MB flash")
    return address, block[HEAD_BYTES : HEAD_BYTES + size]


def write(pages: Pages) -> bytes:
    """The UF2 file that leaves exactly these pages in their sectors, the rest of each sector erased."""
    sectors = sorted({address - address % SECTOR_BYTES for address in pages})
    places = [sector + k * PAGE_BYTES for sector in sectors for k in range(SECTOR_PAGES)]
    blank = bytes([ERASED]) * PAGE_BYTES
    return b"".join(
        _block(number, len(places), address, pages.get(address, blank))
        for number, address in enumerate(places)
    )


def _block(number: int, count: int, address: int, page: bytes) -> bytes:
    head = struct.pack(HEAD, *MAGIC, HAS_FAMILY, address, PAGE_BYTES, number, count, FAMILY)
    return head + page.ljust(BLOCK_BYTES - HEAD_BYTES - 4, b"\0") + struct.pack("<I", MAGIC_END)


def _bad(file: str, why: str, hint: str = "is it MicroPython's UF2 file?") -> InputError:
    return InputError(Finding(f"not a UF2 file that fits: {why}", file, hint=hint))

"""Journal records for tests: one as bytes, its check by the standard library's own CRC-16; those held."""

import binascii
import struct

from boxcore import journal as jn
from nightdraw import journals


def pack(kind, arg, pattern, tick, value, supply_mv, sequence=0):
    """One record; tick is the box's whole, ever-growing tick."""
    block = tick >> jn.TICK_BITS & 0xFF
    raw = struct.pack(
        jn.RECORD,
        kind,
        arg,
        pattern,
        tick & jn.TICK_MASK,
        value,
        supply_mv,
        block,
        jn.FORMAT,
        sequence & jn.MAX_SEQUENCE,
        0,
    )
    return raw[: jn.HEAD_BYTES] + struct.pack("<H", binascii.crc_hqx(raw[: jn.HEAD_BYTES], 0xFFFF))


def held(journal):
    """Every record in a journal."""
    return journals.decode(journals.whole(journal))

"""The instrument's messages as the host sees them: what is sent, what comes back, whether to believe it.

Pure functions over bytes. Behind a question goes the exchange checksum, in a message of its own:
`SYSTem:ERRor?` and `DIAGnostic:SEAL? N`. Its answer holds N, a CRC-32 of every unit that the box received
and one of every byte that it sent since the last exchange checksum, so that a lost, late, doubled or garbled
answer is recognised, and a garbled question too. It has a message of its own because an error of syntax drops
the rest of the message it is in. Nothing here sends, waits or repeats.
"""

from __future__ import annotations

import binascii
from collections.abc import Sequence

from boxcore.port import ANSWER_BYTES

MAX_ANSWER = 200  # bytes with NL, long blocks left out: the box's own bound
MAX_BLOCK = ANSWER_BYTES + len(b"#44096")
ERROR = ":SYST:ERR?"
CHECKSUM_QUERY = ":DIAG:SEAL? "


class GarbledError(Exception):
    """What came back can't be the answer to what was sent; nothing was learned from it."""


def definite_block(data: bytes) -> bytes:
    """Definite-length block data (IEEE 488.2, 7.7.6)."""
    size = b"%d" % len(data)
    return b"#%d%s%s" % (len(size), size, data)


def with_checksum(units: Sequence[str], number: int, block: bytes | None = None) -> bytes:
    """The message of `units`, where there are any, and the checksum's; `block` goes behind the last unit."""
    asked = ";".join(units).encode("ascii")
    if block is not None:
        asked += b" " + definite_block(block)
    return (asked + b"\n" if asked else b"") + f"{ERROR};{CHECKSUM_QUERY}{number}\n".encode("ascii")


def split(received: bytes) -> tuple[list[bytes], int] | None:
    """The answers in the first message of `received` and its length; None while it isn't complete.

    Raises GarbledError for what can't be a message of a box.
    """
    answers: list[bytes] = []
    start = at = block_bytes = 0
    while at < len(received):
        byte = received[at : at + 1]
        if byte in (b";", b"\n"):
            answers.append(received[start:at])
            start = at = at + 1
            if byte == b"\n":
                return answers, at
        elif byte == b'"':
            at = _past_string(received, at)
        elif byte == b"#" and received[at - 1 : at] in (b"", b";", b",", b"\n"):
            before, at = at, _past_block(received, at)
            block_bytes += at - before
        else:
            at += 1
        if at - block_bytes >= MAX_ANSWER or block_bytes > MAX_BLOCK:
            raise GarbledError("the answer is too long")
    return None


def _past_string(received: bytes, at: int) -> int:
    end = received.find(b'"', at + 1)
    if b"\n" in received[at : end if end >= 0 else len(received)]:
        raise GarbledError("a string in the answer has no end")
    return end + 1 if end >= 0 else len(received)


def _past_block(received: bytes, at: int) -> int:
    digits = received[at + 1 : at + 2]
    if not digits:
        return len(received)
    if not digits.isdigit() or digits == b"0":
        raise GarbledError("a block in the answer has no length")
    first = at + 2 + int(digits)
    size = received[at + 2 : first]
    if size and not size.isdigit():
        raise GarbledError("a block in the answer has no length")
    return min(first + int(size), len(received)) if first <= len(received) else len(received)


def checksum_of(answers: Sequence[bytes]) -> tuple[int, int, int] | None:
    """Number and both CRC-32 of the exchange checksum that ends a message's answers, None for a message
    without one."""
    fields = answers[-1].split(b",")
    if len(answers) > 2 or len(fields) != 3 or not all(field.isdigit() for field in fields):
        return None
    number, received_crc, sent_crc = (int(field) for field in fields)
    return number, received_crc, sent_crc


def checksum_fits(
    checksum: tuple[int, int, int], units: Sequence[str], block: bytes | None, sent: bytes, error: bytes
) -> bool:
    """Whether an exchange checksum belongs to these units and this block, to the answers before it and to its
    error."""
    number, received_crc, sent_crc = checksum
    asked = "".join(f"{unit};" for unit in units).encode("ascii")
    received = asked + (block or b"") + f"{ERROR};{CHECKSUM_QUERY}{number};".encode("ascii")
    return received_crc == binascii.crc32(received) and sent_crc == binascii.crc32(sent + error)


def block_data(answer: bytes) -> bytes:
    """The bytes of an answer that is a definite-length block."""
    if len(answer) < 3 or answer[:1] != b"#" or not answer[1:2].isdigit():
        raise GarbledError("the answer is no block")
    first = 2 + int(answer[1:2])
    data = answer[first:]
    if answer[2:first] != b"%d" % len(data):
        raise GarbledError("the block's length doesn't fit")
    return data

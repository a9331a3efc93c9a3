"""From a passcode to the two numbers of RFC 9383 and the record that a box keeps of them.

The passcode itself stays on this side. Nothing here asks a person or speaks to a box.
"""

from __future__ import annotations

import hashlib
import secrets
import struct
import sys
import unicodedata
from pathlib import Path

from boxcore import lock, spake2plus

from nightdraw.errors import Finding, InputError
from nightdraw.exchange import finish

Point = tuple[int, int, int]

# scrypt (RFC 7914) stands between a record that leaked (whoever reaches the prompt can read it) and the
# passcode, which people use elsewhere too. Nothing that travels can be checked against a guess, whatever the
# cost. Its N, with r = 8 and p = 1: 32 MB and a tenth of a second on a laptop.
COST = 1 << 15
LEAST_COST, MOST_COST = 1 << 10, 1 << 18  # a box that asks for more wants 256 MB and more: none of ours does
BLOCK_SIZE = 8
MOST_MEMORY = 0x7FFF_FFFF  # the most that OpenSSL takes as a bound; MOST_COST is what bounds the memory
WIDE_BYTES = 40  # of a half that is taken modulo the order: 64 bits more than it has (RFC 9383, 3.2)
FEWEST_CHARACTERS = 6  # some 30 tries fit in a lesson of two hours, and people's four digits are that few
MOST_BYTES = 256  # far beyond any passcode: a wrong file is told from a passcode
FEWEST_DIFFERENT = 3  # characters: fewer are a finger that rests
# Rows of keys and alphabets: a passcode that is a stretch of one, either way round, is among the first tried.
ROWS = (
    "01234567890",
    "qwertyuiop",
    "qwertzuiop",
    "azertyuiop",
    "asdfghjkl",
    "yxcvbnm",
    "zxcvbnm",
    "abcdefghijklmnopqrstuvwxyz",
)


def checked(passcode: str, file: str | None = None) -> str:
    """The passcode in the form that its numbers are made from, the same from every keyboard (Unicode NFC).

    Raises InputError (at `file`) for one that is empty or too long.
    """
    passcode = unicodedata.normalize("NFC", passcode)
    if not passcode:
        raise InputError(Finding("a passcode has at least one character", file))
    if len(passcode.encode()) > MOST_BYTES:
        raise InputError(Finding(f"a passcode has at most {MOST_BYTES} bytes", file))
    return passcode


def strong(passcode: str) -> str:
    """A checked passcode that isn't guessed within a lesson; raises InputError for one that may be."""
    passcode = checked(passcode)
    folded = passcode.casefold()
    if len(passcode) < FEWEST_CHARACTERS:
        problem = f"has only {len(passcode)} characters, of {FEWEST_CHARACTERS} or more"
    elif len(set(folded)) < FEWEST_DIFFERENT:
        problem = f"has only {len(set(folded))} different characters"
    elif any(folded in row or folded in row[::-1] for row in ROWS):
        problem = "is a row of neighbours"
    elif any(
        folded == (folded[:size] * len(folded))[: len(folded)] for size in range(1, len(folded) // 2 + 1)
    ):
        problem = "is the same piece again and again"
    else:
        return passcode
    raise InputError(
        Finding(f"the passcode {problem}: it would soon be guessed", hint="take three words, say")
    )


def from_file(path: str) -> str:
    """The passcode in a file of one line, `-` for standard input; raises InputError."""
    name = "standard input" if path == "-" else path
    try:
        raw = sys.stdin.buffer.read() if path == "-" else Path(path).read_bytes()
        lines = raw.decode("utf-8-sig").splitlines()
    except OSError as error:
        raise InputError(Finding(f"can't be read: {error.strerror or error}", name)) from None
    except UnicodeDecodeError:
        raise InputError(Finding("the passcode's file is no UTF-8 text", name)) from None
    if len(lines) != 1:
        found = f"{len(lines)} lines" if lines else "nothing"
        raise InputError(Finding(f"the passcode's file holds {found}, it must be one line", name))
    return checked(lines[0], name)


def new_salt() -> bytes:
    """Random bytes that make the same passcode other numbers on every box."""
    return secrets.token_bytes(lock.SALT_BYTES)


def secret() -> int:
    """A random number for one exchange, 1 .. order - 1."""
    return secrets.randbelow(spake2plus.ORDER - 1) + 1


def is_cost(cost: int) -> bool:
    """Whether a box of ours asks for it: a power of two within bounds."""
    return LEAST_COST <= cost <= MOST_COST and cost & (cost - 1) == 0


def numbers(passcode: str, salt: bytes, cost: int = COST) -> tuple[int, int]:
    """w0 and w1 of a checked passcode (RFC 9383, 3.2, both names empty), by scrypt of that cost."""
    code = passcode.encode()
    given = struct.pack("<Q", len(code)) + code + bytes(16)  # then the lengths of both names
    wide = hashlib.scrypt(
        given,
        salt=salt,
        n=cost,
        r=BLOCK_SIZE,
        p=1,
        maxmem=MOST_MEMORY,
        dklen=2 * WIDE_BYTES,
    )
    return spake2plus.scalar(wide[:WIDE_BYTES]), spake2plus.scalar(wide[WIDE_BYTES:])


def masks(w0: int) -> tuple[Point, Point]:
    """w0 * M and w0 * N."""
    return _multiple(w0, spake2plus.M), _multiple(w0, spake2plus.N)


def record(w0: int, w1: int) -> bytes:
    """What a box keeps: spake2plus.unpack() reads it."""
    points = (_multiple(w1, spake2plus.BASE), *masks(w0))
    encoded = [spake2plus.number_bytes(w0), *(spake2plus.encode(point) for point in points)]
    return b"".join(encoded)


def _multiple(number: int, point: Point) -> Point:
    made: Point = finish(spake2plus.affine(finish(spake2plus.multiply(number, point))))
    return made

"""From a passcode to the key that a box keeps, by PBKDF2-HMAC-SHA-256 (RFC 8018, 5.2).

The passcode itself stays on this side. Nothing here asks a person or speaks to a box.
"""

from __future__ import annotations

import hashlib
import secrets
import sys
import unicodedata
from pathlib import Path

from boxcore import lock

from nightdraw.errors import Finding, InputError

# The key that a box keeps unlocks that box by itself, with or without rounds: they stand between a key that
# leaked and the passcode, which people use elsewhere too. The floor that web guidance gives for this function
# (OWASP, 2023, from memory): a third of a second on a laptop, two weeks for a million passcodes.
ROUNDS = 600_000
FEWEST_ROUNDS = 100_000  # a box that asks for less is none of ours: its answer would give the passcode away
MOST_ROUNDS = 10_000_000  # nor is one that would keep this computer busy for longer than some seconds
FEWEST_CHARACTERS = 4  # at the pace that a box lets wrong ones through, 10,000 of them take five weeks
MOST_BYTES = 256  # far beyond any passcode: a wrong file is told from a passcode


def checked(passcode: str, file: str | None = None) -> str:
    """The passcode in the form that its key is made from, the same from every keyboard (Unicode NFC).

    Raises InputError (at `file`) for one that is too short or too long.
    """
    passcode = unicodedata.normalize("NFC", passcode)
    if len(passcode) < FEWEST_CHARACTERS:
        raise InputError(Finding(f"a passcode has {FEWEST_CHARACTERS} or more characters", file))
    if len(passcode.encode()) > MOST_BYTES:
        raise InputError(Finding(f"a passcode has at most {MOST_BYTES} bytes", file))
    return passcode


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
    """Random bytes that make the same passcode another key on every box."""
    return secrets.token_bytes(lock.SALT_BYTES)


def key(passcode: str, salt: bytes, rounds: int = ROUNDS) -> bytes:
    """The key of a checked passcode."""
    return hashlib.pbkdf2_hmac("sha256", passcode.encode(), salt, rounds, lock.KEY_BYTES)

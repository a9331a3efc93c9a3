"""Who is at the other end of a line: a box, MicroPython's prompt, something else, nobody.

It sends *IDN? and, when nothing comes, the byte that ends a raw prompt. It never asks anything else.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from dataclasses import dataclass

from boxcore.commands_common import MAKER

from nightdraw.errors import printable
from nightdraw.link.replies import Identity
from nightdraw.link.transport import Transport

BOX, PROMPT, STRANGER, SILENCE = "box", "prompt", "stranger", "silence"
LISTEN_S = 3.0  # a box that has just got power says nothing for 2.5 s, one that writes to flash for 0.4 s
MOST_SHOWN = 80  # characters of it in a message
MOST_BYTES = 4096  # of what is listened to: whoever says more without answering is no box
QUESTION = b"\n*IDN?\n"
END_RAW_PROMPT = b"\r\x02"  # an interrupted installation leaves a board there, and it stays silent
_ANSWER = re.compile(rb"(?:^|[\r\n])([^,\r\n]*),([^,\r\n]*),([^,\r\n]*),([^,\r\n]*)\r?\n")
_PROMPT_SIGNS = (b">>> ", b"raw REPL", b"Traceback (most recent call last)")


@dataclass(frozen=True)
class Heard:
    """kind: BOX, PROMPT, STRANGER or SILENCE; identity: a box's, or another instrument's; text: what was
    heard, for people."""

    kind: str
    identity: Identity | None = None
    text: str = ""


def probe(line: Transport, clock: Callable[[], float] = time.monotonic) -> Heard:
    """Ask who is there; raises LinkError on a dead line. A program that runs on a box goes on."""
    for opening in (b"", END_RAW_PROMPT):
        line.write(opening + QUESTION)
        heard = _listen(line, clock() + LISTEN_S, clock)
        if heard.kind != SILENCE:
            return heard
    return heard


def _listen(line: Transport, until_s: float, clock: Callable[[], float]) -> Heard:
    data = b""
    while len(data) < MOST_BYTES:
        left_s = until_s - clock()
        piece = line.read(left_s) if left_s > 0 else b""
        if not piece:
            break
        data += piece
        heard = judge(data)
        if heard is not None:
            return heard
    return Heard(STRANGER, text=_shown(data)) if data.strip() else Heard(SILENCE)


def judge(data: bytes) -> Heard | None:
    """What these bytes say about who sent them, None while they don't say yet."""
    for answer in _ANSWER.finditer(data):
        heard = _instrument(answer)
        if heard.kind == BOX:
            return heard
    if any(sign in data for sign in _PROMPT_SIGNS):
        return Heard(PROMPT, text=_shown(data))
    other = _ANSWER.search(data)
    return _instrument(other) if other else None


def _instrument(answer: re.Match[bytes]) -> Heard:
    fields = [printable(field.decode("ascii", "backslashreplace").strip()) for field in answer.groups()]
    return Heard(BOX if fields[0] == MAKER else STRANGER, Identity(*fields), _shown(answer.group()))


def _shown(data: bytes) -> str:
    """The first words of what was heard, printable."""
    lines = data.decode("ascii", "backslashreplace").split()
    return printable(" ".join(lines))[:MOST_SHOWN]

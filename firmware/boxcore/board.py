"""The board as the box is told it: the integer-only board.json that the host compiles from a board file.

It carries a CRC-32 so that a board file written in part is never believed.
What is made of it lives in wiring.py; main.py forgets this module after use.
"""

import binascii
import json

from boxcore.wiring import CAPS, Board, BoardError

FORMAT = 1
FIELDS = ("name", "channels_ns", "pins", "own_ua", "monitor", "caps")


def load(data):
    """The Board in the bytes of a board.json; raises BoardError. What stands under a right CRC was checked by
    the host, where whoever wrote the board file can be told."""
    head, _, text = bytes(data).partition(b"\n")
    text = text.rstrip(b"\n")
    if head != b"%08x" % binascii.crc32(text):
        raise BoardError("board.json is damaged: its CRC-32 differs")
    try:
        body = json.loads(text)
        found = body["format"]
        if found != FORMAT:
            raise BoardError("board.json has format %s, this firmware reads %d" % (found, FORMAT))
        name, channels_ns, pins, own_ua, monitor, caps = [body[field] for field in FIELDS]
        return Board(name, channels_ns, pins, own_ua, monitor, zip(CAPS, caps), body.get("hardware"))
    except BoardError:
        raise
    except (ValueError, TypeError, KeyError, AttributeError):
        raise BoardError("board.json is not a board") from None

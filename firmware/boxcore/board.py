"""The board as the box is told it: the integer-only board.json that the host compiles from a board file.

Only this file knows its keys. It carries a CRC-32 so that a board file written in part is never believed.
What is made of it lives in wiring.py; main.py forgets this module after use.
"""

import binascii
import json

from boxcore.bank import MAX_CHANNELS
from boxcore.wiring import CAPS, HARDWARE, Board, BoardError

FORMAT = 1
FIELDS = ("name", "channels_ns", "pins", "own_ua", "monitor", "caps")


def dump(board):
    """The bytes of board.json for a Board."""
    body = {
        "format": FORMAT,
        "name": board.name,
        "channels_ns": list(board.channels_ns),
        "pins": list(board.pins),
        "own_ua": board.own_ua,
        "monitor": board.monitor,
        "caps": [board.caps[name] for name in CAPS],
        "hardware": {key: board.hardware[key] for key in sorted(HARDWARE)},
    }
    text = json.dumps(body)
    return b"%08x\n%s\n" % (binascii.crc32(text.encode()), text.encode())


def load(data):
    """The Board in the bytes of a board.json; raises BoardError."""
    head, _, text = bytes(data).partition(b"\n")
    text = text.rstrip(b"\n")
    if head != b"%08x" % binascii.crc32(text):
        raise BoardError("board.json is damaged: its CRC-32 differs")
    try:
        body = json.loads(text)
        found = body.get("format")
    except (ValueError, AttributeError):
        raise BoardError("board.json is not a board") from None
    if found != FORMAT:
        raise BoardError("board.json has format %s, this firmware reads %d" % (found, FORMAT))
    try:
        fields = [body[name] for name in FIELDS]
    except KeyError:
        raise BoardError("board.json lacks a field") from None
    hardware = body.get("hardware")
    problem = _problem(*fields) or _hardware_problem(hardware)
    if problem:
        raise BoardError("board.json: " + problem)
    name, channels_ns, pins, own_ua, monitor, caps = fields
    return Board(name, channels_ns, pins, own_ua, monitor, dict(zip(CAPS, caps)), hardware)


def _problem(name, channels_ns, pins, own_ua, monitor, caps):
    if not isinstance(name, str) or monitor not in (True, False):
        return "name or monitor is not what it should be"
    if not _are_counts(channels_ns) or not 1 <= len(channels_ns) <= MAX_CHANNELS or min(channels_ns) < 1:
        return "channels_ns must be 1 to %d conductances" % MAX_CHANNELS
    if not _are_counts(pins) or len(set(pins)) != len(channels_ns) or len(pins) != len(channels_ns):
        return "each channel must have a pin of its own"
    if not _are_counts(caps) or len(caps) != len(CAPS) or caps[0] >= caps[1]:
        return "caps must be %d numbers, supply_min_mv below supply_max_mv" % len(CAPS)
    if not _are_counts([own_ua]):
        return "own_ua must be a whole number"
    return None


def _hardware_problem(hardware):
    if hardware is None:
        return None
    if not isinstance(hardware, dict):
        return "hardware is not a table"
    for key, value in hardware.items():
        if not _are_counts(value if isinstance(value, list) else [value]):
            return "hardware %s is not a whole number or a list of them" % key
    return None


def _are_counts(values):
    return isinstance(values, list) and all(isinstance(value, int) and value >= 0 for value in values)

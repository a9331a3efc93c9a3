"""The board as the box knows it: the integer-only board.json that the host compiles from a board file.

Only this file knows its keys. It carries a CRC-32 so that a board file written in part is never believed.
"""

import binascii
import json

FORMAT = 1
CAPS = ("supply_min_mv", "supply_max_mv", "run_ticks", "charge_mas", "bank_temp_cdeg")


class BoardError(ValueError):
    """The bytes are not a board file that this firmware can use; the message says why."""


class Board:
    """name; channels_ns: each channel's conductance, nanosiemens; pins: its GPIO number; own_ua: the box's own
    consumption while running; monitor: whether bank current is measured; caps: the board's own limits."""

    def __init__(self, name, channels_ns, pins, own_ua, monitor, caps):
        self.name = name
        self.channels_ns = tuple(channels_ns)
        self.pins = tuple(pins)
        self.own_ua = own_ua
        self.monitor = monitor
        self.caps = dict(caps)


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
    }
    text = json.dumps(body)
    return b"%08x\n%s\n" % (binascii.crc32(text.encode()), text.encode())


def load(data):
    """The Board in the bytes of a board.json; raises BoardError."""
    head, _, text = bytes(data).partition(b"\n")
    text = text.rstrip(b"\n")
    if head != b"%08x" % binascii.crc32(text):
        raise BoardError("board.json is damaged: its CRC-32 differs")
    body = json.loads(text)
    if body.get("format") != FORMAT:
        raise BoardError("board.json has format %s, this firmware reads %d" % (body.get("format"), FORMAT))
    return Board(
        body["name"],
        body["channels_ns"],
        body["pins"],
        body["own_ua"],
        body["monitor"],
        dict(zip(CAPS, body["caps"])),
    )

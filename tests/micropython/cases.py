"""The cases that both Pythons play, as bytes in a file: written on one side, read on both.

Runs under MicroPython too, so it keeps to what the board's Python has.
"""

import struct

PLAY = "<IIIIQ"  # length of the program, run number, own consumption (uA), most edges, ticks
EDGE = "<QI"  # tick, level in uA
EDGE_BYTES = struct.calcsize(EDGE)
CHOICE = "<II"  # wanted level in uA, supply in mV


def write_plays(path, plays):
    """Write (program bytes, run, own_ua, most edges, ticks) to a file."""
    with open(path, "wb") as file:
        for data, run, own_ua, most, ticks in plays:
            file.write(struct.pack(PLAY, len(data), run, own_ua, most, ticks))
            file.write(data)


def read_plays(path):
    """Yield what write_plays wrote."""
    size = struct.calcsize(PLAY)
    with open(path, "rb") as file:
        while True:
            head = file.read(size)
            if not head:
                return
            length, run, own_ua, most, ticks = struct.unpack(PLAY, head)
            yield file.read(length), run, own_ua, most, ticks


def write_choices(path, choices):
    """Write ([channel conductances in nS], [(level_ua, supply_mv), ...]) pairs to a file."""
    with open(path, "wb") as file:
        for channels, wanted in choices:
            file.write(struct.pack("<II", len(channels), len(wanted)))
            file.write(b"".join(struct.pack("<I", channel) for channel in channels))
            file.write(b"".join(struct.pack(CHOICE, *pair) for pair in wanted))


def read_choices(path):
    """Yield what write_choices wrote."""
    with open(path, "rb") as file:
        while True:
            head = file.read(8)
            if not head:
                return
            channels, wanted = struct.unpack("<II", head)
            yield (
                [struct.unpack("<I", file.read(4))[0] for _ in range(channels)],
                [struct.unpack(CHOICE, file.read(8)) for _ in range(wanted)],
            )

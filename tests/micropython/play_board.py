"""Plays programs and picks patterns; the same functions run under CPython and, as a script, MicroPython.

As a script: play_board.py PLAYS EDGES CHOICES PATTERNS, the first and third written by cases.py.
"""

import struct
import sys

from nightdraw import programs

if __name__ == "__main__":
    import cases
else:
    from tests.micropython import cases

from boxcore import bank, schedule


def play(data, run, own_ua, most, ticks):
    """The segments of one program as packed (tick, level): at most `most` of them, those before `ticks`.

    Every segment counts, one that leaves the level as it was too. It is proved first that unpacking and
    packing gives the same bytes.
    """
    unpacked = programs.unpack(data)
    if programs.pack(unpacked) != data:
        raise ValueError("packing what was unpacked gave other bytes")
    played = schedule.Schedule(unpacked, run, own_ua)
    edges = []
    at = 0
    while at < ticks and len(edges) < most:
        edges.append(struct.pack(cases.EDGE, at, played.level_ua))
        at += played.take(ticks - at)
    return b"".join(edges)


def choose(channels_ns, wanted):
    """The patterns a bank picks, 16 bits each, and what each draws, 32 bits each."""
    chosen = bank.Bank(channels_ns)
    found = []
    for level_ua, supply_mv in wanted:
        pattern = chosen.pattern(level_ua, supply_mv)
        found.append(struct.pack("<HI", pattern, chosen.current_ua(pattern, supply_mv)))
    return b"".join(found)


def main(plays, edges, choices, patterns):
    """Read both case files, write both results, each result with its length before it."""
    with open(edges, "wb") as file:
        for case in cases.read_plays(plays):
            result = play(*case)
            file.write(struct.pack("<I", len(result)))
            file.write(result)
    with open(patterns, "wb") as file:
        for case in cases.read_choices(choices):
            result = choose(*case)
            file.write(struct.pack("<I", len(result)))
            file.write(result)


if __name__ == "__main__":
    main(*sys.argv[1:])

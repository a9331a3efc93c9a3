"""Runs programs on a whole box and hands back every word it queued and every byte it stored; the same
function runs under CPython and, as a script, under MicroPython.

As a script: run_board.py PLAYS RESULTS, the first written by cases.py (of a play only the program and the
ticks are used).
"""

import struct
import sys

if __name__ == "__main__":
    import cases
    import doors
    import link_rig
else:
    from tests.micropython import cases, doors, link_rig

WORD = "<HH"  # pattern, ticks
PIECE_BYTES = 4096  # words are gathered in pieces: no single object grows large and none stays small
SUPPLIES_MV = (12_600, 12_450, 11_500, 12_900, 14_400, 16_500, 12_600)  # sags, holds, charges, holds, rests


class RecordingHal(link_rig.Hal):
    """Keeps every word; a stop is kept as a word of no ticks."""

    def __init__(self):
        super().__init__()
        self._pieces = []
        self._piece = bytearray()

    def push(self, pattern, ticks):
        self._keep(pattern, ticks)

    def stop(self):
        super().stop()
        self._keep(0, 0)

    def _keep(self, pattern, ticks):
        self._piece += struct.pack(WORD, pattern, ticks)
        if len(self._piece) >= PIECE_BYTES:
            self._pieces.append(bytes(self._piece))
            self._piece = bytearray()

    def words(self):
        """All words, one after the other."""
        return b"".join(self._pieces) + bytes(self._piece)


def run(data, ticks):
    """Store the program, arm it, and let `ticks` pass while the supply moves; returns words and files."""
    rig = link_rig.Rig(hal=RecordingHal())
    rig.readings.arm = True
    doors.store(rig.box, 0, data)
    rig.box.arm(rig.now, 0)
    for supply_mv in SUPPLIES_MV:
        rig.readings.supply_mv = supply_mv
        rig.wait(ticks // len(SUPPLIES_MV))
    rig.readings.arm = False
    rig.box.halt(rig.now)
    rig.wait(100_000)
    kept = [name.encode() + b"=" + rig.store.files[name] for name in sorted(rig.store.files)]
    return rig.hal.words(), b"\n".join(kept)


def main(plays, results):
    """Run every case of a file, write words and files of each, each with its length before it."""
    with open(results, "wb") as file:
        for data, _, _, _, ticks in cases.read_plays(plays):
            for part in run(data, ticks):
                file.write(struct.pack("<I", len(part)))
                file.write(part)


if __name__ == "__main__":
    main(*sys.argv[1:])

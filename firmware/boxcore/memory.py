"""The large buffers: taken once, before the rest of the firmware is loaded, and owned by one part each.

The board's heap doesn't move what it holds: free bytes serve a large request only where they lie in one
piece, and after a while of use they don't. So whatever is larger than an open file (1.3 KB) is taken here and
nowhere else, and what a program needs doesn't grow with its size: it streams through `piece` to be checked,
and the armed one lies in `program`. Nothing here reads or writes.
"""

from array import array

PROGRAM_BYTES = 16384  # the armed program, whole; a slot holds no more either
ANSWER_BYTES = 4096  # of the journal on its way out: a flash block, so that reading outruns writing

PIECE_BYTES = 512  # of a stored program while it is checked: 64 replay levels, half a file's own cache
JOURNAL_BYTES = 5120  # records that wait for the next append: 25 s of a busy profile's ten edges a second
RING_BYTES = 1 << 11  # the edge queue's words, and as much for their flags; the DMA wraps there
RING_HALVES = 3 * RING_BYTES // 2  # both, and one more: each must start at a multiple of its length


class Buffers:
    """One box's large buffers; main.py makes them, a bench makes some for each box."""

    def __init__(self):
        self.program = bytearray(PROGRAM_BYTES)
        self.ring = array("H", bytes(2 * RING_HALVES))
        self.journal = bytearray(JOURNAL_BYTES)
        self.answer = bytearray(ANSWER_BYTES)
        self.piece = bytearray(PIECE_BYTES)

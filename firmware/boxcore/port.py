"""What the core and a shell share: the large buffers, the queue's bounds, the readings that a shell fills.

The calls that the core makes (room, push, enable, stop, starved, probe, trim_supply, random) are described
where the board's shell has them, in hal_rp2. The bench's shell has the same. Neither decides anything.

The buffers are taken once, before the rest of the firmware is loaded, and owned by one part each. The board's
heap doesn't move what it holds: free bytes serve a large request only where they lie in one piece, and after
a while of use they don't. So whatever is larger than an open file (1.3 KB) is taken here and nowhere else,
and what a program needs doesn't grow with its size: it streams through `piece` to be checked, and the armed
one lies in `program`.
"""

from array import array

PROGRAM_BYTES = 16384  # the armed program, whole; a slot holds no more either
ANSWER_BYTES = 4096  # of the journal on its way out: a flash block, so that reading outruns writing

PIECE_BYTES = 512  # of a stored program while it is checked: 64 replay levels, half a file's own cache
JOURNAL_BYTES = 5120  # records that wait for the next append: 25 s of a busy profile's ten edges a second
RING_BYTES = 1 << 11  # the edge queue's words, and as much for their flags; the DMA wraps there
RING_HALVES = 3 * RING_BYTES // 2  # both, and one more: each must start at a multiple of its length

MAX_WORD_TICKS = 2500  # 250 ms: a pattern is picked anew at least this often as the supply moves
QUEUE_LOW_TICKS = 6000  # refill below 0.6 s: covers the longest flash stall (0.4 s) with half as much again
QUEUE_HIGH_TICKS = 10000  # never queue more than 1 s: a change of supply is answered within it
NOT_MEASURED = -1  # a reading that this board has no sensor for


class Buffers:
    """One box's large buffers; main.py makes them, a bench makes some for each box."""

    def __init__(self):
        self.program = bytearray(PROGRAM_BYTES)
        self.ring = array("H", bytes(2 * RING_HALVES))
        self.journal = bytearray(JOURNAL_BYTES)
        self.answer = bytearray(ANSWER_BYTES)
        self.piece = bytearray(PIECE_BYTES)


class Readings:
    """One set of readings; the shell keeps one object and fills it anew, so that sensing allocates nothing.

    supply_mv: at the box's terminals; bank_ua: measured bank current, or NOT_MEASURED; bank_cdeg, board_cdeg:
    hundredths of a degree Celsius, or NOT_MEASURED; arm: the arm switch; selector: the panel's slot 0 .. 9.
    """

    def __init__(self):
        self.supply_mv = 0
        self.bank_ua = NOT_MEASURED
        self.bank_cdeg = NOT_MEASURED
        self.board_cdeg = NOT_MEASURED
        self.arm = False
        self.selector = 0

"""What passes between the core and a shell: the queue's bounds, and the readings that a shell fills.

The calls that the core makes (room, push, enable, stop, starved, probe, trim_supply, random) are described
where the board's shell has them, in hal_rp2. The bench's shell has the same. Neither decides anything.
"""

MAX_WORD_TICKS = 2500  # 250 ms: a pattern is picked anew at least this often as the supply moves
QUEUE_LOW_TICKS = 6000  # refill below 0.6 s: covers the longest flash stall (0.4 s) with half as much again
QUEUE_HIGH_TICKS = 10000  # never queue more than 1 s: a change of supply is answered within it
NOT_MEASURED = -1  # a reading that this board has no sensor for


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

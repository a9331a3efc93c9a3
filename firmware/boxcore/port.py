"""What the core asks of the hardware: the readings it is given and the calls it makes.

Two shells fill it: the bench's (host) and the board's. Neither decides anything.
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


class Hal:
    """The calls the core makes; a shell derives from it or offers the same names."""

    def room(self):
        """How many words push() can take now."""
        raise NotImplementedError

    def push(self, pattern, ticks):
        """Queue one word: `pattern` for 1 .. MAX_WORD_TICKS ticks after what is queued. Allocates nothing."""
        raise NotImplementedError

    def enable(self):
        """Drive the gates and start playing the queue from its first word, at this instant or as soon after
        as may be; returns how many ticks behind the shell's present tick the queue then lies."""
        raise NotImplementedError

    def stop(self):
        """Open every switch now (output-enable first), empty the queue. Never raises, allocates nothing."""
        raise NotImplementedError

    def starved(self):
        """True once if the queue ran empty while playing: the hardware has opened the switches by itself."""
        raise NotImplementedError

    def probe(self, pattern):
        """Only with nothing playing: close `pattern` for some milliseconds, return the bank current in
        microamperes (NOT_MEASURED without a monitor), open every switch."""
        raise NotImplementedError

    def trim_supply(self, supply_ppm):
        """Give the supply this much higher than the board file makes it from now on, parts in a million."""
        raise NotImplementedError

    def random(self, count):
        """That many random bytes."""
        raise NotImplementedError

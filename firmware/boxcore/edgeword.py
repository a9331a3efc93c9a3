"""The edge player's arithmetic: a word's layout, the PIO program's cycle budget, clock divider, ring indices.

Pure numbers that the board's shell and the tests share. Nothing here touches a pin, a register or a clock.

A word has 32 bits: the duration in ticks in the low half, the switch pattern in the high half. The PIO
program shifts right, so the duration comes out first: a word whose duration is 0, which is also what an
empty queue reads as, never reaches the pins; it opens every switch and stops the program for good.
"""

from boxcore.memory import RING_BYTES

MAX_PINS = 16  # the pattern's half of a word
LAST_GPIO = 29  # the RP2040 has GPIO 0 .. 29
TICKS_PER_S = 10_000  # a tick is 100 us
CYCLES_A_TICK = 20  # PIO cycles; 20 divides every whole megahertz of clk_sys into whole PIO dividers
PIO_HZ = TICKS_PER_S * CYCLES_A_TICK
MAX_DIVIDER = 0xFFFF  # SMn_CLKDIV's integer part

# One word costs, in PIO cycles: pull, out y, jmp y-- and out pins at 1 each, LEAD_DELAY behind the last, then
# (ticks - 1) loops of two instructions of STEP_DELAY + 1 each, then the loop's first instruction once more:
# 4 + LEAD_DELAY + (ticks - 1) * 2 * (STEP_DELAY + 1) + (STEP_DELAY + 1) = ticks * CYCLES_A_TICK.
STEP_DELAY = CYCLES_A_TICK // 2 - 1
LEAD_DELAY = CYCLES_A_TICK // 2 - 4
FIRST_EDGE_CYCLES = 5  # set x, pull, out y, jmp, out pins: from enable to the first word's edge, 25 us

# Encoded once, for nothing is assembled at run time (RP2040 datasheet 3.4, instruction encoding).
PULL_NOBLOCK = 0x8080  # PUSH/PULL 0b100, bit 7 pull, block clear
OPEN_ALL = 0xA003  # MOV 0b101, destination 000 pins, source 011 null

FIFO_WORDS = 4  # a state machine's transmit FIFO, not joined
WORD_BYTES = 4
RING_BITS = 11  # the DMA's address wrap: RING_BYTES
RING_WORDS = RING_BYTES // WORD_BYTES  # 512: 0.5 s of 1 ms words, 2.5 s of 5 ms words
RING_MASK = RING_WORDS - 1
HALVES = RING_BYTES // 2  # 16-bit halves of one ring

# clk_sys of boards that keep their power-up clock when asked for another: RP2040 SDK defaults, old and new.
KNOWN_HZ = (125_000_000, 200_000_000, 150_000_000, 133_000_000, 48_000_000)
CLOCK_PERCENT = 1  # both times come from one crystal: the divider's rounding is far less than this
LATE_US = 100  # the trial's end is seen that much late at most: reading the timer takes some 20 us
TRIAL_TICKS = 200  # 20 ms


def first_pin(pins):
    """The lowest GPIO of the channels; raises ValueError unless they are consecutive and ascending, which is
    what one `out pins` needs, and leave the pattern's 16 bits and the chip's 30 pins room."""
    if not 1 <= len(pins) <= MAX_PINS:
        raise ValueError("the edge player drives 1 to %d pins, not %d" % (MAX_PINS, len(pins)))
    for k, pin in enumerate(pins):
        if pin != pins[0] + k:
            raise ValueError("channel pins must be consecutive and ascending")
    if not 0 <= pins[0] <= LAST_GPIO + 1 - len(pins):
        raise ValueError("channel pins must lie within GPIO 0 to %d" % LAST_GPIO)
    return pins[0]


def divider(clock_hz):
    """The whole PIO divider for a clk_sys in hertz; raises ValueError where a tick would not come out
    exact."""
    result = clock_hz // PIO_HZ
    if result * PIO_HZ != clock_hz or not 1 <= result <= MAX_DIVIDER:
        raise ValueError("clk_sys %d Hz has no whole divider for the tick" % clock_hz)
    return result


def running_hz(told_hz, trial_us, trial_ticks=TRIAL_TICKS):
    """The clk_sys that really runs, from a trial: `trial_ticks` ticks, with the divider that fits `told_hz`,
    took `trial_us` of the crystal's microsecond timer. Raises ValueError where no known clock explains it."""
    for known in (told_hz,) + KNOWN_HZ:
        due_us = told_hz * (trial_ticks * (1_000_000 // TICKS_PER_S)) // known
        if -CLOCK_PERCENT * due_us <= (trial_us - due_us) * 100 <= CLOCK_PERCENT * due_us + 100 * LATE_US:
            return known
    raise ValueError("the edge player's tick does not fit any known clock: %d us" % trial_us)


def aligned(address, size):
    """How many bytes after `address` the next multiple of `size` (a power of two) lies."""
    return -address & (size - 1)


def index(address):
    """The ring index of a DMA read address, for a ring that starts at a multiple of RING_BYTES."""
    return address // WORD_BYTES & RING_MASK


def room(write, read):
    """How many words may be written: one place stays free, its flag 0 is what stops the DMA."""
    return RING_MASK - (write - read & RING_MASK)

"""Plays the queued words to the tick: what the processor does with the state machine and two DMA channels.

It is given them (hal_rp2 makes them, tests have their own) and decides nothing about patterns or times.

Words lie in a ring in RAM. DMA channel `feed` moves one word at a time into the state machine's FIFO, paced
by it; when a word is through it chains to channel `gate`, which copies that place's flag from a second ring
into feed's count-and-start register. A flag of 1 starts the next word, a flag of 0 is the hardware's null
trigger: nothing starts, the chain stands still. So the hardware drains all that was queued, however long the
processor is away in a flash write, and can never go one word further: the place behind the last word always
has flag 0, written before the last word's own flag is set. That is why not one ring with a long count, whose
FIFO would swallow the empty places behind the last word, or old ones, up to four words ahead of time; and
not a count that the processor re-arms, which would have to be there when it runs out.

Words that come when the chain stands still (the FIFO alone holds four words, up to a second) start it again.
A word has 32 bits: the duration in ticks in the low half, the switch pattern in the high half. The PIO
program shifts right, so the duration comes out first. An empty FIFO reads as a word of duration 0, which
never reaches the pins: the program opens every switch, says so by an entry in the receive FIFO, and stands
still until it is started anew. A word that comes too late is never played late.
"""

from boxcore.port import RING_BYTES

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
TRIAL_TICKS = 100  # 10 ms; two of these clocks differ by 6 % and more, so by six times LATE_US
TRIAL_LIMIT_US = 500_000  # far more than the trial takes at any of them


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


class EdgePlayer:
    """off: the gate buffer's output-enable pin, low active. build(hz): a stopped state machine with the edge
    program at that PIO clock. ring: array of 3 * RING_BYTES // 2 halves at `address`. connect(machine,
    words_at, flags_at) sets up the two channels. time: the module. clock_hz: what clk_sys is said to be,
    afterwards what it is; stuck: the FIFO would not drain, nothing plays any more.

    Raises ValueError for a clock that it doesn't know."""

    def __init__(self, off, build, feed, gate, connect, ring, address, time, clock_hz):
        self._off, self._feed, self._gate, self._ring, self._time = off, feed, gate, ring, time
        skip = -address & RING_BYTES - 1  # bytes to the next multiple of it
        self._word0 = skip // 2
        self._flag0 = self._word0 + HALVES
        self._words_at = address + skip
        self._flags_at = self._words_at + RING_BYTES
        self._write = 0
        self._playing = self.stuck = False
        self.clock_hz = clock_hz
        divider(clock_hz)
        self._machine = build(PIO_HZ)
        connect(self._machine, self._words_at, self._flags_at)
        self.stop()
        self._check_clock(build)

    def _check_clock(self, build):
        """Time a word against the crystal's microsecond counter, so that the tick follows the clock that
        runs, not the one that was asked for. The outputs are off meanwhile."""
        player, time = self._machine, self._time
        player.active(0)
        self._restart()
        player.put(TRIAL_TICKS)
        begun = time.ticks_us()
        player.active(1)
        spent = 0
        while not player.rx_fifo() and spent < TRIAL_LIMIT_US:
            spent = time.ticks_diff(time.ticks_us(), begun)
        nominal_hz = self.clock_hz
        self.clock_hz = running_hz(nominal_hz, spent)
        if self.clock_hz != nominal_hz:
            self._machine = build(nominal_hz // divider(self.clock_hz))
        self.stop()

    def room(self):
        """How many words push() takes now; what is left to play is read from the DMA's own address. One place
        stays free: its flag 0 is what stops the DMA."""
        return RING_MASK - (self._write - self._next() & RING_MASK)

    def _next(self):
        return self._feed.read // WORD_BYTES & RING_MASK  # for the ring starts at a multiple of RING_BYTES

    def push(self, pattern, ticks):
        """Queue a word. It only writes memory: the flag behind it first, its own last."""
        at = self._write
        behind = (at + 1) & RING_MASK
        ring = self._ring
        ring[self._flag0 + 2 * behind] = 0
        ring[self._word0 + 2 * at] = ticks
        ring[self._word0 + 2 * at + 1] = pattern
        ring[self._flag0 + 2 * at] = 1
        self._write = behind
        if self._playing and self._stands() and self._stands():
            self._go_on()

    def _stands(self):
        """True where neither channel moves. One look isn't enough: for less than a microsecond between a word
        and its flag neither seems to, and a chain started then would be a flag ahead of its words: it would
        stop early, and the queue run dry with words in it. No two looks in a row meet that."""
        return not self._gate.active() and not self._feed.active()

    def _go_on(self):
        """Start the chain at the word that feed would move next."""
        self._gate.read = self._flags_at + WORD_BYTES * self._next()
        self._gate.active(1)

    def trim(self, ticks):
        """Before enable(): shorten the switches-open time at the head of the queue by up to `ticks`, which
        the processor spent filling it; never a word that closes a switch. Returns the ticks that remain."""
        place = self._word0
        end = self._word0 + 2 * self._write
        while ticks and place < end and not self._ring[place + 1]:
            cut = min(ticks, self._ring[place] - 1)  # one tick stays: a word of 0 would be the end
            self._ring[place] -= cut
            ticks -= cut
            place += 2
        return ticks

    def enable(self, at_us=None):
        """Drive the gates and play the queue from its first word: at that instant of the microsecond counter,
        if one is given, with everything made ready before it."""
        if self.stuck:
            return
        player = self._machine
        player.active(0)
        self._restart()
        self._playing = True
        self._go_on()
        self._off.value(0)
        if at_us is not None:
            diff, now_us = self._time.ticks_diff, self._time.ticks_us
            while diff(at_us, now_us()) > 0:
                pass
        player.active(1)

    def _restart(self):
        while self._machine.rx_fifo():
            self._machine.get()
        self._machine.restart()

    def stop(self):
        """Open every switch and empty the queue; allocates nothing.

        The gate buffer is switched off first: from then on nothing below can close a switch. The state
        machine stops next, so that the DMA comes to rest against a full FIFO and is stopped without a
        transfer under way (erratum RP2040-E13). Last the FIFO is drained and the program, finding it empty,
        is left standing in its own all-open end."""
        self._off.value(1)
        self._playing = False
        player = self._machine
        player.active(0)
        self._gate.active(0)
        self._feed.active(0)
        tries = 2 * FIFO_WORDS
        while player.tx_fifo() and tries:
            player.exec(PULL_NOBLOCK)
            tries -= 1
        player.exec(OPEN_ALL)
        self._write = 0
        self._ring[self._flag0] = 0
        self._feed.read = self._words_at
        self.stuck = player.tx_fifo() != 0
        if not self.stuck:
            player.restart()
            player.active(1)

    def starved(self):
        """True when the queue ran empty while playing; the program has opened the switches and stands
        still."""
        return self._playing and self._machine.rx_fifo() != 0

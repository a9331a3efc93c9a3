"""Each kind of draw as a stream of segments: a level that lasts a number of ticks, then the next.

Only relative time lives here, so nothing wraps. The random law is the published one (see `Random`), in
integers, so that anyone can predict a run from the seed and the run number.
"""

import binascii
import struct

from boxcore import program as pg

NEVER_TICKS = 0x3FFFFFFF  # the board's largest small integer, 29.8 h: a steady level is renewed after it

MASK32 = 0xFFFFFFFF
LN2_Q64 = 12786308645202655660  # ln 2 times 2^64
LOG_BITS = 40  # fraction bits of the logarithm: a gap of days is right to the tick
MANTISSA_BITS = 60  # each of the LOG_BITS squarings may double the error; 20 bits to spare


def first_state(seed, run, index):
    """The generator's state for draw `index` (from 0) of run `run`: CRC-32 of the three as <III, 0 made 1."""
    return binascii.crc32(struct.pack("<III", seed, run, index)) or 1


def xorshift32(state):
    """The next state after `state` (1 .. 2^32-1): shifts 13, 17, 5 (Marsaglia, Xorshift RNGs, 2003)."""
    state ^= (state << 13) & MASK32
    state ^= state >> 17
    return state ^ ((state << 5) & MASK32)


def uniform_ticks(state, low, high):
    """A duration in low .. high ticks, both included, each equally likely."""
    return low + (state * (high - low + 1) >> 32)


def exponential_ticks(state, mean):
    """mean * -ln((state + 0.5) / 2^32) ticks to the nearest tick, cut at EXP_CUT means.

    With n = 2 * state + 1 the logarithm is 33 ln 2 - ln n; log2 n comes bit by bit from repeated squaring
    (Knuth, TAOCP vol. 1, 1.2.2).
    """
    n = 2 * state + 1
    whole = 0
    while n >> (whole + 1):
        whole += 1
    m = n << (MANTISSA_BITS - whole)
    log2 = whole
    for _ in range(LOG_BITS):
        m = m * m >> MANTISSA_BITS
        log2 <<= 1
        if m >> (MANTISSA_BITS + 1):
            m >>= 1
            log2 |= 1
    minus_ln = ((33 << LOG_BITS) - log2) * LN2_Q64
    shift = LOG_BITS + 64
    return min((mean * minus_ln + (1 << (shift - 1))) >> shift, pg.EXP_CUT * mean)


class Steady:
    """One level for ever."""

    def __init__(self, level_ua):
        self.level_ua = level_ua
        self.left_ticks = NEVER_TICKS

    def advance(self):
        """Begin the next segment: the same level again."""
        self.left_ticks = NEVER_TICKS


class Pulse:
    """`draw_ua` for `on` ticks, every `every` ticks from start to start, the first after `first`."""

    def __init__(self, draw_ua, on, every, first):
        self._draw_ua = draw_ua
        self._on = on
        self._off = every - on
        self._high = first == 0
        self.level_ua = draw_ua if self._high else 0
        self.left_ticks = on if self._high else first

    def advance(self):
        """Begin the next segment."""
        self._high = not self._high
        self.level_ua = self._draw_ua if self._high else 0
        self.left_ticks = self._on if self._high else self._off


class Random:
    """Gap, pulse, gap, pulse: each length from the next number of the draw's own generator.

    Two numbers a cycle, the gap's first, a width that has only one value takes its number too.
    """

    def __init__(self, state, draw_ua, on_lo, on_hi, law, gap_lo, gap_hi):
        self._state = state
        self._draw_ua = draw_ua
        self._on = (on_lo, on_hi)
        self._law = law
        self._gap = (gap_lo, gap_hi)
        self._high = True
        self.advance()

    def advance(self):
        """Begin the next segment; an exponential gap may have no ticks at all."""
        self._state = xorshift32(self._state)
        self._high = not self._high
        self.level_ua = self._draw_ua if self._high else 0
        if self._high:
            self.left_ticks = uniform_ticks(self._state, self._on[0], self._on[1])
        elif self._law == pg.EXPONENTIAL:
            self.left_ticks = exponential_ticks(self._state, self._gap[0])
        else:
            self.left_ticks = uniform_ticks(self._state, self._gap[0], self._gap[1])


class Replay:
    """Packed (level_ua, ticks) pairs, `repeat` times over (0: for ever), then nothing."""

    def __init__(self, repeat, levels):
        self._levels = levels
        self._at = 0
        self._rounds_left = repeat - 1  # negative for FOREVER: never reaches 0 by counting down from there
        self._load()

    def _load(self):
        self.level_ua = pg.number_at(self._levels, self._at)
        self.left_ticks = pg.number_at(self._levels, self._at + 4)

    def advance(self):
        """Begin the next segment, the next round, or the silence after the last."""
        self._at += pg.LEVEL_BYTES
        if self._at < len(self._levels):
            self._load()
        elif self._rounds_left:
            self._rounds_left -= 1
            self._at = 0
            self._load()
        else:
            self._at = len(self._levels)
            self.level_ua = 0
            self.left_ticks = NEVER_TICKS


def stream(draw, index, seed, run):
    """The stream of one draw tuple of a program (see program.Program); `index` counts from 0."""
    if draw[0] == pg.STEADY:
        return Steady(draw[1])
    if draw[0] == pg.PULSE:
        return Pulse(draw[1], draw[2], draw[3], draw[4])
    if draw[0] == pg.RANDOM:
        state = first_state(seed, run, index)
        return Random(state, draw[1], draw[2], draw[3], draw[4], draw[5], draw[6])
    return Replay(draw[1], draw[2])

"""What a program draws, as streams of segments: a level that lasts a number of ticks, then the next; one
stream for each draw, and their sum from a seed and a run number.

Only relative time lives here, so nothing wraps. The random law is the published one (see `Random`), in
integers, so that anyone can predict a run from the seed and the run number. The sum is what the circuit sees:
the box's own consumption is part of the steady level, or is the level where no draw is steady.

On the board an integer of 2^30 or more is an object in the heap, and a run makes none: 32-bit numbers are
held as halves, longer ones as limbs whose products stay below that. Only what lasts longer than 29.8 h is
such an object itself.
"""

import binascii
import struct
from array import array

from boxcore import program as pg

NEVER_TICKS = 0x3FFFFFFF  # the board's largest small integer, 29.8 h: a steady level is renewed after it

MASK16 = 0xFFFF
LN2_Q64 = 12786308645202655660  # ln 2 times 2^64
LIMB_BITS = 12  # of a mantissa: four products of two limbs, and a carry, stay far below 2^30
LIMB = (1 << LIMB_BITS) - 1
GROUPS, GROUP_BITS = 4, 10  # of the logarithm's fraction, 40 bits: a gap of days is right to the tick
PART_BITS = 18  # of the mean's three parts: a group times a part stays below 2^28
PART = (1 << PART_BITS) - 1
FRACTION_BITS = 25  # behind a tick in these parts


def first_state(seed, run, index):
    """The generator's state for draw `index` (from 0) of run `run`: CRC-32 of the three as <III, 0 made 1."""
    return binascii.crc32(struct.pack("<III", seed, run, index)) or 1


class Xorshift32:
    """The generator with the shifts 13, 17, 5 (Marsaglia, Xorshift RNGs, 2003), from a state of 1 .. 2^32-1:
    `high` and `low` are its halves."""

    def __init__(self, state):
        self.high = state >> 16
        self.low = state & MASK16

    def step(self):
        """Go to the next state."""
        high = self.high
        low = self.low
        high ^= (high << 13 | low >> 3) & MASK16
        low ^= low << 13 & MASK16
        low ^= high >> 1
        self.high = high ^ (high << 5 | low >> 11) & MASK16
        self.low = low ^ low << 5 & MASK16

    def share(self, span):
        """span * state / 2^32, rounded down: one of 0 .. span - 1, each equally likely."""
        low = self.low
        share = _carry((low & 0x3FF) << 1, span, 0)  # ten bits, then eleven and eleven
        share = _carry((low >> 10 | self.high << 6) & 0x7FF, span, share)
        return _carry(self.high >> 5, span, share)


def _carry(part, span, carry):
    """(part * span + carry) >> 11 for a part of 11 bits; nothing in it is larger than span and carry are."""
    low = part * (span & 0x7FFF) + (carry & 0x7FFF)
    return (part * (span >> 15) + (carry >> 15) + (low >> 15) << 4) + (low >> 11 & 15)


class Exponential:
    """Durations with a mean: mean * -ln((state + 0.5) / 2^32) ticks, rounded, cut at EXP_CUT means.

    With n = 2 * state + 1 the logarithm is (33 - log2 n) * ln 2; log2 n comes bit by bit from repeated
    squaring of its mantissa (Knuth, TAOCP vol. 1, 1.2.2). The mantissa has 48 bits: what is cut off each
    square counts half as much in each bit that follows, so 40 bits come out right.
    """

    def __init__(self, mean):
        self._most = pg.EXP_CUT * mean
        scaled = mean * LN2_Q64 >> 64 - FRACTION_BITS
        self._mean2 = scaled >> 2 * PART_BITS
        self._mean1 = scaled >> PART_BITS & PART
        self._mean0 = scaled & PART
        self._groups = array("H", [0] * GROUPS)  # of the fraction of 33 - log2 n

    def ticks(self, high, low):
        """The duration that a state's halves stand for."""
        whole = 0
        while not high & 0x8000:
            high = (high << 1 | low >> 15) & MASK16
            low = low << 1 & MASK16
            whole += 1
        self._find_groups(high, low, whole)
        return min(self._product(whole), self._most)

    def _find_groups(self, high, low, whole):
        """The fraction's bits, each the opposite of the logarithm's own, from the state without its leading
        zeros, of which there were `whole`."""
        high = (high << 1 | low >> 15) & MASK16  # 2 * state + 1, whose topmost bit falls off
        low = low << 1 & MASK16
        if whole < 16:
            low |= 1 << whole
        else:
            high |= 1 << whole - 16
        a3 = high >> 4
        a2 = (high & 15) << 8 | low >> 8
        a1 = (low & 0xFF) << 4
        a0 = 0
        for group in range(GROUPS):
            bits = 0
            for _ in range(GROUP_BITS):
                square = (a0 * a0 >> LIMB_BITS) + 2 * a0 * a1 >> LIMB_BITS
                square = (square + 2 * a0 * a2 + a1 * a1 >> LIMB_BITS) + 2 * (a0 * a3 + a1 * a2) >> LIMB_BITS
                square += 2 * (a1 * a3 + a0) + a2 * a2
                b0 = square & LIMB
                square = (square >> LIMB_BITS) + 2 * (a2 * a3 + a1)
                b1 = square & LIMB
                square = (square >> LIMB_BITS) + a3 * a3 + 2 * a2
                b2 = square & LIMB
                square = (square >> LIMB_BITS) + 2 * a3
                b3 = square & LIMB
                square >>= LIMB_BITS  # with its leading one: 1 + square, which is 1, 2 or 3
                bits <<= 1
                if square:
                    a0 = b0 >> 1 | (b1 & 1) << 11
                    a1 = b1 >> 1 | (b2 & 1) << 11
                    a2 = b2 >> 1 | (b3 & 1) << 11
                    a3 = b3 >> 1 | (square & 2) << 10
                else:
                    bits |= 1
                    a0 = b0
                    a1 = b1
                    a2 = b2
                    a3 = b3
            self._groups[group] = bits

    def _product(self, whole):
        """(33 - log2 n) * ln 2 * mean, by parts, the fraction's lowest bits first."""
        r0 = r1 = r2 = 0
        for group in range(GROUPS - 1, -1, -1):
            factor = self._groups[group]
            r0 += factor * self._mean0
            r1 += factor * self._mean1 + (r0 >> PART_BITS)
            r2 += factor * self._mean2 + (r1 >> PART_BITS)
            r0 = (r0 & PART) >> GROUP_BITS | (r1 & 0x3FF) << 8
            r1 = (r1 & PART) >> GROUP_BITS | (r2 & 0x3FF) << 8
            r2 >>= GROUP_BITS
        r0 += whole * self._mean0
        r1 += whole * self._mean1 + (r0 >> PART_BITS) + (1 << 6)  # half a tick
        r2 += whole * self._mean2 + (r1 >> PART_BITS)
        return (r2 << 11) + ((r1 & PART) >> 7)


class Steady:
    """One level for ever."""

    def __init__(self, level_ua):
        self.level_ua = level_ua
        self.left_ticks = NEVER_TICKS

    def advance(self):
        """Begin the next segment: the same level again."""
        self.left_ticks += NEVER_TICKS


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
        if self.left_ticks < 0:  # periods that pass unseen
            every = self._on + self._off
            self.left_ticks += -self.left_ticks // every * every
        self._high = not self._high
        self.level_ua = self._draw_ua if self._high else 0
        self.left_ticks += self._on if self._high else self._off


class Random:
    """Gap, pulse, gap, pulse: each length from the next number of the draw's own generator.

    Two numbers a cycle, the gap's first, a width that has only one value takes its number too.
    """

    def __init__(self, state, draw_ua, on_lo, on_hi, law, gap_lo, gap_hi):
        self._numbers = Xorshift32(state)
        self._draw_ua = draw_ua
        self._on_lo = on_lo
        self._on_span = on_hi - on_lo + 1
        self._gap_lo = gap_lo
        self._gap_span = gap_hi - gap_lo + 1
        self._gaps = Exponential(gap_lo) if law == pg.EXPONENTIAL else None
        self._high = True
        self.left_ticks = 0
        self.advance()

    def advance(self):
        """Begin the next segment; an exponential gap may have no ticks at all."""
        numbers = self._numbers
        numbers.step()
        self._high = not self._high
        self.level_ua = self._draw_ua if self._high else 0
        if self._high:
            self.left_ticks += self._on_lo + numbers.share(self._on_span)
        elif self._gaps is None:
            self.left_ticks += self._gap_lo + numbers.share(self._gap_span)
        else:
            self.left_ticks += self._gaps.ticks(numbers.high, numbers.low)


def _number_at(levels, at):
    """The 32-bit number at a place of a replay's levels; allocates nothing where it is a small integer."""
    return levels[at] | levels[at + 1] << 8 | levels[at + 2] << 16 | levels[at + 3] << 24


class Replay:
    """Packed (level_ua, ticks) pairs, `repeat` times over (0: for ever), then nothing."""

    def __init__(self, repeat, levels):
        self._levels = levels
        self._at = 0
        self._rounds_left = repeat - 1  # negative for FOREVER: never reaches 0 by counting down from there
        self.left_ticks = 0
        self._has_sought = False
        self._load()

    def _load(self):
        self.level_ua = _number_at(self._levels, self._at)
        self.left_ticks += _number_at(self._levels, self._at + 4)

    def advance(self):
        """Begin the next segment, the next round, or the silence after the last."""
        self._at += pg.LEVEL_BYTES
        if self._at >= len(self._levels) and self._rounds_left:
            self._rounds_left -= 1
            self._at = 0
        if self.left_ticks < 0 and self._at <= (0 if self._has_sought else pg.LEVEL_BYTES):
            self._seek()
        if self._at < len(self._levels):
            self._load()
        else:
            self._at = len(self._levels)
            self.level_ua = 0
            self.left_ticks += NEVER_TICKS

    def _seek(self):
        """Pass what is behind by whole rounds and whole pieces: level by level an hour would take seconds."""
        self._has_sought = True
        if self._at:  # its first level has passed: as if the round had not begun yet
            self._at = 0
            self.left_ticks -= _number_at(self._levels, 4)
        pieces = []
        for at in range(0, len(self._levels), pg.PIECE_BYTES):
            piece = self._levels[at : at + pg.PIECE_BYTES]
            size = 1 + 3 * (len(piece) // pg.LEVEL_BYTES)
            pieces.append(sum(struct.unpack(pg.LEVELS_TICKS[:size], piece)))
        rounds = -self.left_ticks // sum(pieces)
        if self._rounds_left >= 0:
            rounds = min(rounds, self._rounds_left)
            self._rounds_left -= rounds
        self.left_ticks += rounds * sum(pieces)
        for ticks in pieces:
            if self.left_ticks + ticks > 0:
                return
            self.left_ticks += ticks
            self._at += pg.PIECE_BYTES


KINDS = {pg.STEADY: Steady, pg.PULSE: Pulse, pg.REPLAY: Replay}


def stream(draw, index, seed, run):
    """The stream of one draw tuple of a program (see program.Program); `index` counts from 0."""
    if draw[0] == pg.RANDOM:
        return Random(first_state(seed, run, index), *draw[1:])
    return KINDS[draw[0]](*draw[1:])


class Schedule:
    """The run of one program; `level_ua` holds for the next `left_ticks` ticks at least.

    program: a program.Program; run: 1, 2, ... counts arms; own_ua: the box's own consumption, microamperes.
    """

    def __init__(self, program, run, own_ua):
        self._streams = [stream(draw, k, program.seed, run) for k, draw in enumerate(program.draws)]
        self._base_ua = 0 if program.has_steady() else own_ua
        self._settle()

    def _settle(self, most=NEVER_TICKS):
        level = self._base_ua
        span = NEVER_TICKS
        for stream in self._streams:
            while stream.left_ticks <= 0:
                if not most:
                    return
                most -= 1
                stream.advance()
            level += stream.level_ua
            if stream.left_ticks < span:
                span = stream.left_ticks
        self.level_ua = level
        self.left_ticks = self._span = span

    def take(self, ticks):
        """Let up to `ticks` ticks (1 or more) of the present level pass; returns how many did.

        It stops where a draw changes, so afterwards `level_ua` is the level from that instant on.
        """
        if ticks < self.left_ticks:
            self.left_ticks -= ticks
            return ticks
        ticks = self.left_ticks
        for stream in self._streams:
            stream.left_ticks -= self._span
        self._settle()
        return ticks

    def skip(self, ticks, most=NEVER_TICKS):
        """Let `ticks` ticks pass unseen, and at most so many segments of all draws together; True once it
        stands behind them. Until then it must be called again, with what has passed since (0 too), and
        nothing else may be."""
        if ticks:
            passed = self._span - self.left_ticks + ticks
            for stream in self._streams:
                stream.left_ticks -= passed
            self.left_ticks = self._span = 0
        if not self.left_ticks:
            self._settle(most)
        return self.left_ticks > 0

"""The compiled program: what a box is asked to draw, when it starts and where it must stop.

It checks a program's bytes as a stream: they pass through it in pieces, none is kept. It never plays
anything; the host packs by the same constants.
Layout (little-endian): magic, format, number of draws, start, resume, name (32 bytes, zero padded),
ten 32-bit fields in the order of `NUMBERS`, the draws (kind, 16-bit length, body), CRC-32 of all before.
"""

import binascii
import struct

from boxcore.port import PIECE_BYTES, PROGRAM_BYTES

MAGIC = b"NDrw"
FORMAT = 1
MAX_BYTES = PROGRAM_BYTES  # a slot must fit the board's memory beside everything else
MAX_DRAWS = 8
MAX_NAME = 32
TICKS_PER_S = 10_000  # a tick is 100 us
MIN_TICKS = 10  # 1 ms: shorter pulses are lost in gate and recorder transitions
MAX_U32 = 0xFFFFFFFF
MAX_TICKS = MAX_U32  # 4.97 days
MAX_LEVEL_UA = 100_000_000  # 100 A: far beyond any bank, keeps sums inside 32 bits
EXP_CUT = 8  # an exponential gap is cut at this many means
MAX_MEAN_TICKS = MAX_TICKS // EXP_CUT

STEADY, PULSE, RANDOM, REPLAY = 1, 2, 3, 4
UNIFORM, EXPONENTIAL = 0, 1
START_POWER, START_PANEL, START_REST = 0, 1, 2
RESUME_RESTART, RESUME_CONTINUE, RESUME_STAY_OFF = 0, 1, 2
FOREVER = 0  # a replay's repeat count that never ends

NUMBERS = (
    "seed",
    "start_below_mv",
    "start_steady_ticks",
    "start_after_ticks",
    "supply_min_mv",
    "supply_max_mv",
    "run_ticks",
    "charge_mas",
    "bank_temp_cdeg",
    "resume_after_ticks",
)
DEFAULTS = (0, 0, 0, 0, 11_800, 16_000, 3 * 3600 * TICKS_PER_S, 7_200_000, 9_000, 0)

HEAD = "<4sBBBB32s10I"
DRAW = "<BH"
BODIES = {STEADY: "<I", PULSE: "<IIII", RANDOM: "<IIIBII"}
LEVEL_FORMAT = "<II"  # one replay level: microamperes, ticks
LEVEL_BYTES = 8
LEVELS_UA = "<" + "I4x" * (PIECE_BYTES // LEVEL_BYTES)  # the levels of a piece at once, and their ticks: one
LEVELS_TICKS = "<" + "4xI" * (PIECE_BYTES // LEVEL_BYTES)  # by one, 2000 of them would take 0.1 s


class ProgramError(ValueError):
    """The bytes or the fields are not a program this firmware can run; the message says which."""


class Program:
    """A program: name, start rule, limits, resume rule, seed and 1 to 8 draws.

    Draws are tuples: (STEADY, level_ua); (PULSE, draw_ua, on_ticks, every_ticks, first_ticks);
    (RANDOM, draw_ua, on_lo_ticks, on_hi_ticks, law, gap_lo_ticks, gap_hi_ticks), an exponential gap having
    its mean in both; (REPLAY, repeat, levels) with levels as packed LEVEL_FORMAT bytes, repeat 0 for ever.
    peak_ua: the highest levels of all draws together; those of replays are known to a Parser alone.
    """

    def __init__(self, name, draws, start=START_POWER, resume=RESUME_RESTART, **numbers):
        self.name = name
        self.draws = tuple(draws)
        self.start = start
        self.resume = resume
        for field, default in zip(NUMBERS, DEFAULTS):
            setattr(self, field, numbers.pop(field, default))
        if numbers:
            raise ProgramError("unknown field " + sorted(numbers)[0])
        self.peak_ua = sum([draw[1] for draw in self.draws if draw[0] != REPLAY])

    def has_steady(self):
        """True where a steady draw sets the base; else the base is the box's own consumption."""
        return any(draw[0] == STEADY for draw in self.draws)


class Parser:
    """Checks a program's bytes as they come: it `wants` so many next, at most `most` (a multiple of
    LEVEL_BYTES), and take() is given a view of exactly these; where it wants none, `program` is the Program.
    Its replays' levels are the last views that were taken of them: whole where `most` is MAX_BYTES and the
    views stay as they are, else of no use. size: the bytes taken so far; crc32: over them; checksum: the
    CRC-32 that they end with.
    """

    def __init__(self, most):
        self._most = most
        self._steps = self._parse()
        self.size = self.crc32 = self.checksum = 0
        self.program = Program("", ())
        self._replays_ua = 0
        self.wants = next(self._steps)

    def take(self, view):
        """Take the bytes that were wanted; raises ProgramError as soon as they can't be a program."""
        self.crc32 = binascii.crc32(view, self.crc32)
        self.size += len(view)
        try:
            self.wants = self._steps.send(view)
        except StopIteration:
            self.wants = 0
        if self.size + self.wants > MAX_BYTES:
            raise ProgramError("a program has at most %d bytes" % MAX_BYTES)

    def _parse(self):
        head = yield struct.calcsize(HEAD)
        if bytes(head[:4]) != MAGIC:
            raise ProgramError("not a program")
        if head[4] != FORMAT:
            raise ProgramError("program format %d, this firmware runs format %d" % (head[4], FORMAT))
        fields = struct.unpack(HEAD, head)
        try:
            name = fields[5].rstrip(b"\0").decode()
        except (UnicodeError, ValueError):
            raise ProgramError("the name is not text") from None
        draws = []
        while len(draws) < min(fields[2], MAX_DRAWS + 1):
            try:
                draws.append((yield from self._draw()))
            except ProgramError as error:
                raise ProgramError("draw %d: %s" % (len(draws) + 1, error)) from None
        self.checksum = self.crc32
        if struct.unpack("<I", (yield 4))[0] != self.checksum:
            raise ProgramError("CRC-32 differs: the program was changed or cut")
        numbers = dict(zip(NUMBERS, fields[6:]))
        program = Program(name, draws, start=fields[3], resume=fields[4], **numbers)
        check_head(program)
        program.peak_ua += self._replays_ua
        self.program = program

    def _draw(self):
        kind, length = struct.unpack(DRAW, (yield struct.calcsize(DRAW)))
        if kind == REPLAY:
            return (yield from self._replay(length))
        layout = BODIES.get(kind)
        if layout is None or struct.calcsize(layout) != length:
            raise ProgramError("kind %d with %d bytes is unknown" % (kind, length))
        draw = (kind,) + struct.unpack(layout, (yield length))
        _check_draw(draw)
        return draw

    def _replay(self, length):
        left = length - 4
        if left < LEVEL_BYTES or left % LEVEL_BYTES:
            raise ProgramError("levels are cut or missing")
        repeat = struct.unpack("<I", (yield 4))[0]
        peak_ua = 0
        while left:
            levels = yield min(left, self._most)
            left -= len(levels)
            for at in range(0, len(levels), PIECE_BYTES):
                piece = levels[at : at + PIECE_BYTES]
                size = 1 + 3 * (len(piece) // LEVEL_BYTES)
                peak_ua = max(peak_ua, max(struct.unpack(LEVELS_UA[:size], piece)))
                if peak_ua > MAX_LEVEL_UA:
                    raise ProgramError("a replay's level is out of range")
                if min(struct.unpack(LEVELS_TICKS[:size], piece)) < MIN_TICKS:
                    raise ProgramError("a replay's level is shorter than 1 ms")
        self._replays_ua += peak_ua
        return (REPLAY, repeat, levels)


def check_head(program):
    """Raise ProgramError for anything but the draws that is outside what the player relies on."""
    if not name_is_valid(program.name):
        raise ProgramError("the name must be [a-z][a-z0-9-]{0,31}")
    if not 1 <= len(program.draws) <= MAX_DRAWS:
        raise ProgramError("%d draws, must be 1 to %d" % (len(program.draws), MAX_DRAWS))
    if program.start not in (START_POWER, START_PANEL, START_REST):
        raise ProgramError("start rule %d is unknown" % program.start)
    if program.resume not in (RESUME_RESTART, RESUME_CONTINUE, RESUME_STAY_OFF):
        raise ProgramError("resume rule %d is unknown" % program.resume)
    if program.supply_min_mv >= program.supply_max_mv:
        raise ProgramError("supply_min must be below supply_max")


def name_is_valid(name):
    """True for [a-z][a-z0-9-]{0,31}."""
    if not 1 <= len(name) <= MAX_NAME or not "a" <= name[0] <= "z":
        return False
    return all("a" <= c <= "z" or "0" <= c <= "9" or c == "-" for c in name)


def _check_draw(draw):
    kind = draw[0]
    if draw[1] > MAX_LEVEL_UA:
        raise ProgramError("level out of range")
    if kind == PULSE:
        _, _, on, every, _ = draw
        if on < MIN_TICKS or every < MIN_TICKS:
            raise ProgramError("on and every must be 1 ms to 4.97 d")
        if on >= every:
            raise ProgramError("on must be shorter than every")
    elif kind == RANDOM:
        _, _, on_lo, on_hi, law, gap_lo, gap_hi = draw
        for name, low, high in (("on", on_lo, on_hi), ("gap", gap_lo, gap_hi)):
            if not MIN_TICKS <= low <= high:
                raise ProgramError(name + " must be a range of 1 ms to 4.97 d, low end first")
        if law not in (UNIFORM, EXPONENTIAL):
            raise ProgramError("law %d is unknown" % law)
        if law == EXPONENTIAL and (gap_lo != gap_hi or gap_lo > MAX_MEAN_TICKS):
            raise ProgramError("an exponential gap has one mean, at most 14.9 h")

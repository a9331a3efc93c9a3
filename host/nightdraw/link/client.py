"""What a program asks of a box, in the box's own units turned into the host's: one method a request.

Every answer was checked against what was asked (see session.py); what could change the box is looked at
afterwards. Nothing here prints.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from fractions import Fraction
from types import TracebackType

from boxcore import states
from boxcore.commands_box import MAX_DATA
from boxcore.commands_common import MAKER
from boxcore.port import ANSWER_BYTES
from boxcore.program import MAX_BYTES, TICKS_PER_S
from boxcore.slots import SLOTS

from nightdraw import __version__
from nightdraw.errors import InputError, printable
from nightdraw.link import queries as ask
from nightdraw.link.answers import Query, shown
from nightdraw.link.deadline import Timed
from nightdraw.link.latch import PROTECTED, Latch
from nightdraw.link.line import STORE_S, T
from nightdraw.link.message import GarbledError
from nightdraw.link.replies import (
    BoardFacts,
    BoxStatus,
    Identity,
    JournalBytes,
    Measurement,
    RunState,
    Stored,
    Wait,
)
from nightdraw.link.session import TRIES, UNDEFINED_HEADER, RefusedError
from nightdraw.link.transport import Transport, open_transport
from nightdraw.link.trims import Trims
from nightdraw.programs import checksum

ADVANCE_TICKS = 600 * TICKS_PER_S  # simulated at once: some tenths of a second of computing
ADVANCE_S = 60.0
SLOWEST_BYTES_PER_S = 1500  # a journal or a program comes faster over every line that works
HARDWARE_MISSING = -241
OUT_OF_RANGE = -222
DAMAGED_SLOT = -311

Progress = Callable[[int, int], None]  # done, total


class BoxClient(Latch, Trims):
    """An open box. Use it as a context manager, or close() it."""

    def __init__(self, transport: Transport) -> None:
        super().__init__(transport)
        self._identity: Identity | None = None

    def __enter__(self) -> BoxClient:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def greet(self, to_halt: bool = False) -> Identity:
        """Find out who is there; raises LinkError unless it is a box with this program's own version.

        to_halt: a box of another version opens its switches all the same, before it is refused."""
        answer = b";".join(self._session.plain("*IDN?"))
        identity = self._box_identity(answer)
        if identity.firmware != __version__:
            what = f"the box runs firmware {identity.firmware}, this program is version {__version__}"
            if to_halt:
                self._session.plain(":PROG:STAT STOP;:OUTP OFF;*OPC?")
                what += "; it was told to open every switch, and answered"
            raise self._error(what, "run `nightdraw box install`")
        self._identity = self._box_identity(self._session.ask("*IDN?")[0])
        return self._identity

    def _box_identity(self, answer: bytes) -> Identity:
        fields = [printable(field) for field in answer.decode("ascii", "backslashreplace").split(",")]
        if len(fields) != 4 or fields[0] != MAKER:
            raise self._error(
                f"no Nightdraw box answers there, but {shown(answer)}",
                "run `nightdraw box check`, which says what is wrong",
            )
        return Identity(*fields)

    def idn(self) -> Identity:
        """Who is there."""
        return self._identity or self.greet()

    def facts(self) -> BoardFacts:
        """What the box believes of its board."""
        board, own_a, channels = self._get_all(ask.BOARD, ask.OWN_A, ask.CHANNELS)
        return BoardFacts(board, int(own_a * 1_000_000), channels)

    def send(self, slot: int, data: bytes) -> Stored:
        """Store a program's bytes in a slot and read back what the box holds then.

        Raises LinkError; the slot then holds what it held before, or the new program whole.
        """
        _check_slot(slot)
        if len(data) > MAX_BYTES:
            raise InputError(f"the program has {len(data)} bytes, a slot holds {MAX_BYTES}")
        limit_s = STORE_S + len(data) / SLOWEST_BYTES_PER_S
        self.allow(2 * limit_s)
        self._session.ask(f":PROG:NAME SLOT{slot}")
        self._session.ask(":PROG:DEF", block=data, limit_s=limit_s)
        stored = self.stored(slot)
        if stored is None or (stored.bytes, stored.crc32) != (len(data), checksum(data)):
            raise self._error(f"slot {slot} doesn't hold what was sent", "send it again")
        return stored

    def stored(self, slot: int) -> Stored | None:
        """What a slot holds, None when it is empty or damaged."""
        _check_slot(slot)
        return self._whole(slot) if slot in self._catalog() else None

    def slots(self) -> list[Stored]:
        """Every stored program that is whole, by slot."""
        return [stored for slot in self._catalog() if (stored := self._whole(slot)) is not None]

    def damaged(self) -> list[int]:
        """The slots whose program can't be read; it must be sent again."""
        return [slot for slot in self._catalog() if self._whole(slot) is None]

    def _whole(self, slot: int) -> Stored | None:
        try:
            return Stored(slot, *self._get(ask.PROGRAM, f"SLOT{slot}"))
        except RefusedError as refused:
            if refused.code != DAMAGED_SLOT:
                raise
            return None

    def program(self, slot: int) -> bytes:
        """The bytes of a stored program; raises RefusedError where there is none."""
        _check_slot(slot)
        self.allow(MAX_BYTES / SLOWEST_BYTES_PER_S)
        data = b""
        while len(data) <= MAX_BYTES:
            piece = self._get(ask.DEFINITION, f"SLOT{slot}", len(data), MAX_DATA)
            data += piece
            if len(piece) < MAX_DATA:
                return data
        raise self._error(f"its program in slot {slot} has no end", "send the program again")

    def delete(self, slot: int) -> None:
        """Empty a slot, one that is damaged included."""
        _check_slot(slot)
        if slot in self._catalog():
            self._session.ask(f":PROG:NAME SLOT{slot}")
            self._only_once(":PROG:DEL", done=lambda: slot not in self._catalog())

    def run(self) -> RunState:
        """What the box is doing; only its state while it is locked."""
        answer = self._unless(ask.RUN, PROTECTED)
        return RunState(*answer) if answer is not None else RunState(self._get(ask.STATE), None, None, None)

    def arm(self, slot: int) -> RunState:
        """Arm the program in a slot; raises RefusedError while one is armed or where the slot is empty."""
        _check_slot(slot)
        before = self.run()
        self._session.ask(f":PROG:NAME SLOT{slot}")

        def armed() -> bool:
            now = self.run()
            return now.slot == slot and now.state != states.IDLE and now != before

        self._only_once(":PROG:STAT RUN", done=armed)
        return self.run()

    def halt(self) -> RunState:
        """Open every switch and disarm."""
        self._session.ask(":PROG:STAT STOP")
        return self.run()

    def level(self, level_ua: int, for_ticks: int = 0) -> RunState:
        """Draw one level by hand, the box's own consumption included, for a time that the box itself keeps
        (0: until halt())."""
        self._session.ask(f":OUTP:DUR {_seconds(for_ticks)}")
        self._session.ask(f":CURR {level_ua} UA", ":OUTP ON")
        return self.run()

    def clear(self) -> RunState:
        """Acknowledge a trip or an end."""
        self._session.ask(":OUTP:PROT:CLE")
        return self.run()

    def measure(self) -> Measurement:
        """What the box measures now; its current is calculated where no monitor is fitted."""
        supply_v = self._get(ask.SUPPLY_V)
        current_a = self._unless(ask.CURRENT_A, PROTECTED)
        temp_c = self._unless(ask.TEMP_C, HARDWARE_MISSING, PROTECTED)
        return Measurement(float(supply_v), _float(current_a), _float(temp_c))

    def _unless(self, query: Query[T], *codes: int) -> T | None:
        """The answer, None from a box that refuses it with one of these: it is locked or lacks a sensor."""
        try:
            return self._get(query)
        except RefusedError as refused:
            if refused.code not in codes:
                raise
            return None

    def status(self) -> BoxStatus:
        """Everything at a glance, as far as the box tells it."""
        questionable = self._get(ask.QUESTIONABLE)
        return BoxStatus(self.run(), self.measure(), self.wait(), questionable, self.locked())

    def wait(self) -> Wait:
        """What the box waits for, and how long still."""
        what, below_mv, left_ticks = self._unless(ask.WAITS, PROTECTED) or (None, None, None)
        return Wait(what, below_mv, None if left_ticks is None else left_ticks / TICKS_PER_S)

    def selftest(self) -> int:
        """0, or the number of the first check that failed; raises RefusedError while the box is armed."""
        self.allow(STORE_S)
        return self._get(ask.SELFTEST, limit_s=STORE_S)

    def has_monitor(self) -> bool:
        """Whether the bank's current is measured; else it is calculated."""
        return self._get(ask.MONITOR)

    def errors(self) -> list[tuple[int, str]]:
        """Number and text of every error in the box's queue, oldest first; the queue is then empty."""
        return self._session.errors()

    def clock(self) -> int:
        """The box's tick now."""
        return self._get(ask.CLOCK)

    def note_time(self, now_s: Callable[[], float] = time.time) -> bool:
        """Have the box journal a pair of its time and this computer's (seconds since 1970 UTC), which dates
        its records; False where it is locked or the line was too bad."""
        for _ in range(TRIES):
            now_ms = round(now_s() * 1000)
            try:
                self._session.once(f":DIAG:CLOC {now_ms // 1000},{now_ms % 1000}")
            except GarbledError:
                continue  # a pair journaled twice does no harm, one that comes late would: it is taken anew
            except RefusedError as refused:
                if refused.code != PROTECTED:
                    raise
                return False
            return True
        return False

    def read_journal(self, since: int = 0, progress: Progress | None = None) -> JournalBytes:
        """The journal from offset `since` (or the oldest byte still held) to its end at this moment."""
        for _ in range(TRIES):
            try:
                return self._read_journal(since, progress)
            except RefusedError as refused:
                # out of range: the ring moved on meanwhile, its oldest bytes are gone
                if refused.code != OUT_OF_RANGE:
                    raise
        raise self._error("the journal moves on faster than it can be read", "halt the box first")

    def _read_journal(self, since: int, progress: Progress | None) -> JournalBytes:
        start, end = self.journal_bounds()
        start = min(max(start, since), end)
        self.allow((end - start) / SLOWEST_BYTES_PER_S)
        pieces = []
        at = start
        for piece in self._journal_pieces(start, end):
            pieces.append(piece)
            at += len(piece)
            if progress is not None:
                progress(at - start, end - start)
        return JournalBytes(start, b"".join(pieces))

    def advance(self, seconds: Fraction | int, progress: Progress | None = None) -> int:
        """Let `seconds` pass on a simulated box; returns its tick then. Raises LinkError for a real box."""
        total = round(seconds * TICKS_PER_S)
        first = now = self.clock()
        while now < first + total:
            ticks = min(first + total - now, ADVANCE_TICKS)
            now = self._advance(now, ticks)
            if progress is not None:
                progress(min(now - first, total), total)
        return now

    def _advance(self, now: int, ticks: int) -> int:
        unit = f":DIAG:CLOC:ADV {_seconds(ticks)}"
        self.allow(ADVANCE_S)
        try:
            self._only_once(unit, done=lambda: self.clock() >= now + ticks, limit_s=ADVANCE_S)
        except RefusedError as refused:
            if refused.code == UNDEFINED_HEADER:
                raise self._error(
                    "only a simulated box can skip time", "wait, or use `nightdraw bench`"
                ) from None
            raise
        return self.clock()

    def _catalog(self) -> list[int]:
        return [int(name.removeprefix("SLOT")) for name in self._get(ask.CATALOG) if name]

    def journal_bounds(self) -> tuple[int, int]:
        """Offsets of the oldest byte that the journal holds and of its end."""
        start, end = self._get(ask.JOURNAL)
        return start, end

    def _journal_pieces(self, at: int, end: int) -> Iterator[bytes]:
        while at < end:
            length = min(ANSWER_BYTES, end - at)
            piece = self._get(ask.JOURNAL_PIECE, "'JOURNAL'", at, length)
            if not 0 < len(piece) <= length:
                raise self._error(
                    f"the journal gave {len(piece)} bytes for {length} at {at}", "read it again"
                )
            yield piece
            at += len(piece)


def open_box(address: str | Transport, limit_s: float | None = None, to_halt: bool = False) -> BoxClient:
    """Open the box at `socket://HOST:PORT`, on a serial port, or on an open transport, and greet it.

    A box at an address journals a pair of its time and this computer's, which dates its records. limit_s:
    when the whole conversation must have ended, see deadline.py (None: each request has its own limits).
    to_halt: see BoxClient.greet().

    Raises InputError for an address that is none, LinkError when no box with this program's version answers.
    """
    line = open_transport(address) if isinstance(address, str) else address
    client = BoxClient(line if limit_s is None else Timed(line, limit_s))
    try:
        client.greet(to_halt)
        if isinstance(address, str):
            client.note_time()
    except BaseException:
        client.close()
        raise
    return client


def _float(value: Fraction | None) -> float | None:
    return None if value is None else float(value)


def _seconds(ticks: int) -> str:
    return f"{ticks // TICKS_PER_S}.{ticks % TICKS_PER_S:04d}"


def _check_slot(slot: int) -> None:
    if not 0 <= slot < SLOTS:
        raise InputError(f"slot {slot} doesn't exist: slots are 0 to {SLOTS - 1}")

"""The instrument: what each program message unit does to the box, by a literal table of headers.

One Instrument serves one link. It never reads a clock, never waits, never draws a current itself: the box
does. Everything it holds or answers is bounded.

Where a box has several links (a bench's has), what is played, stored, locked and trimmed is the box's and the
same on all of them; registers, error queue and the chosen program are a link's own, so that one program never
reads or clears another's errors. Only one link at a time stores a program.

Where the standard leaves room:
- a command error (-1xx) drops the rest of its message, as 488.2 has it; any other error spoils its own unit
  only. But a message with a failed unit never closes a switch: see closes_switches();
- answers of one message are joined by ';'. Past MAX_ANSWER bytes they are thrown away with -430, for the link
  must never be stopped by an answer that nobody fetches;
- nothing here runs on after its unit, so *OPC, *OPC? and *WAI have nothing to wait for: a program that was
  started is a state of the box, not a pending operation.
"""

import binascii

from boxcore import commands_box, commands_common, scpi, scpi_text, trim
from boxcore import states as st
from boxcore.scpi_errors import ScpiError, is_command_error
from boxcore.scpi_status import Status
from boxcore.states import BoxError

MAX_ANSWER = 200  # bytes of a message's answer with its NL: fits the board's USB buffer of 256

FAULT = "!"  # what the seal hears for bytes that were no unit; no unit is this

TABLES = (commands_common.TABLE, commands_box.TABLE)  # searched one after the other: a sum would be a copy


# Lock and trim are asked for seldom: what only they have is loaded when they are, and takes no memory before.
LATE_TABLES = (("SYSTem:PASSword", "commands_lock"), ("CALibration", "commands_trim"))


def late_rows(words):
    """The rows of lock or trim for a header (by its words) that only these have; None for any other."""
    for head, module in LATE_TABLES:
        if scpi_text.matches(head, words[: 1 + head.count(":")]):
            return __import__("boxcore." + module, None, None, ("TABLE",)).TABLE
    return None


class Instrument:
    """The instrument of a box; `extra` adds rows to the table (see commands_common for a row's shape),
    `sense` has the shell read its sensors, the box heed them, and returns the box tick then.

    For handlers: box, now (box ticks), status, selected (the slot that PROGram speaks of), refresh() and
    closes_switches().
    """

    def __init__(self, box, extra=(), sense=None):
        self.box = box
        self._sense = sense
        self.now = 0
        self.status = Status()
        self._tables = TABLES + (tuple(extra),)
        self._receiver = scpi.Receiver()
        self._replies = []
        self._long_waits = False  # the box's answer buffer holds what the link is to send
        self._sink = None
        self._close = None
        self._selected = None
        self._begin()
        self._begin_seal()
        if box.trim.lost:
            self.status.report(-313, trim.LOST[box.trim.lost])

    def restore(self):
        """Set what *RST sets: the hand level at the box's own consumption, without an end, no name chosen."""
        self.box.hand_ua = self.box.board.own_ua
        self.box.hand_ticks = 0
        self._selected = None

    @property
    def selected(self):
        """The chosen slot; until one is chosen that of the armed program, or else the first."""
        if self._selected is None:
            return self.box.slot or 0
        return self._selected

    def select(self, slot):
        """Choose the slot that PROGram speaks of."""
        self._selected = slot

    def closes_switches(self):
        """Ask before a unit makes the box draw: it is refused while the box is locked, and when an earlier
        unit of its message failed."""
        self._ask_unlocked()
        if self._failed:
            raise ScpiError(-221, "an earlier unit of this message failed")

    def refresh(self):
        """Bring the box's readings, and what it accounts for, up to this instant: what is measured after a
        command is what that command has made of it."""
        if self._sense is not None:
            self.now = self._sense()
        self.box.settle(self.now)

    def in_block(self):
        """True while a block is under way, whose sender may not fall silent."""
        return self._receiver.in_block()

    def _ask_open(self, row):
        if row[LOCKED] == commands_common.PROTECTED:
            self._ask_unlocked()

    def _ask_unlocked(self):
        if self.box.lock.locked:
            raise ScpiError(-203, "the box is locked")

    def feed(self, data, now):
        """Take received bytes at box tick `now`; returns the answers that became complete, bytes."""
        return b"".join([bytes(part) for part in self.take(data, now)])

    def take(self, data, now):
        """The same as parts in order, as they are: one may lie in the box's answer buffer, and does so until
        the next call."""
        self._long_waits = False
        self.tick(now)
        for kind, value, size in self._receiver.receive(data, now):
            _ON[kind](self, value, size)
        if data:
            self._receiver.touch(self.now)  # a unit may have moved the time: a bench's does
        replies = self._replies
        self._replies = []
        return replies

    def tick(self, now):
        """Let time pass: look at the box's conditions, give up a block that fell silent."""
        self.now = now
        self._look()
        if self._receiver.expired(now):
            self._fail(-365)
            self._begin()

    def hang_up(self):
        """Forget a message under way, errors, enables and the chosen program: the link was closed, and who
        opens it next begins afresh."""
        self._receiver.reset()
        self._abort_block()
        self._begin()
        self._begin_seal()
        self._selected = None
        self._look()
        self.status.restart()

    def seal(self):
        """Two CRC-32: of every unit heard since the last seal's message, each followed by ';' and its block,
        and of every byte answered since. Both begin anew after this message."""
        self._sealed = True
        return self._heard, binascii.crc32(self._answer, self._said)

    def answer_waits(self):
        """True when units of this message have answered."""
        return bool(self._answer) or self._long is not None

    def _begin(self):
        self._answer = bytearray()
        self._long = None
        self._deadlocked = False
        self._indefinite = False
        self._failed = False
        self._path = []

    def _begin_seal(self):
        self._heard = self._said = 0
        self._sealed = False

    def _look(self):
        box = self.box
        self.status.operation.see(st.OPERATION.get(box.state, 0))
        self.status.questionable.see(st.question_bit(box.fault) | st.question_bit(box.flagged))

    def _fail(self, code, info=""):
        self._failed = True
        self._abort_block()
        if is_command_error(code):
            self._receiver.drop()
        self.status.report(code, info)

    def _abort_block(self):
        sink = self._sink
        self._sink = None
        if sink is not None:
            self._guarded(sink.abort)

    def _guarded(self, action, *arguments):
        """Do it; a refusal or a failure becomes an error in the queue. Returns what the action returns."""
        try:
            return action(*arguments)
        except ScpiError as error:
            self._fail(error.code, error.info)
        except BoxError as error:
            self._fail(error.code, error.message)
        except MemoryError:
            self._fail(-225)
        except OSError:
            self._fail(-250)
        return None

    def _on_unit(self, text, _):
        self._guarded(self._unit, text)

    def _on_block(self, text, size):
        if self._sink is not None:
            self._fail(-108)
        else:
            self._guarded(self._open_block, text, size)

    def _on_data(self, piece, _):
        self._heard = binascii.crc32(piece, self._heard)
        if self._sink is not None:
            self._guarded(self._sink.write, piece)

    def _on_close(self, text, _):
        text = text.strip(scpi.SPACES)
        if text:
            self._hear(text)
        if self._sink is not None:
            self._guarded(self._close_block, text)

    def _on_end(self, _, __):
        if self._answer:
            if self._long is not None:
                self._say(bytes(self._answer))
                self._say(self._long)
                self._answer = bytearray()
            self._answer += b"\n"
            self._say(bytes(self._answer))
        if self._sealed:
            self._begin_seal()
        self._begin()

    def _say(self, part):
        self._replies.append(part)
        self._said = binascii.crc32(part, self._said)

    def _on_fault(self, code, _):
        self._hear(FAULT)
        self._fail(code)

    def _hear(self, text):
        self._look()
        text = text.strip(scpi.SPACES)
        self._heard = binascii.crc32(text.encode() + b";", self._heard)
        return text

    def _unit(self, text):
        row, items = self._find(self._hear(text))
        if len(row) > ROW_SIZE:
            raise ScpiError(-104 if items else -109)
        if row[HEADER].endswith("?"):
            if self._indefinite:
                raise ScpiError(-440)
            self._indefinite = row[HEADER] == commands_common.INDEFINITE
        self._reply(row[HANDLER](self, *_values(row, items)))

    def _open_block(self, text, size):
        text = self._hear(text)
        more = text.endswith(",")
        row, items = self._find(text[:-1] if more else text)
        if len(row) == ROW_SIZE:
            raise ScpiError(-168)
        if more and not items:
            raise ScpiError(-109)
        values = _values(row, items)
        self._sink = row[OPENER](self, *(values + [size]))
        self._close = (row, values)

    def _close_block(self, text):
        if text:
            raise ScpiError(-108 if text.startswith(",") else -103)
        row, values = self._close
        self._ask_open(row)  # once more: another link may have locked the box since the block began
        row[HANDLER](self, *(values + [self._sink]))
        self._sink = None

    def _find(self, text):
        header, rest = scpi_text.split_header(text)
        words = scpi_text.mnemonics(header)
        if not header.startswith("*"):
            if not header.startswith(":"):
                words = self._path + words
            self._path = words[:-1]
        row = self._row(words, header.endswith("?"))
        self._ask_open(row)
        return row, scpi_text.parameters(rest)

    def _row(self, words, query):
        late = late_rows(words)
        for rows in self._tables if late is None else (late,):
            row = _row(rows, words, query)
            if row is not None:
                return row
        raise ScpiError(-113)

    def _reply(self, answer):
        if answer is None or self._deadlocked:
            return
        if isinstance(answer, memoryview):  # a block as it lies in the box's answer buffer
            fits = not self._answer and not self._long_waits
            self._long_waits = True
            self._long = answer
            answer = scpi_text.block_head(len(answer))
        else:
            fits = self._long is None
            if isinstance(answer, int):
                answer = "%d" % answer
            if self._answer:
                self._answer += b";"
        self._answer += answer if isinstance(answer, bytes) else answer.encode()
        if not fits or len(self._answer) >= MAX_ANSWER:
            self._answer = bytearray()
            self._long = None
            self._deadlocked = True
            self.status.report(-430)


HEADER, LOCKED, NEEDED, PARSERS, HANDLER, OPENER = 0, 1, 2, 3, 4, 5
ROW_SIZE = 5  # of a row whose parameters hold no block


def _row(rows, words, query):
    first = words[0][:3]  # every form of a word begins with these, in capitals: most rows need no closer look
    last = words[-1][:3]
    for row in rows:
        header = row[HEADER]
        if first not in header or last not in header or header.endswith("?") != query:
            continue
        if scpi_text.matches(header[:-1] if query else header, words):
            return row
    return None


def _values(row, items):
    if len(items) < row[NEEDED]:
        raise ScpiError(-109)
    if len(items) > len(row[PARSERS]):
        raise ScpiError(-108)
    return [row[PARSERS][k](item) for k, item in enumerate(items)]


_ON = {
    scpi.UNIT: Instrument._on_unit,
    scpi.BLOCK: Instrument._on_block,
    scpi.DATA: Instrument._on_data,
    scpi.CLOSE: Instrument._on_close,
    scpi.END: Instrument._on_end,
    scpi.FAULT: Instrument._on_fault,
}

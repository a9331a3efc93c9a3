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
from boxcore.commands_common import HANDLER, HEADER, LOCKED, NEEDED, PARSERS, TAKES_BLOCK
from boxcore.scpi_status import COMMAND, Status, event_bit
from boxcore.states import BoxError

MAX_ANSWER = 200  # bytes of a message's answer with its NL: fits the board's USB buffer of 256

FAULT = "!"  # what the seal hears for bytes that were no unit; no unit is this

TABLES = (commands_common.TABLE, commands_box.TABLE)  # searched one after the other: a sum would be a copy
# Asked for seldom: what only they have is loaded when they are, and takes no memory before.
LATE_TABLES = (("SYSTem:PASSword", "commands_lock"), ("CALibration", "commands_trim"), ("*TST", "selftest"))


def late_rows(words):
    """The rows of a late table for a header (by its words) that only this has; none for any other."""
    for head, module in LATE_TABLES:
        if words[0][:3] in head and scpi_text.matches(head, words[: 1 + head.count(":")]):
            return __import__("boxcore." + module, None, None, ("TABLE",)).TABLE
    return ()


def _reported(action):
    """The method with every refusal or failure turned into an error in the queue."""

    def guarded(self, *arguments):
        try:
            action(self, *arguments)
        except BoxError as error:
            self.fail(error.code, error.message)
        except MemoryError:
            self.fail(-225)
        except OSError:
            self.fail(-250)

    return guarded


class Instrument:
    """The instrument of a box, and the consumer of its receiver's calls; `extra` adds rows to the table (see
    commands_common for a row's shape), `sense` has the shell read its sensors, the box heed them, and returns
    the box tick then.

    For handlers: box, now (box ticks), status, chosen (the slot that PROGram speaks of, or None), answer (of
    the message under way, so far), refresh(), closes_switches() and seal().
    """

    def __init__(self, box, extra=(), sense=None):
        self.box = box
        self._sense = sense
        self.now = 0
        self.status = Status()
        self._tables = TABLES + (tuple(extra),)
        self._receiver = scpi.Receiver(self)
        self._replies = []
        self._long_waits = False  # the box's answer buffer holds what the link is to send
        self._block = None  # the handler that takes a block, a generator
        self.chosen = None
        self._begin()
        self._begin_seal()
        if box.trim.lost:
            self.status.report(-313, trim.LOST[box.trim.lost])

    def closes_switches(self):
        """Ask before a unit makes the box draw: it is refused while the box is locked, and when an earlier
        unit of its message failed."""
        self.box.lock.ask_open()
        if self._failed:
            raise BoxError(-221, "an earlier unit of this message failed")

    def refresh(self):
        """Bring the box's readings, and what it accounts for, up to this instant: what is measured after a
        command is what that command has made of it."""
        if self._sense is not None:
            self.now = self._sense()
        self.box.settle(self.now)

    def seal(self):
        """Two CRC-32: of every unit heard since the last seal's message, each followed by ';' and its block,
        and of every byte answered since. Both begin anew after this message."""
        self._sealed = True
        return self._heard, binascii.crc32(self.answer, self._said)

    def in_block(self):
        """True while a block is under way, whose sender may not fall silent."""
        return self._receiver.in_block()

    def feed(self, data, now):
        """Take received bytes at box tick `now`; returns the answers that became complete, bytes."""
        return b"".join([bytes(part) for part in self.take(data, now)])

    def take(self, data, now):
        """The same as parts in order, as they are: one may lie in the box's answer buffer, and does so until
        the next call."""
        self._long_waits = False
        self.tick(now)
        self._receiver.receive(data)
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
            self.fail(-365)
            self._begin()

    def fail(self, code, info=""):
        """Report an error of the unit under way."""
        self._failed = True
        self.abort_block()
        if event_bit(code) == COMMAND:  # after which the rest of the message can't be trusted
            self._receiver.drop()
        self.status.report(code, info)

    def _begin(self):
        self.answer = bytearray()
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

    def abort_block(self):
        """Give up a block under way: what it was to store is forgotten."""
        block = self._block
        self._block = None
        if block is not None:
            block.close()

    @_reported
    def on_unit(self, text):
        """Do what a unit says."""
        row, values = self._find(self._hear(text), False)
        self._reply(row[HANDLER](self, *values))

    @_reported
    def on_block(self, text, size):
        """Begin what takes a block."""
        if self._block is not None:
            raise BoxError(-108)
        text = self._hear(text)
        more = text.endswith(",")
        row, values = self._find(text[:-1] if more else text, True)
        if more and not values:
            raise BoxError(-109)
        block = row[HANDLER](self, *(values + [size]))
        next(block)
        self._block = block

    @_reported
    def on_data(self, piece):
        """Hand over a piece of the block."""
        self._heard = binascii.crc32(piece, self._heard)
        if self._block is not None:
            self._block.send(piece)

    @_reported
    def on_close(self, text):
        """Finish what took the block; nothing may have followed it."""
        text = text.strip(scpi.SPACES)
        if text:
            self._hear(text)
        if self._block is None:
            return
        if text:
            raise BoxError(-108 if text.startswith(",") else -103)
        self.box.lock.ask_open()  # once more: another link may have locked the box since the block began
        try:
            self._block.send(None)
        except StopIteration:
            self._block = None

    @_reported
    def on_fault(self, code):
        """Note what was no unit."""
        self._hear(FAULT)
        raise BoxError(code)

    def on_end(self):
        """Answer the message that is over."""
        if self.answer:
            for part in (self.answer, self._long, b"\n"):
                if part is not None:
                    self._replies.append(part)
                    self._said = binascii.crc32(part, self._said)
        if self._sealed:
            self._begin_seal()
        self._begin()

    def _hear(self, text):
        self._look()
        text = text.strip(scpi.SPACES)
        self._heard = binascii.crc32(text.encode() + b";", self._heard)
        return text

    def _find(self, text, has_block):
        """The row for a unit's text, and its parameters but for the block."""
        header, rest = scpi_text.split_header(text)
        words = scpi_text.mnemonics(header)
        if not header.startswith("*"):
            if not header.startswith(":"):
                words = self._path + words
            self._path = words[:-1]
        row = self._row(words, header.endswith("?"))
        if row[LOCKED] == commands_common.PROTECTED:
            self.box.lock.ask_open()
        items = scpi_text.parameters(rest)
        if has_block != (TAKES_BLOCK in row):
            raise BoxError(-168 if has_block else -104 if items else -109)
        if header.endswith("?"):
            if self._indefinite:
                raise BoxError(-440)
            self._indefinite = row[HEADER] == commands_common.INDEFINITE
        if len(items) < row[NEEDED]:
            raise BoxError(-109)
        if len(items) > len(row[PARSERS]):
            raise BoxError(-108)
        return row, [parse(item) for parse, item in zip(row[PARSERS], items)]

    def _row(self, words, query):
        # every form of a word begins with these, in capitals: most rows need no closer look
        first, last = words[0][:3], words[-1][:3]
        for rows in (late_rows(words),) + self._tables:
            for row in rows:
                header = row[HEADER]
                if first not in header or last not in header or header.endswith("?") != query:
                    continue
                if scpi_text.matches(header[:-1] if query else header, words):
                    return row
        raise BoxError(-113)

    def _reply(self, answer):
        if answer is None or self._deadlocked:
            return
        fits = self._long is None
        if self.answer:
            self.answer += b";"
        if isinstance(answer, memoryview):  # a block in the box's answer buffer, alone in its message
            fits = not self.answer and not self._long_waits
            self._long_waits = True
            self._long = answer
            self.answer += scpi_text.block_head(len(answer))
        else:
            self.answer += answer if isinstance(answer, bytes) else scpi_text.listed(answer).encode()
        if not fits or len(self.answer) >= MAX_ANSWER:
            self.answer = bytearray()
            self._long = None
            self._deadlocked = True
            self.status.report(-430)

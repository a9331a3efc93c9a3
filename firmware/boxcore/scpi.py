"""The message exchange of IEEE 488.2 as a protocol with no I/O: bytes and time in, calls of a consumer out.

It finds where messages, units, strings and blocks begin and end, and bounds them. It never knows a command
(that is commands.py), never holds a block (its bytes pass through in pieces) and never reads a clock.

Where the standard leaves room, or a serial line has no END:
- a message ends with NL and nothing else, inside a string too, so that garbage is left behind at the next NL;
- the units of a message are handed out when its NL has come, or as soon as a block begins;
- a definite block's declared length is always swallowed, even after its command was refused: its bytes must
  never be taken for commands. Silence ends it;
- #0, whose end could not be known, is refused.
"""

# All white space has become this before a unit is handed out, save within strings. strip() alone takes away
# more under CPython than on the board.
SPACES = " "
MAX_LINE = 256  # bytes of a message outside its blocks, NL not counted: what the board sets aside for one
SILENCE_TICKS = 20_000  # 2 s: a sender that pauses this long inside a block is gone

_TEXT, _QUOTE, _HASH, _COUNT, _BLOCK, _SKIP = 0, 1, 2, 3, 4, 5
_NL = 10
_SPACE = 32
_LAST_CHARACTER = 127  # the whole of ISO 646 (488.2, 7.1.1), DEL too
_SEMICOLON = 59
_SEPARATOR = b"\n"  # what stands in the line for a semicolon between units: no other NL comes there
_QUOTES = (34, 39)
_NUMBER_SIGN = 35
_ZERO = 48
_NINE = 57


class Receiver:
    """Turns received bytes into calls of a consumer; one per link.

    on_unit(text): a program message unit. on_block(text, size): a unit up to its block of so many bytes; then
    on_data(piece), a memoryview that is valid for the call, and on_close(text), what followed the block.
    on_fault(code): a standard error, the rest of the message is dropped. on_end(): the message is over.
    The consumer may call drop() meanwhile: the rest of the message is then passed over.
    """

    def __init__(self, consumer):
        self._consumer = consumer
        self._line = bytearray(MAX_LINE)
        self._heard_at = 0
        self._left = 0  # bytes of a block, or its length as far as it was read
        self._digits = 0  # digits of that length still to come
        self._quote = 0
        self.reset()

    def reset(self):
        """Forget the message under way."""
        self._state = _TEXT
        self._used = 0
        self._first = 0  # where the first unit not handed out begins
        self._open = False  # on_block() was called, on_close() was not
        self._dropped = False

    def drop(self):
        """Pass over the rest of this message."""
        self._dropped = True

    def touch(self, now):
        """Count silence from box tick `now` on."""
        self._heard_at = now

    def in_block(self):
        """True while a block, or what belongs to it, is awaited."""
        return (self._open and not self._dropped) or self._state in (_HASH, _COUNT, _BLOCK)

    def expired(self, now):
        """At box tick `now`: True once when a block was given up after SILENCE_TICKS without a byte."""
        if not self.in_block() or now - self._heard_at < SILENCE_TICKS:
            return False
        news = not self._dropped
        self.reset()
        return news

    def receive(self, data):
        """Take what was received; touch() says when."""
        view = memoryview(data)
        at = 0
        while at < len(view):
            if self._state == _BLOCK:
                piece = view[at : at + self._left]
                at += len(piece)
                self._left -= len(piece)
                if not self._dropped:
                    self._consumer.on_data(piece)
                self._after_block()
                continue
            byte = view[at]
            at += 1
            if byte == _NL:
                self._end_message()
            elif self._state != _SKIP:
                self._fault(_MOVES[self._state](self, byte))

    def _after_block(self):
        if not self._left:
            self._state = _SKIP if self._dropped else _TEXT

    def _end_message(self):
        if self._state == _HASH:
            self._store(_NUMBER_SIGN)
        if self._state == _COUNT:
            self._fault(-161)
        elif self._state != _SKIP:
            self._unit(self._units())
        self.reset()
        self._consumer.on_end()

    def _begin_block(self):
        self._state = _BLOCK
        text = self._text(self._units())
        self._open = True
        if not self._dropped:
            self._consumer.on_block(text, self._left)
        self._after_block()

    def _fault(self, code):
        if not code:
            return
        self._state = _SKIP
        if code != -363:  # a line that is too long is refused as a whole
            self._units()
        self._refuse(code)

    def _refuse(self, code):
        if not self._dropped:
            self._dropped = True
            self._consumer.on_fault(code)

    def _units(self):
        """Hand out the units that are complete; returns the bytes behind them."""
        *units, rest = bytes(self._line[self._first : self._used]).split(_SEPARATOR)
        self._first = self._used
        for raw in units:
            self._unit(raw)
        return rest

    def _unit(self, raw):
        text = self._text(raw)
        if self._dropped:
            return
        if self._open:
            self._open = False
            self._consumer.on_close(text)
        elif text.strip(SPACES):
            self._consumer.on_unit(text)

    def _text(self, raw):
        if raw and max(raw) > _LAST_CHARACTER:
            self._refuse(-101)
        return "" if self._dropped else raw.decode()

    def _store(self, byte):
        if self._used == MAX_LINE:
            return -363
        self._line[self._used] = byte
        self._used += 1
        return 0

    # What a byte does in each state; the answer is a standard error or 0.

    def _in_text(self, byte):
        if byte == _NUMBER_SIGN and self._awaits_data():
            self._state = _HASH
            return 0
        if byte in _QUOTES:
            self._state = _QUOTE
            self._quote = byte
        elif byte == _SEMICOLON:
            return self._store(_NL)
        return self._store(max(byte, _SPACE))  # white space is every code up to 32 (488.2, 7.4.1.2)

    def _awaits_data(self):
        unit = bytes(self._line[self._first : self._used]).split(_SEPARATOR)[-1].lstrip(b" ")
        tail = unit.rstrip(b" ")
        return tail.endswith(b",") or (len(unit) > len(tail) > 0 and b" " not in tail)

    def _in_quote(self, byte):
        if byte == self._quote:
            self._state = _TEXT
        return self._store(byte)

    def _in_hash(self, byte):
        if _ZERO < byte <= _NINE:
            self._state = _COUNT
            self._digits = byte - _ZERO
            self._left = 0
            return 0
        if byte == _ZERO:
            return -161
        self._state = _TEXT
        return self._store(_NUMBER_SIGN) or self._in_text(byte)

    def _in_count(self, byte):
        if not _ZERO <= byte <= _NINE:
            return -161
        self._left = 10 * self._left + byte - _ZERO
        self._digits -= 1
        if not self._digits:
            self._begin_block()
        return 0


_MOVES = {
    _TEXT: Receiver._in_text,
    _QUOTE: Receiver._in_quote,
    _HASH: Receiver._in_hash,
    _COUNT: Receiver._in_count,
}

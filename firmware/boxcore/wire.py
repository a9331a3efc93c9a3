"""The link's bytes over the USB serial port: reads only what is there, never waits for a host that doesn't
read.

It knows no command. It is given the port's two ends and a poll object for each, so that it needs no board.
"""

PIECE = 64  # bytes taken a turn: a full USB packet ...
LONG_PIECE = 256  # ... or a page of flash while a block comes: 14 ms
# A long answer goes in pieces of a USB packet as soon as there is room for a byte. The port's buffer of 256
# bytes is empty when a host asks, and sent on in whole packets: so there is room for a packet wherever there
# is any, unless the host has left an earlier answer lying. Then the write waits, half a second at most, once:
# what is left of the answer is thrown away.
PACKET = 64
LONG = 256  # bytes from which an answer is a long one
MOST_BYTES = 2_048  # of it a turn: 15 ms
PATIENCE_TICKS = 20_000  # 2 s: an answer that a host doesn't fetch that long is thrown away


class Wire:
    """reader.readinto(buffer) and writer.write(bytes) are the port's ends; `inputs` and `outputs` tell by
    ipoll(milliseconds), as select.poll objects do, that there is something to read, or room to write."""

    def __init__(self, reader, writer, inputs, outputs):
        self._reader = reader
        self._writer = writer
        self._inputs = inputs
        self._outputs = outputs
        self._piece = memoryview(bytearray(LONG_PIECE))
        self._one = bytearray(1)
        self._waiting = []  # parts of answers
        self._sent = 0  # bytes of the first
        self._since = 0

    def wait(self, milliseconds):
        """True when there is input, at once or within the time; the processor waits for interrupts meanwhile.
        With an answer on its way out it doesn't look for input: it sleeps no longer than a millisecond."""
        if self._waiting:
            self._ready(self._outputs, min(milliseconds, 1))
            return False
        return self._ready(self._inputs, milliseconds)

    def take(self, in_block=False):
        """The bytes that are there now, at most PIECE or, within a block, LONG_PIECE: a memoryview that the
        next call overwrites.

        Byte by byte, for the board's read(n) waits until all n came. Nothing is taken while an answer waits
        to go, so what waits is bounded by what one piece can ask for.
        """
        most = LONG_PIECE if in_block else PIECE
        poll, read, one, piece = self._inputs.ipoll, self._reader.readinto, self._one, self._piece
        for used in range(0 if self._waiting else most):  # names of its own: here receiving spends its time
            for _ in poll(0):
                break
            else:
                return piece[:used]
            if not read(one):
                return piece[:used]
            piece[used] = one[0]
        return piece[: 0 if self._waiting else most]

    def give(self, answer, now):
        """Send an answer as far as the host takes it; flush() sends the rest. Its bytes must stay what they
        are until then."""
        if len(answer):
            if not self._waiting:
                self._since = now
            self._waiting.append(answer)
        self.flush(now)

    def flush(self, now):
        """Send what waits while there is room, a short answer byte by byte: a write without room would stall
        everything else for half a second. Returns True when nothing is left."""
        waiting = self._waiting
        most = MOST_BYTES
        while waiting and most > 0 and self._ready(self._outputs, 0):
            part = waiting[0]
            size = min(PACKET if len(part) >= LONG else 1, len(part) - self._sent)
            taken = self._writer.write(part[self._sent : self._sent + size])
            if size > 1 and taken != size:
                self._forget()
                return True
            self._sent += size
            self._since = now
            most -= size
            if self._sent == len(part):
                waiting.pop(0)
                self._sent = 0
        if waiting and now - self._since > PATIENCE_TICKS:
            self._forget()
        return not waiting

    def _forget(self):
        self._waiting.clear()
        self._sent = 0

    def _ready(self, poller, milliseconds):
        for _ in poller.ipoll(milliseconds):
            return True
        return False

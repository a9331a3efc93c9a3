"""The link's bytes over the USB serial port: reads only what is there, never waits for a host that doesn't
read.

It knows no command. It is given the port's two ends and a poll object for each, so that it needs no board.
"""

PIECE = 64  # bytes taken a turn: a full USB packet
PATIENCE_TICKS = 20_000  # 2 s: an answer that a host doesn't fetch that long is thrown away


class Wire:
    """reader.readinto(buffer) and writer.write(bytes) are the port's ends; `inputs` and `outputs` tell by
    ipoll(milliseconds), as select.poll objects do, that there is something to read, or room to write."""

    def __init__(self, reader, writer, inputs, outputs):
        self._reader = reader
        self._writer = writer
        self._inputs = inputs
        self._outputs = outputs
        self._piece = memoryview(bytearray(PIECE))
        self._one = bytearray(1)
        self._waiting = b""
        self._since = 0

    def wait(self, milliseconds):
        """True when there is input, at once or within the time; the processor waits for interrupts meanwhile.
        With an answer on its way out it doesn't look for input: it sleeps no longer than a millisecond."""
        if self._waiting:
            self._ready(self._outputs, min(milliseconds, 1))
            return False
        return self._ready(self._inputs, milliseconds)

    def take(self):
        """The bytes that are there now, at most PIECE: a memoryview that the next call overwrites.

        Byte by byte, for the board's read(n) waits until all n came. Nothing is taken while an answer waits
        to go, so what waits is bounded by what one piece can ask for.
        """
        used = 0
        poll, read, one, piece = self._inputs.ipoll, self._reader.readinto, self._one, self._piece
        while used < PIECE and not self._waiting:  # names of its own: this is where receiving spends its time
            for _ in poll(0):
                break
            else:
                break
            if not read(one):
                break
            piece[used] = one[0]
            used += 1
        return piece[:used]

    def give(self, answer, now):
        """Send an answer as far as the host takes it; flush() sends the rest."""
        if answer:
            self._waiting += bytes(answer)
            self._since = now
        self.flush(now)

    def flush(self, now):
        """Send what waits, byte by byte while there is room: a write without room would stall everything else
        for half a second. Returns True when nothing is left."""
        waiting = self._waiting
        sent = 0
        while sent < len(waiting) and self._ready(self._outputs, 0):
            self._writer.write(waiting[sent : sent + 1])
            sent += 1
        if sent:
            self._waiting = waiting[sent:]
            self._since = now
        elif waiting and now - self._since > PATIENCE_TICKS:
            self._waiting = b""
        return not self._waiting

    def _ready(self, poller, milliseconds):
        for _ in poller.ipoll(milliseconds):
            return True
        return False

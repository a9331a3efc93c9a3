"""The box at work: sense, step, listen, sleep until the next deadline, for ever. It decides nothing itself.

From sense to off. A reading that trips a guard opens the switches in the call that is handed it, within 0.2
ms. What comes before that, at worst, each once, on the board at 96 MHz:
    5 ms   the power monitor's average (the converter's takes 1 ms)
   50 ms   SENSE_TICKS, when the fault begins just behind a reading
  400 ms   a flash sector's erase at its longest (45 ms is typical); one write a step, never two in a row
  170 ms   the queue refilled with the shortest words, 512 of them
   40 ms   a garbage collection
   35 ms   a piece of the link, its commands and their answers, a measurement's wait among them
  700 ms   in all; 0.1 s where nothing is written and words are long
Storing a program over the link erases several sectors in one call, up to 2 s in all; a run then starves
within 1 s and its switches are open. Should this loop stop altogether, the queue runs empty within 1 s and
the edge player opens every switch by itself; the watchdog resets the board within 8 s. What must be faster
is the fuse's and the clamp's job.
"""

SENSE_TICKS = 500  # 50 ms: panel contacts settle in two readings, the monitor's average is new each time
TICKS_A_MS = 10
COMPUTE_TICKS = 100  # 10 ms: what a turn gives the lock's arithmetic while an exchange is under way
FRESH_TICKS = 120  # 12 ms after a switch every sensor's average, two of the monitor's, is of what plays then


class Loop:
    """One box and the hal it plays on, which has read(), measure(), ticks(), show(), alive() and wire."""

    def __init__(self, hal, box, readings):
        self._hal = hal
        self._box = box
        self._readings = readings
        self._sense_at = 0
        self.instrument = None  # to be set before begin()
        self.leave = False  # set by the command that asks for maintenance

    def begin(self):
        """Read once and boot the box; its start rule decides what happens next."""
        self._hal.read(self._readings)
        self._hal.read(self._readings)  # twice: a contact counts when two readings agree
        self._box.boot(self._hal.ticks(), self._readings, self._hal.cause)

    def turn(self):
        """Do all that is due, then sleep until something is, or a byte comes."""
        hal, box = self._hal, self._box
        now = hal.ticks()
        if now >= self._sense_at:
            hal.read(self._readings)
            now = hal.ticks()
            box.sense(now, self._readings)
            self._sense_at = now + SENSE_TICKS
        if now >= box.deadline:
            box.step(now)
        self._listen(hal.wire)
        now = hal.ticks()
        hal.show(box.state, box.flagged != 0, now)
        hal.alive()
        wake = min(self._sense_at, box.deadline)
        if not self._compute(now + COMPUTE_TICKS) and wake > now:
            hal.wire.wait((wake - now) // TICKS_A_MS)

    def _compute(self, until):
        """The lock's arithmetic, step by step until a tick; True while there is more of it."""
        lock = self._box.lock
        while lock.work():
            if self._hal.ticks() >= until:
                return True
        return False

    def sense(self):
        """Read and sense now, for a command that measures; returns the tick. The panel is left out: its
        contacts count by their own interval."""
        hal, box = self._hal, self._box
        now = hal.ticks()
        fresh = box.settle(now) + FRESH_TICKS
        while now < fresh:
            now = hal.ticks()
        hal.measure(self._readings)
        now = hal.ticks()
        box.sense(now, self._readings)
        return now

    def _listen(self, wire):
        now = self._hal.ticks()
        piece = wire.take()
        if len(piece):
            wire.give(self.instrument.feed(piece, now), now)
        else:
            self.instrument.tick(now)
            wire.flush(now)

    def run(self):
        """Work until a command asks for maintenance."""
        self.begin()
        while not self.leave:
            self.turn()

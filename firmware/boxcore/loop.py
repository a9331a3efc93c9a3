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
While the box is locked, 60 ms before each of its grid ticks add to this, and 60 ms of arithmetic while
somebody unlocks it.
Storing a program over the link erases a sector in some of its pieces, two in its last; the queue is filled,
in the last the sensors are read, before each. Should this loop stop altogether, the queue runs empty within
1 s and the edge player opens every switch by itself; the watchdog resets the board within 8 s. What must be
faster is the fuse's and the clamp's job.

A locked box hears and answers on a grid of its clock. What comes in is taken at a grid tick, what it answers
goes out at the next: how long the player's work, a command or a write to flash took shows nowhere, as long as
the work of a slot ends within it. So nothing begins late in a slot that may take long, and at the end nothing
at all. Where work does not end in time (a flash that erases at its slowest), the whole tick is left out.
"""

from boxcore.journal import LATER

SENSE_TICKS = 500  # 50 ms: panel contacts settle in two readings, the monitor's average is new each time
TICKS_A_MS = 10
COMPUTE_TICKS = 600  # 60 ms: what a turn gives the lock's arithmetic while an exchange is under way
FRESH_TICKS = 120  # 12 ms after a switch every sensor's average, two of the monitor's, is of what plays then

# While locked:
GRID_TICKS = 3_000  # 0.3 s: an answer comes 0.3 to 0.6 s after its question
STEP_ENDS_TICKS = 1_500  # no step begins later before it: a write erases two or three sectors at 45 ms
STEP_OF_LOCK_TICKS = 150  # no arithmetic: one of its steps takes at most 12 ms
STILL_TICKS = 600  # and nothing, for a reading of the sensors takes a turn of 35 ms: the clock is looked at
LATE_TICKS = 5  # a grid tick that is met later than this is left out
MOST_HELD = 200  # bytes of answers, one message's: more is not listened to before they are gone


class Loop:
    """One box and the hal it plays on: read(), measure(), ticks(), show(), alive(), collect() and wire."""

    def __init__(self, hal, box):
        self._hal = hal
        self._box = box
        self._readings = box.readings
        self._sense_at = 0
        self._grid_at = 0
        self._hears = False
        self._held = b""
        self.instrument = None  # to be set before turn()
        self.leave = False  # set by the command that asks for maintenance

    def begin(self):
        """Read once and boot the box as far as a run needs; its start rule decides what happens next."""
        self._hal.read(self._readings)
        self._hal.read(self._readings)  # twice: a contact counts when two readings agree
        self._box.boot(self._hal.ticks(), self._readings, self._hal.cause, False)

    def early_turn(self):
        """A turn before the link is there, while the rest is loaded and Ctrl-C ends at the prompt: what plays
        goes on, nothing is heard, and no watchdog runs, which nothing could stop any more."""
        hal, box = self._hal, self._box
        self._work(hal.ticks())
        hal.show(box.state, box.flagged != 0, hal.ticks())

    def _work(self, now, may_step=True):
        """Sense and step where that is due."""
        if now >= self._sense_at:
            self._hal.read(self._readings)
            now = self._hal.ticks()
            self._box.sense(now, self._readings)
            self._sense_at = now + SENSE_TICKS
        if may_step and now >= self._box.deadline:
            self._box.step(now)

    def turn(self):
        """Do all that is due, then sleep until something is, or a byte comes."""
        hal, box = self._hal, self._box
        now = hal.ticks()
        locked = box.lock.locked
        left = self._grid_at - now if locked else LATER
        if left <= STILL_TICKS:
            self._meet(now)
            now = hal.ticks()
            left = self._grid_at - now
        may_step = left > STEP_ENDS_TICKS
        self._work(now, may_step)
        if not locked:
            self._listen(hal.wire)
        elif self._hears:
            self._hear(hal.wire)
        now = hal.ticks()
        hal.show(box.state, box.flagged != 0, now)
        hal.alive()
        if self._compute(now, min(now + COMPUTE_TICKS, (self._grid_at if locked else LATER) - STILL_TICKS)):
            return
        wake = min(self._sense_at, box.deadline if may_step else LATER, self._grid_at if locked else LATER)
        if wake > now:
            hal.wire.wait((wake - now) // TICKS_A_MS)

    def _meet(self, now):
        """At a grid tick: send what is held, and hear afterwards."""
        due = self._grid_at
        while now < due:
            now = self._hal.ticks()
        self._grid_at = now - now % GRID_TICKS + GRID_TICKS
        if now - due > LATE_TICKS:
            return
        self._hal.wire.give(self._held, now)
        self._held = b""
        self._hears = True

    def _hear(self, wire):
        """Take what has come, after a grid tick; what it says is held until the next."""
        self._hears = False
        now = self._hal.ticks()
        piece = wire.take()
        if not len(piece):
            self.instrument.tick(now)
        while len(piece):
            self._held += self.instrument.feed(piece, now)
            piece = wire.take() if len(self._held) < MOST_HELD else b""
        if self._held:
            self._hal.collect()  # here, where nobody waits for it, instead of somewhere near the next tick

    def _compute(self, now, until):
        """The lock's arithmetic, step by step until a tick; True while there is more, to be done at once."""
        if until - now < STEP_OF_LOCK_TICKS:
            return False
        while until - now >= STEP_OF_LOCK_TICKS:
            if not self._box.lock.work():
                return False
            now = self._hal.ticks()
        return True

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
        if self._held:  # the unlocking's own answer
            wire.give(self._held, now)
            self._held = b""
        piece = wire.take(self.instrument.in_block())
        if len(piece):
            for part in self.instrument.take(piece, now):
                wire.give(part, now)
        else:
            self.instrument.tick(now)
            wire.flush(now)

    def run(self):
        """Work until a command asks for maintenance."""
        while not self.leave:
            self.turn()

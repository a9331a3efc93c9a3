"""What must outlive a power loss, and when it is written: what is armed, how far it got, its used budgets,
every slot's runs.

One small file, replaced whole. Budgets are written ahead: a run begins only when the store already says that
it runs and has used what it can use before the next write, so that a power cut can cost budget but never give
it back. Nothing plays here. What else the box keeps on its store, and how a
power-up reads it: what can't be read or believed is journaled, never raised.
"""

import struct

from boxcore import files
from boxcore import journal as jn
from boxcore import states as st
from boxcore.port import Readings
from boxcore.slots import SLOTS, Slots
from boxcore.trim import Trim

NAME = "ledger"
HEAD = b"NDlg\x01"  # and format
LAYOUT = "<BBBBxxx6I%dI" % (2 * SLOTS)  # FIELDS, each slot's serial and runs
FIELDS = ("phase", "slot", "by", "fault", "serial", "run", "used_ticks", "used_mas", "position_ticks", "boot")
FRESH = (0,) * (len(FIELDS) + 2 * SLOTS)
MAX_U32 = 0xFFFFFFFF

# phases of the armed program
NONE, WAITING, RUNNING, ENDED, TRIPPED = 0, 1, 2, 3, 4
NO_SLOT = SLOTS  # a trip of a hand level belongs to no slot

SAVE_TICKS = 100_000  # the ledger is written every 10 s of a run: what `continue` may play twice
RESERVE_TICKS = 150_000  # written ahead: SAVE_TICKS and half as much, so that a late write is covered too
LEAD_TICKS = 20_000  # the reserve is written up to 2 s before a run begins: no write delays the first edge
RETRY_TICKS = 100_000  # a store that failed is tried again after 10 s

PHASES = {
    st.IDLE: NONE,
    st.LEVEL: NONE,
    st.WAITING: WAITING,
    st.RUNNING: RUNNING,
    st.HOLDING: RUNNING,
    st.ENDED: ENDED,
    st.TRIPPED: TRIPPED,
}
STANDING = {TRIPPED: st.TRIPPED, ENDED: st.ENDED}  # what a power loss doesn't take back


class Ledger:
    """What one file of a store says, as it was written last: FIELDS as plain numbers (serial: the armed
    program's; boot: a count), and for each slot its program's serial and how often that was armed.

    due: the tick at which save() is to be called. A phase of RUNNING comes with a reserve."""

    def __init__(self, store):
        self._store = store
        self.due = jn.LATER
        self.hold(FRESH)

    def hold(self, numbers):
        """Know these numbers, in the file's order."""
        fields = numbers[: len(FIELDS)]
        self.phase, self.slot, self.by, self.fault, self.serial, self.run = fields[:6]
        self.used_ticks, self.used_mas, self.position_ticks, self.boot = fields[6:]
        counters = range(len(FIELDS), len(numbers), 2)
        self.serials = [numbers[k] for k in counters]
        self.runs = [numbers[k + 1] for k in counters]

    def open(self):
        """Load at power-up and count the boot; True where there is a file that can't be believed."""
        body = files.load(self._store, NAME, HEAD)
        numbers = None if body is None else unpack(body)
        self.hold(numbers or FRESH)
        self.boot += 1
        return body is not None and numbers is None

    def next_run(self, slot, serial):
        """The number of the next run of the program stored as `serial` in `slot`."""
        return 1 + (self.runs[slot] if self.serials[slot] == serial else 0)

    def is_lead(self, now, run):
        """True within LEAD_TICKS before the start of a run.Run that waits, and after it."""
        due = run.due()
        return due is not None and due - now <= LEAD_TICKS

    def save_change(self, now, box):
        """Write down a state of a box.Box that a power loss would take for another one; raises as save()."""
        if self.phase != PHASES[box.state]:
            self.save(now, box)

    def save(self, now, box):
        """Write down where a box.Box stands. Raises BoxError -250 where the store fails; it is tried again
        then."""
        before, run = self.numbers(), box.run_account
        self.phase = PHASES[box.state]
        self.fault = box.fault if self.phase in (ENDED, TRIPPED) else st.NO_FAULT
        if run is not None:
            if self.phase == WAITING and self.is_lead(now, run):
                self.phase = RUNNING
            self._account(now, run, box.player.mas)
        self.due = now + RETRY_TICKS
        try:
            self.keep()
        except st.BoxError:
            self.hold(before)
            raise
        self.due = now + SAVE_TICKS if box.state in (st.RUNNING, st.HOLDING) else jn.LATER

    def _account(self, now, run, mas):
        self.slot, self.by, self.serial, self.run = run.slot, run.by, run.serial, run.number
        if run.slot is None:
            self.slot = NO_SLOT
        else:
            self.serials[run.slot], self.runs[run.slot] = run.serial, run.number
        ahead = RESERVE_TICKS if self.phase == RUNNING else 0
        self.used_ticks, self.used_mas, self.position_ticks = run.account(now, mas, ahead)

    def numbers(self):
        """What hold() takes."""
        numbers = [min(getattr(self, field), MAX_U32) for field in FIELDS]
        for pair in zip(self.serials, self.runs):
            numbers += pair
        return numbers

    def keep(self):
        """Replace the file whole; raises BoxError -250."""
        files.save(self._store, NAME, HEAD, struct.pack(LAYOUT, *self.numbers()))


def unpack(body):
    """The numbers in a file's body, or None where they make no sense."""
    if len(body) != struct.calcsize(LAYOUT):
        return None
    numbers = struct.unpack(LAYOUT, body)
    phase, slot = numbers[:2]
    if phase > TRIPPED or slot > SLOTS or (slot == NO_SLOT and phase in (WAITING, RUNNING)):
        return None
    return numbers


class Kept:
    """What a Box keeps. ledger, slots, journal, trim and lock are each the owner of its files in one store;
    slow_supply: what a locked box tells; lock and it are None until load_further(), for no run needs them;
    readings: the latest."""

    def __init__(self, store, channels_ns, random, journal_files, buffers):
        self.ledger = Ledger(store)
        self.slots = Slots(store, buffers)
        self.journal = jn.Journal(store, journal_files, buffers.journal)
        self.trim = Trim(store, channels_ns)
        self.lock = self.slow_supply = None
        self._store, self._random = store, random
        self.readings = Readings()
        self._further = -1  # what load_further() looks at next: the lock, then each slot

    def record(self, now, kind, arg=0, value=0, pattern=0):
        """Journal something, the supply beside it."""
        self.journal.add(now, kind, arg, pattern, value, self.readings.supply_mv)

    def load(self, now, cause):
        """Read what a run needs, journal the boot and whatever of it is damaged; cause: the hardware's reset
        cause. The armed slot is read by whoever plays it."""
        damaged, ledger = self.ledger.open(), self.ledger
        unreadable = self.journal.open(ledger.boot)
        lost = jn.BUFFER_RECORDS if ledger.boot > 1 or damaged else 0
        self.record(now, jn.BOOT, cause, ledger.boot, lost)
        if damaged:
            self.record(now, jn.DAMAGE, jn.LEDGER_PART)
        if unreadable:
            self.record(now, jn.DAMAGE, jn.JOURNAL_PART)
        if self.trim.open():
            self.record(now, jn.DAMAGE, jn.TRIM_PART, self.trim.lost)

    def load_further(self, now):
        """Read one more of what only the link needs, the lock first, then slot by slot; False when nothing is
        left. Nothing may be asked or stored before."""
        at = self._further
        if at == SLOTS:
            return False
        self._further += 1
        if at < 0:
            self.slots.begin(max(self.ledger.serials))
            from boxcore.lock import Lock, SlowMean  # only now: they are large, and no run needs them

            self.slow_supply = SlowMean()
            self.lock = Lock(self._store, self._random, self.record)
            if self.lock.open(now, self.ledger.boot):
                self.record(now, jn.DAMAGE, jn.LOCK_PART)
        elif self.slots.scan(at):
            self.record(now, jn.DAMAGE, jn.SLOT_PART, at)
        return True

"""What must outlive a power loss, and when it is written: what is armed, how far it got, its used budgets,
every slot's runs.

One small file, replaced whole. Budgets are written ahead: a run begins only when the store already says that
it runs and has used what it can use before the next write, so that a power cut can cost budget but never give
it back. Nothing plays here.
"""

import struct

from boxcore import files
from boxcore import journal as jn
from boxcore import states as st
from boxcore.slots import SLOTS

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
    """The persisted state, FIELDS as plain numbers (serial: the armed program's; boot: a count), and for each
    slot its program's serial and how often that was armed."""

    def __init__(self, numbers=FRESH):
        fields = numbers[: len(FIELDS)]
        self.phase, self.slot, self.by, self.fault, self.serial, self.run = fields[:6]
        self.used_ticks, self.used_mas, self.position_ticks, self.boot = fields[6:]
        counters = range(len(FIELDS), len(numbers), 2)
        self.serials = [numbers[k] for k in counters]
        self.runs = [numbers[k + 1] for k in counters]

    def count_run(self, slot, serial):
        """Count one more arm of the program stored as `serial` in `slot`; returns its run number."""
        self.runs[slot] = 1 + (self.runs[slot] if self.serials[slot] == serial else 0)
        self.serials[slot] = serial
        return self.runs[slot]


def pack(ledger):
    """The body of the file."""
    numbers = [min(getattr(ledger, field), MAX_U32) for field in FIELDS]
    for pair in zip(ledger.serials, ledger.runs):
        numbers += pair
    return struct.pack(LAYOUT, *numbers)


def unpack(body):
    """The Ledger in a file's body, or None where it makes no sense."""
    if len(body) != struct.calcsize(LAYOUT):
        return None
    ledger = Ledger(struct.unpack(LAYOUT, body))
    if ledger.phase > TRIPPED or ledger.slot > SLOTS:
        return None
    return None if ledger.slot == NO_SLOT and ledger.phase in (WAITING, RUNNING) else ledger


def load(store):
    """(Ledger, damaged): a fresh one where the store has none, or none that can be believed."""
    body = files.load(store, NAME, HEAD)
    ledger = None if body is None else unpack(body)
    return ledger or Ledger(), ledger is None and body is not None


def save(store, ledger):
    """Replace the file whole; raises BoxError -250."""
    files.save(store, NAME, HEAD, pack(ledger))


class Reserve:
    """ledger: the ledger.Ledger as it was written last; due: the tick at which save() is to be called;
    covered: what was written says that the run runs, with a reserve."""

    def __init__(self, store):
        self._store = store
        self.ledger = Ledger()
        self.covered = False
        self.due = jn.LATER

    def open(self):
        """Load at power-up and count the boot; True where there is a file that is damaged."""
        self.ledger, damaged = load(self._store)
        self.ledger.boot += 1
        return damaged

    def is_lead(self, now, run):
        """True within LEAD_TICKS before the start of a run.Run that waits, and after it."""
        due = run.rule.due()
        return due is not None and due - now <= LEAD_TICKS

    def save_change(self, now, box):
        """Write down a state of a box.Box that a power loss would take for another one; raises as save()."""
        if self.ledger.phase != PHASES[box.state]:
            self.save(now, box)

    def save(self, now, box):
        """Write down where a box.Box stands. Raises BoxError -250 where the store fails; it is tried again
        then."""
        ledger, state, run = self.ledger, box.state, box.run_account
        ledger.phase = PHASES[state]
        ledger.fault = box.fault if ledger.phase in (ENDED, TRIPPED) else st.NO_FAULT
        if run is not None:
            if ledger.phase == WAITING and self.is_lead(now, run):
                ledger.phase = RUNNING
            self._account(ledger, now, run, box.player.mas)
        self.due = now + RETRY_TICKS
        save(self._store, ledger)
        self.due = now + SAVE_TICKS if state in (st.RUNNING, st.HOLDING) else jn.LATER
        self.covered = ledger.phase == RUNNING

    def _account(self, ledger, now, run, mas):
        ahead = RESERVE_TICKS if ledger.phase == RUNNING else 0
        ledger.by, ledger.serial, ledger.run = run.by, run.serial, run.number
        ledger.slot = NO_SLOT if run.slot is None else run.slot
        ledger.used_ticks, ledger.used_mas, ledger.position_ticks = run.account(now, mas, ahead)

"""What the box keeps on its store, and how a power-up brings it back: ledger, slots, journal, lock, trim.

What can't be read or believed is journaled, never raised. Nothing is decided here but that.
"""

from boxcore import journal as jn
from boxcore.ledger import Ledger
from boxcore.slots import SLOTS, Slots
from boxcore.trim import Trim


class Kept:
    """ledger, slots, journal, lock, trim: each the owner of its files in one store; record(now, kind, arg,
    value, pattern) journals."""

    def __init__(self, store, channels_ns, random, record, journal_files, buffers):
        self._record = record
        self.ledger = Ledger(store)
        self.slots = Slots(store, buffers)
        self.journal = jn.Journal(store, journal_files, buffers.journal)
        self.trim = Trim(store, channels_ns)
        self.lock = None
        self._store, self._random = store, random
        self._further = -1  # what further() looks at next: the lock, then each slot

    def open(self, now, cause):
        """Read what a run needs, journal the boot and whatever of it is damaged; cause: the hardware's reset
        cause. The armed slot is read by whoever plays it."""
        damaged, ledger = self.ledger.open(), self.ledger
        unreadable = self.journal.open(ledger.boot)
        lost = jn.BUFFER_RECORDS if ledger.boot > 1 or damaged else 0
        self._record(now, jn.BOOT, cause, ledger.boot, lost)
        if damaged:
            self._record(now, jn.DAMAGE, jn.LEDGER_PART)
        if unreadable:
            self._record(now, jn.DAMAGE, jn.JOURNAL_PART)
        if self.trim.open():
            self._record(now, jn.DAMAGE, jn.TRIM_PART, self.trim.lost)

    def further(self, now):
        """Read one more of what only the link needs, the lock first, then slot by slot; False when nothing is
        left. Nothing may be asked or stored before."""
        at = self._further
        if at == SLOTS:
            return False
        self._further += 1
        if at < 0:
            self.slots.begin(max(self.ledger.serials))
            from boxcore.lock import Lock  # only now: its arithmetic is large, and no run needs it

            self.lock = Lock(self._store, self._random, self._record)
            if self.lock.open(now, self.ledger.boot):
                self._record(now, jn.DAMAGE, jn.LOCK_PART)
        elif self.slots.scan(at):
            self._record(now, jn.DAMAGE, jn.SLOT_PART, at)
        return True

"""What the box keeps on its store, and how a power-up brings it back: ledger, slots, journal, lock, trim.

What can't be read or believed is journaled, never raised. Nothing is decided here but that.
"""

from boxcore import journal as jn
from boxcore.lock import Lock
from boxcore.reserve import Reserve
from boxcore.slots import Slots
from boxcore.trim import Trim


class Kept:
    """reserve, slots, journal, lock, trim: each the owner of its files in one store; record(now, kind, arg,
    value, pattern) journals."""

    def __init__(self, store, channels_ns, random, record, journal_files, buffers):
        self._record = record
        self.reserve = Reserve(store)
        self.slots = Slots(store, buffers)
        self.journal = jn.Journal(store, journal_files, buffers.journal)
        self.lock = Lock(store, random, record)
        self.trim = Trim(store, channels_ns)

    def open(self, now, cause):
        """Read everything, journal the boot and whatever is damaged; cause: the hardware's reset cause."""
        damaged = self.reserve.open()
        ledger = self.reserve.ledger
        self.slots.scan(max(ledger.serials))
        unreadable = self.journal.open(ledger.boot)
        lost = jn.BUFFER_RECORDS if ledger.boot > 1 or damaged else 0
        self._record(now, jn.BOOT, cause, ledger.boot, lost)
        bad = [(jn.LEDGER_PART, 0)] if damaged else []
        if unreadable:
            bad.append((jn.JOURNAL_PART, 0))
        if self.journal.renewed:
            bad.append((jn.JOURNAL_PART, jn.OLD_FORMAT))
        if self.lock.open(now, ledger.boot):
            bad.append((jn.LOCK_PART, 0))
        bad += [(jn.SLOT_PART, slot) for slot in self.slots.bad]
        if self.trim.open():
            bad.append((jn.TRIM_PART, self.trim.lost))
        for part, detail in bad:
            self._record(now, jn.DAMAGE, part, detail)

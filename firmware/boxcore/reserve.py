"""The ledger on its store: when it is written, and what it says ahead of time.

Budgets are written ahead: a run begins only when the store already says that it runs and has used what it can
use before the next write, so that a power cut can cost budget but never give it back. Nothing plays here.
"""

from boxcore import journal as jn
from boxcore import ledger as lg
from boxcore import states as st

SAVE_TICKS = 100_000  # the ledger is written every 10 s of a run: what `continue` may play twice
RESERVE_TICKS = 150_000  # written ahead: SAVE_TICKS and half as much, so that a late write is covered too
LEAD_TICKS = (
    20_000  # the reserve is written up to 2 s before a run begins: no write then delays the first edge
)
RETRY_TICKS = 100_000  # a store that failed is tried again after 10 s

PHASES = {
    st.IDLE: lg.NONE,
    st.LEVEL: lg.NONE,
    st.WAITING: lg.WAITING,
    st.RUNNING: lg.RUNNING,
    st.HOLDING: lg.RUNNING,
    st.ENDED: lg.ENDED,
    st.TRIPPED: lg.TRIPPED,
}
STANDING = {lg.TRIPPED: st.TRIPPED, lg.ENDED: st.ENDED}  # what a power loss doesn't take back


class Reserve:
    """ledger: the ledger.Ledger as it was written last; due: the tick at which save() is to be called;
    covered: what was written says that the run runs, with a reserve."""

    def __init__(self, store):
        self._store = store
        self.ledger = lg.Ledger()
        self.covered = False
        self.due = jn.LATER

    def open(self):
        """Load at power-up and count the boot; True where there is a file that is damaged."""
        self.ledger, damaged = lg.load(self._store)
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
        ledger.fault = box.fault if ledger.phase in (lg.ENDED, lg.TRIPPED) else st.NO_FAULT
        if run is not None:
            if ledger.phase == lg.WAITING and self.is_lead(now, run):
                ledger.phase = lg.RUNNING
            self._account(ledger, now, run, box.player.mas)
        try:
            lg.save(self._store, ledger)
        except OSError as error:
            self.due = now + RETRY_TICKS
            raise st.BoxError(-250, "the store failed: %s" % error) from None
        self.due = now + SAVE_TICKS if state in (st.RUNNING, st.HOLDING) else jn.LATER
        self.covered = ledger.phase == lg.RUNNING

    def _account(self, ledger, now, run, mas):
        ahead = RESERVE_TICKS if ledger.phase == lg.RUNNING else 0
        ledger.by, ledger.serial, ledger.run = run.by, run.serial, run.number
        ledger.slot = lg.NO_SLOT if run.slot is None else run.slot
        ticks, used_mas = run.used(now, mas)
        ledger.used_ticks = ticks + ahead
        ledger.used_mas = used_mas + run.most_mas(ahead)
        ledger.position_ticks = run.position(now)

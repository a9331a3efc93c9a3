"""What the box keeps: its state, the armed run, ledger and journal, and how a boot brings them back.

The bookkeeping of every change of state that a request, a fault or a power loss causes; engine.py moves the
rest with time. Nothing here closes a switch.

Budgets are written ahead: a run begins only when the ledger already says that it runs and has used what it
can use before the next write, so that a power cut can cost budget but never give it back.
"""

from boxcore import guard as gd
from boxcore import journal as jn
from boxcore import ledger as lg
from boxcore import port
from boxcore import program as pg
from boxcore import states as st
from boxcore.bank import Bank
from boxcore.lock import Lock
from boxcore.memory import Buffers
from boxcore.player import Player
from boxcore.run import Run
from boxcore.slots import Slots
from boxcore.slowmean import SlowMean
from boxcore.states import BoxError
from boxcore.trim import Trim

SAVE_TICKS = 100_000  # the ledger is written every 10 s of a run: what `continue` may play twice
RESERVE_TICKS = 150_000  # written ahead: SAVE_TICKS and half as much, so that a late write is covered too
LEAD_TICKS = (
    20_000  # the reserve is written up to 2 s before a run begins: no write then delays the first edge
)
RETRY_TICKS = 100_000  # a store that failed is tried again after 10 s
SETTLE_TICKS = 5_000  # after a boot the arm switch is believed after 0.5 s: until then its contacts settle

PHASES = {
    st.IDLE: lg.NONE,
    st.LEVEL: lg.NONE,
    st.WAITING: lg.WAITING,
    st.RUNNING: lg.RUNNING,
    st.HOLDING: lg.RUNNING,
    st.ENDED: lg.ENDED,
    st.TRIPPED: lg.TRIPPED,
}


class Keeper:
    """The state and its bookkeeping; see engine.Engine for what moves it and box.Box for what is asked of it.

    state: one of states.STATES; run_account: the run.Run that is armed, playing or was last since boot, else
    None; fault: what holds, tripped or ended it; flagged: a fault that is only shown; deadline: when step()
    is due.
    """

    def __init__(self, board, store, hal, serial, journal_files=jn.FILES, buffers=None):
        buffers = buffers or Buffers()
        self.board = board
        self.serial = serial
        self.bank = Bank(board.channels_ns)
        self.slots = Slots(store, buffers)
        self.journal = jn.Journal(store, journal_files, buffers.journal)
        self.ledger = lg.Ledger()
        self.lock = Lock(store, hal.random, self._record)
        self.trim = Trim(store, board.channels_ns)
        self.readings = port.Readings()
        self.slow_supply = SlowMean()
        self.state = st.IDLE
        self.run_account = None
        self.fault = self.flagged = st.NO_FAULT
        self.deadline = 0
        self.hand_ua = board.own_ua  # what a hand level is set to, while none plays too
        self.hand_ticks = 0  # and how long it lasts, 0: until halted
        self._store = store
        self._hal = hal
        self._player = Player(hal, self.bank, board.own_ua, self.journal)
        self._monitor = gd.Monitor(self.bank)
        self._covered = False  # the ledger on the store says that the run runs, with a reserve
        self._save_at = jn.LATER
        self._seek_ticks = 0
        self._lost_since = None
        self._arm_was = self._arm_wanted = False
        self._panel_from = 0

    def boot(self, now, readings, cause=0):
        """Load slots and state, journal the boot, apply the resume rule; cause: the hardware's reset cause.

        Nothing plays before step(). Damaged files are journaled and lead to no load."""
        self._hal.stop()
        self.readings = readings
        self.ledger, damaged = lg.load(self._store)
        self.slots.scan(max(self.ledger.serials))
        self.ledger.boot += 1
        boot = self.ledger.boot
        unreadable = self.journal.open(boot)
        lost = jn.BUFFER_RECORDS if boot > 1 or damaged else 0
        self.journal.add(now, jn.BOOT, cause, lost, boot, readings.supply_mv)
        self._report_damage(now, damaged, unreadable, self.lock.open(now, boot))
        self._load_trim(now)
        self._arm_was = readings.arm
        self._panel_from = now + SETTLE_TICKS
        self._resume(now)
        self._save_or_trip(now)
        self.deadline = now

    def _report_damage(self, now, ledger, journal, lock):
        if ledger:
            self._record(now, jn.DAMAGE, jn.LEDGER_PART)
        if journal:
            self._record(now, jn.DAMAGE, jn.JOURNAL_PART)
        if lock:
            self._record(now, jn.DAMAGE, jn.LOCK_PART)
        for slot in self.slots.bad:
            self._record(now, jn.DAMAGE, jn.SLOT_PART, slot)

    def _load_trim(self, now):
        if self.trim.open():
            self._record(now, jn.DAMAGE, jn.TRIM_PART, self.trim.lost)
        self._use_trim()

    def _use_trim(self):
        """Predict every current by what the trim knows of the bank, the supply as it corrects it."""
        if self.trim.channels_ns != self.bank.channels_ns:
            self.bank.use(self.trim.channels_ns)
            self._player.forget()
        self._hal.trim_supply(self.trim.supply_ppm)

    def _resume(self, now):
        ledger = self.ledger
        if ledger.phase in (lg.TRIPPED, lg.ENDED):
            self.state = st.TRIPPED if ledger.phase == lg.TRIPPED else st.ENDED
            self.fault = ledger.fault
        if ledger.phase not in (lg.WAITING, lg.RUNNING):
            return
        info = self.slots.infos[ledger.slot]
        if info is None or info.serial != ledger.serial:
            self._record(now, jn.DAMAGE, jn.SLOT_PART, ledger.slot)
            self._record(now, jn.HALT, st.BY_RESUME)
            return
        try:
            program = self.slots.load(ledger.slot)
        except BoxError:
            self._record(now, jn.DAMAGE, jn.SLOT_PART, ledger.slot)
            self._record(now, jn.HALT, st.BY_RESUME)
            return
        run = Run(program, ledger.slot, ledger.serial, ledger.run, ledger.by, self.board, self.bank)
        run.used_ticks = ledger.used_ticks
        run.used_mas = ledger.used_mas
        self.run_account = run
        self._come_back(now, ledger.phase == lg.RUNNING, ledger.position_ticks)

    def _come_back(self, now, begun, position_ticks):
        """Wait for the start rule once more, as the program's resume rule says."""
        program = self.run_account.program
        if begun and program.resume == pg.RESUME_STAY_OFF:
            self.state = st.IDLE
            self._record(now, jn.HALT, st.BY_RESUME)
            return
        quiet_ticks = program.resume_after_ticks if begun else 0
        if self.run_account.by == st.BY_PANEL and not self.readings.arm:
            quiet_ticks = max(quiet_ticks, 2 * SETTLE_TICKS)  # the switch may not have settled yet
        position = position_ticks if begun and program.resume == pg.RESUME_CONTINUE else 0
        self._record(now, jn.ARM, self.run_account.slot, self.run_account.number, st.BY_RESUME)
        self._wait(now, quiet_ticks, position)

    def _wait(self, now, quiet_ticks, position_ticks):
        run = self.run_account
        run.wait(now, self.readings, quiet_ticks, position_ticks)
        self.state = st.WAITING
        self.fault = st.NO_FAULT
        self._lost_since = None
        self._seek_ticks = position_ticks
        self._player.begin(run.schedule(), now, run.left_mas())
        self._monitor.reset()
        self.deadline = now

    def _arm(self, now, slot, by):
        st.next_state(self.state, "arm")
        program = self.slots.load(slot)
        serial = self.slots.infos[slot].serial
        ledger = lg.copy(self.ledger)
        number = ledger.count_run(slot, serial)
        run = Run(program, slot, serial, number, by, self.board, self.bank)
        before = self.run_account, self.state, self.ledger, self.fault
        self.run_account, self.state, self.ledger, self.fault = run, st.WAITING, ledger, st.NO_FAULT
        run.wait(now, self.readings, 0, 0)
        try:
            self._save(now)
        except OSError as error:
            self.run_account, self.state, self.ledger, self.fault = before
            raise BoxError(-250, "the store failed: %s" % error) from None
        self.flagged = st.NO_FAULT
        self._record(now, jn.ARM, slot, number, by)
        self._wait(now, 0, 0)

    def _save(self, now):
        """Write the ledger; raises OSError where the store fails."""
        ledger = self.ledger
        self._compose(ledger, now)
        self._save_at = now + SAVE_TICKS if self.state in (st.RUNNING, st.HOLDING) else jn.LATER
        lg.save(self._store, ledger)
        self._covered = ledger.phase == lg.RUNNING

    def _compose(self, ledger, now):
        run = self.run_account
        ledger.phase = PHASES[self.state]
        ledger.fault = self.fault if ledger.phase in (lg.ENDED, lg.TRIPPED) else st.NO_FAULT
        if run is None:
            return
        ahead = 0
        if ledger.phase == lg.RUNNING or (ledger.phase == lg.WAITING and self._soon(now)):
            ledger.phase = lg.RUNNING
            ahead = RESERVE_TICKS
        ledger.slot = lg.NO_SLOT if run.slot is None else run.slot
        ledger.by, ledger.serial, ledger.run = run.by, run.serial, run.number
        ticks, mas = run.used(now, self._player.mas)
        ledger.used_ticks = ticks + ahead
        ledger.used_mas = mas + run.most_mas(ahead)
        ledger.position_ticks = run.position(now)

    def _soon(self, now):
        due = self.run_account.rule.due()
        return due is not None and due - now <= LEAD_TICKS

    def _save_or_trip(self, now):
        try:
            self._save(now)
        except OSError:
            if self.state in st.PLAYING or self.state == st.WAITING:
                self._hal.stop()
                self._open(now, st.STORAGE_BAD)
            self._save_at = now + RETRY_TICKS

    def _record(self, now, kind, arg=0, value=0, pattern=0):
        self.journal.add(now, kind, arg, pattern, value, self.readings.supply_mv)

    def _open(self, now, fault):
        """The bookkeeping after the switches were opened for `fault`."""
        event = st.FAULTS[fault][1]
        if self.state == st.LEVEL:
            event = "trip"  # nobody waits for a hand level to come back by itself
        elif self.state == st.HOLDING and event == "hold":
            self.fault = fault
            return
        after = st.next_state(self.state, event)
        pattern = self._player.pattern
        if self.state != st.WAITING:
            self._player.stop(now)
        if after == st.TRIPPED:
            self.run_account.close(now, self._player.mas)
        self.state = after
        self.fault = fault
        self._record(now, jn.HOLD if event == "hold" else jn.TRIP, fault, self._reading(fault), pattern)
        self._save_at = self.deadline = now

    def _reading(self, fault):
        readings = self.readings
        if fault == st.BANK_HOT or (fault == st.SENSOR_BAD and readings.bank_cdeg < gd.SENSOR_LOW_CDEG):
            return readings.bank_cdeg
        if fault == st.BOARD_HOT or fault == st.SENSOR_BAD:  # no tuple: nothing is allocated here
            return readings.board_cdeg
        return readings.bank_ua if fault == st.OVER_CURRENT else readings.supply_mv

    def _halt(self, now, by):
        self._hal.stop()
        if self.state in st.PLAYING:
            self._player.stop(now)
            self.run_account.close(now, self._player.mas)
        if self.state != st.IDLE:
            self._record(now, jn.HALT, by)
            self._save_at = now
        self.state = st.next_state(self.state, "halt")
        self.fault = self.flagged = st.NO_FAULT
        self.deadline = now

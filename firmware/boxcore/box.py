"""The box's state machine: readings, time and requests come in, switches open or close, a deadline goes out.

One class walks the table of moves in states.py. sense() can only open switches; step() alone may close them:
they are called from one loop, never one inside the other. A request asks permission first and changes state
second; a refused one raises BoxError and changes nothing. No clock is read and no pin touched here.

What has a reason of its own to change has a module of its own: budgets and the store in ledger, an armed
program in run, edges in player, readings in guard; slots, journal, lock and trim serve the commands straight.
"""

from boxcore import guard as gd
from boxcore import journal as jn
from boxcore import ledger as lg
from boxcore import port
from boxcore import program as pg
from boxcore import run as rn
from boxcore import states as st
from boxcore.bank import Bank
from boxcore.ledger import RETRY_TICKS, SAVE_TICKS, STANDING, Kept
from boxcore.panel import ArmSwitch
from boxcore.player import AGAIN_TICKS, Player
from boxcore.schedule import Schedule
from boxcore.states import BoxError

PRIME_TICKS = 4_000  # the queue is filled up to 0.4 s before a start: that takes 0.3 s at most
IDLE_TICKS = 50_000  # with nothing to do step() asks to be called again after 5 s
WAIT_TICKS = 1_000  # while waiting for a start or a release: 0.1 s, should a shell overlook a new deadline


class Box(Kept):
    """One box on one store, see Kept, and one hal.

    state: one of states.STATES; run_account: the run.Run that is armed, playing or was last since boot, else
    None; fault: what holds, tripped or ended it; flagged: a fault that is only shown; deadline: when step()
    is due; hand_ua, hand_ticks: what a hand level is set to, and how long it lasts (0: until halted).
    """

    def __init__(self, board, store, hal, serial, journal_files=jn.FILES, buffers=None):
        buffers = buffers or port.Buffers()
        super().__init__(store, board.channels_ns, hal.random, journal_files, buffers)
        self.board = board
        self.serial, self.hal = serial, hal
        self.bank = Bank(board.channels_ns)
        self.answer = buffers.answer
        self.state = st.IDLE
        self.run_account = None
        self.fault = self.flagged = st.NO_FAULT
        self.deadline = self._seek_to = 0
        self.hand_ua, self.hand_ticks = board.own_ua, 0
        self.player = Player(hal, self.bank, board.own_ua, self.journal)
        self._monitor = gd.Monitor(self.bank)

    @property
    def slot(self):
        """The slot that is armed or was last, None before and for a hand level."""
        return self.run_account and self.run_account.slot

    @property
    def run(self):
        """Its run number, None where slot is None."""
        return None if self.slot is None else self.run_account.number

    @property
    def run_started(self):
        """The tick of the run's zero, None before it; below 0 where it began before this boot."""
        return None if self.slot is None else self.run_account.zero

    @property
    def level_ua(self):
        """What the circuit sees now by prediction, the box's own consumption included, microamperes."""
        return self.player.true_ua

    def settle(self, now):
        """Account for what has played until `now`, which level_ua and pattern then tell; returns the tick
        since which this pattern has played."""
        player = self.player
        if self.state in st.PLAYING:
            player.settle(min(now, player.at, player.stop_at))
        return player.since

    def boot(self, now, readings, cause=0, whole=True):
        """Load what a run needs, journal the boot, apply the resume rule; cause: the hardware's reset cause;
        whole: the rest at once too, else boot_further() must be called until it says that nothing is left.
        Nothing plays before step(). Damaged files are journaled and lead to no load."""
        self.hal.stop()
        self.readings = readings
        self.load(now, cause)
        self.trim.apply(self.bank, self.hal)
        self._switch = ArmSwitch(self, now, readings.arm)
        self._resume(now)
        self._save_or_trip(now)
        self.deadline = now
        while whole and self.boot_further(now):
            pass

    def boot_further(self, now):
        """Load one thing more, of what no run needs; False when nothing is left: the link may come."""
        self.top_up(now)
        return self.load_further(now)

    def _resume(self, now):
        ledger = self.ledger
        self.state, self.fault = STANDING.get(ledger.phase, st.IDLE), ledger.fault
        if ledger.phase not in (lg.WAITING, lg.RUNNING):
            return
        self.run_account = rn.restored(ledger, self.slots, self.board, self.bank)
        if self.run_account is None:
            self.record(now, jn.DAMAGE, jn.SLOT_PART, ledger.slot)
        self._come_back(now, ledger.phase == lg.RUNNING, ledger.position_ticks)

    def _come_back(self, now, begun, position_ticks):
        """Wait for the start rule once more, as the program's resume rule says; without a program halt."""
        run = self.run_account
        quiet_ticks = None if run is None else run.quiet_ticks(begun, self.readings.arm)
        if quiet_ticks is None:
            self.state = st.IDLE
            self.record(now, jn.HALT, st.BY_RESUME)
            return
        goes_on = begun and run.program.resume == pg.RESUME_CONTINUE
        self.record(now, jn.ARM, run.slot, run.number, st.BY_RESUME)
        self._wait(now, quiet_ticks, position_ticks if goes_on else 0)

    def arm(self, now, slot, by=st.BY_LINK):
        """Arm the program in `slot`: a new run with fresh budgets, which begins when its start rule says.

        Raises BoxError -221 (something is armed, or a trip was not cleared), -282, -311, -250."""
        st.next_state(self.state, "arm")
        program = self.slots.load(slot)
        serial = self.slots.infos[slot].serial
        before = self.run_account, self.state, self.fault
        number = self.ledger.next_run(slot, serial)
        self.run_account = rn.Run(program, slot, serial, number, by, self.board, self.bank)
        self._wait(now)
        try:
            self.ledger.save(now, self)
        except BoxError:
            self.run_account, self.state, self.fault = before
            raise
        self.flagged = st.NO_FAULT
        self.record(now, jn.ARM, slot, number, by)

    def halt(self, now):
        """Open every switch and disarm; always allowed, clears a trip too. Raises BoxError -250 where that
        could not be written down: a power loss would bring the run back."""
        self.disarm(now, st.BY_LINK)
        self.ledger.save_change(now, self)

    def clear(self, now):
        """Acknowledge a trip or an end; raises BoxError -221 while something is armed or plays, -250."""
        after = st.next_state(self.state, "clear")
        if self.state != st.IDLE:
            self.record(now, jn.CLEAR)
        self.state, self.fault, self.flagged = after, st.NO_FAULT, st.NO_FAULT
        self.ledger.save_change(now, self)

    def level(self, now, level_ua, for_ticks=0, only=None):
        """Play one level by hand, the board's caps guarding it, for `for_ticks` (0: until halted); `only`:
        by this pattern alone. What would hold a run trips it.

        Raises BoxError -221 while a program is armed, a trip stands or the supply is out of the caps, -222
        for a level below the box's own consumption or beyond the bank."""
        after = st.next_state(self.state, "level")
        run = rn.by_hand(now, level_ua, for_ticks, self.board, self.bank, self.readings)
        player = self.player
        if self.state == st.LEVEL:
            player.stop(now)
        self.run_account, self.flagged = run, st.NO_FAULT
        self.record(now, jn.LEVEL, 0, level_ua)
        self._take(now, after, 0, only)
        player.rest(now, run.left_ticks())
        zero = player.launch(now, self.readings.supply_mv)
        run.begin(zero)
        player.settle(zero)

    def _take(self, now, state, position_ticks=0, only=None):
        """Enter a state with a new schedule, whose zero was `position_ticks` ago."""
        self.state, self.fault = state, st.NO_FAULT
        self._seek_to = self.deadline = now
        run = self.run_account
        schedule = Schedule(run.program, run.number, self.board.own_ua)
        self.player.begin(schedule, now - position_ticks, run.left_mas(), only)
        self._monitor.reset()

    def _wait(self, now, quiet_ticks=0, position_ticks=0):
        self.run_account.wait(now, self.readings, quiet_ticks, position_ticks)
        self._take(now, st.WAITING, position_ticks)

    def disarm(self, now, by):
        """Open every switch and disarm as halt() does, but written down only by the next step()."""
        self.hal.stop()
        after = st.next_state(self.state, "halt")
        self._close(now)
        if self.state != st.IDLE:
            self.record(now, jn.HALT, by)
            self.ledger.due = now
        self.state, self.deadline = after, now
        self.fault = self.flagged = st.NO_FAULT

    def _close(self, now):
        """Nothing plays from `now` on; what has is accounted for."""
        if self.state in st.PLAYING:
            self.player.stop(now)
            self.run_account.close(now, self.player.mas)

    def _save_or_trip(self, now):
        try:
            self.ledger.save(now, self)
        except BoxError:
            if self.state in st.BUSY:
                self._open(now, st.STORAGE_BAD)
                self.ledger.due = now + RETRY_TICKS

    def sense(self, now, readings):
        """Take readings; a guard that holds or trips opens every switch in this call, first of all."""
        try:
            self.readings = readings
            state = self.state
            if state in st.PLAYING:
                self._check(now, readings, state)
            elif state == st.WAITING:
                self.run_account.look(now, readings)
                self.deadline = now
            self._switch.sense(now, readings.arm)
            if self.slow_supply is not None:
                self.slow_supply.take(now, readings.supply_mv)
        except BaseException:
            self.hal.stop()
            raise

    def _check(self, now, readings, state):
        fault = self.run_account.guard.check(now, readings)
        if fault:
            if state != st.HOLDING or fault != self.fault:
                self._open(now, fault)
        elif state == st.HOLDING:
            self.deadline = now
        if readings.bank_ua != port.NOT_MEASURED and self.state in st.PLAYING:
            self._compare(now, readings)
        run = self.run_account
        if run.guard.is_lost(now, readings.supply_mv) and self.state == st.HOLDING:
            self._close(now)
            self.record(now, jn.GONE, 0, run.position_ticks)
            self.state = st.next_state(self.state, "lost")
            self._come_back(now, True, run.position_ticks)
            self.ledger.due = now

    def _compare(self, now, readings):
        player = self.player
        # A queue that ran dry has opened the switches: only a current that is too high tells anything then.
        is_dry = self.state in st.DRAWING and now > player.at
        if now >= player.next_edge() and not is_dry:
            player.settle(now)
        fault = self._monitor.check(readings, player.pattern, 0 if is_dry else now - player.since)
        if fault == st.OVER_CURRENT:
            self._open(now, fault)
        elif fault and not self.flagged:
            self.flagged = fault
            self.record(now, jn.FLAG, fault, readings.bank_ua, player.pattern)

    def _open(self, now, fault):
        """Open every switch for `fault`, first of all, and do the bookkeeping."""
        self.hal.stop()
        event = st.FAULTS[fault][1]
        if self.state == st.LEVEL:
            event = "trip"  # nobody waits for a hand level to come back by itself
        elif self.state == st.HOLDING and event == "hold":
            self.fault = fault
            return
        after = st.next_state(self.state, event)
        pattern = self.player.pattern
        if self.state != st.WAITING:
            self.player.stop(now)
        if after == st.TRIPPED:
            self.run_account.close(now, self.player.mas)
        self.state, self.fault = after, fault
        kind = jn.HOLD if event == "hold" else jn.TRIP
        self.record(now, kind, fault, gd.reading(fault, self.readings), pattern)
        self.ledger.due = self.deadline = now

    def step(self, now):
        """Start what is due, refill the queue, end what is used up, write one thing to the store; returns the
        tick by which to call again (sense() and requests may bring `deadline` forward)."""
        try:
            self._switch.step(now)
            self.deadline = STEPS[self.state](self, now)
            if now >= min(self.journal.due, self.ledger.due):  # one write a step, never two in a row
                self.top_up(now)
                self._save_or_trip(now) if now >= self.ledger.due else self.journal.flush(now)
            due = min(self.journal.due, self.ledger.due)
            if due < self.deadline:
                self.deadline = max(due, now + 1)
            return self.deadline
        except BaseException:
            self.hal.stop()
            raise

    def top_up(self, now):
        """Have the edge queue full, before something that may stall the processor for 0.4 s."""
        if self.state in st.DRAWING:
            self.deadline = min(self.deadline, self.player.refill(now, self.readings.supply_mv, True))

    def _step_quiet(self, now):
        return now + IDLE_TICKS

    def _step_waiting(self, now):
        if not self.player.catch_up(self._seek_to):
            return now + 1
        if self.ledger.is_lead(now, self.run_account) != (self.ledger.phase == lg.RUNNING):
            self.ledger.due = min(self.ledger.due, now)
            return now + 1
        due = self.run_account.due()
        if due is not None and now >= due:
            return self._begin(now)
        if due is None or due - now > PRIME_TICKS:
            self.empty_queue(now)
            return now + WAIT_TICKS
        if not self.player.primed:
            self.player.rest(now, self.run_account.left_ticks())
            self.player.prime(now, self.readings.supply_mv)
        return due

    def empty_queue(self, now):
        """Forget what is queued for a start that is not due so soon after all, or to lend the switches."""
        if self.state == st.WAITING and self.player.primed:  # a halt leaves it primed, and nothing waits then
            self._take(now, st.WAITING, self.run_account.position_ticks)

    def _begin(self, now):
        """The run's zero, or its continuation: the start rule is satisfied at this instant."""
        run, player = self.run_account, self.player
        fault = run.used_up()
        if fault:
            return self._finish(now, now, fault)
        self.state = st.next_state(self.state, "start")
        self.ledger.due = now + SAVE_TICKS
        fault = run.guard.check(now, self.readings)
        if fault or not player.primed:
            player.rest(now, run.left_ticks())
        zero = now if fault else player.launch(now, self.readings.supply_mv)
        self.record(zero, jn.START, run.slot, run.position_ticks, run.number & 0xFFFF)
        run.begin(zero)
        if fault:
            self._open(now, fault)
            return now + 1
        return player.refill(zero, self.readings.supply_mv)

    def _step_playing(self, now):
        player = self.player
        wake = player.go_on(now, self.readings.supply_mv)
        if player.outrun:
            self._open(now, st.TOO_FAST)
            return now + 1
        return wake if now < player.stop_at else self._finish(now, player.stop_at, player.stop_fault)

    def _step_holding(self, now):
        player = self.player
        player.settle(min(now, player.stop_at))
        if player.mas >= self.run_account.left_mas():
            return self._finish(now, now, st.CHARGE_USED)
        if now >= player.stop_at:
            return self._finish(now, player.stop_at, st.TIME_USED)
        caught_up = player.catch_up(now + AGAIN_TICKS)
        if self.run_account.guard.held or not caught_up:
            return min(now + (WAIT_TICKS if caught_up else 1), player.stop_at)
        self.state, self.fault = st.next_state(self.state, "release"), st.NO_FAULT
        self.record(now, jn.RELEASE)
        player.launch(now, self.readings.supply_mv)
        return player.refill(now, self.readings.supply_mv)

    def _finish(self, now, tick, fault):
        """End the run as of `tick`: a budget, or a hand level's time, is used up."""
        run, after = self.run_account, st.next_state(self.state, "end")
        self.hal.stop()
        self._close(tick)
        self.state = after
        self.fault = fault if after == st.ENDED else st.NO_FAULT
        self.record(tick, jn.END, fault, run.used_ticks if fault == st.TIME_USED else run.used_mas)
        self.ledger.due = now
        return now + 1


STEPS = {
    st.IDLE: Box._step_quiet,
    st.ENDED: Box._step_quiet,
    st.TRIPPED: Box._step_quiet,
    st.WAITING: Box._step_waiting,
    st.RUNNING: Box._step_playing,
    st.LEVEL: Box._step_playing,
    st.HOLDING: Box._step_holding,
}

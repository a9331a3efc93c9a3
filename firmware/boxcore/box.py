"""The box: the state machine that ties program, schedule, player, guards, ledger and journal together.

Time and readings come in, the next deadline goes out; no clock and no pin is touched here. sense() can only
open switches; step() alone may close them. sense() and step() are called from one loop, never one inside the
other. A request asks permission first and changes state second.

Budgets are written ahead: while a program is armed the ledger holds more than what was used, by what can be
used before it is written next, so that a power cut can only cost budget, never give it back.
"""

from boxcore import guard as gd
from boxcore import journal as jn
from boxcore import ledger as lg
from boxcore import port, schedule
from boxcore import program as pg
from boxcore import states as st
from boxcore.bank import Bank
from boxcore.player import Player
from boxcore.slots import Slots
from boxcore.states import BoxError

IDLE_TICKS = 50_000  # with nothing to do step() asks to be called again after 5 s
WAIT_TICKS = 1_000  # while waiting for a start or a release: 0.1 s, should a shell overlook a new deadline
SAVE_TICKS = 100_000  # the ledger is written every 10 s of a run: what `continue` may play twice
RUN_RESERVE_TICKS = 150_000  # written ahead during a run: SAVE_TICKS and the longest delay of a write
WAIT_RESERVE_TICKS = 20_000  # written ahead while waiting: a run's first ledger follows its start within 2 s
RETRY_TICKS = 100_000  # a ledger that could not be written is tried again after 10 s
PANEL_TICKS = 500  # the arm switch must be on for 50 ms: contacts bounce for 10
HAND_PROGRAM = "hand"  # the name a hand level has inside
STORAGE_CHECK = 100  # selftest numbers from here are storage and board, see selftest()
NO_SUPPLY_CHECK = 110
PROBE_ZERO_UA = 500  # with every switch open the monitor reads less than this
PROBE_PERCENT = 5  # a channel is good within this and PROBE_ZERO_UA: resistor and monitor tolerances together


class Box:
    """One box on one store and one hal; see boot(), sense(), step() and the requests.

    state: one of states.STATES; slot, run: what is armed or was last (None before); run_started: the tick of
    the run's zero, None before; readings: the last given; deadline: when step() is due.
    """

    def __init__(self, board, store, hal, serial, journal_files=jn.FILES):
        self.board = board
        self.serial = serial
        self.bank = Bank(board.channels_ns)
        self.slots = Slots(store)
        self.journal = jn.Journal(store, journal_files)
        self.ledger = lg.Ledger()
        self.readings = port.Readings()
        self.state = st.IDLE
        self.slot = None
        self.run = None
        self.run_started = None
        self.fault = st.NO_FAULT
        self.flagged = st.NO_FAULT
        self.deadline = 0
        self._store = store
        self._hal = hal
        self._player = Player(hal, self.bank, board.own_ua, self.journal)
        self._monitor = gd.Monitor(self.bank)
        self._set_program(None, 0)
        self._arm_was = False
        self._arm_since = None
        self._lost_since = None
        self._save_at = jn.LATER

    # -- what others read ------------------------------------------------------------------------------

    @property
    def operation(self):
        """The OPERation condition bits."""
        return st.OPERATION.get(self.state, 0)

    @property
    def questionable(self):
        """The QUEStionable condition bits: what holds, tripped or ended the run, and flagged switches."""
        return st.question_bit(self.fault) | st.question_bit(self.flagged)

    @property
    def level_ua(self):
        """What the circuit sees now by prediction, the box's own consumption included, microamperes."""
        return self._player.true_ua

    @property
    def pattern(self):
        """The switch pattern that plays now, as far as step() has settled it."""
        return self._player.pattern

    @property
    def program(self):
        """The armed Program, or None."""
        return self._program

    def used(self, now):
        """(ticks, mas) of the run-time and charge budgets used until `now`, all boots together."""
        if self.state in (st.IDLE, st.LEVEL):
            return 0, 0
        ticks = self._base_ticks
        if self.state in (st.RUNNING, st.HOLDING):
            ticks += now - self._span_start
        return ticks, self._base_mas + self._player.mas

    # -- boot ------------------------------------------------------------------------------------------

    def boot(self, now, readings, cause=0):
        """Load slots and state, journal the boot, apply the resume rule; cause: the hardware's reset cause.

        Nothing plays before step(). Damaged files are journaled and lead to no load."""
        self._hal.stop()
        self.readings = readings
        self.ledger, damaged = lg.load(self._store)
        self.slots.scan(max(self.ledger.serials))
        self.ledger.boot += 1
        self.journal.open(self.ledger.boot)
        lost = jn.BUFFER_RECORDS if self.ledger.phase in (lg.WAITING, lg.RUNNING) or damaged else 0
        self.journal.add(now, jn.BOOT, cause, lost, self.ledger.boot, readings.supply_mv)
        if damaged:
            self.journal.add(now, jn.DAMAGE, 1)
        for slot in self.slots.bad:
            self.journal.add(now, jn.DAMAGE, 2, 0, slot)
        self._arm_was = readings.arm
        self._resume(now, readings)
        self._save(now)
        self.deadline = now

    def _resume(self, now, readings):
        ledger = self.ledger
        if ledger.phase == lg.NONE:
            return
        self.slot = ledger.slot
        self.run = ledger.run
        self.fault = ledger.fault
        self._base_ticks = ledger.used_ticks
        self._base_mas = ledger.used_mas
        if ledger.phase in (lg.TRIPPED, lg.ENDED):
            self.state = st.TRIPPED if ledger.phase == lg.TRIPPED else st.ENDED
            return
        info = self.slots.infos[ledger.slot]
        switched_off = ledger.by == st.BY_PANEL and not readings.arm
        if info is None or info.serial != ledger.serial or switched_off:
            self._disarm(now, st.BY_PANEL if switched_off else st.BY_RESUME)
            return
        self._set_program(self.slots.load(ledger.slot), ledger.serial)
        self._base_ticks = ledger.used_ticks
        self._base_mas = ledger.used_mas
        self._come_back(now, ledger.phase == lg.RUNNING, ledger.position_ticks)

    def _come_back(self, now, begun, position_ticks):
        """Wait for the start rule once more, as the program's resume rule says."""
        program = self._program
        if begun and program.resume == pg.RESUME_STAY_OFF:
            self._disarm(now, st.BY_RESUME)
            return
        self.state = st.WAITING
        self.journal.add(now, jn.ARM, self.slot, st.BY_RESUME, self.run, self.readings.supply_mv)
        position = position_ticks if begun and program.resume == pg.RESUME_CONTINUE else 0
        self._wait_for_start(now, program.resume_after_ticks if begun else 0, position)

    def _disarm(self, now, by):
        self.state = st.IDLE
        self.fault = st.NO_FAULT
        self._set_program(None, 0)
        self.journal.add(now, jn.HALT, by, 0, 0, self.readings.supply_mv)

    # -- the armed program -----------------------------------------------------------------------------

    def _set_program(self, program, serial):
        self._program = program
        self._serial = serial
        self._limits = gd.Limits(self.board.caps, program)
        self._guard = gd.Guard(self._limits)
        self._base_ticks = self._base_mas = 0
        self._span_start = 0
        self._rule = None
        self._seek_ticks = self._position_ticks = 0
        self._peak_ua = 0 if program is None else peak_ua(program, self.board.own_ua, self.bank)

    def _wait_for_start(self, now, quiet_ticks, position_ticks):
        program = self._program
        self._guard = gd.Guard(self._limits)
        self.fault = st.NO_FAULT
        self._lost_since = None
        self.run_started = None
        self._position_ticks = position_ticks
        self._seek_ticks = position_ticks
        plan = schedule.Schedule(program, self.run, self.board.own_ua)
        self._player.begin(plan, now, self._limits.charge_mas - self._base_mas)
        self._rule = gd.StartRule(program, quiet_ticks)
        self._rule.update(now, self.readings)
        self.deadline = now

    def _save(self, now):
        """Write the ledger; raises OSError where the store fails."""
        ledger = self.ledger
        ledger.phase = PHASES[self.state]
        if ledger.phase != lg.NONE:
            ledger.slot = self.slot
            ledger.run = self.run
        ledger.fault = self.fault if ledger.phase in (lg.ENDED, lg.TRIPPED) else st.NO_FAULT
        ledger.serial = self._serial
        ticks, mas = self.used(now)
        ahead = RESERVES[self.state]
        ledger.used_ticks = ticks + ahead
        ledger.used_mas = mas + (1 + self._peak_ua * ahead // (1000 * pg.TICKS_PER_S) if ahead else 0)
        ledger.position_ticks = self._position(now)
        self._save_at = now + SAVE_TICKS if self.state in (st.RUNNING, st.HOLDING) else jn.LATER
        lg.save(self._store, ledger)

    def _position(self, now):
        if self.run_started is None or self.state not in (st.RUNNING, st.HOLDING):
            return self._position_ticks
        return now - self.run_started

    # -- sense: may open, never close ------------------------------------------------------------------

    def sense(self, now, readings):
        """Take readings; a guard that holds or trips opens every switch in this call, first of all."""
        try:
            self.readings = readings
            state = self.state
            if state in st.PLAYING:
                self._check(now, readings, state)
            elif state == st.WAITING:
                self._rule.update(now, readings)
                self.deadline = min(self.deadline, now + WAIT_TICKS)
            if readings.arm != self._arm_was or self._arm_since is not None:
                self._panel(now, readings.arm)
        except BaseException:
            self._hal.stop()
            raise

    def _check(self, now, readings, state):
        fault = self._guard.check(now, readings)
        if fault:
            if state != st.HOLDING or fault != self.fault:
                self._hal.stop()
                self._open(now, fault)
        elif state == st.HOLDING:
            self.deadline = now
        if readings.bank_ua != port.NOT_MEASURED and self.state in st.PLAYING:
            self._compare(now, readings)
        if readings.supply_mv >= gd.PRESENT_MV:
            self._lost_since = None
        elif self.state == st.HOLDING:
            self._lose(now)

    def _compare(self, now, readings):
        player = self._player
        if now >= player.next_edge():
            player.settle(now)
        predicted_ua = player.true_ua - self.board.own_ua
        fault = self._monitor.check(readings, predicted_ua, now - player.since)
        if fault == st.OVER_CURRENT:
            self._hal.stop()
            self._open(now, fault)
        elif fault and not self.flagged:
            self.flagged = fault
            self._record(now, jn.FLAG, fault, readings.bank_ua, player.pattern)

    def _open(self, now, fault):
        """Bookkeeping after the switches were opened for `fault`."""
        event = st.FAULTS[fault][1]
        if self.state == st.LEVEL or (self.state == st.HOLDING and event == "hold"):
            event = "trip" if self.state == st.LEVEL else None
        pattern = self._player.pattern
        self._player.stop(now)
        if event is None:
            self.fault = fault
            return
        ticks, _ = self.used(now)
        self.state = st.next_state(self.state, event)
        self.fault = fault
        if self.state == st.TRIPPED:
            self._base_ticks = ticks
        self._record(now, jn.HOLD if event == "hold" else jn.TRIP, fault, self._reading(fault), pattern)
        self._save_at = self.deadline = now

    def _reading(self, fault):
        readings = self.readings
        if fault == st.BANK_HOT or (fault == st.SENSOR_BAD and readings.bank_cdeg < gd.SENSOR_LOW_CDEG):
            return readings.bank_cdeg
        if fault in (st.BOARD_HOT, st.SENSOR_BAD):
            return readings.board_cdeg
        if fault == st.OVER_CURRENT:
            return readings.bank_ua
        return readings.supply_mv

    def _record(self, now, kind, arg=0, value=0, pattern=0):
        self.journal.add(now, kind, arg, pattern, value, self.readings.supply_mv)

    def _lose(self, now):
        """Held with the supply gone: after a while that is a power loss, whatever USB says."""
        if self._lost_since is None:
            self._lost_since = now
        elif now - self._lost_since >= gd.LOST_TICKS:
            position = self._position(now)
            self._player.settle(now)
            self._base_ticks, self._base_mas = self.used(now)
            self.state = st.next_state(self.state, "lost")
            self._record(now, jn.GONE, 0, position)
            self._come_back(now, True, position)
            self._save_at = now

    def _panel(self, now, on):
        if not on:
            self._arm_since = None
            if self._arm_was and self.state != st.IDLE:
                self._halt(now, st.BY_PANEL)
                self._save_at = now
            self._arm_was = False
        elif self._arm_since is None and not self._arm_was:
            self._arm_since = now
            self.deadline = min(self.deadline, now + PANEL_TICKS)

    # -- step: may close -------------------------------------------------------------------------------

    def step(self, now):
        """Start what is due, refill the queue, end what is used up, write one thing to the store; returns the
        tick by which to call again (sense() and requests may bring `deadline` forward)."""
        try:
            if self._arm_since is not None:
                self._arm_by_panel(now)
            self.deadline = STEPS[self.state](self, now)
            due = min(self.journal.due, self._save_at)
            if now >= due:
                self._write(now)
                due = min(self.journal.due, self._save_at)
            if due < self.deadline:
                self.deadline = max(due, now + 1)
            return self.deadline
        except BaseException:
            self._hal.stop()
            raise

    def _write(self, now):
        """One write to the store, with a full queue: it may stall the processor for 0.4 s."""
        if self.state in (st.RUNNING, st.LEVEL):
            self.deadline = self._player.refill(now, self.readings.supply_mv, True)
        if now < self._save_at:
            self.journal.flush(now)
            return
        try:
            self._save(now)
        except OSError:
            if self.state in st.PLAYING:
                self._hal.stop()
                self._open(now, st.STORAGE_BAD)
            self._save_at = now + RETRY_TICKS

    def _arm_by_panel(self, now):
        if now - self._arm_since < PANEL_TICKS:
            return
        self._arm_since = None
        self._arm_was = True
        if self.state in (st.IDLE, st.ENDED):
            try:
                self._arm(now, self.readings.selector, st.BY_PANEL)
            except BoxError as error:
                self._record(now, jn.REFUSED, self.readings.selector, -error.code)

    def _step_quiet(self, now):
        return now + IDLE_TICKS

    def _step_waiting(self, now):
        if self._seek_ticks:
            self._seek_ticks -= self._seek()
            return now + 1
        due = self._rule.due()
        if due is None or now < due:
            return now + WAIT_TICKS if due is None else min(due, now + WAIT_TICKS)
        return self._begin(now)

    def _seek(self):
        plan = self._player.schedule
        done = 0
        for _ in range(SEEK_SEGMENTS):
            if done >= self._seek_ticks:
                break
            done += plan.take(self._seek_ticks - done)
        return done

    def _begin(self, now):
        """The run's zero, or its continuation: the start rule is satisfied at this instant."""
        left = self._limits.run_ticks - self._base_ticks
        player = self._player
        if left <= 0 or self._base_mas >= self._limits.charge_mas:
            return self._finish(now, st.TIME_USED if left <= 0 else st.CHARGE_USED)
        self.state = st.next_state(self.state, "start")
        self.run_started = now - self._position_ticks
        self._span_start = now
        self._save_at = now
        self._record(now, jn.START, self.slot, self._position_ticks, self.run & 0xFFFF)
        player.stop_at = now + left
        player.stop_fault = st.TIME_USED
        player.at = now
        fault = self._guard.check(now, self.readings)
        if fault:
            self._hal.stop()
            self._player.rest(now)
            self._open(now, fault)
            return now + 1
        player.start(now, self.readings.supply_mv)
        return player.refill(now, self.readings.supply_mv)

    def _step_playing(self, now):
        player = self._player
        supply_mv = self.readings.supply_mv
        if player.starved(now):
            if now < player.stop_at:
                player.start(now, supply_mv)
        else:
            player.settle(now if now < player.stop_at else player.stop_at)
        if now >= player.stop_at:
            return self._finish(player.stop_at, player.stop_fault)
        wake = player.refill(now, supply_mv)
        return wake if wake < player.stop_at else player.stop_at

    def _step_holding(self, now):
        player = self._player
        if now >= player.stop_at:
            player.settle(player.stop_at)
            return self._finish(player.stop_at, st.TIME_USED)
        player.settle(now)
        if player.spent():
            return self._finish(now, st.CHARGE_USED)
        caught_up = player.catch_up(now)
        if self._guard.held or not caught_up:
            return min(now + (WAIT_TICKS if caught_up else 1), player.stop_at)
        self.state = st.next_state(self.state, "release")
        self.fault = st.NO_FAULT
        self._record(now, jn.RELEASE)
        player.start(now, self.readings.supply_mv)
        return player.refill(now, self.readings.supply_mv)

    def _finish(self, now, fault):
        """End the run at `now`: a budget, or a hand level's time, is used up."""
        after = st.next_state(self.state, "end")
        if self.state == st.WAITING:
            self._hal.stop()
        else:
            self._player.stop(now)
        self._base_ticks = self.used(now)[0]
        self.state = after
        self.fault = fault if after == st.ENDED else st.NO_FAULT
        self._record(now, jn.END, fault, self._base_ticks if fault == st.TIME_USED else self.used(now)[1])
        self._save_at = now
        return now + 1

    # -- requests --------------------------------------------------------------------------------------

    def arm(self, now, slot):
        """Arm the program in `slot`: a new run with fresh budgets, which begins when its start rule says.

        Raises BoxError -221 (something is armed, or a trip was not cleared), -222, -282, -311, -250."""
        self._arm(now, slot, st.BY_LINK)

    def _arm(self, now, slot, by):
        after = st.next_state(self.state, "arm")
        program = self.slots.load(slot)
        serial = self.slots.infos[slot].serial
        before = self.ledger
        ledger = lg.copy(before)
        run = ledger.count_run(slot, serial)
        ledger.phase = lg.WAITING
        ledger.slot, ledger.by, ledger.fault, ledger.serial, ledger.run = slot, by, 0, serial, run
        ledger.position_ticks = 0
        ledger.used_ticks = WAIT_RESERVE_TICKS
        reserve_ua = peak_ua(program, self.board.own_ua, self.bank)
        ledger.used_mas = 1 + reserve_ua * WAIT_RESERVE_TICKS // (1000 * pg.TICKS_PER_S)
        try:
            lg.save(self._store, ledger)
        except OSError as error:
            raise BoxError(-250, "the store failed: %s" % error) from None
        self.ledger = ledger
        self._save_at = jn.LATER
        self._set_program(program, serial)
        self.state, self.slot, self.run = after, slot, run
        self.flagged = st.NO_FAULT
        self._record(now, jn.ARM, slot, run, by)
        self._wait_for_start(now, 0, 0)

    def halt(self, now):
        """Open every switch and disarm; always allowed, clears a trip too."""
        self._halt(now, st.BY_LINK)
        self._save_or_refuse(now)

    def _halt(self, now, by):
        self._hal.stop()
        after = st.next_state(self.state, "halt")
        if self.state in st.PLAYING:
            self._player.stop(now)
        if self.state != st.IDLE:
            self._record(now, jn.HALT, by)
        self.state = after
        self.fault = self.flagged = st.NO_FAULT
        self._set_program(None, 0)
        self.deadline = now

    def clear(self, now):
        """Acknowledge a trip or an end; raises BoxError -221 while something is armed or plays."""
        after = st.next_state(self.state, "clear")
        if self.state != st.IDLE:
            self._record(now, jn.CLEAR)
        self.state = after
        self.fault = self.flagged = st.NO_FAULT
        self._set_program(None, 0)
        self._save_or_refuse(now)

    def _save_or_refuse(self, now):
        try:
            self._save(now)
        except OSError as error:
            self._save_at = now + RETRY_TICKS
            raise BoxError(-250, "the store failed: %s" % error) from None

    def level(self, now, level_ua, for_ticks=0):
        """Play one level by hand, the board's caps guarding it, for `for_ticks` (0: until halted).

        Raises BoxError -221 while a program is armed, a trip stands or the supply is out of the caps, -222
        for a level below the box's own consumption or beyond the bank. What would hold a run trips it."""
        after = st.next_state(self.state, "level")
        limits = gd.Limits(self.board.caps)
        guard = gd.Guard(limits)
        supply_mv = self.readings.supply_mv
        fault = guard.check(now, self.readings)
        if fault:
            raise BoxError(-221, "no load now: %s" % st.FAULTS[fault][0])
        if not self.board.own_ua <= level_ua <= self.board.own_ua + self.bank.full_ua(supply_mv):
            raise BoxError(-222, "the level must be %d uA to what the bank can draw" % self.board.own_ua)
        if not 0 <= for_ticks <= pg.MAX_TICKS:
            raise BoxError(-222, "the time is out of range")
        self._hal.stop()
        if self.state == st.LEVEL:
            self._player.stop(now)
        self._set_program(None, 0)
        self._guard = guard
        self.state, self.fault, self.flagged = after, st.NO_FAULT, st.NO_FAULT
        self.run_started = None
        self._record(now, jn.LEVEL, 0, level_ua)
        hand = pg.Program(HAND_PROGRAM, [(pg.STEADY, level_ua)])
        player = self._player
        player.begin(schedule.Schedule(hand, 1, self.board.own_ua), now, limits.charge_mas)
        player.stop_at = now + min(for_ticks or limits.run_ticks, limits.run_ticks)
        player.start(now, supply_mv)
        player.settle(now)
        self.deadline = now

    def clock(self, now, utc_s):
        """Journal a pair of box time and the host's time, seconds since 1970 UTC."""
        self._record(now, jn.CLOCK, 0, utc_s)

    def open_write(self, slot):
        """Begin to store a program in a slot (then slots.write, slots.commit or slots.abort).

        Raises BoxError -284 for the slot that is armed, -222."""
        self._ask_change(slot)
        self.slots.open_write(slot)

    def store(self, slot, data):
        """Store a program's bytes in a slot, whole or not at all; returns its slots.Info; raises BoxError."""
        self.open_write(slot)
        self.slots.write(data)
        return self.slots.commit()

    def delete(self, slot):
        """Empty a slot; raises BoxError -284 for the slot that is armed, -222."""
        self._ask_change(slot)
        self.slots.delete(slot)

    def _ask_change(self, slot):
        if self.state in st.ARMED and slot == self.slot:
            raise BoxError(-284, "slot %d is armed" % slot)

    def selftest(self):
        """0, or the number of the first check that fails: a channel's number from 1 on, 100 + n slot n is
        damaged, 110 no supply to test channels with.

        Without a monitor only storage is tested. Raises BoxError -221 while anything plays."""
        if self.state in st.PLAYING:
            raise BoxError(-221, "can't self-test while %s" % self.state)
        self.slots.scan(max(self.ledger.serials))
        if self.slots.bad:
            return STORAGE_CHECK + self.slots.bad[0]
        return self._test_channels() if self.board.monitor else 0

    def _test_channels(self):
        supply_mv = self.readings.supply_mv
        caps = self.board.caps
        if not caps["supply_min_mv"] <= supply_mv <= caps["supply_max_mv"]:
            return NO_SUPPLY_CHECK
        expected = [self.bank.current_ua(1 << k, supply_mv) for k in range(len(self.bank.channels_ns))]
        try:
            leak_ua = self._hal.probe(0)
            if leak_ua > PROBE_ZERO_UA:
                gaps = [abs(leak_ua - ua) for ua in expected]
                return gaps.index(min(gaps)) + 1
            for k, ua in enumerate(expected):
                if abs(self._hal.probe(1 << k) - ua) > ua * PROBE_PERCENT // 100 + PROBE_ZERO_UA:
                    return k + 1
        finally:
            self._hal.stop()
        return 0


def peak_ua(program, own_ua, bank):
    """The most that a program can make the circuit see, microamperes: all draws at once, or the whole bank at
    the highest supply that a record can hold."""
    total = 0 if program.has_steady() else own_ua
    for draw in program.draws:
        total += pg.peak_ua(draw)
    return min(max(total, own_ua), own_ua + bank.full_ua(PEAK_SUPPLY_MV))


PEAK_SUPPLY_MV = 16_000
SEEK_SEGMENTS = 500

PHASES = {
    st.IDLE: lg.NONE,
    st.LEVEL: lg.NONE,
    st.WAITING: lg.WAITING,
    st.RUNNING: lg.RUNNING,
    st.HOLDING: lg.RUNNING,
    st.ENDED: lg.ENDED,
    st.TRIPPED: lg.TRIPPED,
}
RESERVES = {
    st.IDLE: 0,
    st.LEVEL: 0,
    st.WAITING: WAIT_RESERVE_TICKS,
    st.RUNNING: RUN_RESERVE_TICKS,
    st.HOLDING: RUN_RESERVE_TICKS,
    st.ENDED: 0,
    st.TRIPPED: 0,
}
STEPS = {
    st.IDLE: Box._step_quiet,
    st.ENDED: Box._step_quiet,
    st.TRIPPED: Box._step_quiet,
    st.WAITING: Box._step_waiting,
    st.RUNNING: Box._step_playing,
    st.LEVEL: Box._step_playing,
    st.HOLDING: Box._step_holding,
}

"""An armed program and what it may still use: limits, budgets, start rule, the place it got to.

A plain account; it neither plays nor writes. Ticks are the box's own, mas milliampere-seconds.
"""

from boxcore import guard as gd
from boxcore import panel
from boxcore import program as pg
from boxcore import states as st

UAT_PER_MAS = 1000 * pg.TICKS_PER_S  # microampere-ticks in a milliampere-second
PICK_PERCENT = 2  # the supply moves by 1 % before a pattern is picked anew, and a little while that is queued


class Run:
    """One run. slot (None for a hand level), serial, number, by: what was armed, and how.

    used_ticks, used_mas: the budgets used before the present span; position_ticks: where in the schedule the
    next span begins; zero: the tick of the schedule's zero, None before; since: the tick at which the present
    span began, None where nothing is under way.
    """

    def __init__(self, program, slot, serial, number, by, board, bank):
        self.program = program
        self.slot = slot
        self.serial = serial
        self.number = number
        self.by = by
        self.limits = gd.Limits(board.caps, program)
        self.guard = gd.Guard(self.limits)
        self._quiet_ticks = 0
        self._present_tick = self._true_tick = None
        self.used_ticks = self.used_mas = 0
        self.position_ticks = 0
        self.zero = self.since = None
        self._peak_ua = peak_ua(program, board.own_ua, bank, board.caps["supply_max_mv"])

    def wait(self, now, readings, quiet_ticks, position_ticks):
        """Begin to wait for the start rule, afresh or after a power loss; quiet_ticks: after the supply came
        back, before the rule counts at all."""
        self.guard = gd.Guard(self.limits)
        self._quiet_ticks = quiet_ticks
        self._present_tick = self._true_tick = None
        self.position_ticks = position_ticks
        self.zero = self.since = None
        self.look(now, readings)

    def look(self, now, readings):
        """Take new readings while it waits: a start follows the measured supply and the panel, never the
        boot."""
        if readings.supply_mv < gd.PRESENT_MV:
            self._present_tick = self._true_tick = None
            return
        if self._present_tick is None:
            self._present_tick = now
        if not self._may_start(readings):
            self._true_tick = None
        elif self._true_tick is None:
            self._true_tick = now

    def _may_start(self, readings):
        program = self.program
        if program.start == pg.START_PANEL:
            return readings.arm
        return program.start != pg.START_REST or readings.supply_mv < program.start_below_mv

    def due(self):
        """The tick at which the run may begin if nothing changes, or None while its condition is false."""
        if self._true_tick is None:
            return None
        program = self.program
        steady_ticks = program.start_steady_ticks if program.start == pg.START_REST else 0
        begun = max(self._true_tick, self._present_tick + self._quiet_ticks)
        return begun + steady_ticks + program.start_after_ticks

    def quiet_ticks(self, begun, on):
        """Quiet time before the start rule counts again after a power loss; None: it stays off. begun: the
        run had begun; on: the arm switch is."""
        if begun and self.program.resume == pg.RESUME_STAY_OFF:
            return None
        quiet_ticks = self.program.resume_after_ticks if begun else 0
        if self.by == st.BY_PANEL and not on:  # the switch may not have settled yet
            return max(quiet_ticks, 2 * panel.SETTLE_TICKS)
        return quiet_ticks

    def begin(self, now):
        """A span begins at `now`."""
        self.since = now
        self.zero = now - self.position_ticks

    def account(self, now, mas, ahead_ticks=0):
        """What is used until `now`, in ticks and mas, with `mas` played in the present span, and with what
        `ahead_ticks` more can use at most; and the ticks since the schedule's zero."""
        ticks, position = self.used_ticks + ahead_ticks, self.position_ticks
        used_mas = self.used_mas + (1 + self._peak_ua * ahead_ticks // UAT_PER_MAS if ahead_ticks else 0)
        if self.since is not None:
            ticks, used_mas, position = ticks + now - self.since, used_mas + mas, now - self.zero
        return ticks, used_mas, position

    def close(self, now, mas):
        """The span ends at `now` with `mas` played in it."""
        if self.since is not None:
            self.position_ticks = now - self.zero  # not by account(): a trip makes no tuple
            self.used_ticks += now - self.since
            self.used_mas += mas
            self.since = None

    def left_ticks(self):
        """Run time left before the next span; 0 or less where it is used up."""
        return self.limits.run_ticks - self.used_ticks

    def waits(self, state, now):
        """What a run in this state waits for, of states.WAITS; the level that the supply is to rest below in
        millivolts; the ticks left to its start or of its time: None where there are none."""
        if state == st.WAITING:
            due = self.due()
            what = st.SWITCH if self.program.start == pg.START_PANEL else st.REST
            if due is not None:
                what = st.DELAY
            elif self._present_tick is None:
                what = st.SUPPLY
            return what, self.program.start_below_mv or None, due and max(0, due - now)
        left_ticks = self.limits.run_ticks - self.account(now, 0)[0]
        return st.RANGE if state == st.HOLDING else st.NOTHING, None, max(0, left_ticks)

    def left_mas(self):
        """Charge left before the next span; 0 or less where it is used up."""
        return self.limits.charge_mas - self.used_mas

    def used_up(self):
        """The fault of a budget that is used up before the next span, or NO_FAULT."""
        if self.left_ticks() <= 0:
            return st.TIME_USED
        return st.CHARGE_USED if self.left_mas() <= 0 else st.NO_FAULT


def by_hand(now, level_ua, for_ticks, board, bank, readings):
    """The Run of a hand level, the board's caps its only limits. Raises BoxError -221 where the readings are
    a fault, -222 for a level below the box's own consumption or beyond the bank, or a time out of range."""
    program = pg.Program("hand", [(pg.STEADY, level_ua)], **board.caps)
    run = Run(program, None, 0, 0, 0, board, bank)
    fault = run.guard.check(now, readings)
    if fault:
        raise st.BoxError(-221, "no load now: %s" % st.FAULTS[fault][0])
    if not board.own_ua <= level_ua <= board.own_ua + bank.full_ua(readings.supply_mv):
        raise st.BoxError(-222, "the level must be %d uA to what the bank can draw" % board.own_ua)
    if not 0 <= for_ticks <= pg.MAX_TICKS:
        raise st.BoxError(-222, "the time is out of range")
    if for_ticks:
        run.limits.run_ticks = min(run.limits.run_ticks, for_ticks)
    return run


def restored(ledger, slots, board, bank):
    """The Run that the ledger says was armed, with its used budgets; None where its program is no longer what
    it was: damaged, gone, another one."""
    try:
        program = slots.load(ledger.slot)
    except st.BoxError:
        return None
    if slots.infos[ledger.slot].serial != ledger.serial:
        return None
    run = Run(program, ledger.slot, ledger.serial, ledger.run, ledger.by, board, bank)
    run.used_ticks = ledger.used_ticks
    run.used_mas = ledger.used_mas
    return run


def peak_ua(program, own_ua, bank, supply_max_mv):
    """The most that a program can make the circuit see, microamperes: all draws at once, with what a pattern
    may round up and the supply may rise before it is picked anew; never more than the whole bank."""
    total = program.peak_ua + (0 if program.has_steady() else own_ua)
    total += total * PICK_PERCENT // 100 + bank.gap_ua(supply_max_mv)
    return min(max(total, own_ua), own_ua + bank.full_ua(supply_max_mv))

"""What the box does by itself: readings and time come in, switches open or close, the next deadline goes out.

sense() can only open switches; step() alone may close them. They are called from one loop, never one inside
the other. No clock is read and no pin touched here.
"""

from boxcore import guard as gd
from boxcore import journal as jn
from boxcore import port
from boxcore import states as st
from boxcore.keeper import LEAD_TICKS, SAVE_TICKS, Keeper
from boxcore.player import AGAIN_TICKS
from boxcore.states import BoxError

IDLE_TICKS = 50_000  # with nothing to do step() asks to be called again after 5 s
WAIT_TICKS = 1_000  # while waiting for a start or a release: 0.1 s, should a shell overlook a new deadline
SEEK_SEGMENTS = 500  # schedule segments passed in one step when a run continues: some 50 ms on the board


class Engine(Keeper):
    """The state machine: sense() and step(). box.Box adds the requests."""

    def sense(self, now, readings):
        """Take readings; a guard that holds or trips opens every switch in this call, first of all."""
        try:
            self.readings = readings
            state = self.state
            if state in st.PLAYING:
                self._check(now, readings, state)
            elif state == st.WAITING:
                self._heed(now, readings)
            if readings.arm != self._arm_was or self._panel_from:
                self._panel(now, readings.arm)
            self.slow_supply.take(now, readings.supply_mv)
        except BaseException:
            self._hal.stop()
            raise

    def _check(self, now, readings, state):
        fault = self.run_account.guard.check(now, readings)
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
        fault = self._monitor.check(readings, player.pattern, now - player.since)
        if fault == st.OVER_CURRENT:
            self._hal.stop()
            self._open(now, fault)
        elif fault and not self.flagged:
            self.flagged = fault
            self._record(now, jn.FLAG, fault, readings.bank_ua, player.pattern)

    def _heed(self, now, readings):
        rule = self.run_account.rule
        rule.update(now, readings)
        due = rule.due()
        if due is not None and due < self.deadline:
            self.deadline = max(due, now)

    def _lose(self, now):
        """Held with the supply gone: after a while that is a power loss, whatever USB says."""
        if self._lost_since is None:
            self._lost_since = now
        elif now - self._lost_since >= gd.LOST_TICKS:
            run = self.run_account
            self._player.settle(now)
            run.close(now, self._player.mas)
            self.state = st.next_state(self.state, "lost")
            self._record(now, jn.GONE, 0, run.position_ticks)
            self._come_back(now, True, run.position_ticks)
            self._save_at = now

    def _panel(self, now, on):
        """The arm switch: on arms the selector's slot, off halts whatever is armed or plays."""
        run = self.run_account
        if self._panel_from:
            if now >= self._panel_from:
                self._panel_from = 0
                if not on and run is not None and run.by == st.BY_PANEL and self.state in st.ARMED:
                    self._halt(now, st.BY_PANEL)
        elif on:
            self._arm_wanted = True
            self.deadline = now
        elif self.state != st.IDLE:
            self._halt(now, st.BY_PANEL)
        self._arm_was = on
        self._arm_wanted = self._arm_wanted and on

    def step(self, now):
        """Start what is due, refill the queue, end what is used up, write one thing to the store; returns the
        tick by which to call again (sense() and requests may bring `deadline` forward)."""
        try:
            if self._arm_wanted:
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
            self.deadline = min(self.deadline, self._player.refill(now, self.readings.supply_mv, True))
        if now >= self._save_at:
            self._save_or_trip(now)
        else:
            self.journal.flush(now)

    def _arm_by_panel(self, now):
        self._arm_wanted = False
        if self.state in (st.IDLE, st.ENDED):
            try:
                self._arm(now, self.readings.selector, st.BY_PANEL)
            except BoxError as error:
                self._record(now, jn.REFUSED, self.readings.selector, -error.code)

    def _step_quiet(self, now):
        return now + IDLE_TICKS

    def _step_waiting(self, now):
        if self._seek_ticks:
            self._seek()
            return now + 1
        due = self.run_account.rule.due()
        soon = due is not None and due - now <= LEAD_TICKS
        if soon != self._covered:
            self._save_at = min(self._save_at, now)
            return now + 1
        if due is None or now < due:
            return now + WAIT_TICKS if due is None else min(due, now + WAIT_TICKS)
        return self._begin(now)

    def _seek(self):
        plan = self._player.schedule
        for _ in range(SEEK_SEGMENTS):
            if not self._seek_ticks:
                return
            self._seek_ticks -= plan.take(self._seek_ticks)

    def _begin(self, now):
        """The run's zero, or its continuation: the start rule is satisfied at this instant."""
        run = self.run_account
        player = self._player
        if run.left_ticks() <= 0 or run.left_mas() <= 0:
            return self._finish(now, now, st.TIME_USED if run.left_ticks() <= 0 else st.CHARGE_USED)
        self.state = st.next_state(self.state, "start")
        run.begin(now)
        self._save_at = now + SAVE_TICKS
        self._record(now, jn.START, run.slot, run.position_ticks, run.number & 0xFFFF)
        player.rest(now, run.left_ticks())
        fault = run.guard.check(now, self.readings)
        if fault:
            self._hal.stop()
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
            player.settle(min(now, player.stop_at))
        if now >= player.stop_at:
            return self._finish(now, player.stop_at, player.stop_fault)
        return min(player.refill(now, supply_mv), player.stop_at)

    def _step_holding(self, now):
        player = self._player
        player.settle(min(now, player.stop_at))
        if player.spent():
            return self._finish(now, now, st.CHARGE_USED)
        if now >= player.stop_at:
            return self._finish(now, player.stop_at, st.TIME_USED)
        caught_up = player.catch_up(now + AGAIN_TICKS)
        if self.run_account.guard.held or not caught_up:
            return min(now + (WAIT_TICKS if caught_up else 1), player.stop_at)
        self.state = st.next_state(self.state, "release")
        self.fault = st.NO_FAULT
        self._record(now, jn.RELEASE)
        player.start(now, self.readings.supply_mv)
        return player.refill(now, self.readings.supply_mv)

    def _finish(self, now, tick, fault):
        """End the run as of `tick`: a budget, or a hand level's time, is used up."""
        run = self.run_account
        after = st.next_state(self.state, "end")
        self._hal.stop()
        if self.state in st.PLAYING:
            self._player.stop(tick)
            run.close(tick, self._player.mas)
        self.state = after
        self.fault = fault if after == st.ENDED else st.NO_FAULT
        self._record(tick, jn.END, fault, run.used_ticks if fault == st.TIME_USED else run.used_mas)
        self._save_at = now
        return now + 1


STEPS = {
    st.IDLE: Engine._step_quiet,
    st.ENDED: Engine._step_quiet,
    st.TRIPPED: Engine._step_quiet,
    st.WAITING: Engine._step_waiting,
    st.RUNNING: Engine._step_playing,
    st.LEVEL: Engine._step_playing,
    st.HOLDING: Engine._step_holding,
}

"""The box as others see it: the engine, and the requests that a link, a panel or a person makes of it.

A request asks permission first and changes state second; a refused one raises BoxError and changes nothing.
"""

from boxcore import journal as jn
from boxcore import program as pg
from boxcore import run as rn
from boxcore import states as st
from boxcore import trim as tr
from boxcore.engine import Engine
from boxcore.keeper import PHASES, RETRY_TICKS
from boxcore.states import BoxError

CLOSE_TICKS = 300 * pg.TICKS_PER_S  # a meter is read within seconds; one that is forgotten heats for 5 min


class Box(Engine):
    """One box on one store and one hal; Keeper has its fields and boot(), Engine sense() and step()."""

    # -- what others read ------------------------------------------------------------------------------

    @property
    def slot(self):
        """The slot that is armed or was last, None before and for a hand level."""
        run = self.run_account
        return None if run is None else run.slot

    @property
    def run(self):
        """Its run number, None where slot is None."""
        run = self.run_account
        return None if run is None or run.slot is None else run.number

    @property
    def run_started(self):
        """The tick of the run's zero, None before it (below 0 where a run goes on that began before this
        boot)."""
        run = self.run_account
        return None if run is None or run.slot is None else run.zero

    @property
    def program(self):
        """The armed Program or the last, None before and for a hand level."""
        run = self.run_account
        return None if run is None or run.slot is None else run.program

    @property
    def level_ua(self):
        """What the circuit sees now by prediction, the box's own consumption included, microamperes."""
        return self._player.true_ua

    @property
    def pattern(self):
        """The switch pattern that plays now, as far as step() has settled it."""
        return self._player.pattern

    @property
    def operation(self):
        """The OPERation condition bits."""
        return st.OPERATION.get(self.state, 0)

    @property
    def questionable(self):
        """The QUEStionable condition bits: what holds, tripped or ended the run, and flagged switches."""
        return st.question_bit(self.fault) | st.question_bit(self.flagged)

    def settle(self, now):
        """Account for what has played until `now`, which level_ua and pattern then tell; returns the tick
        since which this pattern has played."""
        player = self._player
        if self.state in st.PLAYING:
            player.settle(min(now, player.at, player.stop_at))
        return player.since

    def used(self, now):
        """(ticks, mas) of the run-time and charge budgets used until `now`, all boots together."""
        run = self.run_account
        if run is None:
            return self.ledger.used_ticks, self.ledger.used_mas
        return run.used(now, self._player.mas)

    # -- requests --------------------------------------------------------------------------------------

    def arm(self, now, slot):
        """Arm the program in `slot`: a new run with fresh budgets, which begins when its start rule says.

        Raises BoxError -221 (something is armed, or a trip was not cleared), -222, -282, -311, -250."""
        self._arm(now, slot, st.BY_LINK)

    def halt(self, now):
        """Open every switch and disarm; always allowed, clears a trip too. Raises BoxError -250 where that
        could not be written down: a power loss would bring the run back."""
        self._halt(now, st.BY_LINK)
        self._save_now(now)

    def clear(self, now):
        """Acknowledge a trip or an end; raises BoxError -221 while something is armed or plays, -250."""
        after = st.next_state(self.state, "clear")
        if self.state != st.IDLE:
            self._record(now, jn.CLEAR)
        self.state = after
        self.fault = self.flagged = st.NO_FAULT
        self._save_now(now)

    def _save_now(self, now):
        if self.ledger.phase == PHASES[self.state]:
            return
        try:
            self._save(now)
        except OSError as error:
            self._save_at = now + RETRY_TICKS
            raise BoxError(-250, "the store failed: %s" % error) from None

    def level(self, now, level_ua, for_ticks=0):
        """Play one level by hand, the board's caps guarding it, for `for_ticks` (0: until halted).

        Raises BoxError -221 while a program is armed, a trip stands or the supply is out of the caps, -222
        for a level below the box's own consumption or beyond the bank. What would hold a run trips it."""
        self._by_hand(now, level_ua, for_ticks, None)

    def close_channel(self, now, channel, for_ticks):
        """Close one channel (from 1) alone, for a reference meter: a hand level in all else. Raises BoxError
        as level() does, and -222 for a channel that isn't or a time that isn't 1 .. CLOSE_TICKS."""
        self.trim.check(channel)
        if not 1 <= for_ticks <= CLOSE_TICKS:
            raise BoxError(-222, "at most %d s" % (CLOSE_TICKS // pg.TICKS_PER_S))
        pattern = 1 << channel - 1
        level_ua = self.board.own_ua + self.bank.current_ua(pattern, self.readings.supply_mv)
        self._by_hand(now, level_ua, for_ticks, pattern)

    def _by_hand(self, now, level_ua, for_ticks, only):
        after = st.next_state(self.state, "level")
        run = rn.by_hand(level_ua, self.board, self.bank)
        supply_mv = self.readings.supply_mv
        fault = run.guard.check(now, self.readings)
        if fault:
            raise BoxError(-221, "no load now: %s" % st.FAULTS[fault][0])
        if not self.board.own_ua <= level_ua <= self.board.own_ua + self.bank.full_ua(supply_mv):
            raise BoxError(-222, "the level must be %d uA to what the bank can draw" % self.board.own_ua)
        if not 0 <= for_ticks <= pg.MAX_TICKS:
            raise BoxError(-222, "the time is out of range")
        if self.state == st.LEVEL:
            self._player.stop(now)
        self.run_account = run
        self.state, self.fault, self.flagged = after, st.NO_FAULT, st.NO_FAULT
        self._record(now, jn.LEVEL, 0, level_ua)
        player = self._player
        player.begin(run.schedule(), now, run.left_mas(), only)
        run.begin(now)
        player.rest(now, min(for_ticks or run.left_ticks(), run.left_ticks()))
        self._monitor.reset()
        self.deadline = now
        player.start(now, supply_mv)
        player.settle(now)

    def trim_channel(self, now, channel, current_ua, supply_mv):
        """Keep what a reference meter says that a channel (from 1) draws at a supply; every current is
        predicted by it from now on. Raises BoxError -221 while anything is armed or plays, -222, -340, -250.
        """
        self._ask_trim()
        caps = self.board.caps
        if not caps["supply_min_mv"] <= supply_mv <= caps["supply_max_mv"]:
            raise BoxError(-222, "%d mV to %d mV" % (caps["supply_min_mv"], caps["supply_max_mv"]))
        true_ns = self.trim.take(channel, current_ua, supply_mv)
        self._use_trim()
        self._record(now, jn.TRIM, channel, true_ns)

    def trim_supply(self, now, supply_mv):
        """Keep what a reference meter says that the supply is now; raises BoxError as trim_channel() does."""
        self._ask_trim()
        ppm = self.trim.take_supply(supply_mv, self.readings.supply_mv)
        self._use_trim()
        self._record(now, jn.TRIM, 0, tr.MILLION + ppm)

    def clear_trim(self, now, channel=None):
        """Believe the board file again, of a channel (from 1) or of everything; raises BoxError."""
        self._ask_trim()
        self.trim.clear(channel)
        self._use_trim()
        nominal_ns = 0 if channel is None else self.trim.nominal_ns[channel - 1]
        self._record(now, jn.TRIM, channel or 0, nominal_ns or tr.MILLION)

    def _ask_trim(self):
        if self.state in st.ARMED or self.state in st.PLAYING:
            raise BoxError(-221, "can't trim while %s" % self.state)

    def clock(self, now, utc_s):
        """Journal a pair of box time and the host's time, whole seconds since 1970 UTC."""
        self._record(now, jn.CLOCK, 0, utc_s)

    def open_write(self, slot):
        """Begin to store a program in a slot (then slots.write, slots.commit or slots.abort).

        Raises BoxError -284 for the slot that is armed, -222, -250."""
        self._ask_change(slot)
        self.slots.open_write(slot)

    def store(self, slot, data):
        """Store a program's bytes in a slot, whole or not at all; returns its slots.Info; raises BoxError."""
        self.open_write(slot)
        self.slots.write(data)
        return self.slots.commit()

    def delete(self, slot):
        """Empty a slot; raises BoxError -284 for the slot that is armed, -222, -250."""
        self._ask_change(slot)
        self.slots.delete(slot)

    def _ask_change(self, slot):
        if self.state in st.ARMED and slot == self.slot:
            raise BoxError(-284, "slot %d is armed" % slot)

    def selftest(self):
        """0, or the number of the first check that fails (see selftest.py); raises BoxError -221 while
        anything plays. Its code is loaded only now, for few power-ups ask for it."""
        from boxcore import selftest

        if self.state in st.PLAYING:
            raise BoxError(-221, "can't self-test while %s" % self.state)
        self.slots.scan(max(self.ledger.serials))
        return selftest.run(self.board, self.bank, self.slots, self._hal, self.readings.supply_mv)

"""Keeps the edge queue filled from a schedule, and accounts for what was really played.

Words are queued ahead of time; an edge reaches the journal, and charge is counted, only once its tick has
come, so that a stop takes back what was queued but never played. It never decides whether it may play.

Charge: 10 uA for one tick is one unit; UNITS_PER_MAS units are a milliampere-second. Units of a word stay
small integers up to 4 A.
"""

from array import array

from boxcore import journal as jn
from boxcore import port
from boxcore import states as st
from boxcore.bank import Picks, current_ua

RING = 320  # edges queued and not yet played: 5 ms apart through more than a second, 1 ms apart through 0.3 s
REPICK_PERCENT = 1  # a standing level's pattern is picked anew when the supply has moved further than this
CACHE_PER_MILLE = 2  # a new level may use a pick made at a supply within this
UNITS_PER_MAS = 1_000_000
AGAIN_TICKS = 4_000  # a run plays on 0.4 s behind a stop, its schedule ahead: filling takes 0.3 s at most
SEGMENTS = 500  # segments that a schedule passes in one call: 50 ms on the board, 1.5 s of exponential gaps
CATCH_UPS = 3  # of these behind an empty queue; what then lags still would do so until the watchdog's reset
# 0.3 s are queued before a start: as much of the shortest words as there is room for, or enough to fill the
# queue meanwhile with longer ones; so a start never waits long for its queue.
PRIMED_TICKS = 3_000
NO_LEVEL = -1


class Player:
    """Plays one schedule at a time through a Hal.

    primed: the queue is filled for a start; true_ua: what the circuit sees now by prediction, the box's own
    consumption included; pattern: what plays now; mas: charge played since begin(); stop_at: the tick at
    which the run must stop, stop_fault: why; outrun: the schedule can't be caught up with.
    """

    def __init__(self, hal, bank, own_ua, journal):
        self._hal = hal
        self._bank = bank
        self._own_ua = own_ua
        self._journal = journal
        self._ticks = array("I", [0] * RING)  # their low bits, see next_edge
        self._levels = array("I", [0] * RING)
        self._patterns = array("H", [0] * RING)
        self._supplies = array("H", [0] * RING)
        self._kinds = bytearray(RING)
        self._first = self.at = self._settled = self.stop_at = self._limit_at = 0
        self._cache = Picks()
        self._cache_mv = 0
        self.begin(None, 0, 0)

    def begin(self, schedule, now, charge_mas, only=None):
        """Take a schedule standing at its zero at `now`, with charge_mas left to use; nothing plays yet.
        `only`: the one pattern to play, whatever the level."""
        self._cache.clear()  # of another pattern alone, or of a bank that was trimmed since
        self._only = only
        self.schedule = schedule
        self.primed = self.outrun = False
        self.mas = self._units = 0
        self._charge_mas = charge_mas
        self.rest(now, 0)

    def _open(self, now):
        """Nothing is queued and every switch open from `now` on."""
        self.since = now
        self._count = self.pattern = 0
        self.true_ua = self._own_ua
        self._rate = self._ahead_rate = (self._own_ua + 5) // 10
        self._level_ua = NO_LEVEL
        self._ahead_mas = self.mas
        self._ahead_units = self._units
        self.stop_at = self._limit_at  # the end of the charge, if it was queued, is taken back with the rest
        self.stop_fault = st.TIME_USED

    def prime(self, now, supply_mv):
        """Fill the queue as if its first word began at `now`; nothing plays. The schedule must stand at
        `now`, or ahead of it: then the switches stay open until its tick."""
        self.stop(now)
        self.at = max(self.at, now)
        lead = self.at - now
        while lead > 0:
            ticks = min(lead, port.MAX_WORD_TICKS)
            self._hal.push(0, ticks)
            lead -= ticks
        self._fill(self.at, self.at + PRIMED_TICKS, supply_mv)
        self.primed = True

    def launch(self, now, supply_mv):
        """Play from the schedule's place, by the queue that prime() has filled or else fills now, which takes
        time; returns the tick that is the schedule's then. Edges, stop_at and what is charged count from it:
        the hardware says where it lies, so that account and pins agree however long the filling took."""
        if not self.primed:
            self.prime(now, supply_mv)
        zero = now + self._hal.enable()
        late = zero - self._settled
        self.at += late
        self.stop_at += late
        self._limit_at += late
        for k in range(self._first, self._first + self._count):
            self._ticks[k % RING] = self._ticks[k % RING] + late & jn.TICK_MASK
        self._settled = self.since = zero
        self.primed = False
        return zero

    def stop(self, now):
        """Open every switch, settle what was played until `now` and forget the rest."""
        self._hal.stop()
        self.settle(now)
        self._open(now)

    def rest(self, now, ticks):
        """Begin to account at `now`, with every switch open still; the run must stop `ticks` later."""
        self.at = self._settled = now
        self._limit_at = now + ticks
        self._open(now)

    def go_on(self, now, supply_mv):
        """Account for what has played, refill the queue, begin anew where it ran empty; returns the tick at
        which to call again. The run is over once that is stop_at."""
        if not self._starved(now):
            self.settle(min(now, self.stop_at))
        elif now < self.stop_at and not self.outrun:
            self.launch(now, supply_mv)
        if now >= self.stop_at or self.outrun:
            return self.stop_at
        return min(self.refill(now, supply_mv), self.stop_at)

    def _starved(self, now):
        """If the queue ran empty: journal it, bring the schedule up to `now`; true where that happened."""
        if not self._hal.starved() and now <= self.at:
            return False
        if self.at >= self.stop_at and now >= self.stop_at:
            return False  # the run was over before: only the open words behind it ran out
        empty = min(self.at, now)
        self.stop(empty)
        self._journal.add(empty, jn.STARVED)
        self.settle(now)
        tries = CATCH_UPS
        while tries and not self.catch_up(now + AGAIN_TICKS):
            tries -= 1
        self.outrun = not tries
        return True

    def catch_up(self, now):
        """Let the schedule pass up to `now` unseen, SEGMENTS at a time; true once it stands there."""
        lag = max(0, now - self.at)
        self.at += lag
        return self.schedule.skip(lag, SEGMENTS)

    def refill(self, now, supply_mv, force=False):
        """Queue words up to QUEUE_HIGH_TICKS ahead, unless QUEUE_LOW_TICKS are there already and not `force`;
        returns the tick at which to call again."""
        at = self.at
        if force or at - now <= port.QUEUE_LOW_TICKS:
            picked_mv = self._cache_mv
            if self._level_ua != NO_LEVEL and abs(supply_mv - picked_mv) * 100 > picked_mv * REPICK_PERCENT:
                self._edge(at, jn.REPICK, self._level_ua, supply_mv)
            at = self._fill(at, now + port.QUEUE_HIGH_TICKS, supply_mv)
        wake = at - port.QUEUE_LOW_TICKS
        if wake <= now:  # the queue is too short for that many ticks: come back when half of it has gone
            wake = now + max(1, (at - now) // 2)
        return wake

    def _fill(self, at, limit, supply_mv):
        schedule = self.schedule
        hal = self._hal
        room = hal.room()
        while at < limit and room > 0 and self._count < RING:
            ticks = min(port.MAX_WORD_TICKS, limit - at)
            if at >= self.stop_at:
                hal.push(0, ticks)
                self.at = at = at + ticks
                room -= 1
                continue
            ticks = min(ticks, schedule.left_ticks, self.stop_at - at)
            if schedule.level_ua != self._level_ua:
                self._edge(at, jn.EDGE, schedule.level_ua, supply_mv)
            most_mas = self._ahead_rate * port.MAX_WORD_TICKS // UNITS_PER_MAS + 2  # of a word
            if self._charge_mas - self._ahead_mas <= most_mas:
                ticks = self._within_charge(at, ticks)
                if not ticks:
                    continue
            units = self._ahead_units + self._ahead_rate * ticks
            if units >= UNITS_PER_MAS:
                self._ahead_mas += units // UNITS_PER_MAS
                units %= UNITS_PER_MAS
            self._ahead_units = units
            hal.push(self._cache.pattern, ticks)
            schedule.take(ticks)
            self.at = at = at + ticks
            room -= 1
        return at

    def _within_charge(self, at, ticks):
        left = (self._charge_mas - self._ahead_mas) * UNITS_PER_MAS - self._ahead_units
        allowed = max(0, left) // max(1, self._ahead_rate)
        if allowed < ticks:
            self.stop_at = at + allowed
            self.stop_fault = st.CHARGE_USED
            return allowed
        return ticks

    def _edge(self, at, kind, level_ua, supply_mv):
        self._pick(level_ua, supply_mv)
        true_ua = self._own_ua + current_ua(self._cache.ns, supply_mv)
        self._level_ua = level_ua
        self._ahead_rate = (true_ua + 5) // 10
        slot = (self._first + self._count) % RING
        self._ticks[slot] = at & jn.TICK_MASK
        self._kinds[slot] = kind
        self._levels[slot] = true_ua
        self._patterns[slot] = self._cache.pattern
        self._supplies[slot] = min(supply_mv, 0xFFFF)
        self._count += 1

    def _pick(self, level_ua, supply_mv):
        """Have the cache stand at the pattern for a level, searched for only where the supply has moved."""
        if abs(supply_mv - self._cache_mv) * 1000 > self._cache_mv * CACHE_PER_MILLE:
            self._cache.clear()
            self._cache_mv = supply_mv
        if self._cache.find(level_ua):
            return
        pattern = self._only
        if pattern is None:
            pattern = self._bank.pattern(max(0, level_ua - self._own_ua), self._cache_mv)
        self._cache.keep(level_ua, pattern, self._bank.conductance_ns(pattern))

    def settle(self, now):
        """Account for everything up to `now`: charge, and edges into the journal with their own ticks."""
        units, settled = self._units, self._settled
        while self._count:
            slot = self._first
            tick = settled + (self._ticks[slot] - settled & jn.TICK_MASK)
            if tick > now:
                break
            units += self._rate * (tick - settled)
            settled = self.since = tick
            self.true_ua = true_ua = self._levels[slot]
            self.pattern = self._patterns[slot]
            self._rate = (true_ua + 5) // 10
            self._journal.add(tick, self._kinds[slot], 0, self.pattern, true_ua, self._supplies[slot])
            self._first = (slot + 1) % RING
            self._count -= 1
        if now > settled:
            units += self._rate * (now - settled)
            settled = now
        self._settled = settled
        if units >= UNITS_PER_MAS:
            self.mas += units // UNITS_PER_MAS
            units %= UNITS_PER_MAS
        self._units = units

    def next_edge(self):
        """The tick of the next edge that is queued and not yet settled, or the end of the queue."""
        if not self._count:
            return self.at
        # No edge waits for 29 h: the low bits, which are a small integer on the board, tell its tick.
        return self._settled + (self._ticks[self._first] - self._settled & jn.TICK_MASK)

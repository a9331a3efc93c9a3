"""Guards: readings in, the number of a fault out. They decide; the box acts.

check() allocates nothing while ticks are small integers, so that a trip can follow in the same routine that
read the sensors. Run time and charge are counted by the player, which ends a run to the tick.
"""

from boxcore import states as st
from boxcore.bank import current_ua

PRESENT_MV = 6_000  # below, there is no battery behind the fuse, whatever limits say; USB alone reads less
LOST_TICKS = 10_000  # supply gone this long (1 s) is a pulled fuse; starting an engine dips for less
HYSTERESIS_MV = 200  # more than what the box's own pulses pull a tired battery down
RELEASE_TICKS = 50_000  # the supply must stay inside for 5 s; longer than the edge queue, so nothing overlaps
BOARD_MAX_CDEG = 8_500  # 85 C, the processor's rated limit
SENSOR_LOW_CDEG = -5_000  # colder than any classroom: a broken sensor wire

STANDING_TICKS = 1_000  # a level must stand 0.1 s before a measured current may speak about it
FAULT_READINGS = 3  # and this many readings in a row must disagree
FAULT_PERCENT = 10  # channel and monitor tolerances together stay well inside
FAULT_UA = 3_000  # monitor offset; two steps of the smallest channel
OVER_PERCENT = 125  # of all channels together: no pattern explains it, something is shorted
OVER_UA = 20_000


class Limits:
    """The limits in force: the tighter of a program's and the board's caps."""

    def __init__(self, caps, program):
        self.supply_min_mv = max(caps["supply_min_mv"], program.supply_min_mv, PRESENT_MV)
        self.supply_max_mv = min(caps["supply_max_mv"], program.supply_max_mv)
        self.run_ticks = min(caps["run_ticks"], program.run_ticks)
        self.charge_mas = min(caps["charge_mas"], program.charge_mas)
        self.bank_temp_cdeg = min(caps["bank_temp_cdeg"], program.bank_temp_cdeg)


class Guard:
    """Supply and temperatures against Limits; `held` is the fault that holds at present, or NO_FAULT."""

    def __init__(self, limits):
        self.limits = limits
        self.held = st.NO_FAULT
        self._calm_tick = self._gone_tick = None

    def check(self, now, readings):
        """The fault that these readings are, or NO_FAULT. A hold ends HYSTERESIS_MV inside the limit that was
        passed, RELEASE_TICKS later."""
        limits, held, supply_mv = self.limits, self.held, readings.supply_mv
        if readings.bank_cdeg > limits.bank_temp_cdeg:
            return st.BANK_HOT
        if readings.board_cdeg > BOARD_MAX_CDEG:
            return st.BOARD_HOT
        if readings.bank_cdeg < SENSOR_LOW_CDEG or readings.board_cdeg < SENSOR_LOW_CDEG:
            return st.SENSOR_BAD
        is_low = supply_mv < limits.supply_min_mv + (HYSTERESIS_MV if held == st.SUPPLY_LOW else 0)
        is_high = supply_mv > limits.supply_max_mv - (HYSTERESIS_MV if held == st.SUPPLY_HIGH else 0)
        if is_low or is_high:
            self._calm_tick = None
            self.held = held or (st.SUPPLY_LOW if is_low else st.SUPPLY_HIGH)
        elif held and self._calm_tick is None:
            self._calm_tick = now
        elif held and now - self._calm_tick >= RELEASE_TICKS:
            self.held = st.NO_FAULT
        return self.held

    def is_lost(self, now, supply_mv):
        """True once the supply has been gone for LOST_TICKS: a power loss, whatever USB says."""
        if supply_mv >= PRESENT_MV:
            self._gone_tick = None
        elif self._gone_tick is None:
            self._gone_tick = now
        return self._gone_tick is not None and now - self._gone_tick >= LOST_TICKS


class Monitor:
    """Measured bank current against what the pattern should give.

    A channel that is stuck or open is flagged; a current that no pattern explains is a trip. Readings that
    disagree count even when other patterns, which do not use the bad channel, play between them.
    """

    def __init__(self, bank):
        self._bank = bank
        self.reset()

    def reset(self):
        """Forget earlier readings, and what a bank predicted that may have been trimmed since."""
        self._of = self._ns = self._strikes = self._pattern = 0

    def check(self, readings, pattern, standing_ticks):
        """The fault, or NO_FAULT, where a bank current was measured, for the pattern that plays and how long
        it has; judged at the supply that was read now, which may have moved since the pattern was picked."""
        measured_ua = readings.bank_ua
        if measured_ua > self._bank.full_ua(readings.supply_mv) // 100 * OVER_PERCENT + OVER_UA:
            return st.OVER_CURRENT
        if standing_ticks < STANDING_TICKS:
            return st.NO_FAULT
        if pattern != self._of:  # each reading asks, few bring a new pattern
            self._of = pattern
            self._ns = self._bank.conductance_ns(pattern)
        predicted_ua = current_ua(self._ns, readings.supply_mv)
        slack_ua = predicted_ua // 100 * FAULT_PERCENT + FAULT_UA
        if predicted_ua - slack_ua <= measured_ua <= predicted_ua + slack_ua:
            if pattern == self._pattern:
                self._strikes = 0
            return st.NO_FAULT
        self._pattern = pattern
        self._strikes += 1
        if self._strikes < FAULT_READINGS:
            return st.NO_FAULT
        return st.SWITCH_ON if measured_ua > predicted_ua else st.SWITCH_OPEN


def reading(fault, readings):
    """What a journal record of a fault tells: the reading that it came from. Allocates nothing."""
    if fault == st.BANK_HOT or (fault == st.SENSOR_BAD and readings.bank_cdeg < SENSOR_LOW_CDEG):
        return readings.bank_cdeg
    if fault == st.BOARD_HOT or fault == st.SENSOR_BAD:  # no tuple: nothing is allocated here
        return readings.board_cdeg
    return readings.bank_ua if fault == st.OVER_CURRENT else readings.supply_mv

"""The panel: its contacts and which readings of them to believe, the arm switch, the indicator. It reads and
drives no pin.

A contact bounces for some milliseconds and a rotary selector passes other codes on its way, so a value counts
only when two readings in a row, a sensing interval apart, agree. The arm switch makes requests of the box: on
arms the selector's slot, off halts. After a power-up its contacts settle for a while, and turns mean nothing;
what was turned off while there was no power counts then.
The indicator lights in short blinks only, and its brightness can be set to almost nothing or off, so that a
class does not find the box by its light. It never blinks in step with a draw.
"""

from boxcore import journal as jn
from boxcore import states as st

POSITIONS = 10  # the selector's, one for each slot
# One reading's bits: the selector's code, weights 1 2 4 8; the arm switch.
ARM = 1 << 4
SELECTOR = ARM - 1
SETTLE_TICKS = 5_000  # after a boot the arm switch is believed after 0.5 s: until then its contacts settle

# state -> (blinks in a period, length of the period in ticks)
BLINKS = {
    st.IDLE: (1, 100_000),
    st.WAITING: (1, 40_000),
    st.RUNNING: (2, 40_000),
    st.HOLDING: (3, 40_000),
    st.LEVEL: (2, 20_000),
    st.ENDED: (1, 20_000),
    st.TRIPPED: (4, 20_000),
}
FLAGGED = (5, 20_000)  # something is wrong that did not stop the run: a switch, a sensor
BLINK_TICKS = 1_000  # 0.1 s lit
PAUSE_TICKS = 2_000  # 0.2 s dark between the blinks of a group


class Panel:
    """selector: the last settled position 0 .. 9; arm: the switch's settled level.

    The switch counts as off until it has been seen on twice, so that a box never wakes up armed by a glitch.
    """

    def __init__(self):
        self.selector = 0
        self.arm = False
        self._last = -1

    def update(self, bits):
        """Take one reading's bits. Codes above 9, between two positions, leave the selector as it was."""
        same = ~(bits ^ self._last) if self._last >= 0 else 0
        self._last = bits
        if same & SELECTOR == SELECTOR and bits & SELECTOR < POSITIONS:
            self.selector = bits & SELECTOR
        if same & ARM:
            self.arm = bits & ARM != 0


class ArmSwitch:
    """What the arm switch of a box.Box asks for, from a power-up at `now` on, when it is `on` or off."""

    def __init__(self, box, now, on):
        self._box = box
        self._on = on
        self._wanted = False
        self._settled_at = now + SETTLE_TICKS

    def sense(self, now, on):
        """Heed it in a sensing, which may only open switches. Allocates nothing while it stands still."""
        was = self._on
        self._on = on
        box = self._box
        if self._settled_at:
            if now < self._settled_at:
                return
            self._settled_at = 0
            if not on and box.state in st.ARMED and box.run_account.by == st.BY_PANEL:
                box.disarm(now, st.BY_PANEL)
        elif on and not was:
            self._wanted = True
            box.deadline = now
        elif was and not on:
            self._wanted = False
            if box.state != st.IDLE:
                box.disarm(now, st.BY_PANEL)

    def step(self, now):
        """Arm if that is wanted; a refusal is journaled."""
        if not self._wanted:
            return
        self._wanted = False
        box = self._box
        if box.state in (st.IDLE, st.ENDED):
            slot = box.readings.selector
            try:
                box.arm(now, slot, st.BY_PANEL)
            except st.BoxError as error:
                box.record(now, jn.REFUSED, slot, -error.code)


def lit(state, flagged, now):
    """True when the indicator is on at `now` (ticks) in a state; `flagged` for a fault that didn't stop the
    run."""
    blinks, period = FLAGGED if flagged and state != st.TRIPPED else BLINKS[state]
    at = now % period
    step = BLINK_TICKS + PAUSE_TICKS
    return at // step < blinks and at % step < BLINK_TICKS

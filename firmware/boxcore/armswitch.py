"""The arm switch as one who makes requests of the box: on arms the selector's slot, off halts.

After a power-up its contacts settle for a while, and turns mean nothing; what was turned off while there was
no power counts then. It never plays anything itself.
"""

from boxcore import journal as jn
from boxcore import states as st

SETTLE_TICKS = 5_000  # after a boot the arm switch is believed after 0.5 s: until then its contacts settle


class ArmSwitch:
    """What the arm switch of a box.Box asks for."""

    def __init__(self, box):
        self._box = box
        self._on = self._wanted = False
        self._settled_at = 0

    def boot(self, now, on):
        """Begin with the switch as it is at power-up."""
        self._on = on
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

"""The panel's contacts: which readings to believe. Levels in, settled values out; it reads no pin.

A contact bounces for some milliseconds and a rotary selector passes other codes on its way, so a value counts
only when two readings in a row, a sensing interval apart, agree.
"""

POSITIONS = 10  # the selector's, one for each slot
ARM = 1 << 4
BUTTON = 1 << 5
SELECTOR = ARM - 1  # the four bits of the code, 1 2 4 8


def pack(selector, arm, button):
    """One reading's bits: the selector's code 0 .. 15, the arm switch, the button."""
    return selector | (ARM if arm else 0) | (BUTTON if button else 0)


class Panel:
    """selector: the last settled position 0 .. 9; arm, button: settled levels.

    The switch counts as off until it has been seen on twice, so that a box never wakes up armed by a glitch.
    """

    def __init__(self):
        self.selector = 0
        self.arm = False
        self.button = False
        self._last = -1

    def update(self, bits):
        """Take one reading (see pack). Codes above 9, between two positions, leave the selector as it was."""
        same = ~(bits ^ self._last) if self._last >= 0 else 0
        self._last = bits
        if same & SELECTOR == SELECTOR and bits & SELECTOR < POSITIONS:
            self.selector = bits & SELECTOR
        if same & ARM:
            self.arm = bits & ARM != 0
        if same & BUTTON:
            self.button = bits & BUTTON != 0

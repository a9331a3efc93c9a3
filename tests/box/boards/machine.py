"""What the prompt of the fake board has of `machine`: a reset, which ends the process; the rig starts it."""

import sys


def reset():
    """Start the board anew."""
    sys.exit()

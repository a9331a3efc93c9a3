"""What the prompt of the fake board has of `machine`: a reset, which ends the process (the rig starts it),
and the scratch register, which lies in the file that the environment names."""

import os
import sys


class Memory:
    """One register at every address."""

    def __getitem__(self, address):
        with open(os.getenv("BOARD_SCRATCH")) as file:
            return int(file.read())

    def __setitem__(self, address, value):
        with open(os.getenv("BOARD_SCRATCH"), "w") as file:
            file.write(str(value))


mem32 = Memory()


def reset():
    """Start the board anew."""
    sys.exit()

"""A flash for littlefs in a file, whose power can be cut at a chosen write or erase.

Runs under MicroPython.
"""

import os

BLOCK = 4096
WHOLE, TORN, NONE = "whole", "torn", "none"


class Flash:
    """A block device; `cut` counts down the writes and erases until power goes, -1: never."""

    def __init__(self, path, cut=-1):
        self._file = open(path, "r+b")  # noqa: SIM115 - it stays open as long as the board has power
        self._blocks = self._file.seek(0, 2) // BLOCK
        self.cut = cut

    def _power(self):
        """What there is of it for one more operation; none comes back before the board is plugged in anew."""
        if self.cut < 0:
            return WHOLE
        if self.cut == 0:
            return NONE
        self.cut -= 1
        return WHOLE if self.cut else TORN

    def readblocks(self, block, buffer, offset=0):
        """Fill the buffer."""
        self._file.seek(block * BLOCK + offset)
        self._file.readinto(buffer)

    def writeblocks(self, block, buffer, offset=0):
        """Program; the write that power goes in is cut in half, as is an erase."""
        power = self._power()
        if power != NONE:
            self._file.seek(block * BLOCK + offset)
            self._file.write(buffer if power == WHOLE else buffer[: len(buffer) // 2])
            self._file.flush()

    def ioctl(self, op, argument):
        """Size, and erase."""
        if op == 4:
            return self._blocks
        if op == 5:
            return BLOCK
        if op == 6:
            power = self._power()
            if power != NONE:
                self._file.seek(argument * BLOCK)
                self._file.write(b"\xff" * (BLOCK if power == WHOLE else BLOCK // 2))
                self._file.flush()
            return 0
        return None


device = None


def mount():
    """Mount what the environment names, if it does, as the current folder."""
    global device
    image = os.getenv("BOARD_FLASH")
    if image:
        device = Flash(image, int(os.getenv("BOARD_CUT")))
        os.mount(os.VfsLfs2(device, readsize=32, progsize=256, lookahead=32), "/flash")
        os.chdir("/flash")

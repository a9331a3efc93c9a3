"""A flash for littlefs in a file, whose power can be cut at a chosen write or erase.

Runs under MicroPython.
"""

import os

BLOCK = 4096


class Flash:
    """A block device; `cut` counts down the writes and erases until power goes, -1: never."""

    def __init__(self, path, cut=-1):
        self._file = open(path, "r+b")  # noqa: SIM115 - it stays open as long as the board has power
        self._blocks = self._file.seek(0, 2) // BLOCK
        self.cut = cut

    def _alive(self):
        if self.cut > 0:
            self.cut -= 1
        return self.cut != 0

    def readblocks(self, block, buffer, offset=0):
        """Fill the buffer."""
        self._file.seek(block * BLOCK + offset)
        self._file.readinto(buffer)

    def writeblocks(self, block, buffer, offset=0):
        """Program; the write that power goes in is cut in half."""
        alive = self._alive()
        if not alive and not self._torn():
            return
        self._file.seek(block * BLOCK + offset)
        self._file.write(buffer if alive else buffer[: len(buffer) // 2])
        self._file.flush()

    def _torn(self):
        """True for the very first write without power."""
        torn = self.cut == 0
        self.cut = -2 if torn else self.cut
        return torn

    def ioctl(self, op, argument):
        """Size, and erase."""
        if op == 4:
            return self._blocks
        if op == 5:
            return BLOCK
        if op == 6:
            if self._alive():
                self._file.seek(argument * BLOCK)
                self._file.write(b"\xff" * BLOCK)
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

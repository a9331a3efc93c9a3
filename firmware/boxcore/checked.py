"""Loads the package through a check: a module whose bytes are not what the list of files says never runs.

A file system of its own that MicroPython imports from: it knows the list's names alone, so nothing is looked
for in vain (each look into flash takes 2 ms), and each file is hashed as it is opened. So only what is loaded
has to be read before the first edge. Without a list nothing is checked: somebody works on the firmware.
"""

import binascii
import hashlib

LIST = "SHA256SUMS"  # as sha256sum writes it; see update.py
PACKAGE = "boxcore"
PLACE = "/checked"
FILE = (0x8000, 0, 0, 0, 0, 0, 0, 0, 0, 0)  # what os.stat() says of a file, all that an import asks
NOT_FOUND = 2  # ENOENT
DIGITS = 64  # of a SHA-256 in a line of the list; two blanks, then the name


class FilesError(Exception):
    """The firmware's files don't belong together."""


class Checked:
    """The package's listed files; `piece` is memory to hash them by. Has what vfs.mount() asks for."""

    def __init__(self, listed, piece):
        self._digests = {}
        head = "/" + PACKAGE + "/"
        for line in listed.split(b"\n"):
            name = "/" + line[DIGITS + 2 :].decode()
            if name.startswith(head):
                self._digests[name[len(head) - 1 :]] = line[:DIGITS]
        self._piece = memoryview(piece)

    def mount(self, *options):
        """Nothing to do, as for umount()."""

    umount = mount

    def stat(self, path):
        """As os.stat() for what is listed; raises OSError for all else."""
        if path in self._digests:
            return FILE
        raise OSError(NOT_FOUND)

    def open(self, path, mode):
        """The file, as whole as the list says; raises FilesError."""
        try:
            file = open(PACKAGE + path, "rb")  # noqa: SIM115 - whoever imports closes it
        except OSError:
            raise FilesError(_no_load(path)) from None
        sha = hashlib.sha256()
        size = file.readinto(self._piece)
        while size:
            sha.update(self._piece[:size])
            size = file.readinto(self._piece)
        # a module is loaded once: its digest, a hundred bytes with its name, isn't wanted any more
        if binascii.hexlify(sha.digest()) != self._digests.pop(path):
            file.close()
            raise FilesError(_no_load(path))
        file.seek(0)
        return file


def _no_load(path):
    return "no load: %s%s is not this firmware's. Run `nightdraw box install`" % (PACKAGE, path)


def begin(package, piece):
    """Have every further module of the package come through the check; `piece`: memory to hash them by."""
    try:
        with open(LIST, "rb") as file:
            listed = file.read()
    except OSError:
        return
    import vfs

    vfs.mount(Checked(listed, piece), PLACE)
    package.__path__ = PLACE

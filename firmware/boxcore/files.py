"""A store on a file system: flat names in one folder, the calls that slots, ledger and journal rely on.

The only core module that opens files. On the board the folder lies on littlefs, which renames atomically and
keeps a file's old content until it is closed; nothing here decides what is written when. A folder that lies
where a file belongs was never the box's: whatever replaces the file takes it away.
"""

import binascii
import os
import struct

from boxcore.states import BoxError

NOT_FOUND = 2  # ENOENT, everywhere
FOLDER = 0x4000  # the bit of a mode that says so
SMALL_BYTES = 512  # what read() takes of a file: the largest that is read whole, the ledger, has 116 bytes


def _missing(error):
    if error.args[0] != NOT_FOUND:
        raise error


def tried(call, *values):
    """What a call of a store returns; raises BoxError -250 where it fails."""
    try:
        return call(*values)
    except OSError as error:
        raise BoxError(-250, "the store failed: %s" % error) from None


def sealed(head, body):
    """A small file's bytes: head (which kind of file, and its format), body, CRC-32."""
    data = head + body
    return data + struct.pack("<I", binascii.crc32(data))


def load(store, name, head):
    """The body of a small file, None where there is none; empty where it can't be read, is of another kind,
    or isn't as sealed() made it."""
    try:
        data = store.read(name)
    except OSError:
        return b""
    body = data and data[len(head) : -4]
    return body if data is None or data == sealed(head, body) else b""


def save(store, name, head, body):
    """Replace a small file whole: at any power cut the old one or the new one. Raises BoxError -250."""
    tried(store.write, name + ".new", sealed(head, body))
    tried(store.sync)
    tried(store.rename, name + ".new", name)


class FileStore:
    """A store in the folder `root`, which must exist."""

    def __init__(self, root="."):
        self._root = root.rstrip("/") + "/"

    def read(self, name):
        """The content of a small file, of a larger one its first SMALL_BYTES; None where there is none."""
        try:
            return self.read_at(name, 0, SMALL_BYTES)
        except OSError:  # a read that fails once must not cost what the file holds
            return self.read_at(name, 0, SMALL_BYTES)

    def read_at(self, name, offset, length):
        """Up to `length` bytes from `offset`, or None where there is no such file."""
        file = self.open(name)
        if file is None:
            return None
        with file:
            file.seek(offset)
            return file.read(length)

    def open(self, name):
        """The file, open for reading, or None where there is none."""
        try:
            return open(self._root + name, "rb")
        except OSError as error:
            return _missing(error)

    def create(self, name, mode="wb"):
        """A file, open for writing, with nothing in it (`ab`: as it is); a power cut before it is closed may
        leave any part of what was written."""
        try:
            return open(self._root + name, mode)
        except OSError:
            if not self.is_folder(name):
                raise
        self.delete(name)
        return open(self._root + name, mode)

    def write(self, name, data, mode="wb"):
        """Replace the content; a power cut may leave any part of it."""
        with self.create(name, mode) as file:
            file.write(data)

    def append(self, name, data):
        """Add to the end, creating the file; a power cut may leave any part of the new data."""
        self.write(name, data, "ab")

    def rename(self, old, new):
        """Give a file another name, replacing what had it: at any power cut the old one or the new one."""
        if self.is_folder(new):
            self.delete(new)
        getattr(os, "replace", os.rename)(self._root + old, self._root + new)

    def delete(self, name):
        """Remove a file, or a folder that has its name; nothing happens where there is none."""
        while self.is_folder(name):
            _thin(self._root + name)
        try:
            os.remove(self._root + name)
        except OSError as error:
            _missing(error)

    def is_folder(self, name):
        """True where a folder has that name."""
        try:
            return os.stat(self._root + name)[0] & FOLDER != 0
        except OSError:
            return False

    def names(self):
        """The names of all files, one by one: nobody knows how many lie there."""
        if not hasattr(os, "ilistdir"):  # the board's own
            yield from os.listdir(self._root)
            return
        for entry in os.ilistdir(self._root):
            yield entry[0]

    def size(self, name):
        """The length in bytes, or None where there is no such file."""
        try:
            return os.stat(self._root + name)[6]
        except OSError as error:
            return _missing(error)

    def sync(self):
        """Make everything written so far last; closing a file on littlefs has done so already."""
        if hasattr(os, "sync"):
            os.sync()


def _thin(path):
    """Remove a folder where it is empty, else one thing in the depths of it."""
    inside = os.listdir(path)
    while inside:
        path += "/" + inside[0]
        if not os.stat(path)[0] & FOLDER:
            return os.remove(path)
        inside = os.listdir(path)
    return os.rmdir(path)

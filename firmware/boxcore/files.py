"""A store on a file system: flat names in one folder, the calls that slots, ledger and journal rely on.

The only core module that opens files. On the board the folder lies on littlefs, which renames atomically and
keeps a file's old content until it is closed; nothing here decides what is written when. A folder that lies
where a file belongs was never the box's: whatever replaces the file takes it away.
"""

import binascii
import os
import struct

from boxcore.states import store_failed

NOT_FOUND = 2  # ENOENT, everywhere
FOLDER = 0x4000  # the bit of a mode that says so
SMALL_BYTES = 512  # what read() takes of a file: the largest that is read whole, the ledger, has 116 bytes


def _missing(error):
    if error.args[0] != NOT_FOUND:
        raise error


def sealed(body):
    """A small file's bytes: the body and its CRC-32."""
    return body + struct.pack("<I", binascii.crc32(body))


def body_of(data):
    """The body of a small file's bytes, empty where they are not what sealed() made."""
    body = data[:-4]
    return body if data == sealed(body) else b""


def replace(store, name, data):
    """Replace a file of a store whole: at any power cut the old one or the new one. Raises BoxError -250."""
    try:
        store.write(name + ".new", data)
        store.sync()
        store.rename(name + ".new", name)
    except OSError as error:
        raise store_failed(error) from None


def content(store, name):
    """A small file's bytes, None where there is none; empty where it can't be read."""
    try:
        return store.read(name)
    except OSError:
        return b""


class FileStore:
    """A store in the folder `root`, which must exist."""

    def __init__(self, root="."):
        self._root = root.rstrip("/") + "/"

    def _path(self, name):
        return self._root + name

    def read(self, name):
        """The content of a small file, of a larger one its first SMALL_BYTES; None where there is none. Tried
        twice: a read that fails once must not cost what the file holds."""
        try:
            return self.read_at(name, 0, SMALL_BYTES)
        except OSError:
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
            return open(self._path(name), "rb")
        except OSError as error:
            return _missing(error)

    def create(self, name):
        """A file, open for writing, with nothing in it; a power cut before it is closed may leave any part of
        what was written."""
        return self._put(name, "wb")

    def write(self, name, data):
        """Replace the content; a power cut may leave any part of it."""
        with self._put(name, "wb") as file:
            file.write(data)

    def append(self, name, data):
        """Add to the end, creating the file; a power cut may leave any part of the new data."""
        with self._put(name, "ab") as file:
            file.write(data)

    def _put(self, name, mode):
        try:
            return open(self._path(name), mode)
        except OSError:
            if not self.is_folder(name):
                raise
        self.delete(name)
        return open(self._path(name), mode)

    def rename(self, old, new):
        """Give a file another name, replacing what had it: at any power cut the old one or the new one."""
        if self.is_folder(new):
            self.delete(new)
        getattr(os, "replace", os.rename)(self._path(old), self._path(new))

    def delete(self, name):
        """Remove a file, or a folder that has its name; nothing happens where there is none."""
        path = self._path(name)
        while self.is_folder(name):
            self._thin(path)
        try:
            os.remove(path)
        except OSError as error:
            _missing(error)

    def _thin(self, path):
        """Remove a folder where it is empty, else one thing in the depths of it."""
        while True:
            inside = os.listdir(path)
            if not inside:
                os.rmdir(path)
                return
            path += "/" + inside[0]
            if not os.stat(path)[0] & FOLDER:
                os.remove(path)
                return

    def is_folder(self, name):
        """True where a folder has that name."""
        try:
            return os.stat(self._path(name))[0] & FOLDER != 0
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
            return os.stat(self._path(name))[6]
        except OSError as error:
            return _missing(error)

    def sync(self):
        """Make everything written so far last; closing a file on littlefs has done so already."""
        if hasattr(os, "sync"):
            os.sync()

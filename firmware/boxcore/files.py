"""A store on a file system: flat names in one folder, the calls that slots, ledger and journal rely on.

The only core module that opens files. On the board the folder lies on littlefs, which renames atomically and
keeps a file's old content until it is closed; nothing here decides what is written when.
"""

import os

NOT_FOUND = 2  # ENOENT, everywhere


def _missing(error):
    if error.args[0] != NOT_FOUND:
        raise error


class FileStore:
    """A store in the folder `root`, which must exist."""

    def __init__(self, root="."):
        self._root = root.rstrip("/") + "/"

    def _path(self, name):
        return self._root + name

    def read(self, name):
        """The whole content, or None where there is no such file."""
        try:
            with open(self._path(name), "rb") as file:
                return file.read()
        except OSError as error:
            return _missing(error)

    def read_at(self, name, offset, length):
        """Up to `length` bytes from `offset`, or None where there is no such file."""
        try:
            with open(self._path(name), "rb") as file:
                file.seek(offset)
                return file.read(length)
        except OSError as error:
            return _missing(error)

    def write(self, name, data):
        """Replace the content; a power cut may leave any part of it."""
        with open(self._path(name), "wb") as file:
            file.write(data)

    def append(self, name, data):
        """Add to the end, creating the file; a power cut may leave any part of the new data."""
        with open(self._path(name), "ab") as file:
            file.write(data)

    def rename(self, old, new):
        """Give a file another name, replacing what had it: at any power cut the old one or the new one."""
        getattr(os, "replace", os.rename)(self._path(old), self._path(new))

    def delete(self, name):
        """Remove a file; nothing happens where there is none."""
        try:
            os.remove(self._path(name))
        except OSError as error:
            _missing(error)

    def names(self):
        """The names of all files."""
        return os.listdir(self._root)

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

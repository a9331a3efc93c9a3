"""The bench's flash: files in memory that lose power the way flash does. No box logic lives here.

Names change at once and whole (a rename is atomic). Data is safe when its file is closed, as on the board's
file system, so a cut tears the operation it falls into and no other. A lazy store is harsher: data is safe
only after sync(), a cut may keep any part of what was written since, and code that forgets to sync fails.
"""

from __future__ import annotations

import errno
import io
import random
from typing import Any

BLOCK_BYTES = 4096  # the board's file system hands out flash in these
CAPACITY_BYTES = 352 * BLOCK_BYTES  # the standard board's file system


class PowerCut(BaseException):
    """Power was lost inside a store operation, or the store was used without power."""


class _File:
    """`safe` survives a power cut; `data` is what a reader sees while power lasts."""

    __slots__ = ("data", "safe")

    def __init__(self) -> None:
        self.safe = b""
        self.data = b""


class Writing:
    """A file of a store, open for writing: every write is an append of the store's."""

    def __init__(self, store: Any, name: str) -> None:
        self._store = store
        self._name = name
        store.write(name, b"")

    def write(self, data: bytes) -> None:
        """Add to the end."""
        self._store.append(self._name, data)

    def close(self) -> None:
        """Nothing is left to be written."""


class MemoryStore:
    """A box's file store with power cuts at will.

    `cut_at`: the number (from 1) of the changing operation in which power is lost; None: never. `seed`
    chooses what a cut tears; `lazy`: only sync() makes data safe. `operations` counts write, append, rename,
    delete and sync so far.
    """

    def __init__(self, seed: int = 0, lazy: bool = False, capacity_bytes: int = CAPACITY_BYTES) -> None:
        self._lazy = lazy
        self.operations = 0
        self.cut_at: int | None = None
        self.capacity_bytes = capacity_bytes
        self._random = random.Random(seed)
        self._files: dict[str, _File] = {}
        self._without_power = False

    def read(self, name: str) -> bytes | None:
        """The file's bytes, or None where there is none."""
        self._alive()
        file = self._files.get(name)
        return None if file is None else file.data

    def read_at(self, name: str, offset: int, length: int) -> bytes | None:
        """Up to `length` bytes from `offset`, fewer at the end; None where there is no such file."""
        self._alive()
        file = self._files.get(name)
        return None if file is None else file.data[offset : offset + length]

    def open(self, name: str) -> io.BytesIO | None:
        """The file, open for reading, or None where there is none."""
        data = self.read(name)
        return None if data is None else io.BytesIO(data)

    def create(self, name: str) -> Writing:
        """An empty file, open for writing."""
        return Writing(self, name)

    def size(self, name: str) -> int | None:
        """The file's length in bytes, None where there is no such file."""
        self._alive()
        file = self._files.get(name)
        return None if file is None else len(file.data)

    def names(self) -> list[str]:
        """The names of all files."""
        self._alive()
        return sorted(self._files)

    def write(self, name: str, data: bytes) -> None:
        """Replace or make a file; raises OSError(ENOSPC) when the flash is full."""
        cut = self._begin()
        self._reserve(name, len(data))
        self._change(name, bytes(data), cut)

    def append(self, name: str, data: bytes) -> None:
        """Add to a file's end, making it where missing; raises OSError(ENOSPC) when the flash is full."""
        cut = self._begin()
        self._reserve(name, (self.size(name) or 0) + len(data))
        self._change(name, (self.read(name) or b"") + data, cut)

    def rename(self, old: str, new: str) -> None:
        """Give a file a new name, replacing what had it: wholly or not at all."""
        cut = self._begin()
        if old not in self._files:
            raise OSError(errno.ENOENT, "no such file", old)
        if not cut or self._random.random() < 0.5:
            self._files[new] = self._files.pop(old)
        self._end(cut)

    def delete(self, name: str) -> None:
        """Remove a file; nothing happens where there is none."""
        cut = self._begin()
        if not cut or self._random.random() < 0.5:
            self._files.pop(name, None)
        self._end(cut)

    def sync(self) -> None:
        """Make everything written so far safe; without work to do unless the store is lazy."""
        cut = self._begin()
        if not cut or self._random.random() < 0.5:
            self._settle()
        self._end(cut)

    def lose_power(self) -> None:
        """Cut the power between two operations: what was not safe may be there, in part, or not."""
        if not self._without_power:
            self._tear()
            self._without_power = True

    def revive(self) -> None:
        """Give power back; what survived is there."""
        self._without_power = False

    def _alive(self) -> None:
        if self._without_power:
            raise PowerCut

    def _begin(self) -> bool:
        self._alive()
        self.operations += 1
        return self.operations == self.cut_at

    def _end(self, cut: bool) -> None:
        if cut:
            self.lose_power()
            raise PowerCut

    def _change(self, name: str, data: bytes, cut: bool) -> None:
        file = self._files.setdefault(name, _File())
        file.data = data
        if not (self._lazy or cut):
            file.safe = data
        self._end(cut)

    def _reserve(self, name: str, size: int) -> None:
        used = sum(_blocks(len(file.data)) for other, file in self._files.items() if other != name)
        if (used + _blocks(size)) * BLOCK_BYTES > self.capacity_bytes:
            raise OSError(errno.ENOSPC, "the flash is full", name)

    def _settle(self) -> None:
        for file in self._files.values():
            if file.safe != file.data:
                file.safe = file.data

    def _tear(self) -> None:
        for file in self._files.values():
            if file.safe != file.data:
                file.data = self._torn(file.safe, file.data)
                file.safe = file.data

    def _torn(self, old: bytes, new: bytes) -> bytes:
        """What a cut leaves: the old bytes, or the new ones up to anywhere; an append keeps what was safe."""
        kept = len(old) if new.startswith(old) else 0
        if not kept and self._random.random() < 0.5:
            return old
        return new[: self._random.randint(kept, len(new))]


def _blocks(size: int) -> int:
    return -(-size // BLOCK_BYTES)

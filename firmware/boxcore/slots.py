"""Ten stored programs: each is replaced whole or not at all, and checked at every boot.

A slot's file holds the program's bytes, then a store number and a CRC-32 of all before. The store number
grows with every store, so that run counters kept elsewhere start anew with it. Nothing is run from here.
"""

import binascii
import struct

from boxcore import program as pg
from boxcore.states import BoxError

SLOTS = 10
CHUNK_BYTES = 1024  # what a stream gathers in memory before it goes to the store: a quarter of a flash block
TEMPORARY = "slot.new"
TRAILER = "<II"
TRAILER_BYTES = 8


class Info:
    """What is known of a stored program without loading it: name, crc32, bytes (of the program), serial."""

    def __init__(self, name, crc32, length, serial):
        self.name = name
        self.crc32 = crc32
        self.bytes = length
        self.serial = serial


def _name(slot):
    return "slot%d" % slot


def _open(raw):
    """(program bytes, serial) of a slot file; raises ProgramError."""
    if len(raw) < TRAILER_BYTES:
        raise pg.ProgramError("the slot is cut")
    serial, crc = struct.unpack(TRAILER, raw[-TRAILER_BYTES:])
    if binascii.crc32(raw[:-4]) != crc:
        raise pg.ProgramError("the slot is damaged: its CRC-32 differs")
    return raw[:-TRAILER_BYTES], serial


def check_slot(slot):
    """Raise BoxError -222 where `slot` is not 0 .. 9."""
    if not 0 <= slot < SLOTS:
        raise BoxError(-222, "slots are 0 to %d" % (SLOTS - 1))


def _failed(error):
    return BoxError(-250, "the store failed: %s" % error)


class Slots:
    """The slots in a store. `infos[slot]` is an Info or None; `bad` lists slots whose content is damaged."""

    def __init__(self, store):
        self._store = store
        self.infos = [None] * SLOTS
        self.bad = []
        self._serial = 0
        self._writing = None
        self._pending = bytearray()
        self._length = 0

    def scan(self, serial=0):
        """Read and check every slot; `serial`: the highest store number known from elsewhere."""
        self._serial = serial
        self._discard()
        self.bad = []
        for slot in range(SLOTS):
            self.infos[slot] = self._scan(slot)

    def _scan(self, slot):
        try:
            raw = self._store.read(_name(slot))
            if raw is None:
                return None
            data, serial = _open(raw)
            info = Info(pg.unpack(data).name, pg.checksum(data), len(data), serial)
        except (pg.ProgramError, OSError):
            self.bad.append(slot)
            return None
        self._serial = max(self._serial, serial)
        return info

    def load(self, slot):
        """The Program in a slot, checked anew; raises BoxError -282 (none there) or -311 (damaged)."""
        check_slot(slot)
        try:
            raw = self._store.read(_name(slot))
            if raw is None:
                raise BoxError(-282, "slot %d is empty" % slot)
            return pg.unpack(_open(raw)[0])
        except (pg.ProgramError, OSError) as error:
            raise BoxError(-311, "slot %d: %s" % (slot, error)) from None

    def read_at(self, slot, offset, length):
        """Part of a stored program's bytes; raises BoxError -282 where there is none."""
        check_slot(slot)
        info = self.infos[slot]
        if info is None:
            raise BoxError(-282, "slot %d has no program" % slot)
        length = max(0, min(length, info.bytes - offset))
        try:
            return self._store.read_at(_name(slot), offset, length)
        except OSError as error:
            raise _failed(error) from None

    @property
    def writing(self):
        """The slot that is being written, None where none is."""
        return self._writing

    def open_write(self, slot):
        """Begin to store a program; an earlier one that is unfinished is dropped. Where the store itself
        fails, here and below, BoxError -250."""
        check_slot(slot)
        self.abort()
        try:
            self._store.write(TEMPORARY, b"")
        except OSError as error:
            raise _failed(error) from None
        self._writing = slot

    def write(self, chunk):
        """Take the next bytes; raises BoxError -223 (too much data) beyond a slot, -286 unopened."""
        if self._writing is None:
            raise BoxError(-286, "no slot is being written")
        if self._length + len(chunk) > pg.MAX_BYTES:
            self.abort()
            raise BoxError(-223, "a program has at most %d bytes" % pg.MAX_BYTES)
        self._length += len(chunk)
        self._pending += chunk
        if len(self._pending) >= CHUNK_BYTES:
            self._spill()

    def _spill(self):
        try:
            self._store.append(TEMPORARY, bytes(self._pending))
        except OSError as error:
            self._forget()
            raise _failed(error) from None
        self._pending = bytearray()

    def commit(self):
        """Check what came and put it in its slot; raises BoxError -285 for bytes that are no program."""
        if self._writing is None:
            raise BoxError(-286, "no slot is being written")
        slot = self._writing
        try:
            if self._pending:
                self._spill()
            info = self._seal()
            self._store.rename(TEMPORARY, _name(slot))
        except OSError as error:
            raise _failed(error) from None
        finally:
            self._forget()
        self.infos[slot] = info
        if slot in self.bad:
            self.bad.remove(slot)
        return info

    def _seal(self):
        data = self._store.read(TEMPORARY)
        try:
            name = pg.unpack(data).name
        except pg.ProgramError as error:
            self._discard()
            raise BoxError(-285, str(error)) from None
        self._serial += 1
        body = data + struct.pack("<I", self._serial)
        self._store.append(TEMPORARY, struct.pack(TRAILER, self._serial, binascii.crc32(body)))
        self._store.sync()
        return Info(name, pg.checksum(data), len(data), self._serial)

    def _forget(self):
        self._writing = None
        self._length = 0
        self._pending = bytearray()

    def abort(self):
        """Drop an unfinished store; the slot keeps what it had."""
        if self._writing is not None:
            self._forget()
            self._discard()

    def _discard(self):
        try:
            self._store.delete(TEMPORARY)
        except OSError:
            pass  # the next store begins by writing it anew

    def delete(self, slot):
        """Empty a slot."""
        check_slot(slot)
        try:
            self._store.delete(_name(slot))
        except OSError as error:
            raise _failed(error) from None
        self.infos[slot] = None
        if slot in self.bad:
            self.bad.remove(slot)

"""Ten stored programs: each is replaced whole or not at all, and checked at every boot.

A slot's file holds the program's bytes, then a store number and a CRC-32 of all before. The store number
grows with every store, so that run counters kept elsewhere start anew with it. Files stream through a small
buffer while they are written and checked; only the program that is to be played is ever held, in the one
buffer for it. Nothing is run from here.
"""

import binascii
import struct
from collections import namedtuple

from boxcore import program as pg
from boxcore.files import tried
from boxcore.states import BoxError

SLOTS = 10
NAME = "slot%d"
TEMPORARY = "slot.new"
TRAILER = "<II"
TRAILER_BYTES = 8
BAD = "bad"  # what is known of a slot that is damaged or can't be read


# What is known of a stored program without loading it; bytes: of the program, serial: its store number.
Info = namedtuple("Info", ("name", "crc32", "bytes", "serial"))


class Slots:
    """The slots in a store, numbers 0 .. 9. `infos[slot]` is an Info, BAD, or None where there is nothing;
    `writing` is the slot that is being written, None where none is."""

    def __init__(self, store, buffers):
        self._store = store
        self._whole = memoryview(buffers.program)
        self._piece = memoryview(buffers.piece)
        self.infos = [None] * SLOTS
        self.writing = self._file = None
        self._serial = self._crc = 0

    def begin(self, serial):
        """At power-up, before the slots are read: heed the highest store number known from elsewhere, drop an
        unfinished store."""
        self._serial = max(self._serial, serial)
        self._drop()

    def scan(self, slot):
        """Read and check a slot; True where it is damaged."""
        try:
            self._look(slot, self._piece)
        except BoxError:
            pass  # it is among the bad ones now
        return self.infos[slot] is BAD

    def _look(self, slot, buffer, keep=False):
        """What _read() says of a slot, remembered; raises BoxError -282 where there is no program, -311 where
        it is damaged."""
        try:
            found = self._read(NAME % slot, buffer, keep)
        except (pg.ProgramError, OSError, MemoryError) as error:  # whatever lies there
            self._know(slot, BAD)
            raise BoxError(-311, "slot %d: %s" % (slot, error)) from None
        self._know(slot, found and found[1])
        if found is None:
            raise BoxError(-282, "slot %d is empty" % slot)
        return found

    def info(self, slot):
        """The Info of a slot, which is read once more where none is known; raises BoxError -282, -311."""
        if not isinstance(self.infos[slot], Info):
            self._look(slot, self._piece)
        return self.infos[slot]

    def _know(self, slot, info):
        self.infos[slot] = info
        if isinstance(info, Info):
            self._serial = max(self._serial, info.serial)

    def _read(self, name, buffer, keep):
        """(Program, Info) of a slot's file, checked as it streams through the buffer, None where there is no
        file. keep: one behind the other, so that the Program may be played from the buffer; it must hold
        MAX_BYTES then. Raises ProgramError, OSError."""
        file = self._store.open(name)
        if file is None:
            return None
        with file:
            parser = pg.Parser(pg.MAX_BYTES if keep else len(buffer))
            while parser.wants:
                at = parser.size if keep else 0
                view = buffer[at : at + parser.wants]
                if file.readinto(view) != len(view):
                    raise pg.ProgramError("the program is cut")
                parser.take(view)
            tail = file.read(TRAILER_BYTES + 1)
        if len(tail) != TRAILER_BYTES:
            raise pg.ProgramError("the slot is not as long as its program")
        serial, crc = struct.unpack(TRAILER, tail)
        if binascii.crc32(tail[:4], parser.crc32) != crc:
            raise pg.ProgramError("the slot is damaged: its CRC-32 differs")
        program = parser.program
        return program, Info(program.name, parser.checksum, parser.size, serial)

    def load(self, slot):
        """The Program in a slot, read into the one buffer for it and checked anew; an earlier one's replays
        are gone then. Raises BoxError -282, -311."""
        return self._look(slot, self._whole, True)[0]

    def read_at(self, slot, offset, length):
        """Part of a stored program's bytes; raises BoxError as info() does."""
        length = max(0, min(length, self.info(slot).bytes - offset))
        return tried(self._store.read_at, NAME % slot, offset, length)

    def open_write(self, slot):
        """Begin to store a program, where none is being written: write() takes its bytes, commit() or abort()
        ends it. Where the store itself fails, here and below, BoxError -250."""
        self._file = tried(self._store.create, TEMPORARY)
        self.writing = slot
        self._crc = 0

    def write(self, chunk):
        """Take the next bytes."""
        self._crc = binascii.crc32(chunk, self._crc)
        tried(self._file.write, chunk)

    def commit(self, pause=lambda: None):
        """Check what came, as the store has it, and put it in its slot; raises BoxError -285 for bytes that
        are no program. pause: called before each write but the first, for a write may take 0.4 s and more."""
        slot = self.writing
        try:
            info = tried(self._put, NAME % slot, pause)
        except pg.ProgramError as error:
            raise BoxError(-285, str(error)) from None
        finally:
            self._drop()
        self._know(slot, info)
        return info

    def _put(self, name, pause):
        serial = struct.pack("<I", self._serial + 1)
        self._file.write(serial + struct.pack("<I", binascii.crc32(serial, self._crc)))
        self._file.close()
        self._store.sync()
        pause()
        info = self._read(TEMPORARY, self._piece, False)[1]
        pause()
        self._store.rename(TEMPORARY, name)
        return info

    def abort(self):
        """Drop an unfinished store; the slot keeps what it had."""
        if self.writing is not None:
            self._drop()

    def _drop(self):
        file, self._file, self.writing = self._file, None, None
        try:
            if file is not None:
                file.close()
            self._store.delete(TEMPORARY)
        except OSError:
            pass  # the next store begins by writing it anew

    def delete(self, slot):
        """Empty a slot."""
        tried(self._store.delete, NAME % slot)
        self._know(slot, None)

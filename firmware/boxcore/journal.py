"""What really happened: 20-byte records in a ring of files, safe against torn writes.

Records wait in memory and are appended in batches, because every append costs the flash about one erase.
The bytes are documented here alone; what they mean is told by the host (nightdraw.journals). The journal
never decides anything.

A record, little-endian "<BBHIIHBBHH": kind, arg, pattern, tick, value, supply_mv, block, format, sequence,
check. Box time in ticks since that boot is (block << 30) + tick; whoever reads counts block on where its byte
wraps. sequence counts records since the first, and wraps: what is missing between two that can be read is
known exactly. check is the CRC-16 with the polynomial 0x1021 from 0xFFFF over the 18 bytes before it: it
finds every change within two neighbouring bytes, and lets one in 65,536 of others pass. A torn record must
have kind and format right besides: one in 2 * 10^8 of random bytes passes. Blank (0xFF) and zeroed flash are
no records, their format is unknown. A file's name is "r" and the ten-digit offset of its first byte in the
whole journal.
"""

import struct
from array import array

from boxcore.files import tried
from boxcore.port import JOURNAL_BYTES
from boxcore.states import BoxError

RECORD = "<BBHIIHBBHH"
RECORD_BYTES = 20
HEAD_BYTES = 18  # what the check is over
FORMAT = 2
MAX_SEQUENCE = 0xFFFF
MOST_TORN = 64  # records that are looked over at power-up for one that can be read
BUFFER_RECORDS = JOURNAL_BYTES // RECORD_BYTES
RESERVED_RECORDS = 32  # room that edges may not take: trips and holds are never lost to a fast pulse train
FLUSH_RECORDS = 192  # append when this many wait ...
FLUSH_TICKS = 100_000  # ... or at whole 10 s of the clock, so that no write's instant tells of an edge's
FLUSH_GAP_TICKS = 10_000  # never two appends within 1 s: an append may stall the processor for 0.4 s
FILE_BYTES = 16_384  # four flash blocks
NAME = "r%010d"  # of a file: where it begins
MAX_START = 0x3FFF_0000  # no further does the link read; a box gets there after 50 million records
FILES = 32  # 512 KB, 32 768 records: a third of the file system
LATER = 1 << 60  # a due tick that never comes: 3.6 million years

TICK_BITS = 30
TICK_MASK = (1 << TICK_BITS) - 1
MAX_VALUE = 0xFFFFFFFF

BOOT, PAGE, ARM, START, EDGE, REPICK, HOLD, RELEASE, TRIP, END, HALT = 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11
LEVEL, STARVED, LOST, CLOCK, DAMAGE, FLAG, GONE, CLEAR, REFUSED = 12, 13, 14, 15, 16, 17, 18, 19, 20
LATCH, TRIM = 21, 22

EDGES = (EDGE, REPICK)
URGENT = (ARM, START, TRIP, END, HALT, DAMAGE)  # written with the next step instead of with a batch
LEDGER_PART, SLOT_PART, JOURNAL_PART, LOCK_PART, TRIM_PART = 1, 2, 3, 4, 5
LATCHED, UNLATCHED, WRONG, PASSCODE_SET, PASSCODE_GONE = 1, 2, 3, 4, 5


def _crc16_table():
    """Each byte's CRC: a bit's is the bit's before it, shifted once more; those of several bits add up."""
    table = array("H", bytes(512))
    bit, crc = 1, 0x1021
    while bit < 256:
        for rest in range(bit):
            table[bit + rest] = crc ^ table[rest]
        bit, crc = 2 * bit, (crc << 1 ^ 0x1021) & 0xFFFF if crc & 0x8000 else crc << 1
    return table


CRC16 = _crc16_table()


def check_word(head):
    """The CRC-16 of some bytes: polynomial 0x1021, from 0xFFFF, not reflected."""
    crc = 0xFFFF
    for byte in head:
        crc = (crc << 8 & 0xFF00) ^ CRC16[crc >> 8 ^ byte]
    return crc


def unpack(raw):
    """The fields of a record's bytes, None where they are none."""
    if len(raw) != RECORD_BYTES or not 1 <= raw[0] <= TRIM:
        return None
    fields = struct.unpack(RECORD, raw)
    return fields if fields[7] == FORMAT and fields[9] == check_word(raw[:HEAD_BYTES]) else None


def _file_start(name):
    own = len(name) == 11 and name[0] == "r" and name[1:].isdigit()
    return int(name[1:]) if own and int(name[1:]) <= MAX_START else None


class Journal:
    """The journal in a store. Offsets count from the very first record ever written and never go back, save
    for records that a power cut took; `start` is the oldest byte still held, `end` is one past the newest,
    records in memory included. `due` is the tick at which flush() should be called."""

    def __init__(self, store, files=FILES, buffer=None):
        self._store = store
        self._most_files = files
        self._buffer = bytearray(JOURNAL_BYTES) if buffer is None else buffer
        self._head = bytearray(RECORD_BYTES)
        self._checked = memoryview(self._head)[:HEAD_BYTES]
        self._sequence = 0  # of the next record
        self._count = 0
        self._dropped = 0
        self._flushed_tick = -FLUSH_GAP_TICKS
        self._starts = [0]
        self._size = 0
        self._unread = True  # the files are to be found before anything is appended
        self.boot = 0
        self.due = LATER

    def open(self, boot):
        """Find the files, newest last; a torn end is left behind and a new file begun after it. True where
        the store could not be read: the records then wait in memory until it can."""
        self.boot = boot
        try:
            self._find()
        except OSError:
            return True
        return False

    def _find(self):
        starts = [_file_start(name) for name in self._store.names()]
        starts = sorted([start for start in starts if start is not None]) or [0]
        last = starts[-1]
        size = self._store.size(NAME % last) or 0
        torn = self._go_on(starts, size) or size % RECORD_BYTES
        if torn:
            whole = size + RECORD_BYTES - 1
            starts.append(last + whole - whole % RECORD_BYTES)
            size = 0
        self._starts = starts
        self._size = size
        self._unread = False

    def _go_on(self, starts, size):
        """Count on from the newest record that can be read; returns how many behind it can't be."""
        waiting = self._count
        torn = 0
        for start in reversed(starts):
            name = NAME % start
            size = size if start == starts[-1] else self._store.size(name) or 0
            for at in reversed(range(0, size, RECORD_BYTES)):
                fields = unpack(self._store.read_at(name, at, RECORD_BYTES) or b"")
                if fields is not None:
                    self._sequence = (fields[8] + torn + 1) & MAX_SEQUENCE
                    self._renumber(waiting)
                    return torn
                torn += 1
                if torn == MOST_TORN:
                    return torn
        return torn

    def _renumber(self, count):
        """Give the records that wait new numbers: what was found on the store came before them."""
        head = self._head
        for at in range(0, count * RECORD_BYTES, RECORD_BYTES):
            head[:] = self._buffer[at : at + RECORD_BYTES]
            self._number()
            self._buffer[at : at + RECORD_BYTES] = head

    def _number(self):
        """Write the next sequence number and the check into the record at hand."""
        head = self._head
        sequence = self._sequence
        struct.pack_into("<H", head, 16, sequence)
        struct.pack_into("<H", head, HEAD_BYTES, check_word(self._checked))
        self._sequence = (sequence + 1) & MAX_SEQUENCE

    @property
    def start(self):
        """Offset of the oldest byte held."""
        return self._starts[0]

    @property
    def end(self):
        """Offset one past the newest byte, memory included."""
        return self._starts[-1] + self._size + self._count * RECORD_BYTES

    def add(self, tick, kind, arg=0, pattern=0, value=0, supply_mv=0):
        """Take one record; an edge that finds no room is dropped and counted."""
        count = self._count
        if count >= BUFFER_RECORDS - RESERVED_RECORDS and (kind in EDGES or count >= BUFFER_RECORDS - 2):
            self._dropped += 1
            return
        if not count:
            self.due = max(tick - tick % FLUSH_TICKS + FLUSH_TICKS, self._flushed_tick + FLUSH_GAP_TICKS)
            if kind != PAGE and not 0 < self._size < FILE_BYTES:
                self.add(tick, PAGE, 0, 0, self.boot)
        dropped = self._dropped
        if dropped and kind != PAGE:
            self._dropped = 0
            self.add(tick, LOST, 0, 0, dropped)
        block = tick >> TICK_BITS & 0xFF
        supply_mv = min(max(supply_mv, 0), 0xFFFF)
        if not 0 <= value <= MAX_VALUE:  # masking would make a new number of every value, on the board's heap
            value &= MAX_VALUE
        head = self._head
        struct.pack_into(
            RECORD, head, 0, kind, arg, pattern, tick & TICK_MASK, value, supply_mv, block, FORMAT, 0, 0
        )
        self._number()
        at = self._count * RECORD_BYTES
        self._buffer[at : at + RECORD_BYTES] = head
        self._count += 1
        if kind in URGENT or self._count >= FLUSH_RECORDS:
            self.due = max(tick, self._flushed_tick + FLUSH_GAP_TICKS)

    def flush(self, now):
        """Append what waits to the newest file, begin the next where that is full, delete the oldest beyond
        the ring. Where the store fails the records wait on; those that then find no room are counted."""
        self.due = LATER
        if not self._count:
            return
        self._flushed_tick = now
        try:
            self._append(memoryview(self._buffer)[: self._count * RECORD_BYTES])
        except OSError:
            self._unread = True  # nobody knows how much was written
            self.due = now + FLUSH_TICKS

    def _append(self, data):
        if self._unread:
            self._find()
        if self._size >= FILE_BYTES:
            self._starts.append(self._starts[-1] + self._size)
            self._size = 0
        self._store.append(NAME % self._starts[-1], data)
        self._size += len(data)
        self._count = 0
        while len(self._starts) > self._most_files:
            self._store.delete(NAME % self._starts.pop(0))

    def read_at(self, offset, length):
        """Up to `length` bytes from `offset`; see read_into()."""
        data = bytearray(length)
        return bytes(data[: self.read_into(offset, memoryview(data))])

    def read_into(self, offset, view):
        """Fill a memoryview from `offset` as far as one file or the memory goes; returns how many bytes.

        Holes that a power cut left read as 0xFF. Raises BoxError -222 for an offset outside start .. end,
        -250 where the store fails."""
        length = len(view)
        if not self.start <= offset <= self.end:
            raise BoxError(-222, "the journal holds %d to %d" % (self.start, self.end))
        tail = self._starts[-1] + self._size
        if offset >= tail:
            at = offset - tail
            length = min(length, self._count * RECORD_BYTES - at)
            view[:length] = memoryview(self._buffer)[at : at + length]
            return length
        limit = tail
        for first in reversed(self._starts):
            if first <= offset:
                break
            limit = first
        length = min(length, limit - offset)
        read = tried(self._read, NAME % first, offset - first, view[:length])
        for at in range(read, length):
            view[at] = 0xFF
        return length

    def _read(self, name, offset, view):
        file = self._store.open(name)
        if file is None:
            return 0
        with file:
            file.seek(offset)
            return file.readinto(view)

"""What really happened: 16-byte records in a ring of files, safe against torn writes.

Records wait in memory and are appended in batches, because every append costs the flash about one erase.
The bytes are documented here alone; the host decodes with the same file. The journal never decides anything.

A record, little-endian "<BBHIIHBB": kind, arg, pattern, tick, value, supply_mv, block, check.
Box time in ticks since that boot is (block << 30) + tick; block counts on in decode() where its byte wraps.
check is the CRC-8 with the polynomial 0x07 (that of the SMBus) over the 15 bytes before it: it finds every
change within one byte. Blank (0xFF) and zeroed flash are no records either, their kinds are unknown.
A file's name is "j" and the ten-digit offset of its first byte in the whole journal.
"""

import struct

from boxcore import states as st
from boxcore.memory import JOURNAL_BYTES

RECORD = "<BBHIIHBB"
RECORD_BYTES = 16
BUFFER_RECORDS = JOURNAL_BYTES // RECORD_BYTES
RESERVED_RECORDS = 32  # room that edges may not take: trips and holds are never lost to a fast pulse train
FLUSH_RECORDS = 192  # append when this many wait ...
FLUSH_TICKS = 100_000  # ... or the oldest has waited 10 s: what a pulled fuse may cost the journal
FLUSH_GAP_TICKS = 10_000  # never two appends within 1 s: an append may stall the processor for 0.4 s
FILE_BYTES = 16_384  # four flash blocks
FILES = 32  # 512 KB, 32 768 records: a third of the file system
LATER = 1 << 60  # a due tick that never comes: 3.6 million years

TICK_BITS = 30
TICK_MASK = (1 << TICK_BITS) - 1
MAX_VALUE = 0xFFFFFFFF

BOOT, PAGE, ARM, START, EDGE, REPICK, HOLD, RELEASE, TRIP, END, HALT = 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11
LEVEL, STARVED, LOST, CLOCK, DAMAGE, FLAG, GONE, CLEAR, REFUSED = 12, 13, 14, 15, 16, 17, 18, 19, 20
LATCH, TRIM = 21, 22

# kind -> (name, what arg means, what value means, what pattern means)
KINDS = {
    BOOT: ("boot", "cause", "boot", "may_be_lost"),
    PAGE: ("page", "", "boot", ""),
    ARM: ("arm", "slot", "run", "by"),
    START: ("start", "slot", "position", "run_low"),
    EDGE: ("edge", "", "level_ua", "pattern"),
    REPICK: ("repick", "", "level_ua", "pattern"),
    HOLD: ("hold", "fault", "reading", ""),
    RELEASE: ("release", "", "", ""),
    TRIP: ("trip", "fault", "reading", "pattern"),
    END: ("end", "fault", "used", ""),
    HALT: ("halt", "by", "", ""),
    LEVEL: ("level", "", "level_ua", ""),
    STARVED: ("starved", "", "", ""),
    LOST: ("lost", "", "records", ""),
    CLOCK: ("clock", "", "utc_s", ""),
    DAMAGE: ("damage", "part", "detail", ""),
    FLAG: ("flag", "fault", "reading", "pattern"),
    GONE: ("gone", "", "position", ""),
    CLEAR: ("clear", "", "", ""),
    REFUSED: ("refused", "slot", "error", ""),
    LATCH: ("lock", "did", "tries", ""),
    TRIM: ("trim", "channel", "ns", ""),  # channel 0: the supply's gain, parts in a million, in place of ns
}
EDGES = (EDGE, REPICK)
URGENT = (ARM, START, TRIP, END, HALT, DAMAGE)  # written with the next step instead of waiting for company
LEDGER_PART, SLOT_PART, JOURNAL_PART, LOCK_PART, TRIM_PART = 1, 2, 3, 4, 5
# what a damage record is about; its detail: a slot's number, why a trim was not believed (see trim.LOST)
PARTS = {
    LEDGER_PART: "ledger",
    SLOT_PART: "slot",
    JOURNAL_PART: "journal",
    LOCK_PART: "lock",
    TRIM_PART: "trim",
}
LATCHED, UNLATCHED, WRONG, PASSCODE_SET, PASSCODE_GONE = 1, 2, 3, 4, 5
# what a lock record tells; tries: failed ones so far
LATCHES = {
    LATCHED: "locked",
    UNLATCHED: "unlocked",
    WRONG: "wrong passcode",
    PASSCODE_SET: "passcode set",
    PASSCODE_GONE: "passcode cleared",
}


def _crc8_table():
    table = bytearray(256)
    for byte in range(256):
        crc = byte
        for _ in range(8):
            crc = (crc << 1 ^ 0x07) & 0xFF if crc & 0x80 else crc << 1
        table[byte] = crc
    return bytes(table)


CRC8 = _crc8_table()


def check_byte(head):
    """The CRC-8 of some bytes: polynomial 0x07, from 0, not reflected."""
    crc = 0
    for byte in head:
        crc = CRC8[crc ^ byte]
    return crc


def pack(kind, arg, pattern, tick, value, supply_mv):
    """One record; tick is the box's whole, ever-growing tick."""
    block = tick >> TICK_BITS & 0xFF
    raw = struct.pack(RECORD, kind, arg, pattern, tick & TICK_MASK, value, supply_mv, block, 0)
    return raw[:15] + bytes((check_byte(raw[:15]),))


def decode(data, boot=0):
    """The records in `data`, in order, as dicts; damaged ones are left out.

    Each has kind (name), boot, tick, arg, pattern, value, supply_mv, and by name what KINDS says these mean
    (fault and by as words). boot: the boot number in force before the first boot or page record.
    """
    records = []
    block = 0
    for at in range(0, len(data) - RECORD_BYTES + 1, RECORD_BYTES):
        raw = bytes(data[at : at + RECORD_BYTES])
        kind = KINDS.get(raw[0])
        if kind is None or check_byte(raw[:15]) != raw[15]:
            continue
        number, arg, pattern, tick, value, supply_mv, low, _ = struct.unpack(RECORD, raw)
        if number in (BOOT, PAGE) and value != boot:
            boot = value
            block = low
        block += (low - block + 128 & 0xFF) - 128  # the byte wraps; records may step back a little
        records.append(_describe(kind, boot, (block << TICK_BITS) + tick, arg, pattern, value, supply_mv))
    return records


def _describe(kind, boot, tick, arg, pattern, value, supply_mv):
    record = {"kind": kind[0], "boot": boot, "tick": tick, "supply_mv": supply_mv}
    record["arg"] = arg
    record["pattern"] = pattern
    record["value"] = value
    for name, number in ((kind[1], arg), (kind[2], value), (kind[3], pattern)):
        if name == "fault":
            record[name] = st.FAULTS[number][0] if number in st.FAULTS else number
        elif name == "by":
            record[name] = st.BY.get(number, number)
        elif name == "part":
            record[name] = PARTS.get(number, number)
        elif name == "did":
            record[name] = LATCHES.get(number, number)
        elif name and name != "boot":
            record[name] = number
    return record


def _file_name(start):
    return "j%010d" % start


def _file_start(name):
    if len(name) == 11 and name[0] == "j" and name[1:].isdigit():
        return int(name[1:])
    return None


class Journal:
    """The journal in a store. Offsets count from the very first record ever written and never go back, save
    for records that a power cut took; `start` is the oldest byte still held, `end` is one past the newest,
    records in memory included. `due` is the tick at which flush() should be called."""

    def __init__(self, store, files=FILES, buffer=None):
        self._store = store
        self._most_files = files
        self._buffer = bytearray(JOURNAL_BYTES) if buffer is None else buffer
        self._head = bytearray(RECORD_BYTES)
        self._head15 = memoryview(self._head)[:15]
        self._count = 0
        self._dropped = 0
        self._flushed_tick = -FLUSH_GAP_TICKS
        self._starts = [0]
        self._size = 0
        self._unread = True  # the files are to be found before anything is appended
        self.boot = 0
        self.due = LATER
        self.failures = 0

    def open(self, boot):
        """Find the files, newest last; a torn end is left behind and a new file begun after it. True where
        the store could not be read: the records then wait in memory until it can."""
        self.boot = boot
        try:
            self._find()
        except OSError:
            self.failures += 1
        return self._unread

    def _find(self):
        starts = [_file_start(name) for name in self._store.names()]
        starts = sorted(start for start in starts if start is not None) or [0]
        last = starts[-1]
        size = self._store.size(_file_name(last)) or 0
        if self._torn(last, size):
            whole = size + RECORD_BYTES - 1
            starts.append(last + whole - whole % RECORD_BYTES)
            size = 0
        self._starts = starts
        self._size = size
        self._unread = False

    def _torn(self, start, size):
        if size % RECORD_BYTES:
            return True
        if not size:
            return False
        raw = self._store.read_at(_file_name(start), size - RECORD_BYTES, RECORD_BYTES)
        return check_byte(raw[:15]) != raw[15]

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
            self.due = max(tick + FLUSH_TICKS, self._flushed_tick + FLUSH_GAP_TICKS)
            if not self._size or self._size >= FILE_BYTES:
                self._put(tick, PAGE, 0, 0, self.boot, 0)
        if self._dropped:
            dropped = self._dropped
            self._dropped = 0
            self._put(tick, LOST, 0, 0, dropped, 0)
        self._put(tick, kind, arg, pattern, value, supply_mv)
        if kind in URGENT or self._count >= FLUSH_RECORDS:
            self.due = max(tick, self._flushed_tick + FLUSH_GAP_TICKS)

    def _put(self, tick, kind, arg, pattern, value, supply_mv):
        block = tick >> TICK_BITS & 0xFF
        supply_mv = min(max(supply_mv, 0), 0xFFFF)
        if not 0 <= value <= MAX_VALUE:  # masking would make a new number of every value, on the board's heap
            value &= MAX_VALUE
        at = self._count * RECORD_BYTES
        head = self._head
        struct.pack_into(RECORD, head, 0, kind, arg, pattern, tick & TICK_MASK, value, supply_mv, block, 0)
        head[15] = check_byte(self._head15)
        self._buffer[at : at + RECORD_BYTES] = head
        self._count += 1

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
            self.failures += 1
            self._unread = True  # nobody knows how much was written
            self.due = now + FLUSH_TICKS

    def _append(self, data):
        if self._unread:
            self._find()
        if self._size >= FILE_BYTES:
            self._starts.append(self._starts[-1] + self._size)
            self._size = 0
        self._store.append(_file_name(self._starts[-1]), data)
        self._size += len(data)
        self._count = 0
        while len(self._starts) > self._most_files:
            self._store.delete(_file_name(self._starts.pop(0)))

    def read_at(self, offset, length):
        """Up to `length` bytes from `offset`, from one file or from memory; holes that a power cut left read
        as 0xFF. Raises ValueError for an offset outside start .. end, BoxError -250 where the store fails."""
        if not self.start <= offset <= self.end:
            raise ValueError("the journal holds %d to %d" % (self.start, self.end))
        tail = self._starts[-1] + self._size
        if offset >= tail:
            at = offset - tail
            return bytes(self._buffer[at : min(at + length, self._count * RECORD_BYTES)])
        index = len(self._starts) - 1
        while self._starts[index] > offset:
            index -= 1
        first = self._starts[index]
        limit = self._starts[index + 1] if index + 1 < len(self._starts) else tail
        length = min(length, limit - offset)
        try:
            data = self._store.read_at(_file_name(first), offset - first, length) or b""
        except OSError as error:
            raise st.BoxError(-250, "the store failed: %s" % error) from None
        return data + b"\xff" * (length - len(data))

    def read_all(self):
        """Every byte held; for hosts, which have the memory."""
        parts = []
        at = self.start
        while at < self.end:
            part = self.read_at(at, FILE_BYTES)
            parts.append(part)
            at += len(part)
        return b"".join(parts)

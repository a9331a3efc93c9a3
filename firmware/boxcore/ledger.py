"""What must outlive a power loss: what is armed, how far it got, its used budgets, every slot's runs.

One small file, replaced whole. Used budgets are written ahead of time (see reserve.py), so that no power cut
gives any of them back. Nothing is decided here.
"""

import binascii
import struct

from boxcore.slots import SLOTS

NAME = "ledger"
TEMPORARY = "ledger.new"
MAGIC = b"NDlg"
FORMAT = 1
LAYOUT = "<4sBBBBBxxx6I%dI" % (2 * SLOTS)
MAX_U32 = 0xFFFFFFFF

# phases of the armed program
NONE, WAITING, RUNNING, ENDED, TRIPPED = 0, 1, 2, 3, 4
NO_SLOT = SLOTS  # a trip of a hand level belongs to no slot
PHASES = (NONE, WAITING, RUNNING, ENDED, TRIPPED)


class Ledger:
    """The persisted state, plain fields: phase, slot, by, fault, serial (of the armed program), run,
    used_ticks, used_mas, position_ticks, boot (count), and for each slot (serial, runs)."""

    def __init__(self):
        self.phase = NONE
        self.slot = 0
        self.by = 0
        self.fault = 0
        self.serial = 0
        self.run = 0
        self.used_ticks = 0
        self.used_mas = 0
        self.position_ticks = 0
        self.boot = 0
        self.serials = [0] * SLOTS
        self.runs = [0] * SLOTS

    def runs_of(self, slot, serial):
        """How often the program stored as `serial` in `slot` was armed."""
        return self.runs[slot] if self.serials[slot] == serial else 0

    def count_run(self, slot, serial):
        """Count one more arm; returns its run number."""
        self.runs[slot] = self.runs_of(slot, serial) + 1
        self.serials[slot] = serial
        return self.runs[slot]


def copy(ledger):
    """Another Ledger with the same content."""
    return unpack(pack(ledger))


def pack(ledger):
    """The bytes of the file."""
    counters = [number for pair in zip(ledger.serials, ledger.runs) for number in pair]
    body = struct.pack(
        LAYOUT,
        MAGIC,
        FORMAT,
        ledger.phase,
        ledger.slot,
        ledger.by,
        ledger.fault,
        ledger.serial,
        ledger.run,
        min(ledger.used_ticks, MAX_U32),
        min(ledger.used_mas, MAX_U32),
        min(ledger.position_ticks, MAX_U32),
        ledger.boot,
        *counters,
    )
    return body + struct.pack("<I", binascii.crc32(body))


def unpack(data):
    """The Ledger in the bytes, or None where they are damaged."""
    size = struct.calcsize(LAYOUT)
    if len(data) != size + 4 or binascii.crc32(data[:size]) != struct.unpack("<I", data[size:])[0]:
        return None
    fields = struct.unpack(LAYOUT, data[:size])
    if fields[0] != MAGIC or fields[1] != FORMAT or fields[2] not in PHASES or fields[3] > SLOTS:
        return None
    if fields[3] == NO_SLOT and fields[2] in (WAITING, RUNNING):
        return None
    ledger = Ledger()
    (ledger.phase, ledger.slot, ledger.by, ledger.fault) = fields[2:6]
    (ledger.serial, ledger.run, ledger.used_ticks, ledger.used_mas) = fields[6:10]
    (ledger.position_ticks, ledger.boot) = fields[10:12]
    ledger.serials = [fields[k] for k in range(12, len(fields), 2)]
    ledger.runs = [fields[k] for k in range(13, len(fields), 2)]
    return ledger


def load(store):
    """(Ledger, damaged): a fresh one where the store has none, or none that can be believed."""
    try:
        data = store.read(NAME)
    except OSError:
        return Ledger(), True
    if data is None:
        return Ledger(), False
    ledger = unpack(data)
    return (Ledger(), True) if ledger is None else (ledger, False)


def save(store, ledger):
    """Replace the file whole."""
    store.write(TEMPORARY, pack(ledger))
    store.sync()
    store.rename(TEMPORARY, NAME)

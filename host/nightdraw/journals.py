"""A box's journal on the host's side: what its records mean, and their bytes as dicts of named fields.

The bytes themselves are boxcore.journal's. Runs under MicroPython too, where tests compare the two Pythons:
hence no __future__.
"""

from boxcore import journal as jn
from boxcore import states as st

TYPE_CHECKING = False  # for mypy alone: MicroPython has no such module
if TYPE_CHECKING:
    from typing import Any

# kind -> (name, what arg means, what value means, what pattern means)
KINDS = {
    jn.BOOT: ("boot", "cause", "boot", "may_be_lost"),
    jn.PAGE: ("page", "", "boot", ""),
    jn.ARM: ("arm", "slot", "run", "by"),
    jn.START: ("start", "slot", "position", "run_low"),
    jn.EDGE: ("edge", "", "level_ua", "pattern"),
    jn.REPICK: ("repick", "", "level_ua", "pattern"),
    jn.HOLD: ("hold", "fault", "reading", ""),
    jn.RELEASE: ("release", "", "", ""),
    jn.TRIP: ("trip", "fault", "reading", "pattern"),
    jn.END: ("end", "fault", "used", ""),
    jn.HALT: ("halt", "by", "", ""),
    jn.LEVEL: ("level", "", "level_ua", ""),
    jn.STARVED: ("starved", "", "", ""),
    jn.LOST: ("lost", "", "records", ""),
    jn.CLOCK: ("clock", "", "utc_s", ""),
    jn.DAMAGE: ("damage", "part", "detail", ""),
    jn.FLAG: ("flag", "fault", "reading", "pattern"),
    jn.GONE: ("gone", "", "position", ""),
    jn.CLEAR: ("clear", "", "", ""),
    jn.REFUSED: ("refused", "slot", "error", ""),
    jn.LATCH: ("lock", "did", "tries", ""),
    jn.TRIM: (
        "trim",
        "channel",
        "ns",
        "",
    ),  # channel 0: the supply's gain, parts in a million, in place of ns
}
# what a damage record is about; its detail: a slot's number, why a trim was not believed (see trim.LOST)
PARTS = {
    jn.LEDGER_PART: "ledger",
    jn.SLOT_PART: "slot",
    jn.JOURNAL_PART: "journal",
    jn.LOCK_PART: "lock",
    jn.TRIM_PART: "trim",
}
# what a lock record tells; tries: failed ones so far
LATCHES = {
    jn.LATCHED: "locked",
    jn.UNLATCHED: "unlocked",
    jn.WRONG: "wrong passcode",
    jn.PASSCODE_SET: "passcode set",
    jn.PASSCODE_GONE: "passcode cleared",
}
# the field of what a number means in words -> the words
WORDS = {
    "fault": {number: row[0] for number, row in st.FAULTS.items()},
    "by": {st.BY_LINK: "link", st.BY_PANEL: "panel", st.BY_RESUME: "resume"},
    "part": PARTS,
    "did": LATCHES,
}


def decode(data: bytes, boot: int = 0) -> "list[dict[str, Any]]":
    """The records in `data`, in order, as dicts; damaged ones are left out.

    Each has kind (name), boot, tick, sequence, arg, pattern, value, supply_mv, and by name what KINDS says
    these mean (fault and by as words). boot: the boot number in force before the first boot or page record.
    """
    records: list[dict[str, Any]] = []
    block = 0
    for at in range(0, len(data) - jn.RECORD_BYTES + 1, jn.RECORD_BYTES):
        fields = jn.unpack(bytes(data[at : at + jn.RECORD_BYTES]))
        if fields is None:
            continue
        number, arg, pattern, tick, value, supply_mv, low, _, sequence, _ = fields
        if number in (jn.BOOT, jn.PAGE) and value != boot:
            boot = value
            block = low
        block += (low - block + 128 & 0xFF) - 128  # the byte wraps; records may step back a little
        tick += block << jn.TICK_BITS
        records.append(_describe(KINDS[number], boot, tick, (arg, value, pattern), supply_mv, sequence))
    return records


def _describe(
    kind: tuple[str, str, str, str],
    boot: int,
    tick: int,
    numbers: tuple[int, int, int],
    supply_mv: int,
    sequence: int,
) -> "dict[str, Any]":
    arg, value, pattern = numbers
    record: dict[str, Any] = {"kind": kind[0], "boot": boot, "tick": tick, "supply_mv": supply_mv}
    record["sequence"] = sequence
    record["arg"] = arg
    record["pattern"] = pattern
    record["value"] = value
    for name, number in ((kind[1], arg), (kind[2], value), (kind[3], pattern)):
        if name and name != "boot":
            record[name] = WORDS.get(name, {}).get(number, number)
    return record


def whole(journal: jn.Journal) -> bytes:
    """Every byte that a Journal holds."""
    parts = []
    at = journal.start
    while at < journal.end:
        part = journal.read_at(at, jn.FILE_BYTES)
        parts.append(part)
        at += len(part)
    return b"".join(parts)

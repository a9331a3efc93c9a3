"""What of the standard's subsystems this instrument has, from PROGram to DIAGnostic.

Rows and handlers as commands_common describes them. Nothing here parses bytes or keeps state of its own.

Where the standard leaves room:
- a program's name is its slot, SLOT0 .. SLOT9, as a word or a string; the catalogue names slots with damaged
  content too (-311), which a new program replaces;
- PROGram[:SELected]:STATe STOP and OUTPut OFF halt whatever runs: opening the switches must not depend on a
  name. The explicit form halts its own slot only;
- RUN while any program is armed is refused (-221) and PAUSe, CONTinue always are: a run follows its schedule.
  A program that a guard holds back answers PAUS;
- a program larger than MAX_DATA bytes, like the journal, is read by offset and length; without them it is
  refused (-223), never cut;
- MMEMory:DATA? gives up to ANSWER_BYTES at once, more than MAX_DATA only as the one answer of its message;
- the hand level is what the circuit shall see, the box's own consumption included;
- OUTPut:DURation says how long OUTPut ON lasts, 0 (as after *RST): until OUTPut OFF. The box itself ends it,
  whatever becomes of the link;
- DIAGnostic:CLOCk <seconds since 1970 UTC>[,<milliseconds>] journals a pair of box time and host time.
"""

from boxcore import scpi_text as words
from boxcore import states as st
from boxcore.commands_common import HALT, OPEN, PROTECTED, TAKES_BLOCK, ask_not
from boxcore.journal import CLOCK, FILE_BYTES, FILES
from boxcore.lock import STEP_MV
from boxcore.loop import GRID_TICKS, TICKS_A_MS
from boxcore.port import ANSWER_BYTES, NOT_MEASURED
from boxcore.program import MAX_BYTES, MAX_TICKS, TICKS_PER_S
from boxcore.slots import SLOTS
from boxcore.states import BoxError

MAX_DATA = 160  # bytes of a block answer, ten journal records: a header and short answers have room beside it
MAX_OFFSET = 0x3FFFFFFF  # the board's largest small integer: 67 million journal records
JOURNAL = "JOURNAL"
MAX_SEAL = 999_999_999
AMPERES = {"": 6, "A": 6, "MA": 3, "UA": 0}  # suffix -> power of ten to microamperes
SECONDS = {"": 4, "S": 4, "MS": 1}  # suffix -> power of ten to ticks
MAX_UTC_S = 0xFFFFFFFE  # the year 2106; the record has 32 bits
UA_PLACES, TICK_PLACES, MV_PLACES, CDEG_PLACES = 6, 4, 3, 2  # of answers in amperes, seconds, volts, degrees
LOW, HIGH = "low", "high"  # MINimum and MAXimum where only the box knows them


def slot_name(item):
    """A program's name as a slot number."""
    if item[0] == words.NUMBER:
        raise BoxError(-128)
    text = item[1].upper()
    if len(text) != 5 or text[:4] != "SLOT" or text[4] not in words.DIGITS:
        raise BoxError(-282)
    return int(text[4])


def _level(item):
    """A hand level: microamperes as a number, LOW or HIGH."""
    return _EXTREME(item) if item[0] == words.WORD else words.scaled(item, AMPERES, 0, 10**9)


def _seconds(item):
    """A duration in ticks; DEFault as after *RST."""
    if item[0] == words.WORD and words.is_form_of("DEFault", item[1]):
        return 0
    return words.scaled(item, SECONDS, 0, MAX_TICKS)


_OFFSET = words.integer(0, MAX_OFFSET)
_LENGTH = words.integer(0, MAX_DATA)
_EXTREME = words.choice({"MINimum": LOW, "MAXimum": HIGH, "DEFault": LOW})
_STATE = words.choice({"RUN": "RUN", "STOP": "STOP", "PAUSe": "PAUS", "CONTinue": "CONT"})


# PROGram


def _selected(ins):
    """The chosen slot; until one is chosen that of the armed program, or else the first."""
    return ins.box.slot or 0 if ins.chosen is None else ins.chosen


def _of_selected(handler):
    """The same handler for the form without a name."""
    return lambda ins, *rest: handler(ins, _selected(ins), *rest)


def _catalog(ins):
    return ['"SLOT%d"' % slot for slot in range(SLOTS) if ins.box.slots.infos[slot]] or '""'


def ask_change(box, slot):
    """Raise BoxError -284 for the slot that is armed: it must not change."""
    if box.state in st.ARMED and slot == box.slot:
        raise BoxError(-284, "slot %d is armed" % slot)


def _define(ins, slot, size):
    """Store a program as its bytes come; the edge queue is full before each write, which may take long."""
    box, slots = ins.box, ins.box.slots
    if size > MAX_BYTES:
        raise BoxError(-223, "a slot holds %d bytes" % MAX_BYTES)
    if slots.writing is not None:
        raise BoxError(-221, "another link stores a program")
    ask_change(box, slot)

    def pause():
        ins.refresh()
        box.top_up(ins.now)

    box.top_up(ins.now)
    slots.open_write(slot)
    try:
        piece = yield
        while piece is not None:
            box.top_up(ins.now)
            slots.write(piece)
            piece = yield
        pause()
        slots.commit(pause)
    finally:
        slots.abort()


def _definition(ins, slot, offset=None, length=None):
    size = ins.box.slots.info(slot).bytes
    if offset is None:
        if size > MAX_DATA:
            raise BoxError(-223, "%d bytes: ask by offset and length" % size)
        offset, length = 0, MAX_DATA
    elif length is None:
        raise BoxError(-109)
    return words.block(ins.box.slots.read_at(slot, offset, length))


def _delete(ins, slot):
    if ins.box.slots.infos[slot] is None:
        raise BoxError(-282, "slot %d is empty" % slot)
    ask_change(ins.box, slot)
    ins.box.slots.delete(slot)


def _delete_all(ins):
    if ins.box.state in st.ARMED:
        raise BoxError(-284)
    for slot in range(SLOTS):
        ins.box.slots.delete(slot)


def _set_state(ins, slot, state):
    """slot: None for the chosen one, whose STOP halts whatever runs."""
    if state == "STOP":
        if slot is None or (ins.box.slot == slot and ins.box.state in st.ARMED):
            ins.box.halt(ins.now)
    elif state == "RUN":
        ins.closes_switches()
        ins.box.arm(ins.now, _selected(ins) if slot is None else slot)
    else:
        raise BoxError(-221, "a program runs or stops")


def _program_state(ins, slot):
    if ins.box.slot != slot or ins.box.state not in st.ARMED:
        return "STOP"
    return "PAUS" if ins.box.state == st.HOLDING else "RUN"


# OUTPut, SOURce


def _set_output(ins, on):
    if not on:
        ins.box.halt(ins.now)
        return
    ins.closes_switches()
    ins.box.level(ins.now, ins.box.hand_ua, ins.box.hand_ticks)


def _bounds_ua(ins):
    """The lowest level, the own consumption, and the highest, the whole bank at the present supply added."""
    own_ua = ins.box.board.own_ua
    supply_mv = max(ins.box.readings.supply_mv, ins.box.board.caps["supply_min_mv"])
    return own_ua, own_ua + ins.box.bank.full_ua(supply_mv)


def _set_level(ins, level):
    ask_not(ins, st.ARMED, "level")
    lowest_ua, highest_ua = _bounds_ua(ins)
    level_ua = {LOW: lowest_ua, HIGH: highest_ua}.get(level, level)
    if not lowest_ua <= level_ua <= highest_ua:
        bounds = [words.decimal_text(ua, UA_PLACES) for ua in (lowest_ua, highest_ua)]
        raise BoxError(-222, "%s A to %s A" % tuple(bounds))
    if ins.box.state == st.LEVEL:
        ins.box.level(ins.now, level_ua, ins.box.hand_ticks)
    ins.box.hand_ua = level_ua


def _hand_level(ins, extreme=None):
    lowest_ua, highest_ua = _bounds_ua(ins)
    return words.decimal_text({None: ins.box.hand_ua, LOW: lowest_ua, HIGH: highest_ua}[extreme], UA_PLACES)


def _duration(ins, extreme=None):
    return words.decimal_text({None: ins.box.hand_ticks, LOW: 0, HIGH: MAX_TICKS}[extreme], TICK_PLACES)


# MEASure


def _voltage(ins):
    if ins.box.lock.locked:  # a fresh reading would show every pulse, and waiting for it every edge
        return words.decimal_text(ins.box.slow_supply.mv // STEP_MV, 1)
    ins.refresh()
    return words.decimal_text(ins.box.readings.supply_mv, MV_PLACES)


def _current(ins):
    ins.refresh()
    bank_ua = ins.box.readings.bank_ua
    ua = ins.box.level_ua if bank_ua == NOT_MEASURED else ins.box.board.own_ua + bank_ua
    return words.decimal_text(ua, UA_PLACES)


def _temperature(ins):
    ins.refresh()
    cdeg = ins.box.readings.bank_cdeg
    if cdeg == NOT_MEASURED:
        raise BoxError(-241, "no bank temperature sensor")
    return words.decimal_text(cdeg, CDEG_PLACES)


# MMEMory


def _files(ins):
    journal = ins.box.journal
    used = journal.end - journal.start
    return used, max(0, FILES * FILE_BYTES - used), '"%s,BIN,%d"' % (JOURNAL, used)


def _data(ins, name, offset, length):
    if name.upper() != JOURNAL:
        raise BoxError(-256)
    if length <= MAX_DATA:
        return words.block(ins.box.journal.read_at(offset, length))
    view = memoryview(ins.box.answer)[:length]
    return view[: ins.box.journal.read_into(offset, view)]


# DIAGnostic


def _run(ins):
    return ins.box.state.upper(), ins.box.slot, ins.box.run, ins.box.run_started


def _clock(ins):
    return ins.now - (ins.now % GRID_TICKS if ins.box.lock.locked else 0)


def _pair(ins, utc_s, utc_ms=0):
    """The pair is of the instant at which the host's next second begins: a record holds whole ones."""
    ins.box.record(ins.now + TICKS_PER_S - utc_ms * TICKS_A_MS, CLOCK, 0, utc_s + 1)


def _waits(ins):
    state, run = ins.box.state, ins.box.run_account
    return run.waits(state, ins.now) if state in st.BUSY else (st.NOTHING, None, None)


def _program(ins, slot):
    info = ins.box.slots.info(slot)
    return words.quoted(info.name), info.bytes, info.crc32


TABLE = (
    ("PROGram:CATalog?", PROTECTED, 0, (), _catalog),
    ("PROGram[:SELected]:NAME", PROTECTED, 1, (slot_name,), lambda ins, slot: setattr(ins, "chosen", slot)),
    ("PROGram[:SELected]:NAME?", PROTECTED, 0, (), lambda ins: "SLOT%d" % _selected(ins)),
    ("PROGram[:SELected]:DEFine", PROTECTED, 0, (), _of_selected(_define), TAKES_BLOCK),
    ("PROGram[:SELected]:DEFine?", PROTECTED, 0, (_OFFSET, _LENGTH), _of_selected(_definition)),
    ("PROGram[:SELected]:DELete[:SELected]", PROTECTED, 0, (), _of_selected(_delete)),
    ("PROGram[:SELected]:DELete:ALL", PROTECTED, 0, (), _delete_all),
    ("PROGram[:SELected]:STATe", HALT, 1, (_STATE,), lambda ins, state: _set_state(ins, None, state)),
    ("PROGram[:SELected]:STATe?", PROTECTED, 0, (), _of_selected(_program_state)),
    ("PROGram:EXPLicit:DEFine", PROTECTED, 1, (slot_name,), _define, TAKES_BLOCK),
    ("PROGram:EXPLicit:DEFine?", PROTECTED, 1, (slot_name, _OFFSET, _LENGTH), _definition),
    ("PROGram:EXPLicit:DELete", PROTECTED, 1, (slot_name,), _delete),
    ("PROGram:EXPLicit:STATe", PROTECTED, 2, (slot_name, _STATE), _set_state),
    ("PROGram:EXPLicit:STATe?", PROTECTED, 1, (slot_name,), _program_state),
    ("OUTPut[:STATe]", HALT, 1, (words.boolean,), _set_output),
    ("OUTPut[:STATe]?", OPEN, 0, (), lambda ins: 1 if ins.box.state in st.BUSY else 0),
    ("OUTPut:DURation", PROTECTED, 1, (_seconds,), lambda ins, ticks: setattr(ins.box, "hand_ticks", ticks)),
    ("OUTPut:DURation?", PROTECTED, 0, (_EXTREME,), _duration),
    ("OUTPut:PROTection:CLEar", PROTECTED, 0, (), lambda ins: ins.box.clear(ins.now)),
    ("[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]", PROTECTED, 1, (_level,), _set_level),
    ("[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]?", PROTECTED, 0, (_EXTREME,), _hand_level),
    ("MEASure[:SCALar]:VOLTage[:DC]?", OPEN, 0, (), _voltage),
    ("MEASure[:SCALar]:CURRent[:DC]?", PROTECTED, 0, (), _current),
    ("MEASure[:SCALar]:TEMPerature?", PROTECTED, 0, (), _temperature),
    ("MMEMory:CATalog?", PROTECTED, 0, (), _files),
    ("MMEMory:DATA?", PROTECTED, 3, (words.string, _OFFSET, words.integer(0, ANSWER_BYTES)), _data),
    ("DIAGnostic:BOARd?", OPEN, 0, (), lambda ins: words.quoted(ins.box.board.name)),
    ("DIAGnostic:CHANnels?", PROTECTED, 0, (), lambda ins: ins.box.bank.channels_ns),
    ("DIAGnostic:CLOCk", PROTECTED, 1, (words.integer(0, MAX_UTC_S), words.integer(0, 999)), _pair),
    ("DIAGnostic:CLOCk?", OPEN, 0, (), _clock),
    ("DIAGnostic:JOURnal?", PROTECTED, 0, (), lambda ins: (ins.box.journal.start, ins.box.journal.end)),
    ("DIAGnostic:MONitor?", PROTECTED, 0, (), lambda ins: int(ins.box.board.monitor)),
    ("DIAGnostic:OWN?", PROTECTED, 0, (), lambda ins: words.decimal_text(ins.box.board.own_ua, UA_PLACES)),
    ("DIAGnostic:PROGram?", PROTECTED, 1, (slot_name,), _program),
    ("DIAGnostic:RUN?", PROTECTED, 0, (), _run),
    ("DIAGnostic:SEAL?", OPEN, 1, (words.integer(0, MAX_SEAL),), lambda ins, n: (n,) + ins.seal()),
    ("DIAGnostic:STATe?", OPEN, 0, (), lambda ins: ins.box.state.upper()),
    ("DIAGnostic:WAIT?", PROTECTED, 0, (), _waits),
)


def board_rows(hal, loop):
    """The rows that only a real board has.

    DIAGnostic:HARDware? answers faults (bits of sensors and hal_rp2), clk_sys in hertz, underruns, the
    latest start in ticks, room in the queue in words. DIAGnostic:MAINtenance ends the program and resets the
    board to its prompt, without a watchdog, so that files can be changed; refused while a program or a level
    plays."""

    def hardware(ins):
        return hal.faults, hal.clock_hz, hal.starved_count, hal.late_ticks, hal.room()

    def maintain(ins):
        if ins.box.state in st.BUSY:
            raise BoxError(-221, "halt first")
        loop.leave = True

    return (
        ("DIAGnostic:HARDware?", PROTECTED, 0, (), hardware),
        ("DIAGnostic:MAINtenance", PROTECTED, 0, (), maintain),
    )

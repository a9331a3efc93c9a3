"""What of the standard's subsystems this instrument has, from PROGram to DIAGnostic.

Rows and handlers as commands_common describes them. Nothing here parses bytes or keeps state of its own.

Where the standard leaves room:
- a program's name is its slot, SLOT0 .. SLOT9, as a word or a string; the catalogue names slots with damaged
  content too (-311), which a new program replaces;
- PROGram[:SELected]:STATe STOP and OUTPut OFF halt whatever runs: no name may stand between a hand and the
  switches. The explicit form halts its own slot only;
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
from boxcore.commands_common import HALT, OPEN, PROTECTED
from boxcore.journal import CLOCK, FILE_BYTES, FILES
from boxcore.loop import GRID_TICKS
from boxcore.memory import ANSWER_BYTES
from boxcore.port import NOT_MEASURED
from boxcore.program import MAX_BYTES, MAX_TICKS, TICKS_PER_S
from boxcore.scpi_errors import ScpiError
from boxcore.slots import SLOTS
from boxcore.slowmean import STEP_MV

MAX_DATA = 160  # bytes of a block answer, ten journal records: a header and short answers have room beside it
MAX_OFFSET = 0x3FFFFFFF  # the board's largest small integer: 67 million journal records
JOURNAL = "JOURNAL"
MAX_SEAL = 999_999_999
AMPERES = {"": 6, "A": 6, "MA": 3, "UA": 0}  # suffix -> power of ten to microamperes
SECONDS = {"": 4, "S": 4, "MS": 1}  # suffix -> power of ten to ticks
MAX_UTC_S = 0xFFFFFFFE  # the year 2106; the record has 32 bits
TICKS_A_MS = 10
UA_PLACES = 6
TICK_PLACES = 4
MV_PLACES = 3
CDEG_PLACES = 2
NONE = -1  # answered where there is no slot or no tick


def slot_name(item):
    """A program's name as a slot number."""
    text = item[1].upper() if item[0] == words.STRING else item[1]
    if item[0] == words.NUMBER:
        raise ScpiError(-128)
    if len(text) != 5 or text[:4] != "SLOT" or not words.is_digit(text[4]):
        raise ScpiError(-282)
    return int(text[4])


def _extreme(item):
    return words.choice({"MINimum": "low", "MAXimum": "high", "DEFault": "low"})(item)


def _level(item):
    """A hand level: microamperes as a number, "low" or "high"."""
    if item[0] == words.WORD:
        return _extreme(item)
    return words.scaled(item, AMPERES, 0, 10**9)


def _seconds(item):
    """A duration in ticks; DEFault as after *RST."""
    if item[0] == words.WORD and words.is_form_of("DEFault", item[1]):
        return 0
    return words.scaled(item, SECONDS, 0, MAX_TICKS)


def _listed(*values):
    """Words and numbers as one answer."""
    shown = [NONE if value is None else value for value in values]
    return ",".join([value if isinstance(value, str) else "%d" % value for value in shown])


_OFFSET = words.integer(0, MAX_OFFSET)
_LENGTH = words.integer(0, MAX_DATA)
_STATE = words.choice({"RUN": "RUN", "STOP": "STOP", "PAUSe": "PAUS", "CONTinue": "CONT"})


# PROGram


def _catalog(ins):
    names = ['"SLOT%d"' % slot for slot in range(SLOTS) if not ins.box.slots.is_empty(slot)]
    return ",".join(names) or '""'


class _Sink:
    """A program's way into its slot; the edge queue is full before each write, which may take long."""

    def __init__(self, ins):
        self._ins = ins

    def write(self, piece):
        """Take the next bytes."""
        self._ins.box.top_up(self._ins.now)
        self._ins.box.slots.write(piece)

    def commit(self):
        """Put what came in its slot."""
        self._pause()
        self._ins.box.slots.commit(self._pause)

    def _pause(self):
        self._ins.refresh()
        self._ins.box.top_up(self._ins.now)

    def abort(self):
        """Drop it."""
        self._ins.box.slots.abort()


def _define(ins, slot, sink):
    sink.commit()


def ask_change(box, slot):
    """Raise BoxError -284 for the slot that is armed: it must not change."""
    if box.state in st.ARMED and slot == box.slot:
        raise st.BoxError(-284, "slot %d is armed" % slot)


def _open_define(ins, slot, size):
    if size > MAX_BYTES:
        raise ScpiError(-223, "a slot holds %d bytes" % MAX_BYTES)
    if ins.box.slots.writing is not None:
        raise ScpiError(-221, "another link stores a program")
    ask_change(ins.box, slot)
    ins.box.top_up(ins.now)
    ins.box.slots.open_write(slot)
    return _Sink(ins)


def _definition(ins, slot, offset=None, length=None):
    size = ins.box.slots.info(slot).bytes
    if offset is None:
        if size > MAX_DATA:
            raise ScpiError(-223, "%d bytes: ask by offset and length" % size)
        offset = 0
    elif length is None:
        raise ScpiError(-109)
    return words.block(ins.box.slots.read_at(slot, offset, MAX_DATA if length is None else length))


def _delete(ins, slot):
    if ins.box.slots.is_empty(slot):
        raise ScpiError(-282, "slot %d is empty" % slot)
    ask_change(ins.box, slot)
    ins.box.slots.delete(slot)


def _delete_all(ins):
    if ins.box.state in st.ARMED:
        raise ScpiError(-284)
    for slot in range(SLOTS):
        ins.box.slots.delete(slot)


def _set_state(ins, slot, state):
    if state == "STOP":
        if ins.box.slot == slot and ins.box.state in st.ARMED:
            ins.box.halt(ins.now)
    elif state == "RUN":
        ins.closes_switches()
        if ins.box.state in st.ARMED:
            raise ScpiError(-221, "a program is armed already")
        ins.box.arm(ins.now, slot)
    else:
        raise ScpiError(-221, "a program runs or stops")


def _set_selected_state(ins, state):
    if state == "STOP":
        ins.box.halt(ins.now)
    else:
        _set_state(ins, ins.selected, state)


def _program_state(ins, slot):
    box = ins.box
    if box.slot != slot or box.state not in st.ARMED:
        return "STOP"
    return "PAUS" if box.state == st.HOLDING else "RUN"


def _for_selected(handler):
    """The same handler for the form without a name."""
    return lambda ins, *rest: handler(ins, ins.selected, *rest)


# OUTPut, SOURce


def _set_output(ins, on):
    if not on:
        ins.box.halt(ins.now)
        return
    ins.closes_switches()
    _refuse_while_program(ins)
    ins.box.level(ins.now, ins.box.hand_ua, ins.box.hand_ticks)


def _refuse_while_program(ins):
    if ins.box.state in st.ARMED:
        raise ScpiError(-221, "a program is armed")


def _bounds_ua(ins):
    """The lowest level, the own consumption, and the highest, the whole bank at the present supply added."""
    own_ua = ins.box.board.own_ua
    supply_mv = max(ins.box.readings.supply_mv, ins.box.board.caps["supply_min_mv"])
    return own_ua, own_ua + ins.box.bank.full_ua(supply_mv)


def _set_level(ins, level):
    _refuse_while_program(ins)
    lowest_ua, highest_ua = _bounds_ua(ins)
    level_ua = {"low": lowest_ua, "high": highest_ua}.get(level, level)
    if not lowest_ua <= level_ua <= highest_ua:
        bounds = [words.decimal_text(ua, UA_PLACES) for ua in (lowest_ua, highest_ua)]
        raise ScpiError(-222, "%s A to %s A" % tuple(bounds))
    if ins.box.state == st.LEVEL:
        ins.box.level(ins.now, level_ua, ins.box.hand_ticks)
    ins.box.hand_ua = level_ua


def _hand_level(ins, extreme=None):
    lowest_ua, highest_ua = _bounds_ua(ins)
    level_ua = {None: ins.box.hand_ua, "low": lowest_ua, "high": highest_ua}[extreme]
    return words.decimal_text(level_ua, UA_PLACES)


def _duration(ins, extreme=None):
    ticks = {None: ins.box.hand_ticks, "low": 0, "high": MAX_TICKS}[extreme]
    return words.decimal_text(ticks, TICK_PLACES)


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
        raise ScpiError(-241, "no bank temperature sensor")
    return words.decimal_text(cdeg, CDEG_PLACES)


# MMEMory


def _files(ins):
    journal = ins.box.journal
    used = journal.end - journal.start
    return '%d,%d,"%s,BIN,%d"' % (used, max(0, FILES * FILE_BYTES - used), JOURNAL, used)


def _data(ins, name, offset, length):
    if name.upper() != JOURNAL:
        raise ScpiError(-256)
    try:
        if length <= MAX_DATA:
            return words.block(ins.box.journal.read_at(offset, length))
        view = memoryview(ins.box.answer)[:length]
        return view[: ins.box.journal.read_into(offset, view)]
    except ValueError as error:
        raise ScpiError(-222, str(error)) from None


# DIAGnostic


def _run(ins):
    box = ins.box
    return _listed(box.state.upper(), box.slot, box.run, box.run_started)


def _clock(ins):
    return ins.now - (ins.now % GRID_TICKS if ins.box.lock.locked else 0)


def _pair(ins, utc_s, utc_ms=0):
    """The pair is of the instant at which the host's next second begins: a record holds whole ones."""
    ins.box.record(ins.now + TICKS_PER_S - utc_ms * TICKS_A_MS, CLOCK, 0, utc_s + 1)


def _waits(ins):
    state, run = ins.box.state, ins.box.run_account
    if state not in st.BUSY:
        return _listed(st.NOTHING.upper(), None, None)
    what, below_mv, left_ticks = run.waits(state, ins.now)
    return _listed(what.upper(), below_mv, left_ticks)


def _program(ins, slot):
    info = ins.box.slots.info(slot)
    return '"%s",%d,%d' % (info.name, info.bytes, info.crc32)


TABLE = (
    ("PROGram:CATalog?", PROTECTED, 0, (), _catalog),
    ("PROGram[:SELected]:NAME", PROTECTED, 1, (slot_name,), lambda ins, slot: ins.select(slot)),
    ("PROGram[:SELected]:NAME?", PROTECTED, 0, (), lambda ins: "SLOT%d" % ins.selected),
    ("PROGram[:SELected]:DEFine", PROTECTED, 0, (), _for_selected(_define), _for_selected(_open_define)),
    ("PROGram[:SELected]:DEFine?", PROTECTED, 0, (_OFFSET, _LENGTH), _for_selected(_definition)),
    ("PROGram[:SELected]:DELete[:SELected]", PROTECTED, 0, (), _for_selected(_delete)),
    ("PROGram[:SELected]:DELete:ALL", PROTECTED, 0, (), _delete_all),
    ("PROGram[:SELected]:STATe", HALT, 1, (_STATE,), _set_selected_state),
    ("PROGram[:SELected]:STATe?", PROTECTED, 0, (), _for_selected(_program_state)),
    ("PROGram:EXPLicit:DEFine", PROTECTED, 1, (slot_name,), _define, _open_define),
    ("PROGram:EXPLicit:DEFine?", PROTECTED, 1, (slot_name, _OFFSET, _LENGTH), _definition),
    ("PROGram:EXPLicit:DELete", PROTECTED, 1, (slot_name,), _delete),
    ("PROGram:EXPLicit:STATe", PROTECTED, 2, (slot_name, _STATE), _set_state),
    ("PROGram:EXPLicit:STATe?", PROTECTED, 1, (slot_name,), _program_state),
    ("OUTPut[:STATe]", HALT, 1, (words.boolean,), _set_output),
    ("OUTPut[:STATe]?", OPEN, 0, (), lambda ins: 1 if ins.box.state in st.BUSY else 0),
    ("OUTPut:DURation", PROTECTED, 1, (_seconds,), lambda ins, ticks: setattr(ins.box, "hand_ticks", ticks)),
    ("OUTPut:DURation?", PROTECTED, 0, (_extreme,), _duration),
    ("OUTPut:PROTection:CLEar", PROTECTED, 0, (), lambda ins: ins.box.clear(ins.now)),
    ("[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]", PROTECTED, 1, (_level,), _set_level),
    ("[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]?", PROTECTED, 0, (_extreme,), _hand_level),
    ("MEASure[:SCALar]:VOLTage[:DC]?", OPEN, 0, (), _voltage),
    ("MEASure[:SCALar]:CURRent[:DC]?", PROTECTED, 0, (), _current),
    ("MEASure[:SCALar]:TEMPerature?", PROTECTED, 0, (), _temperature),
    ("MMEMory:CATalog?", PROTECTED, 0, (), _files),
    ("MMEMory:DATA?", PROTECTED, 3, (words.string, _OFFSET, words.integer(0, ANSWER_BYTES)), _data),
    ("DIAGnostic:BOARd?", OPEN, 0, (), lambda ins: words.quoted(ins.box.board.name)),
    ("DIAGnostic:CHANnels?", PROTECTED, 0, (), lambda ins: _listed(*ins.box.bank.channels_ns)),
    ("DIAGnostic:CLOCk", PROTECTED, 1, (words.integer(0, MAX_UTC_S), words.integer(0, 999)), _pair),
    ("DIAGnostic:CLOCk?", OPEN, 0, (), _clock),
    (
        "DIAGnostic:JOURnal?",
        PROTECTED,
        0,
        (),
        lambda ins: _listed(ins.box.journal.start, ins.box.journal.end),
    ),
    ("DIAGnostic:MONitor?", PROTECTED, 0, (), lambda ins: _listed(ins.box.board.monitor)),
    ("DIAGnostic:OWN?", PROTECTED, 0, (), lambda ins: words.decimal_text(ins.box.board.own_ua, UA_PLACES)),
    ("DIAGnostic:PROGram?", PROTECTED, 1, (slot_name,), _program),
    ("DIAGnostic:RUN?", PROTECTED, 0, (), _run),
    ("DIAGnostic:SEAL?", OPEN, 1, (words.integer(0, MAX_SEAL),), lambda ins, n: _listed(n, *ins.seal())),
    ("DIAGnostic:STATe?", OPEN, 0, (), lambda ins: ins.box.state.upper()),
    ("DIAGnostic:WAIT?", PROTECTED, 0, (), _waits),
)

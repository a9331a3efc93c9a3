"""The commands that every instrument of the standard has: 488.2's common ones, SYSTem, STATus.

A row of a table is (header, when locked, parameters needed, parameters' parsers, handler): the header as the
standard writes it, optional nodes in brackets; OPEN, HALT or PROTECTED; the handler is called with the
instrument and the parsed parameters, and answers with what scpi_text.listed() takes or bytes, a command with
None. A row whose last parameter is a block ends with TAKES_BLOCK and is PROTECTED: its handler is a generator
that is called with the block's size too, asks permission, and then gets the block's pieces, at last None;
where something fails meanwhile it is closed.
"""

from boxcore import __version__
from boxcore import states as st
from boxcore.scpi_status import MASTER_SUMMARY, MAX_BYTE, MAX_REGISTER, OPERATION_COMPLETE
from boxcore.scpi_text import register

HEADER, LOCKED, NEEDED, PARSERS, HANDLER = 0, 1, 2, 3, 4  # what stands where in a row
TAKES_BLOCK = "block"

# What a locked box does with a header. Open is what tells that the box is well, opens switches, or belongs to
# the lock; protected whatever shows or changes programs, journal and settings, or gives a run away.
OPEN = "open"
HALT = "halt"  # only to open switches: the handler asks closes_switches() before it does anything else
PROTECTED = "protected"  # refused with -203

# The one answer whose end only the message's end tells: no answer may follow it (488.2, 6.5.7.5 and 8.7.11).
INDEFINITE = "*IDN?"

MAKER = "NIGHTDRAW"
SCPI_VERSION = "1999.0"
MAX_FIELD = 24  # characters of model and serial number in *IDN?, whose answer has at most 72

_BYTE = register(MAX_BYTE)
_REGISTER = register(0xFFFF)  # bit 15 may be given, it is never used


def ask_not(ins, states, what):
    """Raise BoxError -221 while the box is in one of these states: `what` can't be done then."""
    if ins.box.state in states:
        raise st.BoxError(-221, "can't %s while %s" % (what, ins.box.state))


def _identify(ins):
    return MAKER, ins.box.board.name[:MAX_FIELD] or "0", ins.box.serial[:MAX_FIELD] or "0", __version__


def _reset(ins):
    ins.box.halt(ins.now)
    ins.box.hand_ua, ins.box.hand_ticks = ins.box.board.own_ua, 0
    ins.chosen = None


def _register_rows(header, of):
    """The rows of one of SCPI's register sets, which `of` finds in an instrument."""
    return (
        (header + "[:EVENt]?", OPEN, 0, (), lambda ins: of(ins).take_event()),
        (header + ":CONDition?", OPEN, 0, (), lambda ins: of(ins).condition),
        (header + ":ENABle?", OPEN, 0, (), lambda ins: of(ins).enable & MAX_REGISTER),
        (header + ":ENABle", OPEN, 1, (_REGISTER,), lambda ins, mask: setattr(of(ins), "enable", mask)),
    )


TABLE = (
    ("*CLS", OPEN, 0, (), lambda ins: ins.status.clear()),
    ("*ESE", OPEN, 1, (_BYTE,), lambda ins, mask: setattr(ins.status.standard, "enable", mask)),
    ("*ESE?", OPEN, 0, (), lambda ins: ins.status.standard.enable),
    ("*ESR?", OPEN, 0, (), lambda ins: ins.status.standard.take_event()),
    (INDEFINITE, OPEN, 0, (), _identify),
    ("*OPC", OPEN, 0, (), lambda ins: ins.status.standard.latch(OPERATION_COMPLETE)),
    ("*OPC?", OPEN, 0, (), lambda ins: 1),
    ("*RST", OPEN, 0, (), _reset),
    ("*SRE", OPEN, 1, (_BYTE,), lambda ins, mask: setattr(ins.status, "service_enable", mask)),
    ("*SRE?", OPEN, 0, (), lambda ins: ins.status.service_enable & ~MASTER_SUMMARY),
    ("*STB?", OPEN, 0, (), lambda ins: ins.status.byte(bool(ins.answer))),
    ("*WAI", OPEN, 0, (), lambda ins: None),
    ("SYSTem:ERRor[:NEXT]?", OPEN, 0, (), lambda ins: ins.status.next_error()),
    ("SYSTem:ERRor:COUNt?", OPEN, 0, (), lambda ins: len(ins.status.errors)),
    ("SYSTem:VERSion?", OPEN, 0, (), lambda ins: SCPI_VERSION),
    ("STATus:PRESet", OPEN, 0, (), lambda ins: ins.status.preset()),
)
TABLE += _register_rows("STATus:OPERation", lambda ins: ins.status.operation)
TABLE += _register_rows("STATus:QUEStionable", lambda ins: ins.status.questionable)

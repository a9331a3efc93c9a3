"""The commands that every instrument of the standard has: 488.2's common ones, SYSTem, STATus.

A row of a table is (header, when locked, parameters needed, parameters' parsers, handler): the header as the
standard writes it, optional nodes in brackets; OPEN, HALT or PROTECTED; the handler is called with the
instrument and the parsed parameters, and answers with text or bytes, a command with None. A row whose last
parameter is a block has a sixth entry, the opener: called with the instrument, the parameters and the block's
size it returns the sink (write, abort) for the block's bytes; when they were all written the handler is
called with the sink as last parameter.
"""

from boxcore import __version__
from boxcore import states as st
from boxcore.scpi_status import MASTER_SUMMARY, MAX_BYTE, MAX_REGISTER
from boxcore.scpi_text import register

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


def _clear(ins):
    ins.status.clear()


def _set_event_enable(ins, mask):
    ins.status.event_enable = mask


def _event_enable(ins):
    return "%d" % ins.status.event_enable


def _event(ins):
    return "%d" % ins.status.take_event()


def _identify(ins):
    fields = (MAKER, ins.box.board.name[:MAX_FIELD], ins.box.serial[:MAX_FIELD], __version__)
    return ",".join([field or "0" for field in fields])


def _complete(ins):
    ins.status.complete()


def _is_complete(ins):
    return "1"


def _reset(ins):
    ins.box.halt(ins.now)
    ins.restore()


def _set_service_enable(ins, mask):
    ins.status.service_enable = mask & ~MASTER_SUMMARY


def _service_enable(ins):
    return "%d" % ins.status.service_enable


def _status_byte(ins):
    return "%d" % ins.status.byte(ins.answer_waits())


def ask_not(ins, states, what):
    """Raise BoxError -221 while the box is in one of these states: `what` can't be done then."""
    if ins.box.state in states:
        raise st.BoxError(-221, "can't %s while %s" % (what, ins.box.state))


def _selftest(ins):
    from boxcore import selftest  # only now: few power-ups ask for it

    ask_not(ins, st.PLAYING, "self-test")
    ins.box.empty_queue(ins.now)
    return "%d" % selftest.run(ins.box)


def _wait(ins):
    return None


def _next_error(ins):
    return ins.status.errors.pop()


def _count_errors(ins):
    return "%d" % len(ins.status.errors)


def _version(ins):
    return SCPI_VERSION


def _preset(ins):
    ins.status.preset()


def _register_rows(header, name):
    """The rows of one of SCPI's register sets; `name` is its attribute of Status."""

    def event(ins):
        return "%d" % getattr(ins.status, name).take_event()

    def condition(ins):
        return "%d" % getattr(ins.status, name).condition

    def enable(ins):
        return "%d" % getattr(ins.status, name).enable

    def set_enable(ins, mask):
        getattr(ins.status, name).enable = mask & MAX_REGISTER

    return (
        (header + "[:EVENt]?", OPEN, 0, (), event),
        (header + ":CONDition?", OPEN, 0, (), condition),
        (header + ":ENABle?", OPEN, 0, (), enable),
        (header + ":ENABle", OPEN, 1, (_REGISTER,), set_enable),
    )


TABLE = (
    ("*CLS", OPEN, 0, (), _clear),
    ("*ESE", OPEN, 1, (_BYTE,), _set_event_enable),
    ("*ESE?", OPEN, 0, (), _event_enable),
    ("*ESR?", OPEN, 0, (), _event),
    ("*IDN?", OPEN, 0, (), _identify),
    ("*OPC", OPEN, 0, (), _complete),
    ("*OPC?", OPEN, 0, (), _is_complete),
    ("*RST", OPEN, 0, (), _reset),
    ("*SRE", OPEN, 1, (_BYTE,), _set_service_enable),
    ("*SRE?", OPEN, 0, (), _service_enable),
    ("*STB?", OPEN, 0, (), _status_byte),
    ("*TST?", PROTECTED, 0, (), _selftest),
    ("*WAI", OPEN, 0, (), _wait),
    ("SYSTem:ERRor[:NEXT]?", OPEN, 0, (), _next_error),
    ("SYSTem:ERRor:COUNt?", OPEN, 0, (), _count_errors),
    ("SYSTem:VERSion?", OPEN, 0, (), _version),
    ("STATus:PRESet", OPEN, 0, (), _preset),
)
TABLE += _register_rows("STATus:OPERation", "operation")
TABLE += _register_rows("STATus:QUEStionable", "questionable")

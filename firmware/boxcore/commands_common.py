"""The commands that every instrument of the standard has: 488.2's common ones, SYSTem, STATus.

A row of a table is (header, parameters needed, parameters' parsers, handler): the header as the standard
writes it, optional nodes in brackets; the handler is called with the instrument and the parsed parameters,
and answers with text or bytes, a command with None. A row whose last parameter is a block has a fifth entry,
the opener: called with the instrument, the parameters and the block's size it returns the sink (write, abort)
for the block's bytes; when they were all written the handler is called with the sink as last parameter.
"""

from boxcore import __version__
from boxcore.scpi_status import MASTER_SUMMARY, MAX_BYTE, MAX_REGISTER
from boxcore.scpi_text import integer

MAKER = "NIGHTDRAW"
SCPI_VERSION = "1999.0"
MAX_FIELD = 24  # characters of model and serial number in *IDN?, whose answer has at most 72

_BYTE = integer(0, MAX_BYTE)
_REGISTER = integer(0, 0xFFFF)  # bit 15 may be given, it is never used


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


def _selftest(ins):
    return "%d" % ins.box.selftest()


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
        (header + "[:EVENt]?", 0, (), event),
        (header + ":CONDition?", 0, (), condition),
        (header + ":ENABle?", 0, (), enable),
        (header + ":ENABle", 1, (_REGISTER,), set_enable),
    )


TABLE = (
    ("*CLS", 0, (), _clear),
    ("*ESE", 1, (_BYTE,), _set_event_enable),
    ("*ESE?", 0, (), _event_enable),
    ("*ESR?", 0, (), _event),
    ("*IDN?", 0, (), _identify),
    ("*OPC", 0, (), _complete),
    ("*OPC?", 0, (), _is_complete),
    ("*RST", 0, (), _reset),
    ("*SRE", 1, (_BYTE,), _set_service_enable),
    ("*SRE?", 0, (), _service_enable),
    ("*STB?", 0, (), _status_byte),
    ("*TST?", 0, (), _selftest),
    ("*WAI", 0, (), _wait),
    ("SYSTem:ERRor[:NEXT]?", 0, (), _next_error),
    ("SYSTem:ERRor:COUNt?", 0, (), _count_errors),
    ("SYSTem:VERSion?", 0, (), _version),
    ("STATus:PRESet", 0, (), _preset),
)
TABLE += _register_rows("STATus:OPERation", "operation")
TABLE += _register_rows("STATus:QUEStionable", "questionable")

"""Every question that the host asks of a box, with the type and range of its answer; see answers.py.

Literal rows, nothing else. Ranges are wide: what no box of ours can say, not what is likely.
"""

from __future__ import annotations

from boxcore import journal, lock, spake2plus, states
from boxcore.bank import MAX_CHANNELS
from boxcore.commands_box import MAX_DATA
from boxcore.port import ANSWER_BYTES, JOURNAL_BYTES
from boxcore.program import MAX_BYTES
from boxcore.slots import SLOTS

from nightdraw.link.answers import (
    Query,
    block,
    decimal,
    flag,
    hexadecimal,
    integer,
    listing,
    optional,
    quoted,
    row,
    such_that,
    word,
)

MAX_TICK = 1 << 48  # nine hundred years
MAX_U32 = 0xFFFFFFFF
MAX_NS = MAX_U32  # a quarter of an ohm
MOST_V = 100
MOST_A = 100
MOST_C = 1000
MAX_CODE = 999  # of the self-test: a channel, or a check of its own
MOST_PPM = 10**6
MOST_WAIT_S = 86_400
# The journal is a ring of files; its offsets count on for ever. A page that is about to go may still be held.
# a file may end one append beyond its size, and as much may wait in memory
MOST_JOURNAL_BYTES = (journal.FILES + 1) * (journal.FILE_BYTES + JOURNAL_BYTES)
MAX_OFFSET = 1 << 48

_SLOT = integer(0, SLOTS - 1)
_STATE = word({state.upper(): state for state in states.STATES})
_OFFSET = integer(0, MAX_OFFSET)

BOARD = Query(":DIAG:BOAR?", quoted())
OWN_A = Query(":DIAG:OWN?", decimal(0, MOST_A))
CHANNELS = Query(":DIAG:CHAN?", listing(integer(1, MAX_NS), MAX_CHANNELS))
CATALOG = Query(":PROG:CAT?", listing(quoted(f"(SLOT[0-{SLOTS - 1}])?"), SLOTS))
PROGRAM = Query(":DIAG:PROG?", row(quoted(), integer(1, MAX_BYTES), integer(0, MAX_U32)))
DEFINITION = Query(":PROG:EXPL:DEF?", block(MAX_DATA))
RUN = Query(
    ":DIAG:RUN?",
    row(_STATE, optional(_SLOT), optional(integer(0, MAX_U32)), optional(integer(-MAX_TICK, MAX_TICK))),
)
WAITS = Query(
    ":DIAG:WAIT?",
    row(
        word({what: what for what in states.WAITS}),
        optional(integer(0, MOST_V * 1000)),
        optional(integer(0, MAX_TICK)),
    ),
)
STATE = Query(":DIAG:STAT?", _STATE)
SUPPLY_V = Query(":MEAS:VOLT?", decimal(0, MOST_V))
CURRENT_A = Query(":MEAS:CURR?", decimal(0, MOST_A))
TEMP_C = Query(":MEAS:TEMP?", decimal(-MOST_C, MOST_C))
QUESTIONABLE = Query(":STAT:QUES:COND?", integer(0, 0x7FFF))
SELFTEST = Query("*TST?", integer(0, MAX_CODE))
MONITOR = Query(":DIAG:MON?", flag)
CLOCK = Query(":DIAG:CLOC?", integer(0, MAX_TICK))
JOURNAL = Query(
    ":DIAG:JOUR?",
    such_that(
        row(_OFFSET, _OFFSET),
        lambda bounds: 0 <= bounds[1] - bounds[0] <= MOST_JOURNAL_BYTES,
        f"two offsets, the second up to {MOST_JOURNAL_BYTES} bytes behind the first",
    ),
)
JOURNAL_PIECE = Query(":MMEM:DATA?", block(ANSWER_BYTES))
LOCKED = Query(":SYST:PASS:STAT?", word({"0": True, "1": False}))  # it answers whether it is open
TRIES = Query(":SYST:PASS:TRI?", row(integer(0, MAX_U32), integer(0, MOST_WAIT_S)))
SALT = Query(":SYST:PASS:SALT?", row(hexadecimal(0, lock.SALT_BYTES), integer(0, MAX_U32)))
SHARE = Query(":SYST:PASS:SHAR?", hexadecimal(0, lock.POINT_BYTES))
CONFIRMATION = Query(":SYST:PASS:CONF?", hexadecimal(spake2plus.CONFIRMATION_BYTES))
CHANNEL = Query(":CAL:DATA?", row(integer(1, MAX_NS), integer(0, MAX_NS)))
SUPPLY_PPM = Query(":CAL:SUPP?", integer(-MOST_PPM, MOST_PPM))

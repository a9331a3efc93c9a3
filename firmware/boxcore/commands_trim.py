"""CALibration over the link: a reference meter's readings in, what the box believes of its bank out.

Rows and handlers as commands_common describes them. The words below CALibration are ours, the standard has
none for it. A trim changes what is predicted: it is refused while that plays, or is armed.

    CALibration:CLOSe <channel>[,<s>]    closes one channel alone for so long (30 s); a hand level in all else
    CALibration:READing <channel>,<A>,<V>  what the channel draws, and the volts at the box while it does
    CALibration:SUPPly <V>               what the supply is now; CALibration:SUPPly? parts in a million added
    CALibration:DATA? <channel>          nanosiemens by the board file, and by its trim, 0 without one
    CALibration:CLEar [<channel>]        the board file again; without a channel of everything
"""

from boxcore import scpi_text as words
from boxcore import states as st
from boxcore.bank import MAX_CHANNELS
from boxcore.commands_box import AMPERES
from boxcore.commands_common import PROTECTED, ask_not
from boxcore.journal import TRIM
from boxcore.program import TICKS_PER_S
from boxcore.trim import MILLION

CLOSE_S = 30
MAX_CLOSE_S = 300  # a meter is read within seconds; one that is forgotten heats for 5 min
MAX_UA = 10**9
MAX_MV = 10**6
VOLTS = {"": 3, "V": 3, "MV": 0}  # suffix -> power of ten to millivolts

_CHANNEL = words.integer(1, MAX_CHANNELS)
_AMPERES = words.quantity(AMPERES, 0, MAX_UA)
_VOLTS = words.quantity(VOLTS, 1, MAX_MV)

_SECONDS = words.quantity({"": 0, "S": 0}, 1, MAX_CLOSE_S)


def _close(ins, channel, seconds=CLOSE_S):
    ins.closes_switches()
    ins.refresh()
    box = ins.box
    box.trim.check(channel)
    pattern = 1 << channel - 1
    level_ua = box.board.own_ua + box.bank.current_ua(pattern, box.readings.supply_mv)
    box.level(ins.now, level_ua, seconds * TICKS_PER_S, pattern)


def _used(ins, channel, value):
    """What the trim has taken holds from now on, and is journaled."""
    ins.box.trim.apply(ins.box.bank, ins.box.hal)
    ins.box.record(ins.now, TRIM, channel, value)


def _reading(ins, channel, current_ua, supply_mv):
    ask_not(ins, st.BUSY, "trim")
    caps = ins.box.board.caps
    if not caps["supply_min_mv"] <= supply_mv <= caps["supply_max_mv"]:
        raise st.BoxError(-222, "%d mV to %d mV" % (caps["supply_min_mv"], caps["supply_max_mv"]))
    _used(ins, channel, ins.box.trim.take(channel, current_ua, supply_mv))


def _supply(ins, supply_mv):
    ins.refresh()
    ask_not(ins, st.BUSY, "trim")
    _used(ins, 0, MILLION + ins.box.trim.take_supply(supply_mv, ins.box.readings.supply_mv))


def _clear(ins, channel=None):
    ask_not(ins, st.BUSY, "trim")
    trim = ins.box.trim
    trim.clear(channel)
    _used(ins, channel or 0, MILLION if channel is None else trim.nominal_ns[channel - 1])


TABLE = (
    ("CALibration:CLOSe", PROTECTED, 1, (_CHANNEL, _SECONDS), _close),
    ("CALibration:READing", PROTECTED, 3, (_CHANNEL, _AMPERES, _VOLTS), _reading),
    ("CALibration:SUPPly", PROTECTED, 1, (_VOLTS,), _supply),
    ("CALibration:SUPPly?", PROTECTED, 0, (), lambda ins: ins.box.trim.supply_ppm),
    ("CALibration:DATA?", PROTECTED, 1, (_CHANNEL,), lambda ins, channel: ins.box.trim.figures_ns(channel)),
    ("CALibration:CLEar", PROTECTED, 0, (_CHANNEL,), _clear),
)

"""CALibration over the link: a reference meter's readings in, what the box believes of its bank out.

Rows and handlers as commands_common describes them. The words below CALibration are ours, the standard has
none for it.

    CALibration:CLOSe <channel>[,<s>]    closes one channel alone for so long (30 s); a hand level in all else
    CALibration:READing <channel>,<A>,<V>  what the channel draws, and the volts at the box while it does
    CALibration:SUPPly <V>               what the supply is now; CALibration:SUPPly? parts in a million added
    CALibration:DATA? <channel>          nanosiemens by the board file, and by its trim, 0 without one
    CALibration:CLEar [<channel>]        the board file again; without a channel of everything
"""

from boxcore import scpi_text as words
from boxcore.bank import MAX_CHANNELS
from boxcore.commands_box import AMPERES
from boxcore.commands_common import PROTECTED
from boxcore.program import TICKS_PER_S

CLOSE_S = 30
MAX_CLOSE_S = 3_600  # of the parameter; what the box allows is less
MAX_UA = 10**9
MAX_MV = 10**6
VOLTS = {"": 3, "V": 3, "MV": 0}  # suffix -> power of ten to millivolts
SECONDS = {"": 0, "S": 0}

_CHANNEL = words.integer(1, MAX_CHANNELS)


def _amperes(item):
    return words.scaled(item, AMPERES, 0, MAX_UA)


def _volts(item):
    return words.scaled(item, VOLTS, 1, MAX_MV)


def _seconds(item):
    return words.scaled(item, SECONDS, 1, MAX_CLOSE_S)


def _close(ins, channel, seconds=CLOSE_S):
    ins.closes_switches()
    ins.refresh()
    ins.box.close_channel(ins.now, channel, seconds * TICKS_PER_S)


def _reading(ins, channel, current_ua, supply_mv):
    ins.box.trim_channel(ins.now, channel, current_ua, supply_mv)


def _supply(ins, supply_mv):
    ins.refresh()
    ins.box.trim_supply(ins.now, supply_mv)


def _supply_ppm(ins):
    return "%d" % ins.box.trim.supply_ppm


def _data(ins, channel):
    trim = ins.box.trim
    true_ns = trim.channels_ns[channel - 1] if trim.is_trimmed(channel) else 0
    return "%d,%d" % (trim.nominal_ns[channel - 1], true_ns)


def _clear(ins, channel=None):
    ins.box.clear_trim(ins.now, channel)


TABLE = (
    ("CALibration:CLOSe", PROTECTED, 1, (_CHANNEL, _seconds), _close),
    ("CALibration:READing", PROTECTED, 3, (_CHANNEL, _amperes, _volts), _reading),
    ("CALibration:SUPPly", PROTECTED, 1, (_volts,), _supply),
    ("CALibration:SUPPly?", PROTECTED, 0, (), _supply_ppm),
    ("CALibration:DATA?", PROTECTED, 1, (_CHANNEL,), _data),
    ("CALibration:CLEar", PROTECTED, 0, (_CHANNEL,), _clear),
)

"""The self-test: each check has a number, the first that fails is the answer. Milliseconds of load only. Its
row is as commands_common describes it."""

from boxcore import port
from boxcore import states as st
from boxcore.commands_common import PROTECTED, ask_not
from boxcore.slots import SLOTS

PASS = 0
SLOT_CHECK = 100  # + the slot's number: a stored program is damaged
SUPPLY_CHECK = 110  # no supply within the board's caps to test the channels with
MONITOR_CHECK = 111  # the board file names a current monitor that does not answer

ZERO_UA = 500  # what the monitor may read with every switch open, its offset: well below a smallest channel
STEP_UA = 150  # beyond the offset, a reading is good to this: three steps of a monitor on 50 milliohms
PERCENT = 5  # and a channel to this: resistor and monitor tolerances together


def _run(ins):
    """PASS or the number of the first failing check, channels counting from 1. Without a monitor only what is
    stored is tested."""
    ask_not(ins, st.PLAYING, "self-test")
    box = ins.box
    box.empty_queue(ins.now)
    for slot in range(SLOTS):
        if box.slots.scan(slot):
            return SLOT_CHECK + slot
    caps, supply_mv = box.board.caps, box.readings.supply_mv
    if not box.board.monitor:
        return PASS
    if not caps["supply_min_mv"] <= supply_mv <= caps["supply_max_mv"]:
        return SUPPLY_CHECK
    try:
        return _channels(box.bank, box.hal, supply_mv)
    finally:
        box.hal.stop()


def _channels(bank, hal, supply_mv):
    expected_ua = [bank.current_ua(1 << k, supply_mv) for k in range(len(bank.channels_ns))]
    leak_ua = hal.probe(0)
    if leak_ua == port.NOT_MEASURED:
        return MONITOR_CHECK
    if leak_ua > ZERO_UA:  # a switch is stuck: the channel that explains the current best
        gaps = [abs(leak_ua - ua) for ua in expected_ua]
        return gaps.index(min(gaps)) + 1
    for k, ua in enumerate(expected_ua):
        if abs(hal.probe(1 << k) - leak_ua - ua) > ua * PERCENT // 100 + STEP_UA:
            return k + 1
    return PASS


TABLE = (("*TST?", PROTECTED, 0, (), _run),)

"""The box's states, the moves between them, and its faults: literal tables that the code walks.

Nothing here acts. A move that is not in the table is refused.
"""

IDLE = "idle"
WAITING = "waiting"
RUNNING = "running"
HOLDING = "holding"
TRIPPED = "tripped"
ENDED = "ended"
LEVEL = "level"

STATES = (IDLE, WAITING, RUNNING, HOLDING, TRIPPED, ENDED, LEVEL)
PLAYING = (RUNNING, HOLDING, LEVEL)  # the states in which a switch may be closed, or soon may be again
DRAWING = (RUNNING, LEVEL)  # those in which the edge queue plays
ARMED = (WAITING, RUNNING, HOLDING)  # the states that belong to an armed program
BUSY = (WAITING, RUNNING, HOLDING, LEVEL)  # those that draw, or wait to

# state -> {event: state after it}; by state, so that looking a move up makes no tuple: a trip allocates none
AFTER = {
    IDLE: {"arm": WAITING, "level": LEVEL, "clear": IDLE, "halt": IDLE},
    WAITING: {"start": RUNNING, "trip": TRIPPED, "end": ENDED, "halt": IDLE},
    RUNNING: {"hold": HOLDING, "trip": TRIPPED, "end": ENDED, "lost": WAITING, "halt": IDLE},
    HOLDING: {"release": RUNNING, "trip": TRIPPED, "end": ENDED, "lost": WAITING, "halt": IDLE},
    TRIPPED: {"clear": IDLE, "halt": IDLE},
    ENDED: {"arm": WAITING, "level": LEVEL, "clear": IDLE, "halt": IDLE},
    LEVEL: {"level": LEVEL, "trip": TRIPPED, "end": IDLE, "halt": IDLE},
}

# What keeps an armed box from drawing, or one that draws from being left alone; DIAGnostic:WAIT? says which.
NOTHING = "NONE"
SUPPLY = "SUPPLY"  # there is none
SWITCH = "SWITCH"  # the arm switch is off
REST = "REST"  # the supply is above the profile's level
DELAY = "DELAY"  # the start rule's condition holds; its time runs
RANGE = "RANGE"  # held: the supply is out of its range
WAITS = (NOTHING, SUPPLY, SWITCH, REST, DELAY, RANGE)

NO_FAULT = 0
SUPPLY_LOW = 1
SUPPLY_HIGH = 2
BANK_HOT = 3
BOARD_HOT = 4
SENSOR_BAD = 5
OVER_CURRENT = 6
SWITCH_ON = 7
SWITCH_OPEN = 8
TIME_USED = 9
CHARGE_USED = 10
STORAGE_BAD = 11
TOO_FAST = 12  # the program's changes come faster than the box can pass them

# number -> (name, event it causes or None where it is only flagged, QUEStionable bit or None)
FAULTS = {
    SUPPLY_LOW: ("supply-low", "hold", 0),
    SUPPLY_HIGH: ("supply-high", "hold", 0),
    BANK_HOT: ("bank-hot", "trip", 4),
    BOARD_HOT: ("board-hot", "trip", 4),
    SENSOR_BAD: ("sensor-bad", "trip", 4),
    OVER_CURRENT: ("over-current", "trip", 1),
    SWITCH_ON: ("switch-on", None, 10),
    SWITCH_OPEN: ("switch-open", None, 10),
    TIME_USED: ("time-used", "end", 2),
    CHARGE_USED: ("charge-used", "end", 9),
    STORAGE_BAD: ("storage-bad", "trip", None),
    TOO_FAST: ("too-fast", "trip", None),
}

BY_LINK, BY_PANEL, BY_RESUME = 1, 2, 3

# state -> OPERATION condition bits: 5 waiting for trigger, 14 program running (SCPI-1999); 8 and 9 ours
OPERATION = {WAITING: 1 << 5, RUNNING: 1 << 14, HOLDING: 1 << 14 | 1 << 8, LEVEL: 1 << 9}


class BoxError(Exception):
    """A refused request; code: the SCPI-1999 error number, message: why, where that says more. Nothing
    was changed."""

    def __init__(self, code, message=""):
        super().__init__(message)
        self.code = code
        self.message = message


def next_state(state, event):
    """The state after `event`; raises BoxError -221 (settings conflict) where the table has no such row."""
    after = AFTER[state].get(event)
    if after is None:
        raise BoxError(-221, "can't %s while %s" % (event, state))
    return after


def question_bit(fault):
    """The QUEStionable mask of a fault number, 0 where it has none."""
    bit = FAULTS[fault][2] if fault else None
    return 0 if bit is None else 1 << bit

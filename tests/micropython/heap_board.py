"""Runs under MicroPython: the heap is locked around what must not allocate. Prints the name of each case that
did not, and ends with an AssertionError at the first that did.

Integers of 2^30 and more are allocated on the board and not here, so the random laws and ticks beyond 29.8 h
are left out; so are replays, which unpack each level.
"""

import doors
import micropython
from boxcore import guard, port
from boxcore import program as pg
from boxcore import states as st
from boxcore.box import Box
from flash_board import BOARD, OWN_UA, S
from flash_board import Hal as FlashHal
from link_rig import Store
from nightdraw import programs

DRAWS = [(pg.STEADY, 40_000), (pg.PULSE, 350_000, 100, 300, 0)]


class Hal(FlashHal):
    """Takes words without allocating, and notes whether stop() came."""

    def __init__(self):
        super().__init__()
        self.pushes = 0
        self.room_words = 256

    def room(self):
        return self.room_words

    def push(self, pattern, ticks):
        self.pushes += 1

    def stop(self):
        self.playing = False


def running(draws=DRAWS, seconds=5):
    """A box some seconds into a run, when nothing is to be written: (box, hal, readings, now)."""
    hal = Hal()
    readings = port.Readings()
    readings.supply_mv = 12_600
    readings.bank_cdeg = 2_500
    box = Box(BOARD, Store(), hal, "0")
    box.boot(0, readings)
    doors.store(box, 0, programs.pack(pg.Program("p", draws)))
    box.arm(0, 0)
    now = 0
    while now < seconds * S or now + 5_000 > min(box.journal.due, box.ledger.due):
        now = max(now + 1, box.deadline)
        box.sense(now, readings)
        box.step(now)
    assert (box.state, hal.playing) == (st.RUNNING, True)
    return box, hal, readings, now


def locked(name, call):
    micropython.heap_lock()
    try:
        call()
        failure = None
    except MemoryError as error:
        failure = error
    micropython.heap_unlock()
    assert failure is None, name + " allocated"
    print(name)


def trip(field, value, state):
    box, hal, readings, now = running()
    setattr(readings, field, value)
    locked("sense " + field, lambda: box.sense(now + 7, readings))
    assert (box.state, hal.playing) == (state, False)


def main():
    box, hal, readings, now = running()
    quiet = guard.Guard(box.run_account.limits)
    locked("guard quiet", lambda: quiet.check(now, readings))
    locked("sense quiet", lambda: box.sense(now + 5, readings))
    readings.bank_ua = box.level_ua - OWN_UA
    locked("sense with a monitor", lambda: box.sense(now + 6, readings))
    trip("bank_cdeg", 11_001, st.TRIPPED)
    trip("board_cdeg", 8_501, st.TRIPPED)
    trip("bank_ua", 9_000_000, st.TRIPPED)
    trip("supply_mv", 8_999, st.HOLDING)
    trip("supply_mv", 16_001, st.HOLDING)
    box, hal, readings, now = running()
    pushes = hal.pushes
    locked("step that refills", lambda: box.step(now + 4_000))
    assert hal.pushes > pushes + 20


if __name__ == "__main__":
    main()

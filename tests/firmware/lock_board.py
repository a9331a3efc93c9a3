"""Shows under MicroPython that handing over an edge, stopping and a trip allocate nothing. Prints what it
tried.

The heap is locked around each call: an allocation raises MemoryError and ends the script.
"""

import micropython  # the real one: the fake takes its place below
from fake_board import chip as silicon
from fake_board import modules

TABLE = tuple([23_315, 500] + list(range(16_000, 400, -400)))  # noqa: RUF005 - MicroPython has no other way


def board():
    """A board with a thermistor."""
    from boxcore import board as boards

    caps = dict.fromkeys(boards.CAPS, 10_000_000)
    caps.update({"supply_min_mv": 9_000, "supply_max_mv": 16_000, "bank_temp_cdeg": 9_000})
    channels_ns = [100_000 << k for k in range(10)]
    return boards.Board("lock", channels_ns, range(2, 12), 11_000, True, caps, {"thermistor": TABLE})


class Meter:
    """A monitor whose reading makes no garbage."""

    address = 0x40
    pair = bytearray(2)

    def read(self, register):
        self.pair[0], self.pair[1] = (0x54, 0x49) if register == 0xFE else (0, 200)
        return self.pair

    def write(self, register, data):
        pass


def shell():
    """The shell on a fake board, with everything fitted."""
    chip = silicon.Chip(edges=64)
    chip.adc = {4: 14_000, 26: 32_700, 27: 32_768}
    chip.monitor = Meter()
    modules.install(chip)
    from boxcore import hal_rp2, port

    hal_rp2.sys = modules.Module()
    hal_rp2.sys.stdin = hal_rp2.sys.stdout = modules.Stream(chip)
    return chip, hal_rp2.Rp2Hal(board(), port.Buffers().ring)


def without_heap(what, call):
    """Make a call with the heap locked."""
    micropython.heap_lock()
    try:
        call()
    finally:
        micropython.heap_unlock()
    print(what)


def words(hal):
    """600 words, more than the ring, a millisecond of play between them."""
    for k in range(600):
        if hal.room():
            hal.push(k & 1023, 20)
        hal.ticks()


def main():
    """Everything that may not allocate."""
    from boxcore.port import Readings

    chip, hal = shell()
    readings = Readings()
    hal.read(readings)
    hal.ticks()
    without_heap("push before the start", lambda: words(hal))
    without_heap("enable", hal.enable)
    without_heap("push while playing", lambda: words(hal))
    without_heap("starved", hal.starved)
    without_heap("read the sensors", lambda: hal.read(readings))
    assert readings.bank_ua == 10_000, readings.bank_ua
    without_heap("stop", hal.stop)
    chip.spend(1_000_000)
    assert chip.pins == 0
    trip(chip, hal, readings)


def trip(chip, hal, readings):
    """A whole box: the reading that trips it, with the heap locked from reading to off."""
    from boxcore import guard, program

    watch = guard.Guard(guard.Limits(hal.board.caps, program.Program("any", ())))
    hal.push(1023, 2_000)
    hal.enable()
    chip.adc[27] = 65_535

    def sense():
        hal.read(readings)
        if watch.check(hal.ticks(), readings):
            hal.stop()

    without_heap("a reading that trips opens the switches", sense)
    assert chip.outputs[12] == 1
    assert chip.pins == 0


main()

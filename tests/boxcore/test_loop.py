"""A command that measures: the loop waits for the slowest sensor, reads without the panel, and senses."""

import pytest
from boxcore import loop, port

from tests.boxcore import fakes


class SlowHal(fakes.FakeHal):
    """Time passes with every look at the clock; notes when it was read, and how."""

    def __init__(self):
        super().__init__()
        self.read_at = []
        self.measured_at = []
        self.cdeg = 2_500

    def ticks(self):
        self.now += 1
        return self.now

    def read(self, readings):
        self.read_at.append(self.now)
        self.measure(readings)

    def measure(self, readings):
        self.measured_at.append(self.now)
        readings.supply_mv = 12_600
        readings.bank_cdeg = self.cdeg


@pytest.fixture
def world():
    found = fakes.World()
    found.hal = SlowHal()
    found.box = fakes.Box(found.board, found.store, found.hal, "loop")
    found.readings = port.Readings()
    found.loop = loop.Loop(found.hal, found.box, found.readings)
    found.hal.cause = 0
    found.loop.begin()
    del found.hal.read_at[:], found.hal.measured_at[:]
    return found


def test_it_waits_for_what_plays_now_and_no_longer(world):
    box, hal = world.box, world.hal
    hal.now = 50_000
    world.loop.sense()
    assert hal.measured_at[-1] <= 50_005  # nothing was switched for seconds
    switched = hal.ticks()
    box.level(switched, 200_000)
    now = world.loop.sense()
    assert switched + loop.FRESH_TICKS <= hal.measured_at[-1] <= switched + loop.FRESH_TICKS + 3
    assert now == hal.now
    box.halt(hal.ticks())
    off = hal.now
    world.loop.sense()
    assert off + loop.FRESH_TICKS <= hal.measured_at[-1] <= off + loop.FRESH_TICKS + 3
    assert hal.read_at == []  # the panel's contacts count by their own interval


def test_it_waits_once_however_fast_the_pulses(world):
    hal = world.hal
    world.load(fakes.pg.Program("fast", [(fakes.pg.PULSE, 100_000, 10, 20, 0)]))
    world.box.arm(hal.ticks(), 0)
    for _ in range(3):
        world.box.step(hal.ticks())
    assert world.box.state == "running"
    before = hal.now
    world.loop.sense()
    assert hal.now - before <= loop.FRESH_TICKS + 5


def test_what_it_reads_is_heeded(world):
    world.box.level(world.hal.ticks(), 200_000)
    world.hal.cdeg = 15_000
    world.loop.sense()
    assert world.box.state == "tripped"
    assert not world.hal.playing


def test_the_average_is_the_monitors_twice():
    """The setting of the power monitor: 4 averages of 1.1 ms (see adc.MONITOR_SETTING)."""
    assert loop.FRESH_TICKS >= 2 * 4 * 11

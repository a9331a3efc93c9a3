"""A command that measures: the loop waits for the slowest sensor, reads without the panel, and senses."""

from itertools import pairwise
from random import Random

import pytest
from boxcore import loop, port
from boxcore import program as pg

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
    found.loop = loop.Loop(found.hal, found.box)
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
    world.load(pg.Program("fast", [(pg.PULSE, 100_000, 10, 20, 0)]))
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


class Wire:
    """What was given, and when; what comes in next."""

    def __init__(self, hal):
        self._hal = hal
        self.incoming = []
        self.given = []

    def take(self, in_block=False):
        return self.incoming.pop(0) if self.incoming else b""

    def give(self, answer, now):
        if answer:
            self.given.append((now, bytes(answer)))

    def flush(self, now):
        pass

    def wait(self, milliseconds):
        self._hal.now += min(milliseconds * loop.TICKS_A_MS, 100)


class Working:
    """A box that works for a random time whenever it is called, locked or not."""

    state, flagged = "idle", 0
    readings = port.Readings()

    def __init__(self, rng, hal, locked, most_ticks):
        self.lock = self
        self.locked = locked
        self.deadline = 0
        self._rng, self._hal, self._most_ticks = rng, hal, most_ticks
        self.steps = []

    def work(self):
        return False

    def sense(self, now, readings):
        self._hal.now += 330

    def step(self, now):
        self.steps.append(now)
        self._hal.now += self._rng.randrange(self._most_ticks)
        self.deadline = self._hal.now + self._rng.randrange(3_000)


class Echo:
    def feed(self, piece, now):
        return b"answer to " + bytes(piece)

    def in_block(self) -> bool:
        return False

    def take(self, piece, now):
        return [self.feed(piece, now)]

    def tick(self, now):
        pass


def talk(seed, locked, most_ticks):
    """Questions at random instants to a working box; (asked, answered) ticks of each, and the box."""
    rng = Random(seed)
    hal = SlowHal()
    hal.show = lambda *_: None
    hal.alive = hal.collect = lambda: None
    hal.wire = Wire(hal)
    hal.now = rng.randrange(10**6)
    box = Working(rng, hal, locked, most_ticks)
    running = loop.Loop(hal, box)
    running.instrument = Echo()
    for _ in range(20):
        running.turn()
    times = []
    while len(times) < 200:
        for _ in range(rng.randrange(1, 12)):
            running.turn()
        asked = hal.now
        hal.wire.incoming.append(b"%d" % len(times))
        hal.wire.given.clear()
        while not hal.wire.given:
            running.turn()
        times.append((asked, hal.wire.given[0][0]))
    return times, box


def test_a_locked_box_answers_on_its_grid_whatever_it_has_to_do(seed):
    for most_ticks in (10, loop.STEP_ENDS_TICKS - loop.STILL_TICKS - 400):
        times, box = talk(seed, True, most_ticks)
        for asked, answered in times:
            assert answered % loop.GRID_TICKS <= loop.LATE_TICKS
            heard = asked - asked % loop.GRID_TICKS + loop.GRID_TICKS
            assert answered // loop.GRID_TICKS * loop.GRID_TICKS in (heard, heard + loop.GRID_TICKS)
        waits = [b - a for a, b in pairwise(box.steps)]
        assert max(waits) < 2 * loop.GRID_TICKS + most_ticks  # the queue's lead covers it


def test_work_that_takes_longer_than_it_may_leaves_ticks_out_and_shifts_none(seed):
    times, _ = talk(seed, True, 9_000)
    assert {answered % loop.GRID_TICKS <= loop.LATE_TICKS for _, answered in times} == {True}


def test_an_open_box_answers_at_once(seed):
    times, _ = talk(seed, False, 10)
    assert max(answered - asked for asked, answered in times) < 1_000

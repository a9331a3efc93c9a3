"""Runs under MicroPython: the box on a real littlefs over a flash in memory; its power is cut at every write.

Prints one line a scenario: its name, how many cuts it took until the work survived, then what was counted.
Any promise that is broken ends it with an AssertionError. The flash behaves like the board's: blocks of 4096
bytes, programs of 32 bytes and more, a cut leaves half of an erase or a program behind.
"""

import os
import sys

import doors
import vfs
from boxcore import journal, port
from boxcore import program as pg
from boxcore.board import CAPS, Board
from boxcore.box import Box
from boxcore.files import FileStore
from boxcore.states import IDLE, RUNNING, TRIPPED, WAITING, BoxError
from nightdraw import journals, programs

BLOCK = 4096
BLANK = b"\xff" * BLOCK
ERROR = -5  # EIO: what a dead flash answers
S = pg.TICKS_PER_S
ROOT = "/cut"
MOST_CUTS = 3000
OWN_UA = 11_000
APPENDS = 200
LEDGERS = 200
BUSY_S = 1200
LIMITS = (9_000, 16_000, 4 * 86_400 * S, 10**8, 11_000)
CHANNELS_NS = [110_000 * 196**k // 100**k for k in range(10)]
BOARD = Board(
    "flash-test",
    CHANNELS_NS,
    range(2, 12),
    OWN_UA,
    False,
    {CAPS[k]: LIMITS[k] for k in range(len(CAPS))},
)


class Flash:
    """A block device in memory. cut_at: the number (from 1) of the erase or program that is cut."""

    def __init__(self, blocks=0, image=None, cut_at=0):
        self.data = bytearray(image) if image else bytearray(b"\xff" * (blocks * BLOCK))
        self.blocks = len(self.data) // BLOCK
        self.cut_at = cut_at
        self.operations = 0
        self.erases = [0] * self.blocks
        self.dead = False

    def _cut(self):
        self.operations += 1
        if self.operations == self.cut_at:
            self.dead = True
            return True
        return False

    def readblocks(self, block, buf, offset=0):
        if self.dead:
            return ERROR
        at = block * BLOCK + offset
        buf[:] = memoryview(self.data)[at : at + len(buf)]
        return 0

    def writeblocks(self, block, buf, offset=0):
        if self.dead:
            return ERROR
        at = block * BLOCK + offset
        length = len(buf)
        if self._cut():
            length //= 2
        assert self.data[at : at + length] == BLANK[:length], "programmed without an erase"
        self.data[at : at + length] = memoryview(buf)[:length]
        return ERROR if self.dead else 0

    def ioctl(self, op, arg):
        if op == 4:
            return self.blocks
        if op == 5:
            return BLOCK
        if op == 6:
            if self.dead:
                return ERROR
            length = BLOCK // 2 if self._cut() else BLOCK
            self.data[arg * BLOCK : arg * BLOCK + length] = b"\xff" * length
            self.erases[arg] += 1
            return ERROR if self.dead else 0
        return 0


class Hal:
    """Plays in step with `now`, as far as charge and time are concerned."""

    def __init__(self):
        self.now = 0
        self.words = []
        self.playing = False
        self.closed_ticks = 0
        self.charge = 0  # nanosiemens times ticks

    def run_to(self, now):
        passed = now - self.now
        self.now = now
        while self.playing and passed and self.words:
            pattern, ticks = self.words[0]
            part = min(ticks, passed)
            passed -= part
            if pattern:
                self.closed_ticks += part
                self.charge += part * sum([CHANNELS_NS[k] for k in range(10) if pattern >> k & 1])
            if part == ticks:
                self.words.pop(0)
            else:
                self.words[0] = (pattern, ticks - part)

    def room(self):
        return 256 - len(self.words)

    def push(self, pattern, ticks):
        self.words.append((pattern, ticks))

    def enable(self):
        self.playing = True
        return 0

    def stop(self):
        self.words = []
        self.playing = False

    def starved(self):
        return False

    def random(self, count):
        return os.urandom(count)

    def trim_supply(self, supply_ppm):
        pass


class World:
    """A box on a flash; every call that meets a dead flash ends in DeadError."""

    def __init__(self, flash, cause=0):
        self.flash = flash
        vfs.mount(vfs.VfsLfs2(flash), ROOT)
        try:
            self.hal = Hal()
            self.readings = port.Readings()
            self.readings.supply_mv = 12_600
            self.now = 0
            self.box = Box(BOARD, FileStore(ROOT), self.hal, "0")
            self.box.boot(0, self.readings)
            self.alive()
        except BaseException:
            vfs.umount(ROOT)
            raise

    def alive(self):
        if self.flash.dead:
            raise DeadError

    def run(self, ticks):
        end = self.now + ticks
        while True:
            at = max(self.now, self.box.deadline)
            if at > end:
                break
            self.now = at
            self.hal.run_to(at)
            self.box.sense(at, self.readings)
            self.box.step(at)
            self.alive()
            if self.box.deadline <= at:
                self.now = at + 1
        self.now = end
        self.hal.run_to(end)

    def close(self):
        vfs.umount(ROOT)


class DeadError(Exception):
    """The power is gone."""


def fresh(work, blocks=24):
    """The image of a new flash after `work` was done on it."""
    flash = Flash(blocks)
    vfs.VfsLfs2.mkfs(flash)
    world = World(flash)
    work(world)
    world.close()
    return flash


def scenario(name, image, work, check):
    """Do `work` with the power cut at operation 1, 2, 3, ... until it survives; `check` each time."""
    for cut_at in range(1, MOST_CUTS):
        flash = Flash(image=image, cut_at=cut_at)
        world = None
        try:
            world = World(flash)
            work(world)
            world.alive()
        except (DeadError, OSError, BoxError):
            if not flash.dead:
                raise
        survived = not flash.dead
        if world is not None:
            world.close()
        again = World(Flash(image=flash.data))
        check(world, again, survived)
        again.close()
        if survived:
            print(name, cut_at - 1)
            return
    raise AssertionError(name + " never survived")


def program(level_ua, levels=1):
    draws = [
        (pg.STEADY, level_ua),
        (pg.PULSE, 200_000, 900, 2_100, 0),
        (pg.REPLAY, 1, programs.pack_levels([(1_000, 100)] * levels)),
    ]
    return programs.pack(pg.Program("p", draws))


OLD = program(40_000)
NEW = program(50_000, 300)


def put_old(world):
    doors.store(world.box, 0, OLD)
    world.run(20 * S)


def after_store(world, again, survived):
    kept = programs.pack(again.box.slots.load(0))
    assert kept == NEW if survived else kept in (OLD, NEW)
    assert (doors.bad(again.box.slots), again.box.state) == ([], IDLE)
    assert "slot.new" not in os.listdir(ROOT)


def arm(world):
    world.box.arm(world.now, 0)


def after_arm(world, again, survived):
    armed = again.box.state == WAITING
    assert armed or not survived
    assert again.box.ledger.runs[0] == (1 if armed else 0)


def play(world):
    arm(world)
    world.run(23 * S)


def after_play(world, again, survived):
    if world is None:
        return
    ticks, mas = doors.used(again.box, 0)
    assert ticks >= world.hal.closed_ticks
    assert mas >= world.hal.charge * 126 // 10 // 10**6 // (1000 * S) * 1000
    before = journals.decode(world.box.journal._buffer)  # what memory held when the power went
    kept = [
        r for r in journals.decode(journals.whole(again.box.journal)) if r["boot"] == world.box.ledger.boot
    ]
    ticks = [record["tick"] for record in kept]
    assert ticks == sorted(ticks)
    lost = [record for record in before if record["tick"] > (ticks[-1] if ticks else -1)]
    assert len(lost) <= journal.BUFFER_RECORDS
    assert again.box.state in ((WAITING,) if survived or world.hal.closed_ticks else (IDLE, WAITING))
    again.run(2 * S)
    assert (again.hal.closed_ticks > 0) == (again.box.state == RUNNING)


def halt(world):
    world.run(S)
    world.box.halt(world.now)


def after_halt(world, again, survived):
    again.run(2 * S)
    assert again.box.state in ((IDLE,) if survived else (IDLE, RUNNING))
    assert (again.hal.closed_ticks > 0) == (again.box.state == RUNNING)


def trip(world):
    world.run(S)
    world.readings.bank_cdeg = 12_000
    world.box.sense(world.now, world.readings)
    assert not world.hal.playing
    world.run(S)


def after_trip(world, again, survived):
    assert again.box.state == TRIPPED or not survived
    again.readings.bank_cdeg = 12_000
    again.run(2 * S)
    assert again.box.state == TRIPPED or world is None or world.readings.bank_cdeg != 12_000
    assert again.hal.closed_ticks == 0


def ring(world):
    """What an append and a ledger cost, and a ring that is full on a flash of the board's size."""
    flash = world.flash
    store = world.box.journal
    store.flush(0)
    before = sum(flash.erases)
    for n in range(APPENDS):
        batch(store, n, 8)
    print("append", APPENDS, sum(flash.erases) - before)
    world.box.arm(world.now, 0)
    before = sum(flash.erases)
    for _ in range(LEDGERS):
        world.box.ledger.save(world.now, world.box)
    print("ledger", LEDGERS, sum(flash.erases) - before)
    world.box.halt(world.now)
    full = journal.FILES * journal.FILE_BYTES
    while store.end < full * 5 // 4:
        batch(store, 0, 200)
    names = [name for name in os.listdir(ROOT) if name[0] == "r"]
    used = sum([os.stat(ROOT + "/" + name)[6] for name in names])
    assert len(names) <= journal.FILES
    assert full // 2 < used <= full + journal.FILES * journal.BUFFER_RECORDS * journal.RECORD_BYTES
    print("ring", len(names), used)


def batch(store, tick, records):
    for k in range(records):
        store.add(tick, journal.EDGE, 0, k, 1, 12_600)
    store.flush(tick)


def busy(world):
    """Twenty minutes of a pulse every three seconds, and what they cost the flash."""
    flash = world.flash
    draws = [(pg.STEADY, 40_000), (pg.PULSE, 350_000, 7_000, 30_000, 0)]
    doors.store(world.box, 1, programs.pack(pg.Program("busy", draws, charge_mas=10**8)))
    world.box.arm(world.now, 1)
    world.run(60 * S)
    before = sum(flash.erases)
    world.run(BUSY_S * S)
    print("busy", BUSY_S, sum(flash.erases) - before)


def main():
    image = fresh(put_old).data
    scenario("store", image, lambda world: doors.store(world.box, 0, NEW), after_store)
    scenario("arm", image, arm, after_arm)
    scenario("play", image, play, after_play)

    def run_a_while(world):
        put_old(world)
        play(world)

    image = fresh(run_a_while).data
    scenario("halt", image, halt, after_halt)
    scenario("trip", image, trip, after_trip)
    fresh(lambda world: (doors.store(world.box, 0, OLD), ring(world)), 352)
    fresh(lambda world: busy(world), 352)


if __name__ == "__main__":
    sys.path.insert(0, sys.path.pop(0))
    main()

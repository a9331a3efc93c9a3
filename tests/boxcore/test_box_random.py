"""Anything in any order: requests, supply, heat, switch, stalls and power cuts, all from one seed.

First: nothing wrong ever happens (no load where none is allowed, no budget given back, no program lost). Then
the trouble stops, and the box still does its work. A failure prints the seed that repeats it.
"""

import itertools
from random import Random

import pytest
from boxcore import port
from boxcore import program as pg
from boxcore import slots as sl
from boxcore import states as st
from boxcore.panel import SETTLE_TICKS
from boxcore.player import AGAIN_TICKS
from nightdraw import programs
from nightdraw.bench import store

from tests.boxcore import fakes
from tests.boxcore.plans import PULSE, RANDOM, STEADY, S, mas, open_between, plan
from tests.counts import tries
from tests.micropython import doors

CAMPAIGN_CUTS = tries(10_000, 3_000)
SUPPLIES_MV = (0, 4_700, 8_000, 11_500, 11_790, 11_900, 12_600, 13_900, 14_400, 15_900, 16_100, 30_000)
HEATS_CDEG = (2_500, 2_500, 2_500, 8_900, 9_001, 20_000, -20_000, port.NOT_MEASURED)
STEPS = 60  # happenings in one life of a box
TORN = (0.0, 0.2, 0.5, 0.9, 1.0)
CODES = (-221, -222, -282, -284)  # what a request may be refused with here
STALE_MAS = 1_000  # a supply that jumps is answered within the queue's second: the charge of 1 A in it


class Life:
    """One box through STEPS happenings, and an account of what its switches really did."""

    def __init__(self, rng):
        self.rng = rng
        self.programs = [self._program() for _ in range(4)]
        self.stored = {}  # slot -> the programs that may be in it
        lazy = store.MemoryStore(seed=rng.randrange(10**6), lazy=True)  # only what was synced is safe
        self.world = fakes.World(
            rng.choice([fakes.MemoryStore(), lazy]),
            sense_ticks=rng.choice([500, 1_000, 3_000]),
            depth=rng.choice([24, 512]),
        )
        self.world.boot()
        self.books = {}  # (slot, serial, run) -> [ticks with a switch closed, their mas, supply changes]
        self.seen = 0  # the tick up to which the books are kept
        self.cuts = 0

    def _program(self):
        rng = self.rng
        draws = rng.sample([STEADY, PULSE, RANDOM, (pg.PULSE, 90_000, 50, 120, 0)], rng.randint(1, 3))
        return plan(
            *draws,
            start=rng.choice([pg.START_POWER, pg.START_POWER, pg.START_PANEL, pg.START_REST]),
            start_below_mv=13_000,
            start_steady_ticks=rng.choice([0, 3 * S]),
            start_after_ticks=rng.choice([0, 0, S, 9 * S]),
            resume=rng.randrange(3),
            resume_after_ticks=rng.choice([0, 0, 5 * S]),
            run_ticks=rng.choice([20 * S, 200 * S, 10_000 * S]),
            charge_mas=rng.choice([1_000, 10_000, 10**7]),
            seed=rng.randrange(9),
        )

    def live(self):
        """Let STEPS things happen, power cuts among them."""
        for _ in range(STEPS):
            flash = self.world.store
            if self.rng.random() < 0.25:
                flash.cut_at = flash.operations + self.rng.randint(1, 12)
                flash.torn = self.rng.choice(TORN)
            try:
                self.rng.choice(HAPPENINGS)(self)
                self.keep_books()
                self._pass(self.rng.choice([0, 7, 900, S, 7 * S, 30 * S]))
            except fakes.PowerCut:
                self.cut()
            if self.rng.random() < 0.1:
                self.cut()

    def _pass(self, ticks):
        """Let time pass in pieces, so that what is checked is checked often."""
        while ticks > 0:
            piece = min(ticks, self.rng.randint(1, 5 * S))
            self.world.run(piece)
            ticks -= piece
            self.keep_books()

    def run(self):
        """The run that is armed or was last, None where there is none."""
        run = self.world.box.run_account
        return None if run is None or run.slot is None else run

    def book(self, run):
        """The book of a run."""
        return self.books.setdefault((run.slot, run.serial, run.number), [0, 0.0, 0])

    def keep_books(self):
        """Add what the hardware played since the last call to the run's book, and check this instant."""
        world = self.world
        world.hal.run_to(world.now)
        run = self.run()
        if run is not None:
            book = self.book(run)
            played = [(max(tick, self.seen), pattern) for tick, pattern in world.played() if tick < world.now]
            for (tick, pattern), (end, _) in itertools.pairwise([*played, (world.now, 0)]):
                if pattern and end > tick:
                    book[0] += end - tick
                    book[1] += mas([(tick, pattern)], world.board, tick, end, world.readings.supply_mv)
            assert book[0] <= run.limits.run_ticks
            assert book[1] <= run.limits.charge_mas + STALE_MAS * book[2] + 1
        self.seen = world.now
        self._check()

    def _check(self):
        """What must hold at any instant."""
        world = self.world
        box = world.box
        if world.hal.pattern_at(world.now):
            assert box.state in (st.RUNNING, st.LEVEL)
            limits = box.run_account.limits
            assert limits.supply_min_mv <= world.readings.supply_mv <= limits.supply_max_mv
            assert -5_000 <= world.readings.bank_cdeg <= limits.bank_temp_cdeg
        if box.state not in (st.RUNNING, st.LEVEL):
            assert not world.hal.playing
        assert world.hal.most_queued <= port.QUEUE_HIGH_TICKS + AGAIN_TICKS

    def cut(self):
        """The power goes and comes back: the books of the box must hold what was really played."""
        self.cuts += 1
        self.keep_books()
        self.world.store.cut_at = None
        self.world.cut()
        self.seen = 0
        box = self.world.box
        assert not self.world.hal.playing
        run = self.run()
        if run is not None:
            ticks, charge = doors.used(box, 0)
            book = self.book(run)
            assert ticks >= book[0]
            assert charge >= book[1] - STALE_MAS * book[2]
        assert doors.bad(box.slots) == []
        for slot, kept in self.stored.items():
            found = box.slots.infos[slot] and programs.pack(box.slots.load(slot))
            assert found in kept
            self.stored[slot] = {found}
        assert sl.TEMPORARY not in self.world.store.names()


def supply(life):
    run = life.run()
    if run is not None:
        life.book(run)[2] += 1
    life.world.readings.supply_mv = life.rng.choice(SUPPLIES_MV)
    life.world.sense()


def heat(life):
    life.world.readings.bank_cdeg = life.rng.choice(HEATS_CDEG)
    life.world.sense()


def switch(life):
    """The arm switch; that it goes off counts once it was read with its contacts settled after a boot."""
    life.world.readings.arm = not life.world.readings.arm
    life.world.readings.selector = life.rng.randrange(4)
    settled = life.world.sensed >= SETTLE_TICKS  # what the box read last is what off is a change from
    life.world.sense()
    if not life.world.readings.arm and settled:
        assert not life.world.hal.playing


def ask(life, call, *arguments):
    try:
        call(*arguments)
    except st.BoxError as refusal:
        if refusal.code not in CODES:
            raise
        return False
    return True


def put(life):
    slot = life.rng.randrange(4)
    data = programs.pack(life.rng.choice(life.programs))
    before = life.stored.get(slot, {None})
    life.stored[slot] = before | {data}
    done = ask(life, doors.store, life.world.box, slot, data)
    life.stored[slot] = {data} if done else before


def arm(life):
    world = life.world
    if ask(life, world.box.arm, world.now, life.rng.randrange(4)):
        assert doors.used(world.box, world.now) == (0, 0)


def halt(life):
    life.world.box.halt(life.world.now)
    assert not life.world.hal.playing


def clear(life):
    ask(life, life.world.box.clear, life.world.now)


def level(life):
    ticks = life.rng.choice([0, 3, S, 20 * S])
    ask(life, life.world.box.level, life.world.now, life.rng.randrange(1_500_000), ticks)


def stall(life):
    """The processor was away."""
    life.world.now += life.rng.choice([4_000, 20_000, 200_000])
    life.world.visit(life.world.now)


def nothing(life):
    pass


HAPPENINGS = (
    supply,
    supply,
    heat,
    switch,
    put,
    arm,
    arm,
    arm,
    halt,
    clear,
    clear,
    level,
    stall,
    nothing,
    nothing,
)


def lives(seed, count):
    cuts = 0
    for number in range(count):
        life = Life(Random(f"{seed}/{number}"))
        try:
            life.live()
            finish(life)
        except BaseException as failure:
            failure.add_note(f"life {number} of seed {seed}")
            raise
        cuts += life.cuts
    return cuts


def finish(life):
    """The trouble stops: the box must do its work."""
    world = life.world
    world.store.cut_at = None
    world.readings.supply_mv, world.readings.bank_cdeg, world.readings.arm = 12_600, 2_500, False
    world.run(S)
    world.box.halt(world.now)
    world.run(2 * S)
    assert int(doors.call(world.box, world.now, "*TST?")) == 0
    now = world.now
    world.arm(plan(STEADY, PULSE), slot=9)
    world.run(10 * S)
    assert world.box.state == st.RUNNING
    assert not open_between(world.played(), now, world.now)
    assert abs(doors.used(world.box, world.now)[1] - mas(world.played(), world.board, now, world.now)) < 5


def test_lives_of_a_box(seed):
    assert lives(seed, 40) > 40


@pytest.mark.campaign
def test_thousands_of_power_cuts(seed):
    cuts = number = 0
    while cuts < CAMPAIGN_CUTS:
        cuts += lives(f"{seed}/{number}", 20)
        number += 1

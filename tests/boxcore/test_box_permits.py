"""Requests in any order around the instant at which a run begins, against a small model of when a switch may
be closed: under a permission that somebody gave, from its start on, never at a reading that forbids it.

The model knows nothing of the box's states, queue or deadlines. A failure prints the seed that repeats it.
"""

from random import Random

import pytest
from boxcore import program as pg
from boxcore import states as st
from boxcore.commands import Instrument
from nightdraw import programs

from tests.boxcore import fakes
from tests.boxcore.plans import PULSE, STEADY, S, plan
from tests.counts import tries
from tests.micropython.link_cases import block

AFTER_TICKS = (0, S // 5, S // 2, 2 * S, 7 * S)
WAITS = (0, 3, 500, 900, 1_500, 3_500, 4_100, S, 3 * S, 8 * S)
LOW_MV, SOUND_MV, GONE_MV = 8_000, 12_600, 0
COOL_CDEG = 2_500
LIVES, ACTS = 40, 60
CAMPAIGN_LIVES = tries(3_000, 1_000)
RUN, LEVEL = "run", "level"


class Permit:
    """What somebody has asked for: RUN, LEVEL, None for nothing; the tick before which nothing may begin."""

    def __init__(self):
        self.kind = None
        self.program = None
        self.from_tick = 0

    def give(self, kind, from_tick, program=None):
        self.kind, self.from_tick, self.program = kind, from_tick, program

    def take(self):
        self.kind = self.program = None


class Life:
    """A box, its link, and the model beside them."""

    def __init__(self, seed):
        self.rng = Random(seed)
        self.world = fakes.World(
            sense_ticks=self.rng.choice([500, 1_000]), depth=512, the_board=fakes.board()
        )
        self.world.boot()
        self.permit = Permit()
        self.checked = 0  # when check() was called last
        self.known = None  # the run by the panel that was seen last
        self.slots = {}
        self._connect()
        for slot in range(3):
            self.store(slot)

    def _connect(self):
        self.link = Instrument(self.world.box, sense=self._sense)

    def _sense(self):
        self.world.sense()
        return self.world.now

    def say(self, line):
        """Send a message; True where it left no error."""
        self.link.feed(b"*CLS\n", self.world.now)
        self.link.feed(line if isinstance(line, bytes) else line.encode() + b"\n", self.world.now)
        return self.link.feed(b"SYST:ERR?\n", self.world.now).split(b"\n")[-2].startswith(b"0,")

    # -- what may happen -------------------------------------------------------------------------------

    def store(self, slot=None):
        slot = self.rng.randrange(3) if slot is None else slot
        program = plan(
            *self.rng.choice([(STEADY,), (STEADY, PULSE), (PULSE,)]),
            start=self.rng.choice([pg.START_POWER, pg.START_POWER, pg.START_PANEL]),
            start_after_ticks=self.rng.choice(AFTER_TICKS),
            resume=self.rng.randrange(3),
            run_ticks=self.rng.choice([S, 100 * S]),
        )
        if self.say(b"PROG:NAME SLOT%d;:PROG:DEF " % slot + block(programs.pack(program)) + b"\n"):
            self.slots[slot] = program

    def arm(self):
        slot = self.rng.choice(sorted(self.slots))
        if self.say(f"PROG:NAME SLOT{slot};:PROG:STAT RUN"):
            assert not self.world.box.lock.locked
            self._armed(slot, self.world.now)

    def _armed(self, slot, now):
        program = self.slots[slot]
        self.permit.give(RUN, now + program.start_after_ticks, program)

    def halt(self):
        assert self.say(self.rng.choice(["PROG:STAT STOP", "OUTP OFF", "*RST"]))
        self.permit.take()

    def level(self):
        if self.say(self.rng.choice(["CURR 0.2;:OUTP ON", "CURR 0.05;:OUTP:DUR 2;:OUTP ON", "CAL:CLOS 3,1"])):
            assert not self.world.box.lock.locked
            self.permit.give(LEVEL, self.world.now)

    def test(self):
        self.say("*TST?")

    def look(self):
        self.say(
            self.rng.choice(["DIAG:WAIT?", "MEAS:CURR?", "MEAS:VOLT?", "DIAG:RUN?", "PROG:CAT?", "*CLS"])
        )

    def clear(self):
        if self.say("OUTP:PROT:CLE"):
            self.permit.take()

    def delete(self):
        if self.say(f"PROG:EXPL:DEL SLOT{self.rng.randrange(3)}"):
            self.slots = {slot: self.slots[slot] for slot in self.slots if self.world.box.slots.infos[slot]}
            if not self.slots:
                self.store(0)

    def lock(self):
        self.world.box.lock.locked = not self.world.box.lock.locked

    def supply(self):
        self.world.readings.supply_mv = self.rng.choice([LOW_MV, SOUND_MV, SOUND_MV, GONE_MV])
        self._read()

    def heat(self):
        self.world.readings.bank_cdeg = self.rng.choice([COOL_CDEG, COOL_CDEG, 20_000])
        self._read()

    def _read(self):
        """A reading never moves without the box's knowing, and a trip is written down by the next step."""
        self.world.sense()
        self.world.box.step(self.world.now)

    def switch(self):
        self.world.readings.arm = not self.world.readings.arm
        self.world.readings.selector = self.rng.choice(sorted(self.slots) or [0])
        self._read()

    def cut(self):
        self.world.cut()
        self.checked = 0
        self._connect()
        if self.permit.kind == LEVEL:
            self.permit.take()
        elif self.permit.kind == RUN:
            self.permit.from_tick = self.permit.program.start_after_ticks

    # -- what must hold --------------------------------------------------------------------------------

    def panel(self):
        """The arm switch gives permissions by itself: a run by the panel that nobody has seen before."""
        run = self.world.box.run_account
        if self.world.box.state in st.ARMED and run.by == st.BY_PANEL:
            known, self.known = self.known, (run.number, run.serial)
            if known != self.known:
                assert self.world.readings.arm
                self._armed(run.slot, self.checked)  # at some tick since

    def check(self):
        world, box = self.world, self.world.box
        self.panel()
        self.checked = world.now
        if box.state not in st.ARMED and box.state != st.LEVEL:
            assert not world.hal.playing, box.state
            self.permit.take()  # ended, tripped, switched off: a new permission is wanted
        assert box.state not in st.ARMED or self.permit.kind == RUN, box.state
        assert box.state != st.LEVEL or self.permit.kind == LEVEL
        if not world.hal.pattern_at(world.now):
            return
        assert self.permit.kind is not None
        assert world.now >= self.permit.from_tick
        assert (world.readings.supply_mv, world.readings.bank_cdeg) == (SOUND_MV, COOL_CDEG)

    def live(self):
        acts = [
            self.arm,
            self.arm,
            self.arm,
            self.halt,
            self.halt,
            self.level,
            self.test,
            self.test,
            self.look,
        ]
        acts += [
            self.clear,
            self.delete,
            self.lock,
            self.supply,
            self.heat,
            self.switch,
            self.cut,
            self.store,
        ]
        for _ in range(ACTS):
            self.rng.choice(acts)()
            self.check()
            left = self.rng.choice(WAITS)
            while left > 0:
                step = min(left, self.rng.choice([1, 50, 400, 1_000]))
                self.world.run(step)
                left -= step
                self.check()

    def finish(self):
        """The trouble stops, and the box still works."""
        world = self.world
        world.readings.supply_mv, world.readings.bank_cdeg, world.box.lock.locked = SOUND_MV, COOL_CDEG, False
        world.readings.arm = False
        world.run(8 * S)
        self.halt()
        self.check()
        assert world.box.state == st.IDLE
        world.run(20 * S)
        self.check()
        assert world.box.state == st.IDLE
        world.load(plan(STEADY, start_after_ticks=S), 0)
        assert self.say("PROG:NAME SLOT0;:PROG:STAT RUN")
        world.run(S - 2)
        assert not world.hal.pattern_at(world.now)
        world.run(S // 2)
        assert world.hal.pattern_at(world.now)


def lives(seed, count):
    """So many lives; the one that fails is named."""
    for number in range(count):
        life = Life(seed + number)
        try:
            life.live()
            life.finish()
        except AssertionError as error:
            raise AssertionError(f"life {seed + number}: {error}") from error


def test_a_switch_is_closed_under_a_permission_alone(seed):
    lives(seed, LIVES)


@pytest.mark.campaign
def test_thousands_of_lives_close_no_switch_without_a_permission(seed):
    lives(seed + 10_000, CAMPAIGN_LIVES)

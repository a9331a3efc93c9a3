"""A store, a hal and a small world for the core's tests: everything in memory, time only by argument.

The store can lose power at its n-th operation and leave torn writes behind; the hal plays its queue like the
hardware and keeps the true pattern as a list of (tick, pattern). Nothing here decides what is right.
"""

from __future__ import annotations

import io
from collections import deque

from boxcore import port
from boxcore.board import Board
from boxcore.box import Box
from nightdraw import journals, programs
from nightdraw.bench.store import PowerCut, Writing

from tests.micropython import doors


class MemoryStore:
    """Files in a dict. cut_at: the number (from 1) of the changing operation during which the power goes;
    torn: how much of a write's new data stays, 0 .. 1 (rename and delete happen where it is 1)."""

    def __init__(self, files=None, cut_at=None, torn=0.5):
        self.files = {} if files is None else dict(files)
        self.cut_at = cut_at
        self.torn = torn
        self.operations = 0
        self.broken = False

    def _cut(self):
        if self.broken:
            raise OSError("store broken")
        self.operations += 1
        return self.cut_at is not None and self.operations >= self.cut_at

    def _part(self, data):
        return bytes(data)[: int(len(data) * self.torn)]

    def read(self, name):
        return self.files.get(name)

    def read_at(self, name, offset, length):
        data = self.files.get(name)
        return None if data is None else data[offset : offset + length]

    def open(self, name):
        data = self.read(name)
        return None if data is None else io.BytesIO(data)

    def create(self, name):
        return Writing(self, name)

    def write(self, name, data):
        if self._cut():
            self.files[name] = self._part(data)
            raise PowerCut
        self.files[name] = bytes(data)

    def append(self, name, data):
        if self._cut():
            self.files[name] = self.files.get(name, b"") + self._part(data)
            raise PowerCut
        self.files[name] = self.files.get(name, b"") + bytes(data)

    def rename(self, old, new):
        if self._cut():
            if self.torn >= 1:
                self.files[new] = self.files.pop(old)
            raise PowerCut
        self.files[new] = self.files.pop(old)

    def delete(self, name):
        if self._cut():
            if self.torn >= 1:
                self.files.pop(name, None)
            raise PowerCut
        self.files.pop(name, None)

    def names(self):
        return list(self.files)

    def size(self, name):
        data = self.files.get(name)
        return None if data is None else len(data)

    def sync(self):
        pass


class FakeHal:
    """Plays words in step with `now`, which the world sets; `played` lists (tick, pattern) at each change."""

    def __init__(self, depth=1024):
        self.depth = depth
        self.now = 0
        self.words = deque()
        self.queued = 0  # ticks in the queue
        self.playing = False
        self.at = 0
        self.played = [(0, 0)]
        self.ran_dry = False
        self.stops = 0
        self.most_queued = 0
        self.probe_ua = {}

    def run_to(self, now):
        """Let the hardware play up to `now`."""
        while self.playing and self.words and self.at + self.words[0][1] <= now:
            pattern, ticks = self.words.popleft()
            self.queued -= ticks
            self._show(self.at, pattern)
            self.at += ticks
        if self.playing and self.words and self.at < now:
            pattern, ticks = self.words[0]
            self._show(self.at, pattern)
            self.words[0] = (pattern, ticks - (now - self.at))
            self.queued -= now - self.at
            self.at = now
        if self.playing and not self.words and self.at < now:
            self._show(self.at, 0)
            self.ran_dry = True
            self.playing = False
        self.now = now

    def _show(self, tick, pattern):
        if self.played[-1][1] != pattern:
            if self.played[-1][0] == tick:
                self.played.pop()
                if self.played and self.played[-1][1] == pattern:
                    return
            self.played.append((tick, pattern))

    def room(self):
        return self.depth - len(self.words)

    def push(self, pattern, ticks):
        assert 1 <= ticks <= port.MAX_WORD_TICKS
        assert 0 <= pattern < 1 << 16
        assert len(self.words) < self.depth
        self.words.append((pattern, ticks))
        self.queued += ticks
        self.most_queued = max(self.most_queued, self.queued)

    def enable(self):
        assert not self.playing
        self.playing = True
        self.at = self.now
        if self.words:
            self._show(self.now, self.words[0][0])
        return 0

    def stop(self):
        self.stops += 1
        self.words.clear()
        self.queued = 0
        self.playing = False
        self._show(self.now, 0)

    def starved(self):
        dry, self.ran_dry = self.ran_dry, False
        return dry

    def probe(self, pattern):
        assert not self.playing
        return self.probe_ua.get(pattern, port.NOT_MEASURED)

    def trim_supply(self, supply_ppm):
        self.supply_ppm = supply_ppm

    def random(self, count):
        return bytes(range(count))

    def pattern_at(self, tick):
        """The pattern that was played at a tick."""
        found = 0
        for at, pattern in self.played:
            if at > tick:
                break
            found = pattern
        return found


def board(channels=10, monitor=False, **caps):
    """A ten-channel board much like the shipped one, in round figures of our own."""
    limits = {
        "supply_min_mv": 9_000,
        "supply_max_mv": 16_000,
        "run_ticks": 4 * 86_400 * 10_000,
        "charge_mas": 40 * 3_600_000,
        "bank_temp_cdeg": 11_000,
    }
    limits.update(caps)
    channels_ns = [110_000 * 196**k // 100**k for k in range(channels)]
    return Board("fake-12v", channels_ns, range(2, 2 + channels), 11_000, monitor, limits)


class World:
    """A box, its hal and a supply that the test moves; time jumps to the next deadline or sense.

    sense_ticks: how often the shell senses; usb: whether the box lives on when the supply is gone.
    """

    def __init__(self, store=None, the_board=None, now=0, sense_ticks=1_000, depth=1024, **options):
        self.store = store if store is not None else MemoryStore()
        self.board = the_board or board()
        self.depth = depth
        self.options = options
        self.sense_ticks = sense_ticks
        self.readings = port.Readings()
        self.readings.supply_mv = 12_600
        self.readings.bank_cdeg = 2_500
        self._new(now)

    def _new(self, now):
        self.now = self.sensed = now
        self.hal = FakeHal(self.depth)
        self.hal.now = now
        self.hal.played = [(now, 0)]
        self.box = Box(self.board, self.store, self.hal, "test", **self.options)

    def boot(self, **options):
        """Boot; returns the world."""
        self.box.boot(self.now, self.readings, **options)
        self._next_sense = self.now
        return self

    def cut(self, now=0):
        """The power goes and comes back: a new box, in a new time, on what the store kept."""
        if isinstance(self.store, MemoryStore):
            self.store = MemoryStore(self.store.files)
        else:
            self.store.lose_power()
            self.store.revive()
        self._new(now)
        return self.boot()

    def load(self, program, slot=0):
        """Store a program."""
        return doors.store(self.box, slot, programs.pack(program))

    def arm(self, program=None, slot=0):
        """Store a program, if one is given, and arm it; returns the world."""
        if program is not None:
            self.load(program, slot)
        self.box.arm(self.now, slot)
        return self

    def run(self, ticks):
        """Let `ticks` pass."""
        end = self.now + ticks
        while True:
            at = min(self._next_sense, max(self.box.deadline, self.now))
            if at > end:
                break
            self.visit(at)
            if self.box.deadline <= at:
                self.now = at + 1
        self.now = end
        self.hal.run_to(end)
        return self

    def visit(self, at):
        """Call the box at a tick."""
        self.now = at
        self.hal.run_to(at)
        if at >= self._next_sense:
            self.box.sense(at, self.readings)
            self.sensed = at
            self._next_sense = at + self.sense_ticks
        self.box.step(at)

    def until(self, state, ticks=10**9):
        """Let time pass until the box is in a state; returns the tick."""
        end = self.now + ticks
        while self.box.state != state:
            at = min(self._next_sense, max(self.box.deadline, self.now))
            assert at <= end, f"still {self.box.state}"
            self.visit(at)
            if self.box.state != state and self.box.deadline <= at:
                self.now = at + 1
        return self.now

    def sense(self):
        """One sense at this instant, and nothing else."""
        self.hal.run_to(self.now)
        self.box.sense(self.now, self.readings)
        self.sensed = self.now

    def records(self, kind=None):
        """The journal, decoded; of one kind, if one is given."""
        found = journals.decode(journals.whole(self.box.journal))
        return [record for record in found if kind in (None, record["kind"])]

    def kinds(self):
        """The kinds of the records, in order."""
        return [record["kind"] for record in self.records()]

    def played(self):
        """The true pattern as [(tick, pattern)], changes only."""
        return self.hal.played

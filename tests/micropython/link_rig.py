"""A box with an instrument on it, small enough for both Pythons: files in a dict, a hal that plays nothing.

Time moves only when it is told to. Runs under MicroPython too.
"""

import io

from boxcore import port
from boxcore.board import Board
from boxcore.box import Box
from boxcore.commands import Instrument

TICKS_PER_S = 10_000
SUPPLY_MV = 12_600
OWN_UA = 11_000
CHANNELS_NS = (1_000_000, 2_000_000, 4_000_000, 8_000_000, 16_000_000)  # 31 mS: 390.6 mA at 12.6 V
CAPS = {
    "supply_min_mv": 9_000,
    "supply_max_mv": 16_000,
    "run_ticks": 4 * 86_400 * TICKS_PER_S,
    "charge_mas": 144_000_000,
    "bank_temp_cdeg": 11_000,
}


class Writing:
    """A file of a store, open for writing."""

    def __init__(self, store, name):
        self.store = store
        self.name = name
        store.write(name, b"")

    def write(self, data):
        self.store.append(self.name, data)

    def close(self):
        pass


class Store:
    """Files in a dict; `full` makes every change fail as a full flash does."""

    def __init__(self):
        self.files = {}
        self.full = False

    def _change(self):
        if self.full:
            raise OSError(28)

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
        self._change()
        self.files[name] = bytes(data)

    def append(self, name, data):
        self._change()
        self.files[name] = self.files.get(name, b"") + bytes(data)

    def rename(self, old, new):
        self._change()
        self.files[new] = self.files.pop(old)

    def delete(self, name):
        self.files.pop(name, None)

    def names(self):
        return list(self.files)

    def size(self, name):
        return len(self.files[name]) if name in self.files else None

    def sync(self):
        pass


class Hal:
    """Takes every word and never runs empty; counts how often the switches were opened.

    `probe_pct` is how much of its current a channel draws in a self-test.
    """

    def __init__(self):
        self.stops = 0
        self.probe_pct = 100

    def room(self):
        return 1000

    def push(self, pattern, ticks):
        pass

    def enable(self):
        return 0

    def stop(self):
        self.stops += 1

    def starved(self):
        return False

    def trim_supply(self, supply_ppm):
        self.supply_ppm = supply_ppm

    def random(self, count):
        return b"\x5a" * count  # the worst that a random source can be

    def probe(self, pattern):
        total = sum([CHANNELS_NS[k] for k in range(len(CHANNELS_NS)) if pattern >> k & 1])
        return total * SUPPLY_MV // 1_000_000 * self.probe_pct // 100


class Rig:
    """The box, its instrument, and the time."""

    def __init__(self, files=None, monitor=False, hal=None):
        self.store = Store()
        self.store.files.update(files or {})
        self.hal = hal or Hal()
        self.readings = port.Readings()
        self.readings.supply_mv = SUPPLY_MV
        self.readings.bank_cdeg = 2_512
        self.box = Box(
            Board("rig", CHANNELS_NS, (2, 3, 4, 5, 6), OWN_UA, monitor, CAPS), self.store, self.hal, "42"
        )
        self.now = 0
        self.box.boot(0, self.readings)
        self.instrument = Instrument(self.box)

    def say(self, data):
        """Bytes in at this instant, answers out; then the box has its turn."""
        answers = self.instrument.feed(data, self.now)
        self.wait(0)
        return answers

    def wait(self, ticks):
        """Let time pass, the box called at its deadlines, the instrument too."""
        end = self.now + ticks
        while True:
            self.box.sense(self.now, self.readings)
            self.box.step(self.now)
            self.instrument.tick(self.now)
            while self.box.lock.work():
                pass
            if self.now >= end:
                return
            self.now = min(max(self.box.deadline, self.now + 1), end)

"""On a bad line: whatever the client returns is true, whatever it stores is whole; then all works again."""

from __future__ import annotations

from random import Random

import pytest
from nightdraw import journals
from nightdraw.errors import LinkError
from nightdraw.link import open_box

from tests.counts import tries
from tests.link.faulty import FaultyLine
from tests.micropython import link_cases
from tests.micropython.link_rig import Rig

PROGRAMS = (link_cases.PROGRAM, link_cases.OTHER, link_cases.LONG)
REQUESTS = 25  # on each bad line
LINES, CAMPAIGN_LINES = 12, tries(300, 100)
RATES = (0.02, 0.1, 0.3)
SLOT = 4


class Trial:
    """A box, a bad line to it, and what must be true of it."""

    def __init__(self, seed: str) -> None:
        self.rng = Random(seed)
        self.rig = Rig()
        self.line = FaultyLine(self.rig, self.rng)
        self.client = open_box(self.line)
        self.client.send(SLOT, PROGRAMS[0])
        self.failed = 0

    def attempt(self) -> None:
        """One request; a LinkError is an answer, a wrong answer is not."""
        request = self.rng.choice([self.send, self.arm, self.halt, self.look, self.measure, self.journal])
        try:
            request()
        except LinkError:
            self.failed += 1
        assert self.held() in PROGRAMS

    def held(self) -> bytes:
        """What the slot really holds."""
        return bytes(self.rig.box.slots.read_at(SLOT, 0, 1 << 20))

    def send(self) -> None:
        data = self.rng.choice(PROGRAMS)
        self.client.halt()
        stored = self.client.send(SLOT, data)
        assert stored.bytes == len(data)
        assert self.held() == data
        assert self.client.program(SLOT) == data

    def arm(self) -> None:
        run = self.rig.box.run
        self.client.halt()
        armed = self.client.arm(SLOT)
        assert armed.state in ("waiting", "running")
        assert armed.slot == self.rig.box.slot == SLOT
        assert run is None or armed.run in (1, run + 1), "armed twice, or not at all"

    def halt(self) -> None:
        assert self.client.halt().state == self.rig.box.state == "idle"

    def look(self) -> None:
        run = self.client.run()
        assert (run.state, run.slot, run.run) == (self.rig.box.state, self.rig.box.slot, self.rig.box.run)

    def measure(self) -> None:
        measured = self.client.measure()
        assert (measured.supply_v, measured.temp_c) == (12.6, 25.12)

    def journal(self) -> None:
        read = self.client.read_journal()
        assert len(read.data) >= 32
        assert journals.whole(self.rig.box.journal)[read.start :].startswith(read.data)


def try_lines(seed: int, lines: int) -> None:
    """Bad lines of every rate; then the faults stop, and every request succeeds."""
    faults = failed = 0
    for number in range(lines):
        name = f"{seed} line {number}"
        trial = Trial(name)
        trial.line.rate = RATES[number % len(RATES)]
        for _ in range(REQUESTS):
            trial.attempt()
        faults += trial.line.faults
        failed += trial.failed
        trial.line.rate = 0.0
        trial.failed = 0
        for request in (trial.halt, trial.send, trial.arm, trial.look, trial.measure, trial.journal):
            request()
        assert trial.client.errors() == [], name
    assert faults > lines * REQUESTS / 10, "the line was hardly bad"
    # asked once, half of the requests fail; asked again, one in eight (300 of these lines of either kind)
    assert failed < lines * REQUESTS / 4, "hardly anything was mended by asking again"


def test_bad_lines(seed: int) -> None:
    try_lines(seed, LINES)


@pytest.mark.campaign
def test_many_bad_lines(seed: int) -> None:
    try_lines(seed + 1, CAMPAIGN_LINES)

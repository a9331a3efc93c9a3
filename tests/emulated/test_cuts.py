"""Power that goes inside flash operations of the emulated board: the old or the new, never a mix, and the
box comes up.

Each cut falls into the n-th erase or page write of something that writes: storing, deleting, arming, a
run's own bookkeeping, halting. A page is left half written, a sector half erased. Afterwards the box must
answer, hold what it held in every slot that nobody touched, and the old or the new in the one that was
being changed.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from random import Random

import pytest
from boxcore import program as pg
from nightdraw import programs

from tests.counts import tries
from tests.emulated import play
from tests.emulated.board import Board, open_file_system

MOST_OPERATIONS = 14  # what one action takes at most, and a little of what follows
CUTS, FEW_CUTS = tries(100, 40), 3
BUSY = 5  # the slot that is changed
RUNS = 2  # the slot that runs
LEVELS = 200  # of the replays that are stored: 1.6 KB, several pages
ENABLE = play.board().circuit.pins.enable


def replay(rng: Random, name: str) -> bytes:
    """A stored program of some pages, different each time."""
    levels = [(rng.randint(20_000, 400_000), rng.randint(500, 5_000)) for _ in range(LEVELS)]
    return programs.pack(pg.Program(name, [(pg.REPLAY, pg.FOREVER, programs.pack_levels(levels))]))


@pytest.fixture(scope="module")
def box_to_cut(firmware: Path) -> Iterator[Board]:
    with Board(firmware) as board:
        board.wait_usb()
        yield board


class Life:
    """One box through many cuts; `crcs` is what each slot may hold: one answer, or two while it changes."""

    def __init__(self, box: Board, rng: Random) -> None:
        self.box, self.rng = box, rng
        self.box.send("*RST;*CLS\n")
        self.crcs: dict[int, set[str]] = {}
        for slot in (0, RUNS, BUSY, 9):
            assert play.define(box, slot, replay(rng, f"first-{slot}")).startswith("0,")
            self.crcs[slot] = {self.held(slot)}

    def held(self, slot: int) -> str:
        """What the box says of a slot: name, size, CRC."""
        answer = self.box.ask(f"DIAG:PROG? SLOT{slot}")
        self.box.send("*CLS\n")
        return answer

    def store(self) -> None:
        """Replace the busy slot's program."""
        data = replay(self.rng, "next")
        self.crcs[BUSY].add(f'"next",{len(data)},{programs.checksum(data)}')
        size = str(len(data))
        self.box.send(f"PROG:NAME SLOT{BUSY};:PROG:DEF #{len(size)}{size}".encode() + data + b"\n")

    def arm(self) -> None:
        """Begin a run, after the last one's end."""
        self.box.send(f"*RST;:PROG:NAME SLOT{RUNS};:PROG:STAT RUN\n")

    def halt(self) -> None:
        """End what runs."""
        self.box.send("PROG:STAT STOP\n")

    def cut(self) -> bool:
        """Cut the power inside something; returns whether it came to that, and checks what is left."""
        act = self.rng.choice([self.store, self.store, self.arm, self.arm, self.halt])
        boots = self.box.boots
        self.box.cut_in_flash(self.rng.randint(1, MOST_OPERATIONS))
        act()
        gone = self.box.wait_boot(boots + 1, 15)
        self.box.cut_in_flash(0)
        if gone:
            self.box.wait_usb()
        self.look()
        return gone

    def look(self) -> None:
        """The box answers, every slot holds what it may, the journal has bounds."""
        assert self.box.ask("*IDN?", 30).startswith("NIGHTDRAW,")
        for slot, may in self.crcs.items():
            answer = self.held(slot)
            assert answer in may, (slot, answer, may)
            self.crcs[slot] = {answer}
        first, end = (int(word) for word in self.box.ask("DIAG:JOUR?").split(","))
        assert 0 <= first <= end


def survive(box: Board, seed: int, cuts: int) -> None:
    life = Life(box, Random(seed))
    hit = 0
    while hit < cuts:
        hit += life.cut()
    names = open_file_system(box.file_system()).listdir("/")
    assert "fault.txt" not in names
    box.send("*RST\n")
    box.run(0.5)
    assert box.pins()[ENABLE] == 1
    print(f"{hit} cuts of power inside flash operations, nothing lost")


def test_a_few_cuts_lose_nothing(box_to_cut: Board, seed: int) -> None:
    survive(box_to_cut, seed, FEW_CUTS)


@pytest.mark.campaign
def test_many_cuts_lose_nothing(box_to_cut: Board, seed: int) -> None:
    survive(box_to_cut, seed + 1, CUTS)

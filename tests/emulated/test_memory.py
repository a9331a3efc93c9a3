"""Memory on the emulated board: ten slots as full as they can be, in rest and in a run. The heap has a file
of its own.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from boxcore import program as pg
from boxcore import schedule
from boxcore.slots import SLOTS
from nightdraw import programs
from nightdraw.link import open_box

from tests.emulated import play, stored
from tests.emulated.board import Board
from tests.emulated.test_edges import QUESTIONS

RUN_TICKS, LEAST_EDGES = 10_000 * 60, 30
WORST_ERASE_MS = 400
BUSY, SPARE = 3, 7  # the slot that runs, one that is stored meanwhile


@pytest.fixture(scope="module")
def full(firmware: Path) -> Iterator[Board]:
    """A box that gets power with eight slots full; 0 and SPARE are empty."""
    fs = stored.root(firmware)
    for slot in set(range(SLOTS)) - {0, SPARE}:
        stored.put(fs, f"data/slot{slot}", stored.slot_file(stored.largest(slot), slot + 1))
    with Board(bytes(fs.context.buffer)) as board:
        board.wait_usb()
        yield board


def test_ten_full_slots_store_boot_list_run_and_read_back(full: Board) -> None:
    box = full
    assert play.define(box, 0, stored.largest(0)).startswith("0,")
    before = len(box.edges())
    assert play.arm(box, BUSY).startswith("0,")
    play.chatter(box, 2, QUESTIONS)
    assert play.define(box, SPARE, stored.largest(SPARE)).startswith("0,")
    play.chatter(box, 1, QUESTIONS)
    exact(box, before)
    box.power_cycle()
    box.wait_usb()
    names = box.ask("PROG:CAT?", 30)
    assert names == ",".join(f'"SLOT{slot}"' for slot in range(SLOTS))
    for slot in range(SLOTS):
        data = stored.largest(slot)
        assert box.ask(f"DIAG:PROG? SLOT{slot}") == f'"largest-{slot}",{len(data)},{programs.checksum(data)}'
    box.run(3)
    assert box.ask("DIAG:RUN?").startswith(f"RUNNING,{BUSY},1,")
    with open_box(box.address) as client:
        assert client.program(SPARE) == stored.largest(SPARE)
        client.halt()


def exact(box: Board, before: int) -> None:
    """Each edge of the run where the schedule has it, to a tick."""
    seen = play.changes(box.edges()[before:], play.board())[1:]
    program = programs.unpack(stored.largest(BUSY))
    asked = programs.edges(schedule.Schedule(program, 1, play.board().own_ua), RUN_TICKS)
    assert len(seen) > LEAST_EDGES
    for (tick, _), change in zip(asked, seen, strict=False):
        assert abs(change.at_ns - seen[0].at_ns - tick * play.NS_A_TICK) <= play.NS_A_TICK, tick


@pytest.mark.campaign
def test_a_slow_flash_costs_a_run_nothing_while_programs_are_stored(firmware: Path) -> None:
    fs = stored.root(firmware)
    for slot in set(range(SLOTS)) - {0}:
        stored.put(fs, f"data/slot{slot}", stored.slot_file(stored.largest(slot), slot + 1))
    with Board(bytes(fs.context.buffer), erase_ms=WORST_ERASE_MS) as box:
        box.wait_usb()
        pulses = programs.pack(
            pg.Program("pulses", [(pg.STEADY, 40_000), (pg.PULSE, 100_000, 500, 1_000, 0)])
        )
        assert play.define(box, 0, pulses).startswith("0,")
        before = len(box.edges())
        assert play.arm(box, 0).startswith("0,")
        box.run(3)
        for seed in range(4):
            assert play.define(box, SPARE, stored.largest(seed)).startswith("0,")
        seen = play.changes(box.edges()[before:], play.board())[1:]
        assert len(seen) > 200
        for number, change in enumerate(seen):
            assert abs(change.at_ns - seen[0].at_ns - number * 500 * play.NS_A_TICK) <= play.NS_A_TICK

"""Memory on the emulated board: ten slots as full as they can be, in rest and in a run; a heap in which a run
takes nothing; and how much is left of it.

Budgets are bytes of the board's own heap of 245,888. A largest free block says what one request can get;
nothing that the firmware asks for after its start is larger than an open file.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from random import Random

import pytest
from boxcore import program as pg
from boxcore import schedule
from boxcore.slots import SLOTS
from nightdraw import programs
from nightdraw.link import open_box

from tests.emulated import play, stored
from tests.emulated.board import Board
from tests.emulated.test_edges import QUESTIONS

HEAP_BYTES = 245_888
LEAST_FREE_BYTES = HEAP_BYTES // 4  # in a busy run
LEAST_BLOCK_BYTES = 8_192  # of them in one piece: six times an open file, the largest request of a run
OPEN_FILE_BYTES = 1_300
RUN_S, LONG_RUN_S = 4.0, 600.0
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


# -- the heap ------------------------------------------------------------------------------------------


@pytest.fixture
def probed(firmware: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Board]:
    """A box of its own, whose firmware tells of its heap and can lock it for good, see probe.py."""
    folder = tmp_path_factory.mktemp("probed") / "root"
    shutil.copytree(firmware, folder)
    main = (folder / "main.py").read_text()
    runs = "        hal = start.shell(BUFFERS.ring)\n"
    assert main.count(runs) == 1
    attach = "        import probe\n        probe.attach()\n"
    (folder / "main.py").write_text(main.replace(runs, runs + attach))
    shutil.copy(Path(__file__).with_name("probe.py"), folder)
    with Board(folder) as board:
        board.wait_usb()
        yield board


def everything(seed: int) -> bytes:
    """Every kind of draw at once, a replay that fills the slot among them."""
    rng = Random(seed)
    draws: list[tuple[object, ...]] = [
        (pg.STEADY, 40_000),
        (pg.PULSE, 100_000, 500, 3_000, 0),
        (pg.RANDOM, 80_000, 200, 900, pg.UNIFORM, 1_000, 9_000),
        (pg.RANDOM, 60_000, 100, 100, pg.EXPONENTIAL, 4_000, 4_000),
    ]
    levels = [(rng.randrange(1_000, 90_000), rng.randrange(100, 3_000)) for _ in range(2_000)]
    data = programs.pack(
        pg.Program("everything", [*draws, (pg.REPLAY, 0, programs.pack_levels(levels))], seed=seed)
    )
    assert len(data) > pg.MAX_BYTES - 300
    return data


def heap(box: Board) -> tuple[int, int, int]:
    """Bytes in use, free, and in the largest free block."""
    used, free, block = (int(word) for word in box.ask("DIAG:HEAP?", 30).split(","))
    return used, free, block


def busy_run(box: Board, seed: int, seconds: float) -> None:
    """Run everything with a busy host and hold the heap against its budgets; prints what is left."""
    box.send("*RST;*CLS\n")
    assert play.define(box, 0, everything(seed)).startswith("0,")
    rest = heap(box)
    assert play.arm(box, 0).startswith("0,")
    left = []
    for _ in range(int(seconds)):
        play.chatter(box, 1, QUESTIONS)
        left.append(heap(box)[1:])
    assert box.ask("DIAG:RUN?").startswith("RUNNING,0,")
    free, block = min(free for free, _ in left), min(block for _, block in left)
    print(
        f"\nheap: {rest[0]} bytes in use at rest; in {seconds:.0f} s of a busy run at least {free} free, "
        f"{block} of them in one piece; in the end {left[-1][0]} and {left[-1][1]}"
    )
    assert free >= LEAST_FREE_BYTES
    assert block >= LEAST_BLOCK_BYTES > 4 * OPEN_FILE_BYTES
    assert box.ask("SYST:ERR?").startswith("0,")


def test_a_run_leaves_a_quarter_of_the_heap_free(probed: Board, seed: int) -> None:
    busy_run(probed, seed, RUN_S)


@pytest.mark.campaign
def test_ten_busy_minutes_leave_as_much(probed: Board, seed: int) -> None:
    busy_run(probed, seed, LONG_RUN_S)


def test_a_run_allocates_nothing(probed: Board, seed: int) -> None:
    box = probed
    box.send("*RST;*CLS\n")
    assert play.define(box, 0, everything(seed)).startswith("0,")
    assert play.arm(box, 0).startswith("0,")
    box.run(1)
    box.send("DIAG:LOCK\n")
    play.chatter(box, 4, QUESTIONS)
    assert box.ask("DIAG:RUN?").startswith("RUNNING,0,")
    senses, steps, refills = (int(word) for word in box.ask("DIAG:LOCK?").split(",")[:3])
    print(f"\nwith a locked heap: {senses} readings, {steps} steps, {refills} refills")
    assert senses > 50
    assert min(steps, refills) > 8

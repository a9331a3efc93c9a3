"""The heap on the emulated board: a run takes nothing of it, and how much is left of it.

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
from nightdraw import programs

from tests.counts import tries
from tests.emulated import play
from tests.emulated.board import Board
from tests.emulated.test_edges import QUESTIONS

HEAP_BYTES = 245_888
LEAST_FREE_BYTES = HEAP_BYTES // 4  # in a busy run
LEAST_BLOCK_BYTES = 8_192  # of them in one piece: six times an open file, the largest request of a run
OPEN_FILE_BYTES = 1_300
RUN_S, LONG_RUN_S = 4.0, tries(600, 60)
LOOK_S = 2.0  # between two looks at the heap, each of which takes the box half a second


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
    for _ in range(int(seconds / LOOK_S)):
        play.chatter(box, LOOK_S, QUESTIONS)
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
def test_busy_minutes_leave_as_much(probed: Board, seed: int) -> None:
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

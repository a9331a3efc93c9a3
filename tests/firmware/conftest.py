"""Puts the fake board's folder on the path, and takes a test's board out again when the test is over."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))

from fake_board import chip as silicon  # noqa: E402 - found by the line above
from fake_board import modules  # noqa: E402


@pytest.fixture
def chip() -> Iterator[Any]:
    """A board that runs at its power-up clock, with a healthy supply, and the modules that stand for it."""
    board = silicon.Chip(edges=200_000)
    board.adc.update({4: 14_000, 26: 32_700, 27: 32_768})
    before = modules.install(board)
    yield board
    modules.remove(before)

"""Nothing allocates where an edge is handed over or a switch must open: shown by real MicroPython's locked
heap."""

from __future__ import annotations

from tests.firmware import pythons

TRIED = [
    "push before the start",
    "enable",
    "push while playing",
    "starved",
    "read the sensors",
    "stop",
    "a reading that trips opens the switches",
]


def test_nothing_allocates_from_the_reading_to_the_switch() -> None:
    assert pythons.run("micropython", "lock_board.py").split("\n")[: len(TRIED)] == TRIED

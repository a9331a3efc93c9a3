"""Under real MicroPython with the heap locked: from reading to open switches nothing is allocated."""

from __future__ import annotations

from pathlib import Path

from tests.micropython import runner

SCRIPT = Path(__file__).with_name("heap_board.py")
CASES = [
    "guard quiet",
    "sense quiet",
    "sense with a monitor",
    "sense bank_cdeg",
    "sense board_cdeg",
    "sense bank_ua",
    "sense supply_mv",
    "sense supply_mv",
    "step that refills",
]


def test_a_reading_a_trip_a_hold_and_a_refill_allocate_nothing() -> None:
    assert runner.run(SCRIPT).decode().splitlines() == CASES

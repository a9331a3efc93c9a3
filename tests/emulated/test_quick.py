"""How soon the box is there, in the emulated board's own time, the same at every run: first light after a
power-up, and the storing of the largest program.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from boxcore import program as pg
from nightdraw import programs

from tests.emulated import play, stored
from tests.emulated.board import NS, Board, open_file_system

FIRST_LIGHT_S, STORED_S = 1.0, 2.0
BOOTS = 4  # the run's bookkeeping erases a sector in some of them
MS = 10
DRAWS: dict[str, list[tuple[Any, ...]]] = {
    "short pulses": [(pg.PULSE, 350_000, 5 * MS, 10 * MS, 0)],
    "eight draws": [(pg.STEADY, 40_000)]
    + [
        (pg.RANDOM, 20_000 + 1_000 * k, 10 * MS, 90 * MS, pg.UNIFORM, 10_000 * MS, 60_000 * MS)
        for k in range(7)
    ],
}


def first_light_s(box: Board, begun_ns: int, before: int) -> float:
    """Seconds from a power-up to the first closed switch."""
    box.run(1.2)
    seen = play.changes(box.edges()[before:], play.board())
    closed = [change.at_ns for change in seen if change.pattern and change.at_ns > begun_ns]
    assert closed, "no switch closed within 1.2 s"
    return (closed[0] - begun_ns) / NS


@pytest.mark.parametrize(
    ("name", "resume"),
    [
        ("short pulses", pg.RESUME_RESTART),
        ("short pulses", pg.RESUME_CONTINUE),
        ("the largest replay", pg.RESUME_RESTART),
        ("the largest replay", pg.RESUME_CONTINUE),
        ("eight draws", pg.RESUME_RESTART),
    ],
)
def test_a_run_is_there_within_a_second_of_the_power(firmware: Path, name: str, resume: int) -> None:
    if name in DRAWS:
        data = programs.pack(pg.Program("light", DRAWS[name], resume=resume))
    else:
        data = stored.largest(3, resume)
    with Board(stored.interrupted(firmware, data, stored.HOUR_TICKS)) as box:
        found, erases = [], []
        for boot in range(BOOTS):
            erased, before, begun_ns = box.erases(), len(box.edges()), box.now_ns
            if boot:
                box.power_cycle()
            found.append(first_light_s(box, begun_ns, before))
            erases.append(box.erases() - erased)
        print(f"\nfirst light: {' '.join(f'{s:.3f}' for s in found)} s, {erases} sectors erased")
        assert max(found) < FIRST_LIGHT_S
        assert "fault.txt" not in open_file_system(box.file_system()).listdir("/")


def test_the_largest_program_is_stored_within_two_seconds(box: Board) -> None:
    box.run(3)
    found = []
    for seed in range(4):
        begun_ns = box.now_ns
        assert play.define(box, seed % 2, stored.largest(seed)).startswith("0,")
        found.append((box.now_ns - begun_ns) / NS)
    print(f"\n16 KB stored in {' '.join(f'{s:.2f}' for s in found)} s")
    assert max(found) < STORED_S

"""A run's zero on the emulated board: what DIAGnostic:RUN? and the journal tell, and what the pins do.

The box counts ticks from an instant of its own, so the comparison is of differences: from the tick that the
box names to the edge that the pins show there must be the same time in every run of a power-up, whether the
program begins with a closed switch, with fast pulses, after a delay, or goes on after a power loss.
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest
from boxcore import program as pg
from nightdraw import programs

from tests.emulated import play, stored
from tests.emulated.board import Board

TICK_NS = play.NS_A_TICK
MS = 10
FAST = (pg.PULSE, 350_000, 5 * MS, 10 * MS, 0)
SHORTEST = (pg.PULSE, 350_000, MS, 2 * MS, 0)
LATER = (pg.PULSE, 350_000, 300 * MS, 1_000 * MS, 400 * MS)
STEADY = (pg.STEADY, 40_000)


def program(*draws, **fields) -> bytes:
    return programs.pack(pg.Program("zero", draws, **fields))


def first_close(box: Board, before: int) -> int:
    """Nanoseconds of the first closed switch after so many pin changes."""
    return next(change.at_ns for change in play.changes(box.edges()[before:], play.board()) if change.pattern)


def zero(box: Board) -> int:
    state, _, _, tick = box.ask("DIAG:RUN?").split(",")
    assert state == "RUNNING"
    return int(tick)


def offset_ns(box: Board, slot: int, first_ticks: int) -> int:
    """Arm, run a second; from the tick of the first closed switch by the box to the pins."""
    before = len(box.edges())
    assert play.arm(box, slot).startswith("0,")
    box.run(3)
    tick = zero(box) + first_ticks
    return first_close(box, before) - tick * TICK_NS


def test_a_zero_is_where_the_pins_have_it(firmware: Path) -> None:
    cases = (
        (program(LATER), 400 * MS),  # the first edge needs no hurry: what all others are held against
        (program(STEADY, FAST), 0),
        (program(FAST), 0),
        (program(SHORTEST), 0),
        (program(FAST, start_after_ticks=1_234 * MS), 0),
        (program(STEADY), 0),
    )
    with Board(firmware) as box:
        box.wait_usb()
        found = []
        for slot, (data, first_ticks) in enumerate(cases):
            assert play.define(box, slot, data).startswith("0,")
            found.append(offset_ns(box, slot, first_ticks))
            box.send("PROG:STAT STOP\n")
        assert all(abs(other - found[0]) <= TICK_NS // 2 for other in found), [n - found[0] for n in found]


@pytest.mark.parametrize("resume", [pg.RESUME_RESTART, pg.RESUME_CONTINUE])
def test_the_zero_of_a_run_that_comes_back_is_where_the_pins_have_it(firmware: Path, resume: int) -> None:
    """Its tick lies before the power-up where the run goes on; a later run of the same power-up tells where
    the box's ticks lie."""
    every, beyond = FAST[3], 37  # the power went that long behind an edge
    files = stored.interrupted(firmware, program(FAST, resume=resume), stored.HOUR_TICKS + beyond)
    with Board(files) as box:
        box.wait_usb()
        box.run(5)
        zero_tick = zero(box)
        seen = play.changes(box.edges(), play.board())
        rises_ns = [later.at_ns for one, later in pairwise(seen) if later.pattern and not one.pattern]
        assert len(rises_ns) > 300
        box.send("PROG:STAT STOP\n")
        assert play.define(box, 1, program(LATER)).startswith("0,")
        start_ns = offset_ns(box, 1, 400 * MS)
        ticks = [(at_ns - start_ns) / TICK_NS - zero_tick for at_ns in rises_ns]
        goes_on = resume == pg.RESUME_CONTINUE
        assert (zero_tick < 0) is goes_on
        first = [stored.HOUR_TICKS + beyond] if goes_on else []  # in the midst of a pulse
        behind = stored.HOUR_TICKS + every if goes_on else 0
        wanted = first + [behind + k * every for k in range(len(ticks) - len(first))]
        assert all(abs(tick - due) <= 0.5 for tick, due in zip(ticks, wanted, strict=True)), ticks[:5]

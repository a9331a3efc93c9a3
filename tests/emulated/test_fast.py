"""A program whose changes come faster than the emulated board can work them out: it trips, and says so."""

from __future__ import annotations

from boxcore import program as pg
from nightdraw import programs

from tests.emulated import play
from tests.emulated.board import Board

MS = 10
SEVEN = [(pg.RANDOM, 20_000 + 1_000 * k, MS, MS, pg.EXPONENTIAL, MS, MS) for k in range(7)]
SOON_S, ANSWER_S = 12.0, 20.0  # its queue lasts half a second; then each look ahead takes seconds
ENABLE = play.board().circuit.pins.enable


def test_what_outruns_the_board_trips_and_is_told(box: Board) -> None:
    assert play.define(box, 0, programs.pack(pg.Program("fast", [(pg.STEADY, 40_000), *SEVEN]))).startswith(
        "0,"
    )
    assert play.arm(box, 0).startswith("0,")
    box.run(SOON_S)
    assert box.ask("DIAG:STAT?", ANSWER_S).startswith("TRIPPED")
    assert box.pins()[ENABLE] == 1
    assert box.boots == 0  # no watchdog had to come

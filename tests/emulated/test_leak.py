"""A locked box on the emulated board: neither what it answers nor when goes with the edges of its run.

Instants are the board's own, the edges those of its pins. A false alarm is one in a thousand (leak.ALARM). It
finds a planted leak in what was heard too: answers that come late within 0.5 s behind an edge.
"""

from __future__ import annotations

from pathlib import Path
from random import Random

import numpy as np
import pytest
from boxcore import loop
from boxcore import program as pg
from nightdraw import programs

from tests import leak
from tests.boxcore.test_lock import STORED
from tests.counts import tries
from tests.emulated import play
from tests.emulated.board import NS, Board, open_file_system

PLANTED_MS = 25.0  # found in this few answers; the 11 ms that an open box once waited take long listening
QUESTIONS = ("MEAS:VOLT?", "DIAG:STAT?", "*STB?", "SYST:ERR?", "STAT:QUES:COND?", "OUTP?", "SYST:PASS:TRI?")
PLAN = pg.Program(
    "leak",
    [(pg.STEADY, 40_000), (pg.RANDOM, 350_000, 1_500, 6_000, pg.UNIFORM, 3_000, 12_000)],
    start=pg.START_POWER,
    charge_mas=10**7,
    seed=9,
)
GRID_MS = loop.GRID_TICKS / 10
SPREAD_MS = 12.0  # within which answers of different lengths end behind a grid tick
FILL_S = 4.5  # from power to a run that plays


def running(firmware: Path, locked: bool, erase_ms: float) -> Board:
    """A box that plays PLAN after a power-up."""
    box = Board(firmware, erase_ms=erase_ms)
    box.wait_usb()
    box.run(FILL_S)
    assert play.define(box, 0, programs.pack(PLAN)).startswith("0,")
    assert play.arm(box, 0).startswith("0,")
    box.run(1.0)
    if locked:
        fs = open_file_system(box.file_system())
        with fs.open("data/lock", "wb") as file:
            file.write(STORED)
        box.load_file_system(bytes(fs.context.buffer))
        box.wait_usb()
        box.run(FILL_S)
        assert box.ask("SYST:PASS:STAT?;:DIAG:STAT?") == "0;RUNNING"
    return box


class Heard:
    """What was asked at random instants: seconds of each question, series of numbers, the edges' seconds."""

    def __init__(self, box: Board, questions: int, rng: Random) -> None:
        start_ns = box.now_ns
        self.at_s: list[float] = []
        self.latency_ms: list[float] = []
        self.phase_ms: list[float] = []
        said: dict[str, list[str]] = {question: [] for question in QUESTIONS}
        for _ in range(questions):
            box.run(rng.uniform(0, 0.4))
            asked_ns = box.now_ns
            for answers in said.values():
                answers.append(answers[-1] if answers else "")
            question = rng.choice(QUESTIONS)
            said[question][-1] = box.ask(question)
            self.at_s.append((asked_ns - start_ns) / NS)
            self.latency_ms.append((box.now_ns - asked_ns) / 1e6)
            self.phase_ms.append(box.now_ns / 1e6 % GRID_MS)
        self.span_s = (box.now_ns - start_ns) / NS
        changes = play.changes(box.edges(), play.board())
        self.edges_s = [(c.at_ns - start_ns) / NS for c in changes if start_ns < c.at_ns < box.now_ns]
        self.values = [leak.numbers(answers) for answers in said.values()]

    def p_value(self, rng: Random, late_ms: float = 0.0) -> float:
        """The p-value of "nothing goes with the edges"; late_ms: a leak to be planted, answers that come so
        much later within 0.5 s behind an edge."""
        number = np.searchsorted(self.edges_s, self.at_s, "right")
        since_s = np.array(self.at_s) - np.array([-self.span_s, *self.edges_s])[number]
        late = late_ms * (since_s < 0.5)
        series = [self.latency_ms + late, self.phase_ms + late, *self.values]
        return leak.p_value(self.at_s, series, self.edges_s, self.span_s, rng)


def test_a_locked_box_gives_its_run_away_neither_by_value_nor_by_time(firmware: Path, seed: int) -> None:
    rng = Random(seed)
    with running(firmware, True, 45) as box:
        heard = Heard(box, 120, rng)
    assert len(heard.edges_s) > 15
    assert heard.p_value(rng) > leak.ALARM
    phases = sorted(heard.phase_ms)
    gaps = [(b - a) % GRID_MS for a, b in zip(phases, phases[1:] + phases[:1], strict=True)]
    assert GRID_MS - max(gaps) < SPREAD_MS  # all of them lie in one stretch of the grid
    assert heard.p_value(rng, late_ms=PLANTED_MS) <= leak.ALARM


@pytest.mark.campaign
@pytest.mark.parametrize("erase_ms", [45, 400])
def test_long_listening_finds_nothing_either_on_a_slow_flash_too(
    firmware: Path, seed: int, erase_ms: float
) -> None:
    rng = Random(seed)
    with running(firmware, True, erase_ms) as box:
        assert Heard(box, tries(600, 240), rng).p_value(rng) > leak.ALARM

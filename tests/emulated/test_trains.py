"""Trains as fast as a check lets pass, and faster, on the emulated board with its power monitor: none of
their edges is missing, late, or made by a queue that ran empty.

A check warns from 160 edges a second on (profile/fit.py). The wanted instants are arithmetic, the monitor's
counts Ohm's law with the ohms of the board file.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from boxcore import program as pg
from nightdraw import programs
from nightdraw.profile.fit import SUSTAINED_HZ

from tests.emulated import play
from tests.emulated.board import NS, Board

TICKS_PER_S = 10_000
SUPPLY_V = 12.6  # what the emulated board's converter has where nobody sets it
LSB_V = 2.5e-6  # of an INA226's shunt register (TI SBOS547, register maps)
ADDRESS = 0x40
PLAYED_S = 15.0
LARGE_TICKS = 1 << 30  # 29.8 h after a power-up ticks become objects in the heap
DRAW_UA = 350_000
QUESTIONS = ("MEAS:VOLT?", "MEAS:CURR?", "DIAG:RUN?", "*STB?", "MEAS:TEMP?")


@pytest.fixture
def monitored(
    firmware: Path, tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest
) -> Iterator[Board]:
    """A box whose clock begins at the parameter's tick, with the board's own monitor: what each channel draws
    of SUPPLY_V, in counts of its shunt."""
    folder = tmp_path_factory.mktemp("monitored") / "root"
    shutil.copytree(firmware, folder)
    main = (folder / "main.py").read_text()
    runs = "        hal = start.shell(BUFFERS.ring)\n"
    assert main.count(runs) == 1
    (folder / "main.py").write_text(main.replace(runs, f"{runs}        hal._tick = {request.param}\n"))
    model = play.board()
    shunt_ohms = float(model.circuit.sense.shunt_ohms or 0)
    counts = {
        channel.pin: SUPPLY_V / (float(channel.ohms) + float(channel.on_ohms)) * shunt_ohms / LSB_V
        for channel in model.channels
    }
    with Board(folder) as board:
        board.fit_monitor(ADDRESS, counts, model.circuit.pins.enable)
        board.wait_usb()
        yield board


def told(box: Board, line: str) -> list[str]:
    return box.ask(line, 20).split(",")


@pytest.mark.parametrize(
    ("monitored", "edges_hz"),
    [(0, SUSTAINED_HZ), (0, 200), (LARGE_TICKS - 11 * TICKS_PER_S, 200)],
    indirect=["monitored"],
)
def test_a_train_plays_without_a_gap(monitored: Board, edges_hz: int) -> None:
    box = monitored
    box.run(2)
    assert told(box, "DIAG:HARD?")[0] == "0"
    every = 2 * TICKS_PER_S // edges_hz
    train = (pg.PULSE, DRAW_UA, every // 2, every, 0)
    assert play.define(box, 0, programs.pack(pg.Program("train", [(pg.STEADY, 40_000), train]))).startswith(
        "0,"
    )
    before = len(box.edges())
    assert play.arm(box, 0).startswith("0,")
    assert play.chatter(box, PLAYED_S, QUESTIONS) > 100
    assert box.ask("DIAG:RUN?").startswith("RUNNING,0,")
    assert box.ask("STAT:QUES:COND?") == "0"  # the monitor read what it should
    faults, _, starved = told(box, "DIAG:HARD?")[:3]
    assert (faults, starved) == ("0", "0")
    done = play.changes(box.edges()[before:], play.board())
    first = next(k for k, change in enumerate(done) if change.pattern)
    zero_ns = done[first].at_ns
    seen = [change for change in done[first:] if change.at_ns < zero_ns + PLAYED_S * NS]
    high = max(change.pattern for change in seen[:2])
    wanted = [
        k * every + half for k in range(round(PLAYED_S * TICKS_PER_S) // every) for half in (0, every // 2)
    ]
    assert len(seen) > 0.99 * len(wanted)
    for k, (change, at) in enumerate(zip(seen, wanted, strict=False)):
        assert change.at_ns - zero_ns == pytest.approx(at * play.NS_A_TICK, abs=play.NS_A_TICK), k
        assert (change.pattern == high) == (k % 2 == 0), k
    print(f"\n{edges_hz} edges/s: {len(seen)} edges in {PLAYED_S:.0f} s, none missing, no gap")

"""Every shipped profile on the emulated board, over a link that never rests: each edge where it was asked,
to a tick.

The wanted instants are the host's list of edges, the wanted currents Ohm's law with the ohms of the board
file: nothing of what the box computes is asked. Profiles start at once here; what they do from then on is
theirs.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest
from boxcore import program as pg
from nightdraw import data, programs
from nightdraw.profile import load

from tests.counts import tries
from tests.emulated import play
from tests.emulated.board import NS, Board

FOR_S = tries(12, 8)
SHORT = ("chattering-relay", "telematics-search")  # the busiest two, each time; all of them in the campaign
QUESTIONS = ("MEAS:VOLT?", "DIAG:RUN?", "MEAS:CURR?", "STAT:QUES:COND?", "DIAG:JOUR?", "*STB?", "MEAS:TEMP?")
NAMES = sorted(path.stem for path in data.folder("profiles").glob("*.yaml"))


@pytest.fixture(scope="module")
def playing(firmware: Path) -> Iterator[Board]:
    with Board(firmware) as board:
        board.wait_usb()
        yield board


def held(box: Board, name: str, seconds: float) -> int:
    """Play a profile and hold its edges against what was asked; returns how many there were."""
    profile = load(name)
    program = profile.program()
    program.start, program.start_after_ticks, program.start_steady_ticks = pg.START_POWER, 0, 0
    box.send("*RST;*CLS\n")
    assert play.define(box, 0, programs.pack(program)).startswith("0,")
    before = len(box.edges())
    assert play.arm(box, 0).startswith("0,")
    assert play.chatter(box, seconds + 1, QUESTIONS) > 100
    supply_v = float(box.ask("MEAS:VOLT?"))
    model = play.board()
    done = play.changes(box.edges()[before:], model)
    wanted = asked_changes(play.expected(profile, seconds), model.own_ua / 1000)
    if not wanted:  # its first pulse comes later than that: until then no switch closes
        assert all(change.pattern == 0 for change in done), name
        return 0
    zero_ns = done[1].at_ns - round(wanted[0][0] * NS)
    seen = done[1 : 1 + len(wanted)]
    assert len(seen) == len(wanted)
    for (at_s, level_ma), change in zip(wanted, seen, strict=True):
        assert abs(change.at_ns - zero_ns - at_s * NS) <= play.NS_A_TICK, (name, at_s)
        drawn_ma = play.current_ma(change.pattern, model, supply_v)
        assert abs(drawn_ma - level_ma) <= max(play.LEAST_MA, play.LEAST_SHARE * level_ma), (name, at_s)
    return len(wanted)


def asked_changes(levels: list[tuple[float, float]], own_ma: float) -> list[tuple[float, float]]:
    """The levels that close a switch or change what is closed: the box's own consumption needs none."""
    changed = [levels[0], *(b for a, b in pairwise(levels) if a[1] != b[1])]
    return changed if changed[0][1] > own_ma + 1 else changed[1:]


@pytest.mark.parametrize("name", SHORT)
def test_the_busiest_profiles_play_to_the_tick(playing: Board, name: str) -> None:
    assert held(playing, name, 3.0) > 0


@pytest.mark.campaign
@pytest.mark.parametrize("name", NAMES)
def test_every_shipped_profile_plays_to_the_tick(playing: Board, name: str) -> None:
    assert held(playing, name, FOR_S) >= 0

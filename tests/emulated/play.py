"""Programs on the emulated board: stored, armed and run over its link, and what its pins then do.

What the pins should do is worked out here from the edges that the host lists and the ohms in the board
file, with no code of the box.
"""

from __future__ import annotations

from typing import NamedTuple

from nightdraw.board import BoardModel, load_board
from nightdraw.profile.model import Profile
from nightdraw.profile.timeline import edges as listed

from tests.emulated.board import NS, Board, Edge

NS_A_TICK = 100_000
LEAST_MA, LEAST_SHARE = 2.0, 0.02  # what the board that ships promises of a level: 2 mA or 2 %
GAP_S = 0.003  # between two questions of a busy host


class Change(NamedTuple):
    """The closed channels from an instant on: bit 0 for channel 1; 0 too while the gate buffer is off."""

    at_ns: int
    pattern: int


def define(box: Board, slot: int, data: bytes) -> str:
    """Store a program's bytes; returns what the error queue says then."""
    size = str(len(data))
    head = f"PROG:NAME SLOT{slot};:PROG:DEF #{len(size)}{size}".encode()
    box.send(head + data + b"\n")
    return box.ask("SYST:ERR?", seconds=60)


def arm(box: Board, slot: int) -> str:
    """Arm a slot; returns what the error queue says then."""
    box.send(f"PROG:NAME SLOT{slot};:PROG:STAT RUN\n")
    return box.ask("SYST:ERR?")


def chatter(box: Board, seconds: float, lines: tuple[str, ...]) -> int:
    """Ask one question after the other for so long; returns how many were answered."""
    end_ns = box.now_ns + round(seconds * NS)
    asked = 0
    while box.now_ns < end_ns:
        box.ask(lines[asked % len(lines)])
        box.run(GAP_S)
        asked += 1
    return asked


def changes(edges: list[Edge], model: BoardModel) -> list[Change]:
    """What a list of pin changes did to the bank."""
    pins = {channel.pin: bit for bit, channel in enumerate(model.channels)}
    pattern, enabled, found = 0, False, [Change(0, 0)]
    for edge in edges:
        if edge.pin in pins:
            bit = 1 << pins[edge.pin]
            pattern = pattern | bit if edge.state == 1 else pattern & ~bit
        elif edge.pin == model.circuit.pins.enable:
            enabled = edge.state == 0
        else:
            continue
        now = pattern if enabled else 0
        if found and found[-1].at_ns == edge.at_ns:
            found.pop()
        if not found or found[-1].pattern != now:
            found.append(Change(edge.at_ns, now))
    return found


def current_ma(pattern: int, model: BoardModel, supply_v: float) -> float:
    """What a pattern draws by Ohm's law, the box's own consumption included."""
    closed = [channel for bit, channel in enumerate(model.channels) if pattern >> bit & 1]
    own_ma = model.own_ua / 1000
    return own_ma + sum(1e3 * supply_v / (float(channel.ohms) + float(channel.on_ohms)) for channel in closed)


def expected(profile: Profile, seconds: float, run: int = 1) -> list[tuple[float, float]]:
    """(seconds since the run's zero, mA) of each level that a profile asks for."""
    ticks = round(seconds * NS / NS_A_TICK)
    return [(tick * NS_A_TICK / NS, level_ua / 1000) for tick, level_ua in listed(profile, ticks, run=run)]


def board() -> BoardModel:
    """The board that ships."""
    return load_board(None)

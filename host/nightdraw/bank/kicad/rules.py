"""Widths and distances of a board's nets, from currents and voltages, for router, pour and KiCad alike."""

from __future__ import annotations

import re
from dataclasses import dataclass

from nightdraw.bank.circuit.netlist import GROUND
from nightdraw.bank.kicad.tracks import apart_mm, width_mm
from nightdraw.bank.wiring.board_wiring import wire_up
from nightdraw.board import BoardModel

SIGNAL, RAIL, SUPPLY, RETURN = "Signal", "Rail", "Supply", "Return"
SIGNAL_MM, RAIL_MM, SUPPLY_MM = 0.3, 0.6, 0.8  # least widths: what is easily etched and mended by hand
SIGNAL_APART_MM = 0.25
VIA_MM, VIA_DRILL_MM = 0.9, 0.4
EDGE_MM = 0.5  # copper to the board's edge
FUSE_HOLDS = 1.1  # a fuse of ISO 8820-3 carries 110 % of its rating for 100 h
OUTSIDE = re.compile(r"IN|VP|VPF|Q0G|D\d+|B\d+[a-z]+")  # at the vehicle's voltage


@dataclass(frozen=True)
class NetClass:
    """A class of nets: width of its tracks and distance to all others, mm."""

    name: str
    width_mm: float
    apart_mm: float


@dataclass(frozen=True)
class Rules:
    """The board's net classes, and which net is in which."""

    classes: dict[str, NetClass]
    of: dict[str, str]

    def net(self, name: str) -> NetClass:
        """A net's class; what is in none is a signal."""
        return self.classes[self.of.get(name, SIGNAL)]


def rules(board: BoardModel, nets: list[str]) -> Rules:
    """The rules of a board: what its fuse lets through for ever sets the width, what its clamp lets through
    the distance."""
    circuit = board.circuit
    assert circuit.clamp is not None
    through_a = wire_up(board, 40.0).fuse.rating_a * FUSE_HOLDS
    wide = max(SUPPLY_MM, _up(width_mm(through_a)))
    apart = max(SIGNAL_APART_MM, apart_mm(float(circuit.clamp.clamps_v)))
    classes = {
        SIGNAL: NetClass(SIGNAL, SIGNAL_MM, SIGNAL_APART_MM),
        RAIL: NetClass(RAIL, RAIL_MM, SIGNAL_APART_MM),
        SUPPLY: NetClass(SUPPLY, wide, apart),
        RETURN: NetClass(RETURN, wide, SIGNAL_APART_MM),
    }
    of = {}
    for name in nets:
        if OUTSIDE.fullmatch(name):
            of[name] = SUPPLY
        elif name in (GROUND, "RET"):
            of[name] = RETURN
        elif name in ("V5", "VSYS", "V3"):
            of[name] = RAIL
    return Rules(classes, of)


def _up(mm: float) -> float:
    """The next twentieth of a millimetre."""
    return -(-mm // 0.05) * 0.05

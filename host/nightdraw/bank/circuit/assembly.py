"""From a board file to its netlist: which stages there are, and what a file must say to have one."""

from __future__ import annotations

from nightdraw.bank.circuit.control import control
from nightdraw.bank.circuit.gate_drive import channels, drive
from nightdraw.bank.circuit.netlist import GROUND, Draft, Join, Netlist
from nightdraw.bank.circuit.supply_side import five_volts, front
from nightdraw.bank.heat.mounted import MountedChannel, mounted_channels
from nightdraw.bank.heat.steady_state import steady_heat
from nightdraw.board import BoardModel
from nightdraw.errors import InputError

AMBIENT_C = 40.0
NEEDED = ("gates", "converter", "reverse", "clamp", "lead", "inside", "fuse")


def missing(board: BoardModel) -> list[str]:
    """The keys that a netlist needs and the file lacks."""
    lacking = [key for key in NEEDED if getattr(board.circuit, key) is None]
    return lacking + [key for key in ("switch", "enclosure") if getattr(board, key) is None]


def build(board: BoardModel, ambient_c: float = AMBIENT_C) -> Netlist:
    """The netlist of a board; raises InputError where its file lacks a section of NEEDED or a resistor
    package."""
    lacking = missing(board)
    if lacking:
        keys = ", ".join(lacking)
        raise InputError(board.finding(board.root, f"no circuit without the keys {keys}", "see bank check"))
    return assemble(board, mounted_channels(board), allowed(board, ambient_c))


def allowed(board: BoardModel, ambient_c: float) -> dict[str, float]:
    """What heat allows each part, watts, by name."""
    return {part.name: part.allowed_w for part in steady_heat(board, ambient_c).parts}


def assemble(board: BoardModel, packages: list[MountedChannel], allowed_w: dict[str, float]) -> Netlist:
    """The stages put together; without a monitor the sources return straight to ground."""
    circuit = board.circuit
    assert circuit.gates is not None
    assert circuit.converter is not None
    draft = Draft()
    front(draft, board)
    five_volts(draft, board, circuit.converter)
    control(draft, board)
    drive(draft, board, circuit.gates)
    channels(draft, board, packages, allowed_w)
    if not board.monitor:
        draft.joins = [
            Join(GROUND if join.net == "RET" else join.net, join.ref, join.pin) for join in draft.joins
        ]
    return draft.done()

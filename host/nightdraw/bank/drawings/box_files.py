"""What of the box is no flat drawing: the assembled view, and the enclosure to print where printing is safe.

Hot parts keep to metal: a board with resistors on the wall gets nothing to print, nor does one whose box
would be too hot in plastic by `bank heat`'s own model.
"""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction

from nightdraw.bank.circuit.netlist import Netlist
from nightdraw.bank.drawings.assembled import enclosure, pieces
from nightdraw.bank.heat.steady_state import steady_heat
from nightdraw.bank.mechanics.solids import stl
from nightdraw.bank.mechanics.step import step
from nightdraw.bank.mechanics.view import ABOVE_DEG, picture, png
from nightdraw.bank.parts.enclosures import PAINTED, WALL_MM
from nightdraw.board import BoardModel
from nightdraw.board.model import PLASTIC

AMBIENT_C = 40.0  # as `bank heat` has it unless told otherwise
WIDE_PX = 800
CLEAR_MM = 20.0  # of the lifted lid above the box, in the picture


def assembled_view(board: BoardModel, netlist: Netlist) -> bytes:
    """The open box with everything in it, its lid lifted off, as PNG; raises InputError for a board without a
    layout."""
    assert board.enclosure is not None
    lift = float(board.enclosure.width_m) * 1000 * math.tan(math.radians(ABOVE_DEG)) + CLEAR_MM
    every = [
        (piece.solid.translate([0.0, 0.0, lift]) if piece.name == "lid" else piece.solid, piece.colour)
        for piece in pieces(board, netlist)
    ]
    return png(picture(every, WIDE_PX))


def printed_board(board: BoardModel) -> BoardModel:
    """The same board in a printed enclosure of the same outside."""
    assert board.enclosure is not None
    wall = Fraction(WALL_MM[PLASTIC], 1000)
    return replace(
        board, enclosure=replace(board.enclosure, material=PLASTIC, wall_m=wall, emissivity=PAINTED)
    )


def why_not_printed(board: BoardModel) -> str:
    """Why this board's enclosure isn't to be printed; empty where it may be."""
    if any(channel.mounting == "plate" for channel in board.channels):
        return "resistors are screwed to its wall: hot parts keep to metal"
    heat = steady_heat(printed_board(board), AMBIENT_C)
    hot = [part.name for part in heat.parts if not part.ok]
    return f"too hot in plastic: {', '.join(hot)}" if hot else ""


def printed(board: BoardModel, netlist: Netlist) -> dict[str, bytes]:
    """Tray and lid as STL and STEP by file name; nothing where they aren't to be printed."""
    if why_not_printed(board):
        return {}
    body, cover = enclosure(printed_board(board), netlist)
    found = {}
    for name, solid in (("tray", body), ("lid", cover)):
        found[f"{name}.stl"] = stl(solid, f"Nightdraw {board.name} {name}, mm")
        found[f"{name}.step"] = step(solid, f"{board.name}-{name}")
    return found

"""What is in the closed box, as solids at their places: enclosure, sheet, circuit board with its parts,
resistors on the wall, panel, gland, a plugged-in USB lead. For pictures, and for tests that ask what touches
what.

x along the front from its left end, y from front to rear, z up from the outside bottom, mm. Heights of parts
are the usual ones (common practice); outlines are the footprints'.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from nightdraw.bank.circuit.netlist import Netlist
from nightdraw.bank.drawings.openings import Hole, floor_holes, front_holes, on_floor, outside_mm, rear_holes
from nightdraw.bank.kicad.layout import HOLE_MM, holes, layout, size, usb_socket
from nightdraw.bank.kicad.placed import Placed
from nightdraw.bank.mechanics.inside import (
    CONTROLLER_MM,
    GLAND_NUT_MM,
    LEAD_TERMINAL_MM,
    PIN_STRIP_MM,
    PLUGS_MM,
    SOCKET_STRIP_MM,
    STAND_OFF_MM,
    USB_MIDDLE_MM,
    Heights,
    heights,
    screw_of,
)
from nightdraw.bank.mechanics.placement import PILLAR_MM, placed
from nightdraw.bank.mechanics.printed_box import Printed, Round, lid, tray
from nightdraw.bank.mechanics.solids import block, cylinder, joined
from nightdraw.bank.mechanics.view import Colour
from nightdraw.board import BoardModel

METAL, SHEET, BOARD, DARK = (176, 186, 192), (214, 218, 220), (38, 104, 70), (64, 66, 70)
CREAM, GOLD, BLUE, SILVER = (222, 206, 170), (196, 160, 78), (74, 112, 160), (200, 202, 206)
# A part's height above the board and its colour, by the beginning of its footprint's name.
TALL_MM: dict[str, tuple[float, Colour]] = {
    "axial-10": (3.0, CREAM),
    "axial-15": (5.0, CREAM),
    "axial-2": (12.0, CREAM),  # power resistors, 5 mm clear of the board
    "disc": (7.0, GOLD),
    "do-201": (6.0, DARK),
    "do-": (3.5, DARK),
    "can-12.5": (21.0, BLUE),
    "can-": (11.5, BLUE),
    "dip": (9.0, DARK),
    "to-220": (20.0, SILVER),
    "to-92": (9.0, DARK),
    "latched": (12.0, CREAM),
    "screw-terminal": (LEAD_TERMINAL_MM, BLUE),
    "step-down": (12.0, BLUE),
    "monitor": (12.0, BLUE),
}
CLAD_TALL_MM = {"M2": 11.0, "M3": 16.0}
CLAD_TERMINALS_MM = 2.5  # height of their lugs above the flange
# behind the front: depth, half the width, half the height
PANEL_MM = {
    "S1": (20.0, 10.0, 10.0),
    "S2": (22.0, 4.0, 7.0),
    "S3": (22.0, 6.5, 6.5),
    "LED1": (12.0, 4.0, 4.0),
}
GLAND_IN_MM, GLAND_OUT_MM = 8.0, 18.0  # M12: thread and nut inside, body outside
PLUG_MM = 20.0


@dataclass(frozen=True)
class Piece:
    """A solid with a name of its own and its colour."""

    name: str
    solid: Any
    colour: Colour


def box_of(board: BoardModel) -> Printed:
    """The enclosure's sizes."""
    assert board.enclosure is not None
    return Printed(*outside_mm(board), float(board.enclosure.wall_m) * 1000)


def enclosure(board: BoardModel, netlist: Netlist) -> tuple[Any, Any]:
    """Tray and lid as drilled; the sheet on the floor isn't in it."""
    box = box_of(board)
    drilled = (front_holes(board, netlist), rear_holes(board), floor_holes(board, netlist))
    return tray(box, *(map(_round, each) for each in drilled)), lid(box)


def _round(hole: Hole) -> Round:
    return hole.x, hole.y, hole.diameter


def pieces(board: BoardModel, netlist: Netlist) -> list[Piece]:
    """Everything; raises InputError for a board without a layout."""
    assert board.enclosure is not None
    level = heights(board.enclosure)
    body, cover = enclosure(board, netlist)
    found = [Piece("tray", body, METAL), Piece("lid", cover, METAL)]
    found += _sheet(board, netlist, level)
    found += _circuit_board(board, netlist, level)
    found += [piece for part in layout(board, netlist) for piece in _part(board, part, level)]
    found += _clad(board, level)
    found += _panel(board, netlist)
    found += _rear(board, level)
    return found


def _sheet(board: BoardModel, netlist: Netlist, level: Heights) -> Iterator[Piece]:
    """The sheet on the floor, cut out around the pillars, drilled with it."""
    box = box_of(board)
    if level.floor <= box.wall:
        return
    low, gap = box.wall, box.wall + 1.0
    solid = block((gap, gap, low), (box.length - gap, box.width - gap, level.floor))
    half = PILLAR_MM / 2 + 1.0
    cuts = [block((x - half, y - half, 0), (x + half, y + half, level.floor + 1)) for x, y in box.screws()]
    cuts += [
        cylinder((hole.x, hole.y, 0), level.floor + 1, hole.diameter / 2)
        for hole in floor_holes(board, netlist)
    ]
    yield Piece("sheet", solid - joined(cuts), SHEET)


def _circuit_board(board: BoardModel, netlist: Netlist, level: Heights) -> Iterator[Piece]:
    wide, deep = size(board, netlist)
    left, rear = on_floor(board, 0.0, 0.0)
    solid = block((left, rear - deep, level.board_low), (left + wide, rear, level.board_top))
    for number, hole in enumerate(holes(wide, deep), 1):
        x, y = on_floor(board, *hole)
        solid -= cylinder((x, y, level.floor), level.board_top, HOLE_MM / 2)
        yield Piece(f"stand-off {number}", cylinder((x, y, level.floor), STAND_OFF_MM, 3.0), GOLD)
    yield Piece("circuit board", solid, BOARD)


def _part(board: BoardModel, part: Placed, level: Heights) -> Iterator[Piece]:
    """A part as its outline and height; the controller as strips, board and USB socket."""
    outline = part.box(part.shape.body)
    left, rear = on_floor(board, outline.left, outline.top)
    right, front = on_floor(board, outline.right, outline.bottom)
    top = level.board_top
    if part.shape.name == "rp2040-board":
        low = top + SOCKET_STRIP_MM + PIN_STRIP_MM
        for at in (left, right - 2.5):
            yield Piece(f"{part.ref} strip", block((at, front, top), (at + 2.5, rear, low)), DARK)
        high = low + CONTROLLER_MM
        yield Piece(part.ref, block((left, front, low), (right, rear, high)), BOARD)
        x, mouth = on_floor(board, *usb_socket())
        socket = block((x - 4.0, mouth - 5.6, high), (x + 4.0, mouth, high + 2 * USB_MIDDLE_MM))
        yield Piece("USB socket", socket, SILVER)
        return
    tall, colour = _look(part)
    if not tall:
        return
    if part.shape.round:
        middle = ((left + right) / 2, (front + rear) / 2, top)
        yield Piece(part.ref, cylinder(middle, tall, (right - left) / 2), colour)
        return
    yield Piece(part.ref, block((left, front, top), (right, rear, top + tall)), colour)


def _look(part: Placed) -> tuple[float, Colour]:
    known = (row for name, row in TALL_MM.items() if part.shape.name.startswith(name))
    return next(known, (0.0, DARK))


def tall_mm(part: Placed) -> float:
    """How high a part reaches above the circuit board."""
    if part.shape.name == "rp2040-board":
        return SOCKET_STRIP_MM + PIN_STRIP_MM + CONTROLLER_MM + 2 * USB_MIDDLE_MM
    return _look(part)[0]


def _clad(board: BoardModel, level: Heights) -> Iterator[Piece]:
    length, _, _ = outside_mm(board)
    for package in placed(board):
        name = f"RB{package.channel}"
        tall = CLAD_TALL_MM[screw_of(board.channels[package.channel - 1].package)]
        left = length - package.left_mm
        middle_x, middle_y = left + package.long_mm / 2, package.low_mm + package.tall_mm / 2
        half = (package.along_mm + 5.0) / 2
        base = block(
            (middle_x - half, package.low_mm, level.floor),
            (middle_x + half, package.low_mm + package.tall_mm, level.floor + tall),
        )
        lug = level.floor + CLAD_TERMINALS_MM + 2.0
        lugs = block((left, middle_y - 2.0, lug), (left + package.long_mm, middle_y + 2.0, lug + 1.0))
        yield Piece(name, joined([base, lugs]), GOLD)


def _panel(board: BoardModel, netlist: Netlist) -> Iterator[Piece]:
    """What is behind the front, and its bush or cap in front of it."""
    wall = box_of(board).wall
    for hole in front_holes(board, netlist):
        ref = hole.name.split()[0]
        deep, half, high = PANEL_MM[ref]
        inside = block((hole.x - half, wall, hole.y - high), (hole.x + half, wall + deep, hole.y + high))
        bush = cylinder((hole.x, -8.0, hole.y), 8.0 + wall, hole.diameter / 2 - 0.2, "y")
        yield Piece(ref, joined([inside, bush]), DARK)


def _rear(board: BoardModel, level: Heights) -> Iterator[Piece]:
    """Gland, and a USB lead's overmould pushed into the controller's socket."""
    length, width, _ = outside_mm(board)
    wall = box_of(board).wall
    _, gland = rear_holes(board)
    x, z = length - gland.x, gland.y
    neck = cylinder((x, width - wall - 1.0, z), wall + 2.0, gland.diameter / 2 - 0.2, "y")
    nut = cylinder((x, width - wall - GLAND_IN_MM, z), GLAND_IN_MM, GLAND_NUT_MM / 2, "y")
    body = cylinder((x, width, z), GLAND_OUT_MM, GLAND_NUT_MM / 2, "y")
    yield Piece("gland", joined([neck, nut, body]), DARK)
    at, mouth = on_floor(board, *usb_socket())
    wide, tall = PLUGS_MM[0]
    plug = block(
        (at - wide / 2, mouth, level.usb - tall / 2), (at + wide / 2, mouth + PLUG_MM, level.usb + tall / 2)
    )
    yield Piece("USB plug", plug, DARK)

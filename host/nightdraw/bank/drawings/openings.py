"""Every hole of the enclosure: which face, where, how wide, what for. The circuit board's are where its
layout has them, the USB hole is where the controller's socket is; drawings and solids take them from here.

Front and rear are seen from outside, the floor from inside with the front below: each from its lower left
corner, so that the rear counts from the other side.
"""

from __future__ import annotations

from dataclasses import dataclass

from nightdraw.bank.circuit.netlist import Netlist
from nightdraw.bank.drawings import stripboard_plan
from nightdraw.bank.kicad.layout import HOLE_MM, holes, lead_terminal, size, usb_socket
from nightdraw.bank.mechanics.inside import CLEARANCE_MM, GLAND_HOLE_MM, USB_HOLE_MM, heights, screw_of
from nightdraw.bank.mechanics.placement import CIRCUIT_BOARD_MM, FREE_MM, REAR_MM, placed
from nightdraw.board import BoardModel

# panel part -> hole, what it is; left to right. Hole sizes are the usual ones (common practice).
FRONT = (
    ("S1", 10.0, "slot selector"),
    ("S2", 6.5, "arm"),
    ("S3", 7.0, "stay out"),
    ("LED1", 6.0, "indicator"),
)
BOARD_SCREW, STRIPBOARD_SCREW, RESISTOR_SCREW = "circuit board", "stripboard", "resistor"


@dataclass(frozen=True)
class Hole:
    """A hole on a face, millimetres from its lower left corner; note: how deep or what for, where that isn't
    its name."""

    x: float
    y: float
    diameter: float
    name: str = ""
    note: str = ""


def outside_mm(board: BoardModel) -> tuple[float, float, float]:
    """The enclosure's length, width and height."""
    box = board.enclosure
    assert box is not None
    return float(box.length_m) * 1000, float(box.width_m) * 1000, float(box.height_m) * 1000


def front_holes(board: BoardModel, netlist: Netlist) -> list[Hole]:
    """The panel's parts, spread over the front."""
    length, _, height = outside_mm(board)
    there = [row for row in FRONT if any(part.ref == row[0] for part in netlist.parts)]
    step = length / (len(there) + 1)
    return [
        Hole(round(step * (k + 1), 1), round(height / 2, 1), size, f"{ref} {name}")
        for k, (ref, size, name) in enumerate(there)
    ]


def rear_holes(board: BoardModel) -> list[Hole]:
    """Lead and USB: the gland above the lead's terminal, the USB hole in front of the controller's socket."""
    assert board.enclosure is not None
    length, _, _ = outside_mm(board)
    level = heights(board.enclosure)
    usb, terminal = (length - FREE_MM - x for x in (usb_socket()[0], lead_terminal()))
    return [
        Hole(round(usb, 1), round(level.usb, 1), USB_HOLE_MM, "USB, rubber plug"),
        Hole(round(terminal, 1), level.gland, GLAND_HOLE_MM, "gland M12, lead"),
    ]


def floor_holes(board: BoardModel, netlist: Netlist) -> list[Hole]:
    """The circuit board's stand-offs, those of a stripboard that is built instead, and the clad resistors'
    screws, diagonally across each."""
    length, _, _ = outside_mm(board)
    wide, deep = size(board, netlist)
    own = [on_floor(board, x, y) for x, y in holes(wide, deep)]
    found = [Hole(x, y, HOLE_MM, note=BOARD_SCREW) for x, y in own]
    if stripboard_plan.fits(netlist, len(board.channels)):
        other = [on_floor(board, x, y) for x, y in holes(*CIRCUIT_BOARD_MM)]
        found += [Hole(x, y, HOLE_MM, note=STRIPBOARD_SCREW) for x, y in other if (x, y) not in own]
    for package in placed(board):
        diameter = CLEARANCE_MM[screw_of(board.channels[package.channel - 1].package)]
        x, y = length - package.left_mm + package.long_mm / 2, package.low_mm + package.tall_mm / 2
        for way in (-1, 1):
            across, up = way * package.along_mm / 2, way * package.across_mm / 2
            found.append(Hole(x + across, y + up, diameter, note=RESISTOR_SCREW))
    return found


def on_floor(board: BoardModel, x: float, y: float) -> tuple[float, float]:
    """A point of the circuit board on the floor; the board's y runs from its rear edge to the front."""
    _, width, _ = outside_mm(board)
    return FREE_MM + x, width - REAR_MM - y

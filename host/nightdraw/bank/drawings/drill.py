"""The enclosure's drilling template, one to one: front, rear, floor. Where the holes are is openings' to say.

Aluminium-clad resistors are marked through their own holes.
"""

from __future__ import annotations

from nightdraw.bank.circuit.netlist import Netlist
from nightdraw.bank.drawings.frame import BLOCK_MM, EDGE_MM, notes
from nightdraw.bank.drawings.openings import (
    STRIPBOARD_SCREW,
    Hole,
    floor_holes,
    front_holes,
    outside_mm,
    rear_holes,
)
from nightdraw.bank.drawings.sheet import BOLD_LINE, GREY, MIDDLE, RIGHT, THIN, Sheet
from nightdraw.bank.kicad.layout import CORNER_MM, HOLE_MM, size
from nightdraw.bank.mechanics.inside import floor_mm, heights, screw_of
from nightdraw.bank.mechanics.placement import FREE_MM, REAR_MM, placed
from nightdraw.board import BoardModel

PAPERS = (("A4", 297.0, 210.0), ("A3", 420.0, 297.0), ("A2", 594.0, 420.0))
MARGIN_MM = 16.0


def drilling(board: BoardModel, netlist: Netlist) -> list[Sheet]:
    """The sheets: both long sides on one, the floor on another."""
    length, width, height = outside_mm(board)
    sides = framed(board, "drilling template, sides", length, 2 * height + 34)
    top = EDGE_MM + 22
    _face(sides, MARGIN_MM, top, length, height, "front, from outside", front_holes(board, netlist))
    rear = top + height + 26
    _face(sides, MARGIN_MM, rear, length, height, "rear, from outside", rear_holes(board))
    floor = framed(board, "drilling template, floor", length, width + 14)
    name = "floor, from inside, the front below"
    _face(floor, MARGIN_MM, top, length, width, name, floor_holes(board, netlist))
    _packages(floor, board, netlist, MARGIN_MM, top)
    for sheet in (sides, floor):
        y = sheet.height_mm - EDGE_MM - BLOCK_MM - 13
        notes(sheet, MARGIN_MM, y, _notes(board), 2.6)
        scale_bar(sheet)
    return [sides, floor]


def _notes(board: BoardModel) -> list[str]:
    assert board.enclosure is not None
    level = heights(board.enclosure)
    return [
        "Print at 100 %, measure the bar, cut out, tape on, centre-punch, drill 2 mm first. Check the holes "
        "against the parts in hand.",
        "Clad resistors: mark through their own holes, deburr, compound, torque evenly. The USB hole is "
        f"for a socket {level.usb:.1f} mm above",
        f"the bottom (floor {floor_mm(board.enclosure):g} mm, stand-offs, board, socket strips) at its place "
        "on the printed board; wired by hand: hold the board in, mark it anew.",
    ]


def framed(board: BoardModel, title: str, wide: float, high: float, scale: str = "1 : 1") -> Sheet:
    """The smallest sheet of paper that holds a drawing so wide and high, with its frame and title."""
    needed_w, needed_h = wide + 2 * MARGIN_MM, high + EDGE_MM + 22 + BLOCK_MM + EDGE_MM + 18
    name, paper_w, paper_h = next(
        (paper for paper in PAPERS if paper[1] >= needed_w and paper[2] >= needed_h), PAPERS[-1]
    )
    sheet = Sheet(paper_w, paper_h, f"{board.name}: {title}")
    sheet.box(EDGE_MM / 2, EDGE_MM / 2, paper_w - EDGE_MM, paper_h - EDGE_MM, width_mm=BOLD_LINE)
    top = paper_h - EDGE_MM / 2 - BLOCK_MM
    sheet.line([(EDGE_MM / 2, top), (paper_w - EDGE_MM / 2, top)], width_mm=BOLD_LINE)
    sheet.text(EDGE_MM, top + 5.2, sheet.title, 4.2, bold=True)
    made = f"Nightdraw. Made by `nightdraw bank draw` from hardware/{board.name}.yaml; change that, not this."
    sheet.text(EDGE_MM, top + 9.6, made, 2.6, colour=GREY)
    sheet.text(paper_w - EDGE_MM, top + 7.2, f"{scale} on {name}", 3.4, RIGHT)
    return sheet


def scale_bar(sheet: Sheet) -> None:
    """A bar of 100 mm, by which a print's scale is checked."""
    y = EDGE_MM + 6
    sheet.line([(MARGIN_MM, y), (MARGIN_MM + 100, y)], width_mm=BOLD_LINE)
    for k in range(11):
        sheet.line([(MARGIN_MM + 10 * k, y - (2 if k % 5 else 3)), (MARGIN_MM + 10 * k, y)])
    sheet.text(MARGIN_MM + 103, y, "100 mm", 3)


def _face(
    sheet: Sheet, left: float, top: float, wide: float, high: float, name: str, holes: list[Hole]
) -> None:
    sheet.box(left, top, wide, high, width_mm=BOLD_LINE)
    sheet.text(left, top - 3, f"{name}: {wide:g} x {high:g} mm", 3.2, bold=True)
    for hole in holes:
        x, y = left + hole.x, top + high - hole.y
        reach = hole.diameter / 2 + 3
        sheet.line([(x - reach, y), (x + reach, y)], GREY, THIN)
        sheet.line([(x, y - reach), (x, y + reach)], GREY, THIN)
        sheet.ring((x, y), hole.diameter / 2)
        if hole.name:
            sheet.text(x, y + hole.diameter / 2 + 7, hole.name, 2.8, MIDDLE)
            sheet.text(x, y - hole.diameter / 2 - 4, f"{hole.diameter:g} mm", 2.6, MIDDLE)
            sheet.text(
                x, y + hole.diameter / 2 + 10.6, f"x {hole.x:g}, y {hole.y:g}", 2.4, MIDDLE, colour=GREY
            )


def _packages(sheet: Sheet, board: BoardModel, netlist: Netlist, left: float, top: float) -> None:
    length, width, _ = outside_mm(board)
    wide, deep = size(board, netlist)
    sheet.box(left + FREE_MM, top + REAR_MM, wide, deep, stroke=GREY)
    middle = (left + FREE_MM + wide / 2, top + REAR_MM + deep / 2)
    text = f"circuit board {wide:g} x {deep:g} mm on four M3 stand-offs"
    sheet.text(*middle, text, 3, MIDDLE, colour=GREY)
    text = f"{HOLE_MM:g} mm, {CORNER_MM:g} mm from its edges; thin line: the wall's inside"
    sheet.text(middle[0], middle[1] + 5, text, 2.6, MIDDLE, colour=GREY)
    if any(hole.note == STRIPBOARD_SCREW for hole in floor_holes(board, netlist)):
        text = "stripboard: the two at its left and the two far right"
        sheet.text(middle[0], middle[1] + 9, text, 2.6, MIDDLE, colour=GREY)
    assert board.enclosure is not None
    wall = float(board.enclosure.wall_m) * 1000
    sheet.box(left + wall, top + wall, length - 2 * wall, width - 2 * wall, stroke=GREY, width_mm=THIN)
    for package in placed(board):
        x, y = left + length - package.left_mm, top + width - package.low_mm - package.tall_mm
        sheet.box(x, y, package.long_mm, package.tall_mm, stroke=GREY)
        middle = (x + package.long_mm / 2, y + package.tall_mm / 2)
        name = f"RB{package.channel} {board.channels[package.channel - 1].package}"
        sheet.text(middle[0], middle[1], name, 2.5, MIDDLE)
        thread = screw_of(board.channels[package.channel - 1].package)
        screws = f"{thread}, {package.along_mm:g} x {package.across_mm:g}"
        sheet.text(middle[0], middle[1] + 3.0, screws, 2.2, MIDDLE, colour=GREY)

"""The enclosure's drilling template, one to one: front, rear, floor. Where what goes is worked out here.

Hole sizes are the usual ones of each kind of part (common practice); aluminium-clad resistors are marked
through their own holes.
"""

from __future__ import annotations

from dataclasses import dataclass

from nightdraw.bank.circuit.netlist import Netlist
from nightdraw.bank.drawings.frame import BLOCK_MM, EDGE_MM, notes
from nightdraw.bank.drawings.sheet import BOLD_LINE, GREY, MIDDLE, RIGHT, THIN, Sheet
from nightdraw.bank.mechanics.placement import CIRCUIT_BOARD_MM, FREE_MM, placed
from nightdraw.board import BoardModel

PAPERS = (("A4", 297.0, 210.0), ("A3", 420.0, 297.0), ("A2", 594.0, 420.0))
MARGIN_MM = 16.0
SCREW_MM = 3.2
CORNER_MM = 4.0
# panel part -> hole, what it is; left to right
FRONT = (
    ("S1", 10.0, "slot selector"),
    ("S2", 6.5, "arm"),
    ("S3", 7.0, "stay out"),
    ("LED1", 6.0, "indicator"),
)
REAR = (("-", 12.5, "gland M12, lead"), ("-", 12.0, "USB, rubber plug"))


@dataclass(frozen=True)
class Hole:
    """A hole on a face, millimetres from its lower left corner."""

    x: float
    y: float
    diameter: float
    name: str


def drilling(board: BoardModel, netlist: Netlist) -> list[Sheet]:
    """The sheets: both long sides on one, the floor on another."""
    box = board.enclosure
    assert box is not None
    length, width, height = (float(side) * 1000 for side in (box.length_m, box.width_m, box.height_m))
    sides = _sheet(board, "drilling template, sides", length, 2 * height + 34)
    top = EDGE_MM + 22
    _face(sides, MARGIN_MM, top, length, height, "front, from outside", front_holes(netlist, length, height))
    _face(
        sides, MARGIN_MM, top + height + 26, length, height, "rear, from outside", rear_holes(length, height)
    )
    floor = _sheet(board, "drilling template, floor", length, width + 14)
    _face(floor, MARGIN_MM, top, length, width, "floor, from inside", floor_holes(board, length, width))
    _packages(floor, board, MARGIN_MM, top, length, width)
    for sheet in (sides, floor):
        y = sheet.height_mm - EDGE_MM - BLOCK_MM - 13
        notes(sheet, MARGIN_MM, y, _notes(), 2.6)
        _scale(sheet)
    return [sides, floor]


def _notes() -> list[str]:
    return [
        "Print at 100 %, measure the bar, cut out, tape on, centre-punch, drill 2 mm first. Hole sizes are "
        "the usual ones:",
        "check them against the parts in hand. Clad resistors: mark through their own holes, deburr, "
        "compound, "
        "torque evenly.",
    ]


def _sheet(board: BoardModel, title: str, wide: float, high: float) -> Sheet:
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
    sheet.text(paper_w - EDGE_MM, top + 7.2, f"1 : 1 on {name}", 3.4, RIGHT)
    return sheet


def _scale(sheet: Sheet) -> None:
    y = EDGE_MM + 6
    sheet.line([(MARGIN_MM, y), (MARGIN_MM + 100, y)], width_mm=BOLD_LINE)
    for k in range(11):
        sheet.line([(MARGIN_MM + 10 * k, y - (2 if k % 5 else 3)), (MARGIN_MM + 10 * k, y)])
    sheet.text(MARGIN_MM + 103, y, "100 mm", 3)


def front_holes(netlist: Netlist, length: float, height: float) -> list[Hole]:
    """The panel's parts, spread over the front."""
    there = [row for row in FRONT if any(part.ref == row[0] for part in netlist.parts)]
    step = length / (len(there) + 1)
    return [
        Hole(round(step * (k + 1), 1), round(height / 2, 1), size, f"{ref} {name}")
        for k, (ref, size, name) in enumerate(there)
    ]


def rear_holes(length: float, height: float) -> list[Hole]:
    """Lead and USB."""
    step = length / (len(REAR) + 1)
    return [
        Hole(round(step * (k + 1), 1), round(height / 2, 1), size, name)
        for k, (_, size, name) in enumerate(REAR)
    ]


def floor_holes(board: BoardModel, length: float, width: float) -> list[Hole]:
    """The circuit board's stand-offs, and the clad resistors' screws, diagonally across each."""
    wide, high = CIRCUIT_BOARD_MM
    y0 = (width - high) / 2
    holes = [
        Hole(FREE_MM + dx, y0 + dy, SCREW_MM, "")
        for dx in (CORNER_MM, wide - CORNER_MM)
        for dy in (CORNER_MM, high - CORNER_MM)
    ]
    for package in placed(board):
        x, y = length - package.left_mm + package.long_mm / 2, package.low_mm + package.tall_mm / 2
        for way in (-1, 1):
            holes.append(Hole(x + way * package.along_mm / 2, y + way * package.across_mm / 2, SCREW_MM, ""))
    return holes


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


def _packages(sheet: Sheet, board: BoardModel, left: float, top: float, length: float, width: float) -> None:
    wide, high = CIRCUIT_BOARD_MM
    y0 = (width - high) / 2
    sheet.box(left + FREE_MM, top + width - y0 - high, wide, high, stroke=GREY)
    middle = (left + FREE_MM + wide / 2, top + width / 2)
    sheet.text(*middle, f"circuit board {wide:g} x {high:g} mm on four M3 stand-offs", 3, MIDDLE, colour=GREY)
    text = f"{SCREW_MM:g} mm, {CORNER_MM:g} mm from its edges; thin line: the wall's inside"
    sheet.text(middle[0], middle[1] + 5, text, 2.6, MIDDLE, colour=GREY)
    assert board.enclosure is not None
    wall = float(board.enclosure.wall_m) * 1000
    sheet.box(left + wall, top + wall, length - 2 * wall, width - 2 * wall, stroke=GREY, width_mm=THIN)
    for package in placed(board):
        x, y = left + length - package.left_mm, top + width - package.low_mm - package.tall_mm
        sheet.box(x, y, package.long_mm, package.tall_mm, stroke=GREY)
        middle = (x + package.long_mm / 2, y + package.tall_mm / 2)
        name = f"RB{package.channel} {board.channels[package.channel - 1].package}"
        sheet.text(middle[0], middle[1] + 1, name, 2.5, MIDDLE)
        screws = f"{package.along_mm:g} x {package.across_mm:g}"
        sheet.text(middle[0], middle[1] + 4.2, screws, 2.2, MIDDLE, colour=GREY)

"""The enclosure as drilled, dimensioned and to scale: three faces, every hole with a tag, a table of the
holes, and the heights that they come from.

Scales are those of ISO 5455; distances count from each face's lower left corner.
"""

from __future__ import annotations

from nightdraw.bank.circuit.netlist import Netlist
from nightdraw.bank.drawings.drill import MARGIN_MM, framed
from nightdraw.bank.drawings.frame import EDGE_MM, notes
from nightdraw.bank.drawings.openings import Hole, floor_holes, front_holes, outside_mm, rear_holes
from nightdraw.bank.drawings.sheet import BOLD_LINE, GREY, RIGHT, THIN, Sheet
from nightdraw.bank.mechanics.inside import heights
from nightdraw.board import BoardModel
from nightdraw.board.model import ALUMINIUM

SCALES = (1, 2, 5, 10)
MOST_MM = 150.0  # of a face on paper, so that faces and table share an A3 sheet
TABLE_MM, ROW_MM = 104.0, 4.2
BETWEEN_MM = 20.0
COLUMNS_MM = (0.0, 26.0, 44.0, 64.0, 70.0)  # tag, x, y, diameter (right edges), purpose (left edge)


def box_drawing(board: BoardModel, netlist: Netlist) -> list[Sheet]:
    """The sheet."""
    length, width, height = outside_mm(board)
    scale = next(each for each in SCALES if length / each <= MOST_MM)
    faces = (
        ("F", "front, from outside", length, height, front_holes(board, netlist)),
        ("R", "rear, from outside", length, height, rear_holes(board)),
        ("B", "floor, from inside, the front below", length, width, floor_holes(board, netlist)),
    )
    tall = sum(face[3] / scale + BETWEEN_MM for face in faces)
    wide = length / scale + 30 + TABLE_MM
    sheet = framed(board, "enclosure as drilled", wide, tall, f"1 : {scale}")
    top = EDGE_MM + 14
    right = MARGIN_MM + 14 + length / scale + 14
    y = _heights(sheet, board, right, EDGE_MM + 10)
    y = _row(sheet, right, y + 4, ("hole", "x", "y", "diameter", "for"), True)
    for letter, name, long, high, holes in faces:
        tags = [f"{letter}{k}" for k in range(1, len(holes) + 1)]
        _face(sheet, (MARGIN_MM + 14, top), (long, high), scale, name, list(zip(tags, holes, strict=True)))
        for tag, hole in zip(tags, holes, strict=True):
            purpose = hole.name or hole.note
            y = _row(sheet, right, y, (tag, f"{hole.x:.1f}", f"{hole.y:.1f}", f"{hole.diameter:g}", purpose))
        top += high / scale + BETWEEN_MM
    return [sheet]


def _heights(sheet: Sheet, board: BoardModel, x: float, y: float) -> float:
    """What the box is, and the heights inside it."""
    box = board.enclosure
    assert box is not None
    level = heights(box)
    metal = box.material == ALUMINIUM
    made = "die-cast aluminium" if metal else "plastic"
    sheet_mm = float(box.plate_m) * 1000
    lines = [
        f"{made}, wall {float(box.wall_m) * 1000:g} mm" + (f", sheet {sheet_mm:g} mm" if sheet_mm else ""),
        f"above the outside bottom, mm: floor {level.floor:g}, circuit board {level.board_low:.1f} to "
        f"{level.board_top:.1f},",
        f"middle of the USB socket {level.usb:.1f}, of the lead's gland {level.gland:.1f}",
        "all in mm; deburr every hole; holes 0.5 mm off still fit",
    ]
    return notes(sheet, x, y, lines, 2.6)


def _row(
    sheet: Sheet, x: float, y: float, cells: tuple[str, str, str, str, str], bold: bool = False
) -> float:
    for k, (cell, at) in enumerate(zip(cells, COLUMNS_MM, strict=True)):
        middle = RIGHT if 0 < k < len(cells) - 1 else "start"
        sheet.text(x + at, y, cell, 2.6, middle, bold)
    if bold:
        sheet.line([(x, y + 1.2), (x + TABLE_MM - 4, y + 1.2)], width_mm=THIN)
    return y + ROW_MM


def _face(
    sheet: Sheet, corner: tuple[float, float], size: tuple[float, float], scale: int, name: str,
    holes: list[tuple[str, Hole]],
) -> None:  # fmt: skip
    """One face with its outside dimensions and tagged holes."""
    left, top = corner
    wide, high = size[0] / scale, size[1] / scale
    sheet.box(left, top, wide, high, width_mm=BOLD_LINE)
    sheet.text(left, top - 2.5, name, 3.0, bold=True)
    sheet.measure((left, top + high), (left + wide, top + high), -6, f"{size[0]:g}")
    sheet.measure((left, top), (left, top + high), -6, f"{size[1]:g}")
    for tag, hole in holes:
        x, y = left + hole.x / scale, top + high - hole.y / scale
        radius = hole.diameter / 2 / scale
        reach = radius + 1.5
        sheet.line([(x - reach, y), (x + reach, y)], GREY, THIN)
        sheet.line([(x, y - reach), (x, y + reach)], GREY, THIN)
        sheet.ring((x, y), radius)
        sheet.text(x + radius + 0.8, y - radius - 0.6, tag, 2.4)

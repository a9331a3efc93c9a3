"""What sits where on the circuit board: for small boards a stripboard with cuts and links, hole by hole; for
others a plan of a perforated board, to scale, wired by the wiring table.
"""

from __future__ import annotations

from nightdraw.bank.circuit.netlist import Netlist
from nightdraw.bank.drawings import stripboard, stripboard_plan
from nightdraw.bank.drawings.frame import a4, notes
from nightdraw.bank.drawings.perfboard import perfboard
from nightdraw.bank.drawings.sheet import (
    BLUE,
    COPPER,
    GREY,
    LEFT,
    LIGHT,
    MIDDLE,
    RED,
    RIGHT,
    THIN,
    WHITE,
    Point,
    Sheet,
)
from nightdraw.board import BoardModel

PITCH_MM = 4.2  # drawn larger than life: 2.54 mm are too little for letters
OVER_MM = 0.9  # of a part's outline beyond its pins
EVERY = 5  # columns and rows that are numbered
MOST_NAMED = 4  # parts with more pins count from their corner


def placement(board: BoardModel, netlist: Netlist) -> list[Sheet]:
    """The sheets."""
    if stripboard_plan.fits(netlist, len(board.channels)):
        return stripboard_sheets(board, netlist)
    return [perfboard(board, netlist)]


def stripboard_sheets(board: BoardModel, netlist: Netlist) -> list[Sheet]:
    """Parts from above, and cuts with links."""
    placed = stripboard_plan.holes(netlist)
    plan = stripboard.plan(stripboard_plan.nets(netlist, placed), stripboard_plan.COLUMNS)
    parts = a4("stripboard, parts from above", board.name, "1 / 2")
    _grid(parts, plan, faint=True)
    covered = _covered(placed)
    for ref, pins in placed.items():
        if ref in stripboard_plan.OFF_BOARD:
            _pads(parts, ref, list(pins.values()), covered)
        else:
            _part(parts, ref, list(pins.values()))
            _names(parts, pins, covered)
    wiring = a4("stripboard, cuts and links from above", board.name, "2 / 2")
    _grid(wiring, plan, faint=False)
    for number, link in enumerate(plan.links, 1):
        _link(wiring, number, link)
    size = f"{stripboard_plan.COLUMNS} holes by {stripboard_plan.ROWS} strips"
    lines = [
        f"Stripboard, {size}, strips left to right, seen from the component side; both sheets count holes "
        f"from the top",
        "left, from 0. Cut first, then links, then parts, lowest first; pin 1 (anode, gate, plus) is the "
        "dark one.",
        "RT1, LED1, S2 and S3 sit elsewhere, on two wires each (blue rings). U1 and U2 in sockets, pin 1 "
        "top left.",
    ]
    notes(parts, 16, 175, lines, 2.7)
    lines = [
        f"{len(plan.cuts)} cuts (crosses) with a 4 mm drill turned by hand; check each with the meter: no "
        f"copper left across it.",
        f"{len(plan.links)} links (numbered, in blue) of insulated wire on the component side; list in "
        f"links.csv.",
        "Those of VP and GND with 0.5 mm2: they carry the bank's current.",
    ]
    notes(wiring, 16, 175, lines, 2.7)
    return [parts, wiring]


def _covered(placed: dict[str, dict[str, stripboard.Hole]]) -> set[stripboard.Hole]:
    """The holes beneath the parts' outlines and the wires' rings: no name has room there."""
    found = set()
    for ref, pins in placed.items():
        columns, rows = zip(*pins.values(), strict=True)
        if ref in stripboard_plan.OFF_BOARD:
            found |= set(pins.values())
            continue
        for column in range(min(columns), max(columns) + 1):
            found |= {(column, row) for row in range(min(rows), max(rows) + 1)}
    return found


def _beside(hole: stripboard.Hole, covered: set[stripboard.Hole]) -> tuple[int, str]:
    """The side of a hole for its name (1 right, -1 left: where only left is free), and the text's anchor."""
    column, row = hole
    is_left = (column + 1, row) in covered and (column - 1, row) not in covered
    return (-1, RIGHT) if is_left else (1, LEFT)


def _at(hole: stripboard.Hole) -> Point:
    return 20 + hole[0] * PITCH_MM, 22 + hole[1] * PITCH_MM


def _grid(sheet: Sheet, plan: stripboard.StripboardPlan, faint: bool) -> None:
    for row in range(stripboard_plan.ROWS):
        left, y = _at((0, row))
        right = _at((stripboard_plan.COLUMNS - 1, row))[0]
        sheet.box(left - 1.7, y - 1.5, right - left + 3.4, 3.0, "#f6e7d3" if faint else "#ecd2ae", None)
        if row % EVERY == 0:
            sheet.text(left - 4.2, y + 0.8, str(row), 2.2, MIDDLE, colour=GREY)
    for column in range(0, stripboard_plan.COLUMNS, EVERY):
        sheet.text(_at((column, 0))[0], _at((column, 0))[1] - 3.2, str(column), 2.2, MIDDLE, colour=GREY)
    for row in range(stripboard_plan.ROWS):
        ends = [_at((0, row)), _at((stripboard_plan.COLUMNS - 1, row))]
        sheet.line(ends, COPPER, 0.8, (0.0, PITCH_MM))  # round ends make dots of dashes
    for hole in plan.cuts:
        _cut(sheet, hole, GREY if faint else RED)


def _cut(sheet: Sheet, hole: stripboard.Hole, colour: str) -> None:
    x, y = _at(hole)
    sheet.ring((x, y), 1.5, None, WHITE)
    for way in (-1, 1):
        sheet.line([(x - 1.1, y - 1.1 * way), (x + 1.1, y + 1.1 * way)], colour, 0.5)


def _part(sheet: Sheet, ref: str, holes: list[stripboard.Hole]) -> None:
    points = [_at(hole) for hole in holes]
    left, right = min(x for x, _ in points), max(x for x, _ in points)
    top, bottom = min(y for _, y in points), max(y for _, y in points)
    over = OVER_MM + 0.5
    sheet.box(
        left - over, top - over, right - left + 2 * over, bottom - top + 2 * over, WHITE, "#000000", THIN
    )
    for number, point in enumerate(points):
        sheet.ring(point, 0.9 if number else 1.1, "#000000", LIGHT if number else "#444444", THIN)
    middle = ((left + right) / 2, (top + bottom) / 2)
    if right - left > PITCH_MM:
        sheet.text(middle[0], middle[1], ref, 3.6, MIDDLE, True)
        return
    size = 2.5 if bottom - top > 2 * PITCH_MM else 2.1
    if bottom - top > 2.5 * PITCH_MM:
        sheet.text(left + 0.8, middle[1] + 1.4 * len(ref) / 2, ref, size, turned=90.0, bold=True)
    else:
        sheet.text(left - over - 0.5, middle[1] + 0.8, ref, size, RIGHT, True)


def _names(sheet: Sheet, pins: dict[str, stripboard.Hole], covered: set[stripboard.Hole]) -> None:
    """The pins' names beside their holes, where they have names."""
    if len(pins) > MOST_NAMED or set(pins) == {"1", "2"}:
        return
    for pin, hole in pins.items():
        x, y = _at(hole)
        side, anchor = _beside(hole, covered)
        sheet.text(x + 1.9 * side, y + 0.6, pin, 1.7, anchor, colour=BLUE)


def _pads(sheet: Sheet, ref: str, holes: list[stripboard.Hole], covered: set[stripboard.Hole]) -> None:
    """Two wires' holes of a part that sits elsewhere."""
    for number, hole in enumerate(holes, 1):
        x, y = _at(hole)
        sheet.ring((x, y), 1.2, BLUE, WHITE, 0.4)
        side, anchor = _beside(hole, covered)
        sheet.text(x + 1.5 * side, y - 1.0, f"{ref}.{number}", 1.9, anchor, colour=BLUE)


def _link(sheet: Sheet, number: int, link: stripboard.Link) -> None:
    start, end = _at(link.start), _at(link.end)
    sheet.line([start, end], BLUE, 0.5)
    for point, other in ((start, end), (end, start)):
        sheet.ring(point, 0.8, BLUE, WHITE, 0.3)
        leaves_by_it = other[0] > point[0] and other[1] < point[1]  # the usual place, above on the right
        side, anchor = (-1, RIGHT) if leaves_by_it else (1, LEFT)
        sheet.text(point[0] + 0.9 * side, point[1] - 0.7, str(number), 2.2, anchor, True, BLUE)


def links_table(board: BoardModel, netlist: Netlist) -> str | None:
    """The stripboard's cuts and links as CSV; None for a board that isn't built on one."""
    if not stripboard_plan.fits(netlist, len(board.channels)):
        return None
    nets = stripboard_plan.nets(netlist, stripboard_plan.holes(netlist))
    plan = stripboard.plan(nets, stripboard_plan.COLUMNS)
    rows = ["kind,number,net,column,row,to_column,to_row,done"]
    rows += [f"cut,{k},,{column},{row},,," for k, (column, row) in enumerate(plan.cuts, 1)]
    for number, link in enumerate(plan.links, 1):
        ends = ",".join(str(place) for place in (*link.start, *link.end))
        rows.append(f"link,{number},{link.net},{ends},")
    return "\n".join(rows) + "\n"

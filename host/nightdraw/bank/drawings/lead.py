"""The lead's drawing: splice, fuse holder under its weather cap, pigtail, ring, tag, gland. Not to scale."""

from __future__ import annotations

from nightdraw.bank.circuit.netlist import Netlist
from nightdraw.bank.circuit.transients import system
from nightdraw.bank.drawings.frame import a4, notes
from nightdraw.bank.drawings.sheet import (
    BLACK,
    BOLD_LINE,
    COPPER,
    GREY,
    LIGHT,
    MIDDLE,
    RED,
    THIN,
    WHITE,
    Sheet,
)
from nightdraw.bank.wiring.board_wiring import peak_a
from nightdraw.board import BoardModel

NEAR_MM = 150  # fuse to splice: what lies between is protected by the circuit's own fuse only
CORE = 1.4


def lead(board: BoardModel, netlist: Netlist) -> Sheet:
    """The sheet."""
    sheet = a4("pigtail and splice", board.name, "not to scale")
    red_y, black_y = 66.0, 112.0
    _circuit(sheet, red_y)
    _fuse(sheet, netlist, red_y)
    wire = netlist.part("W1")
    sheet.line([(62, red_y), (104, red_y)], RED, CORE)
    sheet.line([(146, red_y), (214, red_y), (222, 86), (232, 86)], RED, CORE)
    sheet.line([(66, black_y), (214, black_y), (222, 92), (232, 92)], BLACK, CORE)
    sheet.text(180, red_y - 4, f"W1, red, {wire.value}", 3, MIDDLE)
    sheet.text(150, black_y + 6, f"W2, black, {netlist.part('W2').value}", 3, MIDDLE)
    _ring(sheet, black_y)
    _tag(sheet)
    _box(sheet)
    sheet.measure((45, red_y + 10), (104, red_y + 10), -4, f"at most {NEAR_MM} mm")
    assert board.circuit.lead is not None
    length = f"{float(board.circuit.lead.length_m) * 1000:g} mm, each wire"
    sheet.measure((45, 140), (232, 140), -3, length)
    _notes(sheet, board, netlist)
    return sheet


def _circuit(sheet: Sheet, y: float) -> None:
    sheet.line([(45, 30), (45, 100)], GREY, 2.2)
    sheet.text(49, 33, "the circuit's wire, behind its own fuse, unswitched", 3)
    sheet.text(49, 37.5, "(never an airbag, high-voltage or 48 V circuit)", 3)
    sheet.box(40, y - 9, 22, 18, LIGHT, BLACK, BOLD_LINE)
    sheet.line([(45, y - 6), (45, y + 6)], COPPER, 2.2)
    sheet.line([(45, y), (58, y)], COPPER, CORE)
    sheet.text(49, y - 11, "X1 splice, crimped or soldered", 3)
    sheet.line([(30, y + 12), (42, y + 5)], GREY, THIN)
    for k, line in enumerate(("adhesive", "heat-shrink, 15 mm", "past each end")):
        sheet.text(14, y + 16 + 4 * k, line, 3)


def _fuse(sheet: Sheet, netlist: Netlist, y: float) -> None:
    sheet.box(104, y - 12, 42, 24, LIGHT, BLACK, BOLD_LINE)
    sheet.box(113, y - 8, 24, 16, WHITE)
    sheet.line([(104, y), (118, y)], COPPER, 2.0)
    sheet.line([(132, y), (146, y)], COPPER, 2.0)
    sheet.box(118, y - 5.5, 14, 11, "#f2f2f2")
    sheet.text(125, y + 1.2, netlist.part("F1").value, 3.2, MIDDLE, True)
    sheet.text(104, y - 18.5, "F1 in an in-line holder under a weather cap:", 3)
    sheet.text(104, y - 14.5, "cap downwards, drip loop on both sides", 3)


def _ring(sheet: Sheet, y: float) -> None:
    sheet.ring((50, y), 7, BLACK, COPPER)
    sheet.ring((50, y), 3.2, BLACK, WHITE)
    sheet.area([(56, y - 2.4), (66, y - 1.4), (66, y + 1.4), (56, y + 2.4)], COPPER)
    sheet.text(24, y + 13, "ring terminal M6 at the vehicle's", 3)
    sheet.text(24, y + 17, "own ground point, not at the battery's post", 3)


def _tag(sheet: Sheet) -> None:
    sheet.line([(196, 112), (190, 122)], GREY, THIN)
    sheet.box(164, 122, 52, 14, "#fff2b0", BLACK, BOLD_LINE)
    sheet.text(190, 128, "TRAINING LOAD FITTED", 3.4, MIDDLE, True)
    sheet.text(190, 133, "fitted by / date / removed by / date", 2.6, MIDDLE)


def _box(sheet: Sheet) -> None:
    sheet.box(232, 84, 6, 10, LIGHT)
    sheet.box(238, 72, 40, 34, WHITE, BLACK, BOLD_LINE)
    sheet.text(258, 88, "box", 3.4, MIDDLE, True)
    sheet.text(258, 92.5, "J1 + / J1 -", 2.8, MIDDLE)
    sheet.text(240, 68, "M12 gland", 2.8)
    sheet.line([(240, 69), (235, 83)], GREY, THIN)
    sheet.text(240, 111, "knot or tie inside as strain relief", 2.6)


def _notes(sheet: Sheet, board: BoardModel, netlist: Netlist) -> None:
    peak = peak_a(board)
    fuse = netlist.part("F1")
    lines = [
        f"F1: {fuse.description}. Never a larger one.",
        f"The circuit's own fuse carries up to {peak:.2f} A more; {system(board).name} vehicles only. "
        f"`nightdraw bank wiring`",
        "--splice-fuse 10A --splice-load 3A says whether a circuit bears it. Never fit a larger fuse into a "
        "vehicle.",
        "Sleeve red and black together from the fuse to the gland; clear of heat, edges, moving parts, "
        "carpet and trim.",
        "Order: negative of the battery off; ring W2; splice X1; fuse last, with the box switched off; "
        "negative on last.",
        "Pull-test each crimp; measure less than 0.2 ohm from ring to J1 - and from splice to J1 + (fuse "
        "in).",
    ]
    notes(sheet, 16, 156, lines, 2.9, "How")

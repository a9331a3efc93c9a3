"""The frame of every drawing: border, title block, notes. A4, landscape or portrait."""

from __future__ import annotations

from collections.abc import Sequence

from nightdraw.bank.drawings.sheet import BOLD_LINE, GREY, RIGHT, Sheet

LONG_MM, SHORT_MM = 297.0, 210.0
EDGE_MM = 10.0
BLOCK_MM = 12.0


def a4(title: str, board: str, page: str = "", standing: bool = False) -> Sheet:
    """A framed sheet; page: which of how many."""
    wide, high = (SHORT_MM, LONG_MM) if standing else (LONG_MM, SHORT_MM)
    sheet = Sheet(wide, high, f"{board}: {title}")
    sheet.box(EDGE_MM, EDGE_MM, wide - 2 * EDGE_MM, high - 2 * EDGE_MM, width_mm=BOLD_LINE)
    top = high - EDGE_MM - BLOCK_MM
    sheet.line([(EDGE_MM, top), (wide - EDGE_MM, top)], width_mm=BOLD_LINE)
    sheet.text(EDGE_MM + 4, top + 5.2, f"{board}: {title}", 4.2, bold=True)
    made = f"Nightdraw. Made by `nightdraw bank draw` from hardware/{board}.yaml; change that, not this."
    sheet.text(EDGE_MM + 4, top + 9.6, made, 2.6, colour=GREY)
    sheet.text(wide - EDGE_MM - 4, top + 7.2, page, 3.4, RIGHT)
    return sheet


def notes(
    sheet: Sheet, x: float, y: float, lines: Sequence[str], size_mm: float = 2.7, head: str = ""
) -> float:
    """Lines of text downwards from a point; returns where the next would be."""
    if head:
        sheet.text(x, y, head, size_mm + 0.4, bold=True)
        y += 1.6 * (size_mm + 0.4)
    for line in lines:
        sheet.text(x, y, line, size_mm)
        y += 1.5 * size_mm
    return y

"""Labels for front and rear, one to one: what each control is, what the box is, what to mind.

Holes are where the template has them, so that the label is a second check of the drilling.
"""

from __future__ import annotations

from nightdraw.bank.circuit.netlist import Netlist
from nightdraw.bank.drawings.drill import MARGIN_MM, framed, scale_bar
from nightdraw.bank.drawings.frame import EDGE_MM, notes
from nightdraw.bank.drawings.openings import Hole, front_holes, outside_mm, rear_holes
from nightdraw.bank.drawings.sheet import GREY, MIDDLE, THIN, Sheet
from nightdraw.board import BoardModel

INSET_MM = 4.0  # from the face's edges: die-cast walls are slanted and their edges round
WORDS = {
    "S1": ("SLOT", "0 .. 9"),
    "S2": ("ARM", "off / armed"),
    "S3": ("STAY OUT", "held at power-up"),
    "LED1": ("LAMP", "a blink in 10 s: idle"),
}
MIND = ("CAUTION: HOT SURFACE. TRAINING VEHICLES ONLY.", "NEVER AIRBAG, HIGH-VOLTAGE OR 48 V CIRCUITS.")
USB_WORDS = ("USB", "isolator if earthed")


def label(board: BoardModel, netlist: Netlist) -> list[Sheet]:
    """The sheet with both labels."""
    length, _, height = outside_mm(board)
    sheet = framed(board, "labels for front and rear", length, 2 * height + 26, "1 : 1")
    top = EDGE_MM + 22
    _strip(sheet, top, length, height, "front")
    _head(sheet, board, top + INSET_MM, length)
    for hole in front_holes(board, netlist):
        _control(sheet, top, height, hole, WORDS[hole.name.split()[0]])
    for number, line in enumerate(MIND):
        y = top + height - INSET_MM - 6.2 + 3.8 * number
        sheet.text(MARGIN_MM + length / 2, y, line, 2.8, MIDDLE, bold=True)
    top += height + 18
    _strip(sheet, top, length, height, "rear")
    usb, gland = rear_holes(board)
    _control(sheet, top, height, usb, USB_WORDS)
    fuse = board.circuit.fuse
    rating = "" if fuse is None else f"FUSE {float(fuse.rating_a):g} A AT THE SOURCE"
    _control(sheet, top, height, gland, ("LEAD",))
    low, high = board.caps["supply_min_mv"] / 1000, board.caps["supply_max_mv"] / 1000
    lines = [f"{low:g} .. {high:g} V DC   RED +   BLACK -", rating, "ENGINE OFF. EYE PROTECTION."]
    middle = (usb.x - usb.diameter / 2 - 12.0) / 2
    for number, line in enumerate(lines):
        sheet.text(MARGIN_MM + middle, top + height / 2 - 3 + 5 * number, line, 3.2, MIDDLE, bold=True)
    notes(
        sheet,
        MARGIN_MM,
        sheet.height_mm - EDGE_MM - 22,
        ["Print at 100 % on film or card, measure the bar, laminate, cut along thin line and circles."],
        2.6,
    )
    scale_bar(sheet)
    return [sheet]


def _strip(sheet: Sheet, top: float, length: float, height: float, name: str) -> None:
    sheet.box(
        MARGIN_MM + INSET_MM, top + INSET_MM, length - 2 * INSET_MM, height - 2 * INSET_MM, width_mm=THIN
    )
    text = f"{name}: {length - 2 * INSET_MM:g} x {height - 2 * INSET_MM:g} mm"
    sheet.text(MARGIN_MM, top + 1.5, text, 2.4, colour=GREY)


def _head(sheet: Sheet, board: BoardModel, top: float, length: float) -> None:
    title = f"{board.name.upper()}   TRAINING LOAD"
    sheet.text(MARGIN_MM + length / 2, top + 8, title, 5.0, MIDDLE, bold=True)


def _control(sheet: Sheet, top: float, height: float, hole: Hole, words: tuple[str, ...]) -> None:
    """A hole to cut out, its name above it and what it does below."""
    x, y = MARGIN_MM + hole.x, top + height - hole.y
    radius = hole.diameter / 2
    sheet.line([(x - 1, y), (x + 1, y)], GREY, THIN)
    sheet.line([(x, y - 1), (x, y + 1)], GREY, THIN)
    sheet.ring((x, y), radius, width_mm=THIN)
    sheet.text(x, y - radius - 2.2, words[0], 3.2, MIDDLE, bold=True)
    for number, line in enumerate(words[1:]):
        sheet.text(x, y + radius + 4.2 + 3.4 * number, line, 2.4, MIDDLE)

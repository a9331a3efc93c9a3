"""A plan of a perforated board: every part on the board as its outline, to scale, grouped as the circuit is.

Outlines are the usual sizes of each kind (common practice); wires run by the wiring table.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from nightdraw.bank.circuit.netlist import BOARD, Netlist, Part
from nightdraw.bank.drawings.frame import a4, notes
from nightdraw.bank.drawings.sheet import BOLD_LINE, GREY, MIDDLE, USUAL, Sheet
from nightdraw.bank.kicad.layout import CORNER_MM
from nightdraw.bank.mechanics.placement import CIRCUIT_BOARD_MM
from nightdraw.board import BoardModel

COLUMNS_MM = (34.0, 34.0, 22.5)  # supply, processor, drive; the channels have the rest
EDGE, BETWEEN = 9.0, 1.8  # mm: from the board's edge, between outlines
# A part's outline, wide and high, by reference (first letters) or package.
OUTLINES: dict[str, tuple[float, float]] = {
    "J1": (10.5, 9.0),
    "D1": (16.0, 6.0),
    "Q": (10.5, 5.0),
    "Z": (9.0, 3.0),
    "PS1": (26.0, 20.0),
    "C2": (11.0, 11.0),
    "C3": (7.0, 7.0),
    "C4": (6.0, 6.0),
    "C": (6.5, 4.0),
    "D": (11.0, 4.0),
    "U1": (21.0, 52.0),
    "U2": (10.2, 26.0),
    "U3": (10.2, 26.0),
    "U4": (6.0, 5.5),
    "U5": (20.0, 21.0),
    "RS1": (13.0, 5.5),
    "RT1": (7.0, 4.0),
    "film-0.6w": (11.0, 4.0),
    "film-1w": (15.0, 5.0),
    "film-2w": (19.0, 6.0),
    "film-3w": (20.0, 7.0),
    "ceramic-5w": (25.0, 10.0),
    "ceramic-10w": (51.0, 11.0),
    "ceramic-17w": (64.0, 13.0),
    "silicone-5w": (18.0, 7.0),
    "R": (10.5, 3.5),
}


@dataclass(frozen=True)
class Spot:
    """A part's outline, its upper left corner in millimetres from the board's."""

    ref: str
    x: float
    y: float
    wide: float
    high: float


def outline(part: Part) -> tuple[float, float]:
    """A part's outline: by its package, its reference, the longest beginning that is known."""
    if part.package in OUTLINES:
        return OUTLINES[part.package]
    for length in range(len(part.ref), 0, -1):
        if part.ref[:length] in OUTLINES:
            return OUTLINES[part.ref[:length]]
    return (11.0, 5.0)


def arrange(parts: list[Part], left: float, top: float, wide: float) -> list[Spot]:
    """Shelf after shelf from the top left, in the order given."""
    spots, x, y, shelf = [], left, top, 0.0
    for part in parts:
        across, down = outline(part)
        if x + across > left + wide and x > left:
            x, y, shelf = left, y + shelf + BETWEEN, 0.0
        spots.append(Spot(part.ref, x, y, across, down))
        x += across + BETWEEN
        shelf = max(shelf, down)
    return spots


def spots(netlist: Netlist, wide: float = CIRCUIT_BOARD_MM[0]) -> list[Spot]:
    """Every part on the board: supply left, processor beside it, buffers, channels right."""
    groups: dict[str, list[Part]] = {"supply": [], "processor": [], "drive": [], "channels": []}
    for part in netlist.parts:
        if part.place == BOARD:
            groups[_group(part.ref)].append(part)
    wanted: Callable[[Part], tuple[int, str]] = lambda part: (_number(part.ref), part.ref)  # noqa: E731
    channels = sorted(groups["channels"], key=wanted)
    drive = sorted(groups["drive"], key=lambda part: -outline(part)[1])
    processor = sorted(groups["processor"], key=lambda part: -outline(part)[1])
    first, second, third = COLUMNS_MM
    laid = arrange(groups["supply"], EDGE, EDGE, first - BETWEEN)
    laid += arrange(processor, EDGE + first, EDGE, second - BETWEEN)
    laid += arrange(drive, EDGE + first + second, EDGE, third - BETWEEN)
    x = EDGE + first + second + third
    return laid + arrange(channels, x, EDGE, wide - EDGE - x)


def _group(ref: str) -> str:
    if ref.startswith(("RG", "RP", "RB")) or (ref[0] == "Q" and ref != "Q0"):
        return "channels"
    if ref in ("U2", "U3", "U4", "R3", "R4", "R9", "C9", "C10", "C12"):
        return "drive"
    if ref in ("J1", "D0", "D1", "Q0", "Z1", "R1", "R2", "C1", "C2", "C3", "PS1", "U5", "RS1", "C5"):
        return "supply"
    return "processor"


def _number(ref: str) -> int:
    return int("".join(character for character in ref if character.isdigit()) or 0)


def perfboard(board: BoardModel, netlist: Netlist) -> Sheet:
    """The sheet, one to one."""
    wide, high = CIRCUIT_BOARD_MM
    sheet = a4("placement, parts from above", board.name, "1 : 1")
    left, top = 40.0, 22.0
    sheet.box(left, top, wide, high, width_mm=BOLD_LINE)
    for dx in (CORNER_MM, wide - CORNER_MM):
        for dy in (CORNER_MM, high - CORNER_MM):
            sheet.ring((left + dx, top + dy), 1.6)
    for spot in spots(netlist, wide):
        _draw(sheet, spot, left, top)
    sheet.measure((left, top + high), (left + wide, top + high), -6, f"{wide:g} mm")
    sheet.measure((left, top), (left, top + high), -8, f"{high:g} mm")
    lines = [
        "A perforated board with single pads, 2.54 mm. Place all parts loosely first: the plan says what "
        "belongs together,",
        "not which hole. Buses of bare tinned wire on the solder side: GND along the lower edge, VP along "
        "the upper edge of",
        "the channels, RET (where there is one) between them; then every wire of wiring.csv, ticked as it "
        "is soldered.",
        "Capacitors of U2 and up within 10 mm of the pin; U1's USB side at the edge towards its hole; Q and "
        "RB upright, 5 mm apart.",
    ]
    notes(sheet, 16, 150, lines, 2.8, "How")
    return sheet


def _draw(sheet: Sheet, spot: Spot, left: float, top: float) -> None:
    sheet.box(left + spot.x, top + spot.y, spot.wide, spot.high, "#ffffff", "#000000", USUAL)
    middle = (left + spot.x + spot.wide / 2, top + spot.y + spot.high / 2 + 0.8)
    sheet.text(*middle, spot.ref, 2.3, MIDDLE)
    if spot.ref == "U1":
        sheet.text(middle[0], top + spot.y + 4, "USB", 2.3, MIDDLE, colour=GREY)

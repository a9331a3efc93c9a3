"""Heights inside the enclosure, from its outside bottom upwards, and the screws that suit what they hold.

Outlines of parts are the usual ones (common practice, makers' sheets from memory); standards are named beside
theirs. Where things stand on the floor is placement's business.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from nightdraw.board import BoardModel, Enclosure

STAND_OFF_MM = 10.0
CIRCUIT_BOARD_THICK_MM = 1.6
SOCKET_STRIP_MM = 8.5  # a 2.54 mm socket strip above its board
PIN_STRIP_MM = 2.5  # the plastic of the controller's pins, between socket strip and controller
CONTROLLER_MM = 1.0  # the 40-pin RP2040 board's thickness, by its data sheet
USB_MIDDLE_MM = 1.4  # of its USB socket above it: half of 2.8 mm, micro-B (from memory; type C: 1.6 mm)
LEAD_TERMINAL_MM = 10.0  # a 5.08 mm screw terminal above its board
# What of a USB lead goes through the wall. The longest diagonal of the overmoulds that the connectors'
# specifications allow: micro-B 10.6 x 8.5 mm, type C 12.35 x 6.5 mm (both from memory).
PLUGS_MM = ((10.6, 8.5), (12.35, 6.5))
USB_HOLE_MM = 16.0
GLAND_HOLE_MM, GLAND_NUT_MM = 12.5, 19.0  # M12 x 1.5; across its lock nut's corners (from memory)
LID_MM = 3.0  # what the lid's rim takes of the inside below it
AIR_MM = 1.0  # between the gland's nut and what it is above or below

# ISO 273, clearance holes: M2 medium 2.4 mm, M3 fine 3.2 mm. ISO 4032, nuts: 1.6 and 2.4 mm.
CLEARANCE_MM = {"M2": 2.4, "M3": 3.2}
NUT_MM = {"M2": 1.6, "M3": 2.4}
LOCK_WASHER_MM = 0.8
FLANGE_MM = 2.5  # of a clad resistor, the thickest of the usual ones
OUT_MM = 1.0  # that a screw reaches out of its nut
LENGTHS_MM = (6, 8, 10, 12, 16, 20, 25)  # common lengths of ISO 7045 screws


@dataclass(frozen=True)
class Heights:
    """Above the outside bottom, mm: the floor's top, the circuit board's lower and upper face, the middle of
    the controller's USB socket, the middle of the lead's gland."""

    floor: float
    board_low: float
    board_top: float
    usb: float
    gland: float


def floor_mm(box: Enclosure) -> float:
    """The floor's thickness with its sheet."""
    return float(box.wall_m + box.plate_m) * 1000


def heights(box: Enclosure) -> Heights:
    """Of one enclosure; the gland goes above the lead's terminal, below the lid, midway in what is left."""
    floor = floor_mm(box)
    low = floor + STAND_OFF_MM
    top = low + CIRCUIT_BOARD_THICK_MM
    usb = top + SOCKET_STRIP_MM + PIN_STRIP_MM + CONTROLLER_MM + USB_MIDDLE_MM
    reach = GLAND_NUT_MM / 2 + AIR_MM
    least = top + LEAD_TERMINAL_MM + reach
    most = float(box.height_m - box.wall_m) * 1000 - LID_MM - reach
    return Heights(floor, low, top, usb, round((least + most) / 2, 1))


def screw_of(package: str | None) -> str:
    """The thread that fits a clad resistor's own holes: M2 for the two small ones (makers' sheets, from
    memory)."""
    return "M2" if package in ("clad-10w", "clad-15w") else "M3"


def resistor_screw_mm(board: BoardModel, thread: str) -> int:
    """Length of a screw through a clad resistor's flange, sheet, wall, lock washer and nut."""
    assert board.enclosure is not None
    through = FLANGE_MM + floor_mm(board.enclosure)
    return _length(through + LOCK_WASHER_MM + NUT_MM[thread] + OUT_MM)


def stand_off_screws_mm(board: BoardModel) -> tuple[int, int]:
    """Lengths of a stand-off's M3 screws, from below through the floor and from above through the circuit
    board; each grips at least one diameter."""
    assert board.enclosure is not None
    grip = LOCK_WASHER_MM + 3.0
    return _length(floor_mm(board.enclosure) + grip), _length(CIRCUIT_BOARD_THICK_MM + grip)


def _length(least: float) -> int:
    return next((each for each in LENGTHS_MM if each >= least), math.ceil(least))

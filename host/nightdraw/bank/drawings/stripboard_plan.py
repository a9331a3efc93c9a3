"""Where the parts of a small board stand on stripboard: up to three channels, no monitor, no selector.

Columns and rows count holes of 2.54 mm from the top left. Parts stand across the strips, so that each pin is
on a strip of its own; strips.plan finds cuts and links. A test proves the result against the netlist.
"""

from __future__ import annotations

from nightdraw.bank.circuit.netlist import BOARD, PANEL, WALL, Netlist
from nightdraw.bank.drawings.stripboard import Hole

COLUMNS, ROWS = 62, 34  # within a board of 160 x 100 mm
MOST_CHANNELS = 3
PROCESSOR_LEFT, PROCESSOR_RIGHT = 44, 51  # its rows of pins are 17.78 mm apart
BUFFER_LEFT, BUFFER_RIGHT, BUFFER_TOP = 3, 6, 14
GATE_ROW = 22
# ref -> (column, first pin's row, second pin's row, ...)
FIXED: dict[str, tuple[int, ...]] = {
    "J1": (0, 5, 7),
    "D1": (4, 5, 10),
    "Q0": (8, 4, 5, 6),
    "R1": (12, 4, 10),
    "Z1": (15, 4, 6),
    "C1": (18, 6, 10),
    "R2": (21, 6, 2),
    "C2": (25, 2, 0),
    "PS1": (29, 2, 0, 8, 10),
    "C3": (33, 8, 10),
    "D2": (36, 8, 12),
    "C4": (39, 12, 10),
    "R3": (0, 14, 10),
    "R9": (1, 14, 18),
    "C9": (9, 14, 10),
    "U4": (12, 14, 13, 15),
    "R4": (15, 15, 19),
    "C12": (20, 14, 10),
    "R7": (53, 8, 4),
    "R8": (53, 11, 15),
    "C7": (55, 8, 12),
    "RT1": (56, 8, 12),
    "S2": (56, 4, 14),
    "LED1": (56, 15, 17),
    "D3": (58, 9, 4),
    "C6": (59, 9, 12),
    "S3": (59, 4, 13),
    "R5": (60, 16, 9),
    "R6": (61, 9, 2),
}
OFF_BOARD = ("RT1", "S2", "S3", "LED1")  # on two wires each: only their pads are here
FIRST_CHANNEL, CHANNEL_STEP = 11, 12
RG, Q, RP, RB = 0, 3, 6, 9  # columns within a channel
GROUND_ROW, POWER_ROW = 26, 31


def fits(netlist: Netlist, channels: int) -> bool:
    """Whether this plan knows every part of a board."""
    known = {*FIXED, "U1", "U2"}
    for number in range(1, MOST_CHANNELS + 1):
        known |= {f"{kind}{number}" for kind in ("RG", "Q", "RP", "RB")}
    here = {part.ref for part in netlist.parts if part.place in (BOARD, PANEL, WALL)}
    return channels <= MOST_CHANNELS and here <= known


def holes(netlist: Netlist) -> dict[str, dict[str, Hole]]:
    """Every part's pins' holes, by reference and pin."""
    found: dict[str, dict[str, Hole]] = {}
    for part in netlist.parts:
        if part.ref in FIXED:
            column, *rows = FIXED[part.ref]
            found[part.ref] = {pin: (column, row) for pin, row in zip(part.pins, rows, strict=True)}
        elif part.ref == "U1":
            found["U1"] = _two_rows(part.pins, PROCESSOR_LEFT, PROCESSOR_RIGHT, 0)
        elif part.ref == "U2":
            found["U2"] = _two_rows(part.pins, BUFFER_LEFT, BUFFER_RIGHT, BUFFER_TOP)
        elif part.ref[-1].isdigit() and part.place != "lead":
            found[part.ref] = _channel(part.ref, part.pins)
    return found


def _two_rows(pins: tuple[str, ...], left: int, right: int, top: int) -> dict[str, Hole]:
    """Pins down the left, then up the right, as packages count."""
    half = len(pins) // 2
    down = {pin: (left, top + k) for k, pin in enumerate(pins[:half])}
    return down | {pin: (right, top + half - 1 - k) for k, pin in enumerate(pins[half:])}


def _channel(ref: str, pins: tuple[str, ...]) -> dict[str, Hole]:
    number = int(ref[-1])
    column = FIRST_CHANNEL + CHANNEL_STEP * (number - 1)
    drive = BUFFER_TOP + 1 + number  # the buffer's output Yn
    rows = {
        "RG": (RG, (drive, GATE_ROW)),
        "Q": (Q, (GATE_ROW, GATE_ROW + 1, GATE_ROW + 2)),
        "RP": (RP, (GATE_ROW, GROUND_ROW)),
        "RB": (RB, (POWER_ROW, GATE_ROW + 1)),
    }
    along, at = rows[ref[:-1]]
    return {pin: (column + along, row) for pin, row in zip(pins, at, strict=True)}


def nets(netlist: Netlist, placed: dict[str, dict[str, Hole]]) -> dict[Hole, str]:
    """Which net each hole's pin is on; a pin left open is a net of its own. Raises ValueError where two pins
    share a hole."""
    found: dict[Hole, str] = {}
    for ref, pins in placed.items():
        for pin, hole in pins.items():
            if hole in found:
                raise ValueError(f"{ref}.{pin} and another pin share the hole {hole}")
            found[hole] = netlist.net(ref, pin) or f"open {ref}.{pin}"
    return found

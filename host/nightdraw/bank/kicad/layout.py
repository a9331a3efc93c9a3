"""Where each part stands, by function: supply at the left, controller with its USB socket at the rear edge,
gate drive below it, channels to the right with the terminals of the bank at the right edge, the panel's
connectors at the front edge.

Lengths in mm from the board's rear left corner, seen from the parts' side, y towards the front. Every pad
lies on the router's grid. A board with more channels than the columns hold has no layout.
"""

from __future__ import annotations

from nightdraw.bank.circuit.gate_drive import resistors_of
from nightdraw.bank.circuit.netlist import BOARD, GROUND, MONITOR, Netlist, Part
from nightdraw.bank.kicad import shapes
from nightdraw.bank.kicad.library import CONTROLLER, TEST, USB_OVER_MM, pads_of, shape_of
from nightdraw.bank.kicad.placed import Placed
from nightdraw.board import BoardModel
from nightdraw.errors import InputError

DEEP_MM = 100.0
SMALL_MM, LARGE_MM = 100.0, 160.0  # width without and with a monitor or bodies on the wall
HOLE_MM, HEAD_MM, CORNER_MM = 3.2, 6.4, 4.0  # mounting holes, M3, the screw's head, distance from the edges

# ref -> x and y of its first pad, turn. The supply runs down the left, the readings below it.
SUPPLY = {
    "J1": (19.05, 5.08, 180),
    "D1": (7.62, 13.97, 0),
    "Q0": (27.94, 7.62, 0),
    "D0": (41.275, 9.525, 180),
    "Z1": (36.83, 12.7, 180),
    "R1": (26.67, 16.51, 0),
    "C1": (40.64, 5.08, 270),
    "R2": (36.83, 20.32, 180),
    "C2": (15.24, 24.13, 0),
    "PS1": (8.255, 34.29, 0),
    "C3": (38.1, 27.94, 270),
    "D2": (38.1, 46.99, 90),
    "C4": (38.1, 52.07, 270),
}
READINGS = {
    "R5": (6.35, 57.15, 0),
    "R6": (6.35, 60.96, 0),
    "C6": (20.32, 57.15, 0),
    "D3": (27.94, 60.96, 180),
    "R7": (6.35, 64.77, 0),
    "C7": (20.32, 64.77, 0),
    "R8": (6.35, 68.58, 0),
}
DRIVE = {
    "U1": (45.72, 1.905, 0),
    "U2": (45.72, 58.42, 0),
    "C9": (48.26, 53.975, 0),
}
SECOND = {"U3": (73.66, 72.39, 0), "C10": (84.455, 72.39, 270)}
LOCK_SMALL = {
    "R3": (57.785, 57.15, 270),
    "R4": (61.595, 57.15, 270),
    "R9": (65.405, 57.15, 270),
    "U4": (57.15, 73.66, 0),
    "C12": (57.15, 78.74, 0),
}
LOCK_LARGE = {
    "R3": (68.58, 57.15, 0),
    "R4": (68.58, 60.96, 0),
    "R9": (68.58, 53.34, 0),
    "U4": (68.58, 67.31, 0),
    "C12": (77.47, 67.31, 0),
}
SENSE = {
    "U5": (68.58, 10.16, 0),
    "R10": (68.58, 34.29, 0),
    "R11": (68.58, 38.1, 0),
    "C5": (81.28, 34.29, 0),
    "RS1": (86.36, 46.99, 180),
}
# Panel and wall: part -> connector, its ways, place, words on the silk. The panel's four differ in their
# ways, so that no plug fits another's header; a part with fewer pins has the outermost. RT1's wires come
# from the other side, and a measurement of the build guide tells it from the lamp.
OUTSIDE = {
    "LED1": ("J6", 2, (10.16, 95.25), "LAMP A K"),
    "S3": ("J5", 3, (16.51, 95.25), "BUTTON"),
    "S2": ("J4", 4, (25.4, 95.25), "ARM"),
    "S1": ("J3", 5, (36.83, 95.25), "SLOT C 1 2 4 8"),
    "RT1": ("J7", 2, (52.07, 95.25), "RT1"),
}
CELLS_SMALL, CELLS_LARGE = (67.31, 27.94), (88.9, 4.445)
CELL_DEEP = 15.24
ON_BOARD, ON_WALL = 6, 5  # channels that each column holds
WALL_COLUMN = 120.65
TERMINAL_X = 154.94
TERMINAL_PITCH_MM = 5.08
# net -> words on the silk: what the build guide measures
TESTS = {
    "VP": (31.75, 58.42),
    "VPF": (31.75, 27.94),
    "V5": (35.56, 58.42),
    "V3": (31.75, 66.04),
    GROUND: (35.56, 66.04),
    "OE": (31.75, 70.485),
    "LOCK": (35.56, 70.485),
}


def size(board: BoardModel, netlist: Netlist) -> tuple[float, float]:
    """The board's width and depth."""
    return (LARGE_MM if _large(board, netlist) else SMALL_MM), DEEP_MM


def _large(board: BoardModel, netlist: Netlist) -> bool:
    on_board = [channel for channel in board.channels if channel.mounting != "plate"]
    return bool(netlist.of(MONITOR)) or len(on_board) < len(board.channels) or len(board.channels) > 3


def holes(wide: float, deep: float) -> list[tuple[float, float]]:
    """Centres of the four mounting holes."""
    return [(x, y) for x in (CORNER_MM, wide - CORNER_MM) for y in (CORNER_MM, deep - CORNER_MM)]


def usb_socket() -> tuple[float, float]:
    """The middle of the mouth of the controller's USB socket; y below 0: it reaches over the rear edge."""
    x, y, _ = DRIVE["U1"]
    body = CONTROLLER.body
    return x + (body.left + body.right) / 2, y + body.top - USB_OVER_MM


def lead_terminal() -> float:
    """The middle of the terminal of the lead, along the rear edge."""
    x, _, _ = SUPPLY["J1"]
    return x - TERMINAL_PITCH_MM / 2


def layout(board: BoardModel, netlist: Netlist) -> list[Placed]:
    """Every part and connector on the board, in the netlist's order; raises InputError where there is no
    layout."""
    large = _large(board, netlist)
    spots: dict[str, tuple[float, float, int]] = SUPPLY | READINGS | DRIVE | SECOND | SENSE
    spots |= LOCK_LARGE if large else LOCK_SMALL
    spots |= _cells(board, netlist, large)
    found = [_put(board, netlist, part, spots) for part in netlist.parts if part.place == BOARD]
    found += connectors(board, netlist)
    found += [
        Placed(f"TP{k}", net, TEST, x, y, 0, {"1": net}, {"1": "1"}, net)
        for k, (net, (x, y)) in enumerate(TESTS.items(), 1)
        if any(join.net == net for join in netlist.joins)
    ]
    return found


def _refuse(board: BoardModel, what: str) -> InputError:
    return InputError(board.finding(board.root, f"no layout of a circuit board: {what}",
                                    "build it on a perforated board, by the wiring table"))  # fmt: skip


def _put(
    board: BoardModel, netlist: Netlist, part: Part, spots: dict[str, tuple[float, float, int]]
) -> Placed:
    shape = shape_of(part)
    if shape is None:
        raise _refuse(board, f"{part.ref} ({part.package}) has no footprint")
    if part.ref not in spots:
        raise _refuse(board, f"{part.ref} has no place")
    x, y, turn = spots[part.ref]
    pads = pads_of(part)
    nets = {pads[pin]: netlist.net(part.ref, pin) or "" for pin in part.pins}
    pins = {pads[pin]: pin.split()[-1] for pin in part.pins}
    return Placed(part.ref, part.value, shape, x, y, turn, nets, pins)


def _cells(board: BoardModel, netlist: Netlist, large: bool) -> dict[str, tuple[float, float, int]]:
    """Every channel's parts: those with their resistor on the board in one column, the others beside the
    terminals."""
    spots: dict[str, tuple[float, float, int]] = {}
    left, top = CELLS_LARGE if large else CELLS_SMALL
    down = {True: 0, False: 0}
    for number, channel in enumerate(board.channels, 1):
        wall = channel.mounting == "plate"
        if not wall and channel.count > 1:
            raise _refuse(board, f"channel {number} has several resistors on the board")
        if down[wall] >= (ON_WALL if wall else ON_BOARD):
            raise _refuse(board, "more channels than its columns hold")
        x = WALL_COLUMN if wall else left
        y = top + CELL_DEEP * down[wall] + (7.62 if wall else 0.0)
        down[wall] += 1
        spots[f"RG{number}"] = (x + 1.27, y + 8.89, 0)
        spots[f"RP{number}"] = (x + 11.43, y + 12.7, 180)
        spots[f"Q{number}"] = (x + 17.78, y + 11.43, 0)
        body = resistors_of(netlist.parts, number)[0]
        shape = shape_of(body)
        if not wall and shape is not None:
            spots[body.ref] = (x + 26.67 - shape.pads[1].x, y + 3.175, 0)
    if "RT1" in {part.ref for part in netlist.parts if part.place == BOARD}:
        spots["RT1"] = (left + 12.7, top + CELL_DEEP * down[False] + 5.08, 0)
    return spots


def connectors(board: BoardModel, netlist: Netlist) -> list[Placed]:
    """What joins the board with parts that sit elsewhere; the netlist goes through it without a part."""
    return [*_outside(netlist), *_terminals(board, netlist)]


def _outside(netlist: Netlist) -> list[Placed]:
    """The connectors of the panel and of the thermistor on the wall."""
    found = []
    for part in netlist.parts:
        if part.ref in OUTSIDE and part.place != BOARD:
            ref, ways, (x, y), words = OUTSIDE[part.ref]
            own = part.pins if len(part.pins) == ways else (part.pins[0], *[""] * (ways - 2), part.pins[-1])
            nets = {str(k): (netlist.net(part.ref, pin) if pin else "") or "" for k, pin in enumerate(own, 1)}
            pins = {str(k): f"{part.ref}.{pin}" if pin else "open" for k, pin in enumerate(own, 1)}
            shape = shapes.header(ways)
            found.append(Placed(ref, f"to {part.ref}", shape, x, y, 0, nets, pins, words))
    return found


def _terminals(board: BoardModel, netlist: Netlist) -> list[Placed]:
    """A terminal for the bodies of each channel on the wall: supply and drain."""
    found: list[Placed] = []
    for number, channel in enumerate(board.channels, 1):
        if channel.mounting == "plate":
            nets = {"1": "VP", "2": f"D{number}"}
            pins = {"1": f"RB{number} VP", "2": f"RB{number} D"}
            y = CELLS_LARGE[1] + CELL_DEEP * len(found) + 7.62 + 12.065
            found.append(
                Placed(f"J{10 + number}", f"to RB{number}", shapes.terminal(("1", "2")), TERMINAL_X, y, 90,
                       nets, pins, f"RB{number}")
            )  # fmt: skip
    return found

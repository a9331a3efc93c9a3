"""The documents that are tables: parts list, point-to-point wiring, pin map. Text out of the netlist, no "
"more."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Sequence
from itertools import pairwise

from nightdraw.bank.circuit.control import BOARD_PINS
from nightdraw.bank.circuit.netlist import BOARD, GROUND, PLACES, Join, Netlist, Part
from nightdraw.bank.kicad.layout import connectors
from nightdraw.bank.kicad.placed import Placed
from nightdraw.bank.mechanics.inside import (
    CLEARANCE_MM,
    USB_HOLE_MM,
    resistor_screw_mm,
    screw_of,
    stand_off_screws_mm,
)
from nightdraw.bank.mechanics.placement import placed
from nightdraw.board import BoardModel
from nightdraw.board.model import ALUMINIUM, FREE

SIGNAL_MM2 = "0.22 mm2"
MOST_IN_A_CHAIN = 5  # a net with more pins gets a bus: a bare tinned wire along the board
HUBS = {GROUND: ("J1", "-"), "VP": ("Q0", "S"), "RET": ("RS1", "1")}  # where the bank's current enters a bus
BANK = ("J1", "Q0", "D0", "D1", "RS1")  # what carries the bank's current, beside RB and Q
COLOURS = {
    "IN": "red",
    "VP": "red",
    GROUND: "black",
    "RET": "black",
    "V5": "orange",
    "V3": "yellow",
    "VSYS": "orange",
}
PURPOSES = {
    "OE": "gate buffers' output-enable, low: drive",
    "ARM": "arm switch",
    "BUTTON": "button: held at power-up, the firmware stays out",
    "LAMP": "indicator, through R8",
    "SUPPLY": "supply, divided by R5 and R6",
    "HOT": "thermistor RT1 on the hottest resistor",
    "SDA": "current monitor's data",
    "SCL": "current monitor's clock",
    "AMPS": "current amplifier's output",
    "VSYS": "supply in, from V5 through D2",
    "V3": "3.3 V out, for sensing and panel",
    GROUND: "ground",
}


def _text(rows: Iterable[Sequence[object]]) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    return out.getvalue()


def parts_list(board: BoardModel, netlist: Netlist) -> str:
    """The parts list as CSV: like parts in one line, then what no netlist has."""
    groups: dict[tuple[str, ...], list[Part]] = {}
    for part in netlist.parts:
        key = (part.value, part.rating, part.package, part.description, part.second, part.place)
        groups.setdefault(key, []).append(part)
    rows: list[Sequence[object]] = [
        ("quantity", "references", "value", "rating", "package", "description", "second_source", "where")
    ]
    for (value, rating, package, description, second, place), parts in groups.items():
        refs = " ".join(part.ref for part in parts)
        rows.append((len(parts), refs, value, rating, package, description, second, PLACES[place]))
    return _text([*rows, *_connectors(board, netlist), *_sundries(board, netlist)])


def _connectors(board: BoardModel, netlist: Netlist) -> Iterator[Sequence[object]]:
    """What the circuit board needs for wires to panel and wall; a board wired by hand has none."""
    groups: dict[str, list[Placed]] = {}
    for one in connectors(board, netlist):
        groups.setdefault(one.shape.about, []).append(one)
    for description, alike in groups.items():
        refs, ways = " ".join(one.ref for one in alike), len(alike[0].shape.pads)
        yield (
            len(alike),
            refs,
            f"{ways}-way",
            "-",
            "connector",
            description,
            "wires soldered in",
            PLACES[BOARD],
        )


def _sundries(board: BoardModel, netlist: Netlist) -> Iterator[Sequence[object]]:
    box = board.enclosure
    assert box is not None
    sizes = " x ".join(f"{float(side) * 1000:g}" for side in (box.length_m, box.width_m, box.height_m))
    made = "die-cast aluminium box, painted" if box.material == ALUMINIUM else "plastic (ABS) box"
    wall = f"wall {float(box.wall_m) * 1000:g} mm"
    yield 1, "-", f"{sizes} mm", wall, "enclosure", made, "a larger one of the same kind", "-"
    if box.plate_m:
        plate = f"{float(box.plate_m) * 1000:g} mm"
        about = (
            "aluminium sheet, cut to the floor between the pillars, drilled with it, compound between both"
        )
        yield 1, "-", plate, "-", "sheet", about, "a thicker one", "-"
    if box.bottom == FREE:
        yield (
            4,
            "-",
            "20 mm",
            "-",
            "foot",
            "rubber foot, 20 mm or more, so that air reaches the bottom",
            "-",
            "-",
        )
    for row in (*_screws(board), *SUNDRIES):
        count, *rest = row
        yield count, "-", *rest, "-"


def _screws(board: BoardModel) -> Iterator[tuple[int | str, ...]]:
    """What holds the circuit board and, two each, the clad resistors."""
    below, above = stand_off_screws_mm(board)
    about = f"stand-off M3, 10 mm, screws M3 x {below} below, M3 x {above} above, lock washers"
    yield 4, "M3", "10 mm", "stand-off", about, "nylon"
    counts: dict[str, int] = {}
    for package in placed(board):
        thread = screw_of(board.channels[package.channel - 1].package)
        counts[thread] = counts.get(thread, 0) + 2
    for thread, count in sorted(counts.items()):
        long = resistor_screw_mm(board, thread)
        about = f"screw {thread} x {long} with nut and lock washer for a clad resistor"
        hole = f"hole {CLEARANCE_MM[thread]:g} mm"
        yield count, thread, hole, "screw", about, "what fits the part's own holes"
    if counts:
        every = sum(counts.values()) // 2
        about = "thermal compound, a dab for each resistor, below the sheet too"
        yield every, "-", "-", "compound", about, "thermal pads, 0.5 K/W or less"


# what every box has
SUNDRIES = (
    (1, "M12", "IP67", "cable gland", "cable gland M12 x 1.5 with nut, for two wires in sleeving", "PG7"),
    (1, f"{USB_HOLE_MM:g} mm", "-", "plug", "rubber plug for the USB hole", "adhesive tape"),
    (1, "1 m", "600 V", "sleeving", "heat-shrink sleeving 2:1, 2.4 mm and 6 mm", "silicone sleeving"),
    (1, "-", "-", "weather cap", "rubber cap over the fuse holder", "adhesive-lined heat-shrink, 19 mm"),
    (1, "-", "-", "tag", "bright tag with string: TRAINING LOAD FITTED, name, date", "laminated card"),
    (
        2,
        "1 m",
        "1 mm2",
        "bus wire",
        "tinned copper wire, 1 mm2, bare, for the buses of a board wired by hand",
        "stripped solid wire",
    ),
    (
        1,
        "-",
        "2 layers",
        "circuit board",
        "made from kicad/ (or order/): 1.6 mm, 35 um of copper, a few pieces are the least order",
        "stripboard or perforated board, 160 x 100 mm",
    ),
    (2, "20-way", "2.54 mm", "socket strip", "socket strips for the controller, 20-way", "one of 40, cut"),
    (
        1,
        "5 m",
        "0.22 mm2",
        "wire",
        "flexible wire, 0.22 mm2, several colours, for panel and signals",
        "0.25 mm2",
    ),
    (1, "2 m", "0.5 mm2", "wire", "flexible wire, 0.5 mm2, red and black, for the bank", "0.75 mm2"),
    (
        1,
        "-",
        "-",
        "crimps",
        "housings and crimps for the latched headers, as many as the board has",
        "wires soldered in",
    ),
    (1, "0.3 m", "-", "USB lead", "USB lead with data wires that fits the controller's socket", "1 m"),
    (
        1,
        "-",
        "-",
        "USB isolator",
        "for a computer on an earthed mains adapter at a vehicle",
        "a computer on its own battery",
    ),
    (1, "10 g", "-", "solder", "solder, lead-free or 60/40, 0.7 mm, rosin core", "1 mm"),
)


def wiring(board: BoardModel, netlist: Netlist) -> list[tuple[str, str, str, str, str, str]]:
    """Every wire: number, net, from, to, conductor, colour. A net with many pins runs along a bus, others "
    "from
    pin to pin."""
    inside = board.circuit.inside
    heavy = "-" if inside is None else f"{float(inside.area_mm2):g} mm2"
    rows = []
    for net, joins in netlist.nets().items():
        if net in ("BAT", "CHASSIS", "FUSED"):
            continue  # the lead's own, see its drawing
        for start, end, thick in _runs(net, [join for join in joins if join.ref not in ("W1", "W2")]):
            rows.append((net, start, end, heavy if thick else SIGNAL_MM2, COLOURS.get(net, "any")))
    return [(str(number), *row) for number, row in enumerate(rows, 1)]


def _runs(net: str, joins: list[Join]) -> Iterator[tuple[str, str, bool]]:
    """From, to, and whether the bank's current may flow there."""
    if len(joins) <= MOST_IN_A_CHAIN:
        for start, end in pairwise(joins):
            yield _pin(start), _pin(end), _carries(start) and _carries(end)
        return
    hub = HUBS.get(net, (joins[0].ref, joins[0].pin))
    centre = next((join for join in joins if (join.ref, join.pin) == hub), joins[0])
    yield _pin(centre), f"{net} bus", _carries(centre)
    for join in joins:
        if join is not centre:
            yield f"{net} bus", _pin(join), _carries(join)


def _carries(join: Join) -> bool:
    if join.pin == "G":
        return False
    return join.ref in BANK or join.ref.startswith("RB") or (join.ref[0] == "Q" and join.ref != "Q0")


def _pin(join: Join) -> str:
    number, _, name = join.pin.partition(" ")
    return f"{join.ref} pin {number} ({name})" if name else f"{join.ref}.{join.pin}"


def wiring_table(board: BoardModel, netlist: Netlist) -> str:
    """The wiring as CSV, with a column to tick."""
    head = ("number", "net", "from", "to", "conductor", "colour", "done")
    return _text([head, *((*row, "") for row in wiring(board, netlist))])


def pin_map(board: BoardModel, netlist: Netlist) -> str:
    """The processor board's pins as a Markdown page."""
    lines = [
        f"# {board.name}: pin map",
        "",
        "The RP2040 board's 40 pins as wired, pin 1 beside the USB socket. GPIO numbers are the board "
        "file's; the",
        "channels' ascend without a gap, as the edge player needs them.",
        "",
        "| pin | name | net | serves |",
        "| --- | --- | --- | --- |",
    ]
    for number, name in enumerate(BOARD_PINS, 1):
        net = netlist.net("U1", f"{number} {name}")
        lines.append(f"| {number} | {name} | {net or '-'} | {_purpose(board, net)} |")
    return "\n".join(lines) + "\n"


def _purpose(board: BoardModel, net: str | None) -> str:
    if net is None:
        return "left open"
    if net in PURPOSES:
        return PURPOSES[net]
    if net.startswith("SEL"):
        return f"slot selector, weight {net[3:]}"
    number = int(net[2:])
    return f"channel {number}, {float(board.channels[number - 1].ohms):g} ohm"

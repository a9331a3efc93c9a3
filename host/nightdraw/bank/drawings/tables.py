"""The documents that are tables: point-to-point wiring, pin map. Text out of the netlist, no more."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Sequence
from itertools import pairwise

from nightdraw.bank.circuit.control import BOARD_PINS
from nightdraw.bank.circuit.netlist import GROUND, Join, Netlist
from nightdraw.board import BoardModel

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


def wiring(board: BoardModel, netlist: Netlist) -> list[tuple[str, str, str, str, str, str]]:
    """Every wire: number, net, from, to, conductor, colour. A net with many pins runs along a bus, others
    from pin to pin."""
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

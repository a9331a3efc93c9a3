"""Which shape each part of the netlist has, which pad each of its pins is, and where the order of pins
comes from.

An order that depends on the maker is marked so: the build guide has a step that checks it before anything
is soldered.
"""

from __future__ import annotations

from collections.abc import Callable

from nightdraw.bank.circuit.control import SHUNT_PINS
from nightdraw.bank.circuit.netlist import (
    BUFFER,
    CAPACITOR,
    CLAMP,
    CONVERTER,
    MONITOR,
    PROCESSOR,
    REVERSE_FET,
    SCHOTTKY,
    SUPERVISOR,
    SWITCH,
    TERMINAL,
    THERMISTOR,
    ZENER,
    Part,
)
from nightdraw.bank.kicad import shapes
from nightdraw.bank.kicad.shapes import Box, Pad, Shape

SMALL = shapes.axial("axial-10", "axial, 6.3 x 2.5 mm body", ("1", "2"), 10.16, (6.3, 2.5), 0.8)
# By the body's name: usual outlines of metal film resistors, common practice, makers' sheets from memory.
BODIES = {
    "axial, 0.25 W": SMALL,
    "film-0.6w": SMALL,
    "film-1w": shapes.axial("axial-15", "axial, 11 x 4.5 mm body", ("1", "2"), 15.24, (11.0, 4.5), 0.9),
    "film-2w": shapes.axial("axial-20", "axial, 15.5 x 5.5 mm body", ("1", "2"), 20.32, (15.5, 5.5), 1.0),
    "film-3w": shapes.axial("axial-25", "axial, 19 x 7 mm body", ("1", "2"), 25.4, (19.0, 7.0), 1.1),
    "axial, or two on the module": shapes.shunt(SHUNT_PINS),
}  # fmt: skip
DISC = shapes.axial("disc-5", "radial ceramic, 5 mm", ("1", "2"), 5.08, (6.5, 3.0), 0.8)
DIODE_POWER = shapes.axial(
    "do-201", "axial diode, DO-201, 1.5 kW suppressor", ("1", "2"), 15.24, (9.5, 5.3), 1.3,
    source="DO-201 outline: 9.5 x 5.3 mm, lead to 1.1 mm",
)  # fmt: skip
DIODE_RECTIFIER = shapes.axial(
    "do-201-band", "axial diode, DO-201", ("K", "A"), 15.24, (9.5, 5.3), 1.3, True,
    source="DO-201 outline; band: cathode (JEDEC)",
)  # fmt: skip
DIODE = shapes.axial(
    "do-41", "axial diode, DO-41", ("K", "A"), 10.16, (5.2, 2.7), 1.0, True,
    source="DO-41 outline: 5.2 x 2.7 mm, lead to 0.86 mm; band: cathode (JEDEC)",
)  # fmt: skip
DIODE_SMALL = shapes.axial(
    "do-35", "axial diode, DO-35", ("K", "A"), 7.62, (4.0, 2.0), 0.8, True,
    source="DO-35 outline; band: cathode (JEDEC)",
)  # fmt: skip
CANS = {
    "C2": shapes.can("can-12.5", "electrolytic, to 12.5 mm diameter, 5 mm", 5.08, 12.5, 0.9),
    "": shapes.can("can-6.3", "electrolytic, to 6.3 mm diameter, 2.5 mm", 2.54, 6.3, 0.8),
}
DIP = shapes.two_rows(
    "dip-20", "DIP-20 with socket", 20, 7.62, 0.8, (2.2, 1.5), Box(1.35, -1.8, 6.27, 24.66),
    "JEDEC MS-001: 2.54 mm pitch, rows 7.62 mm apart; pins of the 541 by the logic families' sheets",
    ((3.3, -1.8, 3.3, -1.0), (4.3, -1.8, 4.3, -1.0), (3.3, -1.0, 4.3, -1.0)),
)  # fmt: skip
CONTROLLER = shapes.two_rows(
    "rp2040-board", "RP2040 board with 40 pins on two 20-way sockets", 40, 17.78, 1.0, (1.6, 1.6),
    Box(-1.61, -1.37, 19.39, 49.63),
    "the 40-pin RP2040 board: 51 x 21 mm, rows 17.78 mm apart, pin 1 beside the USB socket",
    ((4.9, -1.37, 4.9, 3.0), (12.9, -1.37, 12.9, 3.0), (4.9, 3.0, 12.9, 3.0)),
)  # fmt: skip
USB_OVER_MM = 1.3  # the controller's USB socket over its own edge, by its data sheet
TEST = shapes.row("test-point", "test point", ("1",), 2.54, 1.0, 1.8, Box(-0.9, -0.9, 0.9, 0.9))

# Parts whose order of pins depends on the maker: what the guide says to check.
CHECK = {
    SWITCH: "gate, drain, source from the left with the print towards you",
    REVERSE_FET: "gate, drain, source from the left with the print towards you",
    SUPERVISOR: "the board's holes say RST, VDD, GND: bend the leads to the names",
    CONVERTER: "the holes say IN+, IN-, OUT-, OUT+; or a three-pin module: in, ground, out as a 78xx",
    MONITOR: "the holes' names must be the module's; where they differ, wire it by name",
    PROCESSOR: "pin 1 beside the USB socket, 40 pins",
}


def shape_of(part: Part) -> Shape | None:
    """The footprint of a part on the board; None for one that none is known of."""
    if part.kind in (SWITCH, REVERSE_FET):
        return shapes.upright_tab(_three(part))
    if part.kind == CAPACITOR:
        return CANS.get(part.ref, CANS[""]) if "+" in part.pins else DISC
    by_kind: dict[str, Callable[[], Shape]] = {
        TERMINAL: lambda: shapes.terminal((part.pins[0], part.pins[1])),
        CLAMP: lambda: DIODE_POWER,
        ZENER: lambda: DIODE,
        SCHOTTKY: lambda: _schottky(part),
        BUFFER: lambda: DIP,
        PROCESSOR: lambda: CONTROLLER,
        SUPERVISOR: _supervisor,
        CONVERTER: _converter,
        MONITOR: lambda: _monitor(part.pins),
        THERMISTOR: lambda: shapes.header(2),
    }
    if part.kind in by_kind:
        return by_kind[part.kind]()
    return BODIES.get(part.package)


def pads_of(part: Part) -> dict[str, str]:
    """Pin of the netlist -> name of the pad: numbers where the package counts, else the pin's own name."""
    if part.kind == BUFFER:
        return {pin: str(number) for number, pin in enumerate(part.pins, 1)}
    if part.kind == PROCESSOR:
        return {pin: pin.split()[0] for pin in part.pins}
    return {pin: pin for pin in part.pins}


def _three(part: Part) -> tuple[str, str, str]:
    first, second, third = part.pins
    return first, second, third


def _schottky(part: Part) -> Shape:
    current = float(part.value.split()[0]) if part.value[:1].isdigit() and " A" in part.value else 3.0
    if part.ref == "D0":
        return DIODE_RECTIFIER
    return DIODE if current >= 1 else DIODE_SMALL


def _supervisor() -> Shape:
    return shapes.row(
        "to-92-wide",
        "TO-92, leads spread to 2.54 mm",
        ("RST", "VDD", "GND"),
        2.54,
        0.8,
        1.6,
        Box(0.0, -2.2, 5.08, 1.7),
        "TO-92 (JEDEC TO-226); reset, supply, ground with the flat side towards you: one usual order, "
        "depends on the maker",
        ((0.0, 1.2, 5.08, 1.2),),
    )


def _converter() -> Shape:
    """A module lying over the area, wired to four holes, or a three-pin one upright in the middle."""
    at = (("IN+", 0.0), ("IN-", 2.54), ("IN+", 8.89), ("IN-", 11.43), ("OUT+", 13.97), ("OUT-", 20.32),
          ("OUT+", 22.86))  # fmt: skip
    pads = tuple(
        Pad(name, x, 0, 1.7, 1.7, 1.0, shapes.RECT if k == 0 else shapes.CIRCLE)
        for k, (name, x) in enumerate(at)
    )
    return Shape(
        "step-down-module",
        "step-down module on four wires, or three pins as a 78xx",
        pads,
        Box(-3.0, -1.6, 26.0, 17.6),
        "module: no standard, order by the holes' names; three pins: input, ground, output as the 78xx in "
        "TO-220 (common practice)",
        lines=((5.6, -1.6, 5.6, 6.0), (17.1, -1.6, 17.1, 6.0), (5.6, 6.0, 17.1, 6.0)),
    )


def _monitor(pins: tuple[str, ...]) -> Shape:
    wide = 2.54 * (len(pins) - 1)
    return shapes.row(
        f"monitor-module-{len(pins)}", "module on a socket strip", pins, 2.54, 1.0, 1.7,
        Box(-1.6, -1.7, wide + 1.6, 20.0), "module: no standard, order by the holes' names",
    )  # fmt: skip

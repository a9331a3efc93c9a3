"""The schematic's symbols as data: one for each kind of part and order of pins, drawn as the trade draws it
where that is simple, else as a box with named pins. Lengths in mm, y upwards as KiCad's symbols count."""

from __future__ import annotations

from dataclasses import dataclass

from nightdraw.bank.circuit.netlist import (
    BUFFER,
    CAPACITOR,
    CLAMP,
    CONVERTER,
    FUSE,
    LIGHT,
    MONITOR,
    PROCESSOR,
    RESISTOR,
    REVERSE_FET,
    SCHOTTKY,
    SUPERVISOR,
    SWITCH,
    THERMISTOR,
    ZENER,
)
from nightdraw.bank.kicad.sexpr import NO, YES, Node, Word, node

STEP = 2.54
REACH = 5.08  # a two-pin part's middle to its pins' ends
POWER_IN, POWER_OUT, IN, OUT, BOTH, PLAIN, THREE, OPEN = (
    "power_in", "power_out", "input", "output", "bidirectional", "passive", "tri_state", "open_collector",
)  # fmt: skip
SHAPES: dict[str, list[list[tuple[float, float]]]] = {  # polylines between -2.54 and 2.54
    RESISTOR: [[(-2.54, 1), (2.54, 1), (2.54, -1), (-2.54, -1), (-2.54, 1)]],
    THERMISTOR: [
        [(-2.54, 1), (2.54, 1), (2.54, -1), (-2.54, -1), (-2.54, 1)],
        [(-2, -2), (-1, -2), (1.5, 2)],
    ],
    FUSE: [[(-2.54, 1), (2.54, 1), (2.54, -1), (-2.54, -1), (-2.54, 1)], [(-2.54, 0), (2.54, 0)]],
    CAPACITOR: [
        [(-0.6, 1.8), (-0.6, -1.8)],
        [(0.6, 1.8), (0.6, -1.8)],
        [(-2.54, 0), (-0.6, 0)],
        [(0.6, 0), (2.54, 0)],
    ],
    CLAMP: [
        [(-2.54, 0), (2.54, 0)],
        [(-1.8, 1.2), (-1.8, -1.2), (0, 0), (-1.8, 1.2)],
        [(1.8, 1.2), (1.8, -1.2), (0, 0), (1.8, 1.2)],
        [(-0.4, 1.4), (0, 1), (0, -1), (0.4, -1.4)],
    ],
    "diode": [
        [(-2.54, 0), (2.54, 0)],
        [(1.27, 1.27), (1.27, -1.27), (-1.27, 0), (1.27, 1.27)],
        [(-1.27, 1.27), (-1.27, -1.27)],
    ],
}
SHORT = 2  # letters: two such names fit side by side in a part with two ends
DIODES = (ZENER, SCHOTTKY, LIGHT)


@dataclass(frozen=True)
class Pin:
    """A symbol's pin: pad's name, function, kind for the electrical rules, end of the pin, angle into the
    body."""

    pad: str
    name: str
    kind: str
    x: float
    y: float
    angle: int


@dataclass(frozen=True)
class Symbol:
    """A symbol: its pins and half-sides of its body."""

    name: str
    pins: tuple[Pin, ...]
    wide: float
    high: float
    strokes: tuple[tuple[tuple[float, float], ...], ...]

    @property
    def numbered(self) -> bool:
        """Whether pads' names are shown: not beside strokes, nor where they are the pins' own."""
        return not self.strokes and any(pin.pad != pin.name for pin in self.pins)

    def definition(self, prefix: str) -> Node:
        """Its definition, its name behind that of the library where the schematic keeps it."""
        drawn = [
            node("polyline", node("pts", *(node("xy", x, y) for x, y in stroke)),
                 node("stroke", node("width", 0.254), node("type", Word("default"))),
                 node("fill", node("type", Word("none"))))
            for stroke in self.strokes
        ]  # fmt: skip
        if not drawn:
            drawn = [
                node("rectangle", node("start", -self.wide, self.high), node("end", self.wide, -self.high),
                     node("stroke", node("width", 0.254), node("type", Word("default"))),
                     node("fill", node("type", Word("background"))))
            ]  # fmt: skip
        hide = [node("hide", YES)]
        names, numbers = (hide if self.strokes else []), ([] if self.numbered else hide)
        pins = [
            node(
                "pin",
                Word(pin.kind),
                Word("line"),
                node("at", pin.x, pin.y, pin.angle),
                node("length", STEP),
                node("name", pin.name, _font()),
                node("number", pin.pad, _font()),
            )
            for pin in self.pins
        ]
        return node(
            "symbol",
            f"{prefix}{self.name}",
            node("pin_numbers", *numbers),
            node("pin_names", node("offset", 0.5), *names),
            node("exclude_from_sim", NO),
            node("in_bom", YES),
            node("on_board", YES),
            *(
                node("property", name, value, node("at", 0, 0, 0), _font(name != "Reference"))
                for name, value in (
                    ("Reference", "U"),
                    ("Value", self.name),
                    ("Footprint", ""),
                    ("Datasheet", ""),
                    ("Description", ""),
                )
            ),
            node("symbol", f"{self.name}_0_1", *drawn),
            node("symbol", f"{self.name}_1_1", *pins),
        )


def _font(hidden: bool = False) -> Node:
    return node("effects", node("font", node("size", 1.0, 1.0)), *([node("hide", YES)] if hidden else []))


def symbol(name: str, kind: str, pads: list[tuple[str, str]]) -> Symbol:
    """A part's symbol: two ends on one line where it is drawn by strokes or its pins' names are short."""
    drawn = kind in SHAPES or kind in DIODES
    if len(pads) == 2 and (drawn or all(len(function) <= SHORT for _, function in pads)):
        return two_pins(name, kind, pads)
    return box(name, kind, pads)


def two_pins(name: str, kind: str, pads: list[tuple[str, str]]) -> Symbol:
    """A part with two ends, the first pin left; strokes of its kind, a box where there are none."""
    strokes = SHAPES.get("diode" if kind in DIODES else kind, [])
    (first, one), (second, other) = pads
    pins = (Pin(first, one, PLAIN, -REACH, 0, 0), Pin(second, other, PLAIN, REACH, 0, 180))
    return Symbol(name, pins, STEP, 1.5, tuple(tuple(stroke) for stroke in strokes))


def box(name: str, kind: str, pads: list[tuple[str, str]]) -> Symbol:
    """A part with many pins: the first half down the left, the rest up the right as packages count; up to
    four all left."""
    left = len(pads) if len(pads) <= 4 else (len(pads) + 1) // 2
    half = STEP * 4 if len(pads) > 4 else STEP * 3
    top = STEP * (left - 1) / 2
    top = round(top / 1.27) * 1.27
    pins = []
    for k, (pad, function) in enumerate(pads):
        down = k if k < left else len(pads) - 1 - k
        x, angle = (-half - STEP, 0) if k < left else (half + STEP, 180)
        pins.append(Pin(pad, function, pin_kind(kind, function), x, top - STEP * down, angle))
    return Symbol(name, tuple(pins), half, top + STEP, ())


def pin_kind(kind: str, function: str) -> str:
    """What a pin is to the electrical rules."""
    tables: dict[str, dict[str, str]] = {
        BUFFER: {"OE": IN, "A": IN, "Y": THREE, "GND": POWER_IN, "VCC": POWER_IN},
        SUPERVISOR: {"VDD": POWER_IN, "GND": POWER_IN, "RST": OUT},
        CONVERTER: {"IN+": POWER_IN, "IN-": POWER_IN, "OUT+": POWER_OUT},
        PROCESSOR: {
            "GP": BOTH,
            "GND": POWER_IN,
            "AGND": POWER_IN,
            "VSYS": POWER_IN,
            "3V3_EN": IN,
            "3V3": POWER_OUT,
            "RUN": IN,
        },
        MONITOR: {
            "VCC": POWER_IN,
            "GND": POWER_IN,
            "SCL": IN,
            "SDA": BOTH,
            "IN": IN,
            "OUT": OUT,
            "ALERT": OPEN,
        },
        SWITCH: {"G": IN},
        REVERSE_FET: {"G": IN},
    }
    table = tables.get(kind, {})
    for start in sorted(table, key=len, reverse=True):
        if function.startswith(start):
            return table[start]
    return PLAIN

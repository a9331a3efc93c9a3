"""Symbols of the schematic, placed by coordinates: a part of the netlist between two points, nets as tags.

schemdraw shapes them; which part goes where is schematic's to say.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

from nightdraw.bank.circuit.netlist import (
    CAPACITOR,
    CLAMP,
    CONTACT,
    FUSE,
    GROUND,
    LIGHT,
    RESISTOR,
    SCHOTTKY,
    THERMISTOR,
    WIRE,
    ZENER,
    Netlist,
)
from nightdraw.bank.drawings.plotter import place
from nightdraw.bank.drawings.sheet import Point, Sheet

TINY, SMALL, USUAL = 8.5, 10.5, 12.0  # points, as the plotter scales them
SHOWN = {"V3": "3V3", "V5": "5V", "OE": "OE", "Q0G": "", "CHASSIS": "chassis"}


class Page:
    """A drawing on one sheet, with the netlist to take values from."""

    def __init__(self, netlist: Netlist) -> None:
        import schemdraw
        import schemdraw.elements

        schemdraw.use("svg")
        self.elements = schemdraw.elements
        self.drawing = schemdraw.Drawing(show=False, fontsize=USUAL)
        self.netlist = netlist
        self._words: list[tuple[Point, str, float, str, str]] = []

    def on(self, sheet: Sheet, origin: Point) -> None:
        """Put the drawing on a sheet, its (0, 0) at `origin`."""
        figure = place(sheet, self.drawing, origin)
        for at, text, size, halign, valign in self._words:
            figure.text(text, at[0], at[1], size, 0, halign, valign)

    def line(self, *points: Point) -> None:
        """A wire through points."""
        for start, end in pairwise(points):
            self.drawing.add(self.elements.Line().at(start).to(end))

    def dot(self, point: Point) -> None:
        """A joint."""
        self.drawing.add(self.elements.Dot().at(point))

    def ground(self, point: Point) -> None:
        """The box's ground."""
        self.drawing.add(self.elements.Ground().at(point))

    def words(
        self, point: Point, text: str, size: float = SMALL, halign: str = "center", valign: str = "center"
    ) -> None:
        """Text about a point."""
        self._words.append((point, text, size, halign, valign))

    def tag(self, point: Point, net: str, side: str = "right", wire: float = 0.0) -> None:
        """A net's name in a flag that points at its wire's end, upright ones as a bar with the name;
        ground is drawn as ground."""
        way = {"right": (1, 0), "left": (-1, 0), "up": (0, 1), "down": (0, -1)}[side]
        end = (point[0] + way[0] * wire, point[1] + way[1] * wire)
        if wire:
            self.line(point, end)
        shown = SHOWN.get(net, net)
        if net == GROUND and side == "down":
            self.ground(end)
        elif side in ("up", "down"):
            self.line((end[0] - 0.45, end[1]), (end[0] + 0.45, end[1]))
            self.words(
                (end[0], end[1] + 0.2 * way[1]), shown, SMALL, "center", "bottom" if way[1] > 0 else "top"
            )
        else:
            flag = self.elements.Tag(width=0.36 * len(shown) + 0.9, height=0.75).at(end)
            self.drawing.add(flag.right() if side == "right" else flag.left())
            self.words((end[0] + way[0] * (0.2 * len(shown) + 0.45), end[1]), shown)

    def part(self, ref: str, start: Point, end: Point, loc: str = "top", value: bool = True) -> None:
        """A part with two pins, its first pin at `start`."""
        part = self.netlist.part(ref)
        element = self._shape(part.kind, polar=part.pins[0] == "+")
        text = f"{ref}\n{part.value}" if value else ref
        self.drawing.add(element.at(start).to(end).label(text, loc=loc, fontsize=SMALL))

    def _shape(self, kind: str, polar: bool) -> Any:
        shapes = {
            RESISTOR: self.elements.ResistorIEC,
            FUSE: self.elements.Fuse,
            WIRE: self.elements.Line,
            CLAMP: self.elements.DiodeTVS,
            ZENER: self.elements.Zener,
            SCHOTTKY: self.elements.Schottky,
            LIGHT: self.elements.LED,
            THERMISTOR: self.elements.Thermistor,
            CONTACT: self.elements.Switch,
        }
        if kind == CAPACITOR:
            return self.elements.Capacitor(polar=polar)
        return shapes[kind]()

    def chip(
        self,
        ref: str,
        at: Point,
        left: list[tuple[str, str]],
        right: list[tuple[str, str]],
        wide: float,
        title: str = "",
        step: float = 1.0,
        numbers: dict[str, int] | None = None,
    ) -> None:
        """A box with pins from the top down: (pin's name in the netlist, what is shown), each with its net's
        tag and, where there is one, its number."""
        count = max(len(left), len(right))
        high = (count + 1) * step
        top = at[1]
        x0, x1 = at[0], at[0] + wide
        self.line((x0, top), (x1, top), (x1, top - high), (x0, top - high), (x0, top))
        self.words(((x0 + x1) / 2, top + 0.45), f"{ref}  {title}", USUAL)
        for names, x, way, side in ((left, x0, -1, "left"), (right, x1, 1, "right")):
            for number, (pin, shown) in enumerate(names, 1):
                if not pin:
                    continue
                y = top - number * step
                self.words((x - way * 0.2, y), shown, SMALL, "left" if side == "left" else "right")
                self._pin(ref, pin, (x, y), way, (numbers or {}).get(pin))

    def _pin(self, ref: str, pin: str, point: Point, way: int, number: int | None) -> None:
        net = self.netlist.net(ref, pin)
        end = (point[0] + way * 0.9, point[1])
        self.line(point, end)
        if number is not None:
            self.words((point[0] + way * 0.45, point[1] + 0.12), str(number), TINY, "center", "bottom")
        if net is None:
            self.words((end[0] + way * 0.25, end[1]), "x")
        else:
            self.tag(end, net, "left" if way < 0 else "right")

"""Takes a schemdraw drawing's own strokes onto a Sheet: the figure that schemdraw's segments draw on.

So the schematic library places and shapes the symbols, and the sheet writes the same bytes everywhere.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from nightdraw.bank.drawings.sheet import BLACK, CAP_HEIGHT, LEFT, MIDDLE, RIGHT, Point, Sheet

MM_A_UNIT = 6.0  # a resistor of three units is 18 mm long
MM_A_POINT = 0.22  # of schemdraw's font sizes: 14 points come out at 3.1 mm
LINE_MM = 0.14  # of schemdraw's line widths: 2 come out at 0.28 mm
LINE_SPACE = 1.2
ARC_STEP = math.radians(7.5)
ANCHORS = {"left": LEFT, "center": MIDDLE, "right": RIGHT}


class Plotter:
    """The methods that schemdraw's segments call; drawing coordinates start at `origin` on the sheet."""

    def __init__(self, sheet: Sheet, origin: Point) -> None:
        self._sheet = sheet
        self._origin = origin

    def _at(self, x: float, y: float) -> Point:
        return self._origin[0] + x * MM_A_UNIT, self._origin[1] - y * MM_A_UNIT

    def plot(
        self, x: Sequence[float], y: Sequence[float], fill: str | None = None, lw: float = 2, **_: Any
    ) -> None:
        """A path; a hole in it is marked by numbers that are none."""
        run: list[Point] = []
        for px, py in zip(x, y, strict=True):
            if math.isnan(px) or math.isnan(py):
                self._stroke(run, fill, lw)
                run = []
            else:
                run.append(self._at(px, py))
        self._stroke(run, fill, lw)

    def _stroke(self, run: list[Point], fill: str | None, lw: float) -> None:
        if len(run) < 2:
            return
        if fill and fill != "none":
            self._sheet.area(run, BLACK, BLACK, lw * LINE_MM)
        else:
            self._sheet.line(run, BLACK, lw * LINE_MM)

    def poly(
        self, verts: Sequence[Point], closed: bool = True, fill: str | None = None, lw: float = 2, **_: Any
    ) -> None:
        """A polygon."""
        points = [self._at(x, y) for x, y in verts]
        if closed:
            self._sheet.area(
                points, BLACK if fill and fill not in ("none", "white", "bg") else None, BLACK, lw * LINE_MM
            )
        else:
            self._sheet.line(points, BLACK, lw * LINE_MM)

    def circle(self, center: Point, radius: float, fill: str | None = None, lw: float = 2, **_: Any) -> None:
        """A circle."""
        inside = {"none": None, None: None, "bg": "#ffffff", "white": "#ffffff"}.get(fill, BLACK)
        self._sheet.ring(self._at(*center), radius * MM_A_UNIT, BLACK, inside, lw * LINE_MM)

    def arc(
        self,
        center: Point,
        width: float,
        height: float,
        theta1: float = 0,
        theta2: float = 90,
        angle: float = 0,
        lw: float = 2,
        **_: Any,
    ) -> None:
        """Part of an ellipse, as short lines."""
        start, end = math.radians(theta1), math.radians(theta2)
        while end < start:
            end += 2 * math.pi
        steps = max(2, math.ceil((end - start) / ARC_STEP))
        tilt = math.radians(angle)
        points = []
        for step in range(steps + 1):
            turn = start + (end - start) * step / steps
            px, py = width / 2 * math.cos(turn), height / 2 * math.sin(turn)
            points.append(
                self._at(
                    center[0] + px * math.cos(tilt) - py * math.sin(tilt),
                    center[1] + px * math.sin(tilt) + py * math.cos(tilt),
                )
            )
        self._sheet.line(points, BLACK, lw * LINE_MM)

    def arrow(
        self, xy: Point, theta: float, arrowwidth: float = 0.15, arrowlength: float = 0.25, **_: Any
    ) -> None:
        """An arrow's head with its tip at a point."""
        turn = math.radians(theta)
        c, s = math.cos(turn), math.sin(turn)
        wings = [(-arrowlength, arrowwidth / 2), (-arrowlength, -arrowwidth / 2)]
        points = [(xy[0] + c * px - s * py, xy[1] + s * px + c * py) for px, py in wings]
        self._sheet.area([self._at(*xy), *(self._at(*point) for point in points)], BLACK, None)

    def text(
        self,
        s: str,
        x: float,
        y: float,
        fontsize: float = 14,
        rotation: float = 0,
        halign: str = "center",
        valign: str = "center",
        **_: Any,
    ) -> None:
        """Lines of text about a point."""
        size = fontsize * MM_A_POINT
        lines = s.split("\n")
        px, py = self._at(x, y)
        tall = size * (CAP_HEIGHT + LINE_SPACE * (len(lines) - 1))
        above = {"center": tall / 2, "top": tall, "bottom": 0.0, "base": 0.0, "baseline": 0.0}[valign]
        turn = math.radians(rotation)
        for number, line in enumerate(lines):
            down = above - size * LINE_SPACE * (len(lines) - 1 - number)
            at = (px + math.sin(turn) * down, py + math.cos(turn) * down)
            self._sheet.text(*at, line, size, ANCHORS[halign], turned=rotation)


def place(sheet: Sheet, drawing: Any, origin: Point) -> Plotter:
    """Draw every element of a schemdraw drawing on a sheet, its (0, 0) at `origin`, millimetres; returns what
    drew it."""
    figure = Plotter(sheet, origin)
    for element in drawing.elements:
        for segment in element.segments:
            segment.draw(figure, element.transform, **element.params)
    return figure

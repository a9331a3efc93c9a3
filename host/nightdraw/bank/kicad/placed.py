"""A part on the board: its shape moved and turned to its place, its pads with their nets."""

from __future__ import annotations

from dataclasses import dataclass

from nightdraw.bank.kicad.shapes import Box, Pad, Shape

TURNS = (0, 90, 180, 270)  # degrees, counter-clockwise as seen on the board
_COS_SIN = {0: (1, 0), 90: (0, 1), 180: (-1, 0), 270: (0, -1)}


@dataclass(frozen=True)
class At:
    """A pad where it is on the board; net: empty where the pin is left open."""

    ref: str
    pad: Pad
    x: float
    y: float
    wide: float
    high: float
    net: str


@dataclass(frozen=True)
class Placed:
    """A footprint at its place. nets: by the pad's name; pins: each pad's name on the part; note: on the
    silk."""

    ref: str
    value: str
    shape: Shape
    x: float
    y: float
    turn: int
    nets: dict[str, str]
    pins: dict[str, str]
    note: str = ""

    def point(self, x: float, y: float) -> tuple[float, float]:
        """A point of the shape on the board; y downwards."""
        cos, sin = _COS_SIN[self.turn]
        return self.x + x * cos + y * sin, self.y - x * sin + y * cos

    def box(self, box: Box) -> Box:
        """An upright rectangle of the shape on the board."""
        (x1, y1), (x2, y2) = self.point(box.left, box.top), self.point(box.right, box.bottom)
        return Box(min(x1, x2), min(y1, y2), max(x1, x2), max(y1, y2))

    @property
    def courtyard(self) -> Box:
        return self.box(self.shape.courtyard)

    def pads(self) -> list[At]:
        """Every pad on the board."""
        found = []
        for pad in self.shape.pads:
            x, y = self.point(pad.x, pad.y)
            wide, high = (pad.wide, pad.high) if self.turn % 180 == 0 else (pad.high, pad.wide)
            found.append(At(self.ref, pad, x, y, wide, high, self.nets.get(pad.name, "")))
        return found

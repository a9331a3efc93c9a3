"""Footprints as data: pads, outline and marks of every shape of part on the board, each with its source.

Lengths in mm, y downwards as KiCad counts, the first pad at the origin. All parts are through-hole. Which
part has which shape is `library`'s to say.
"""

from __future__ import annotations

from dataclasses import dataclass

Line = tuple[float, float, float, float]  # from x, y to x, y
CIRCLE, RECT, OVAL = "circle", "rect", "oval"
GENERIC = "common practice for this package; no source beside the package's standard"


@dataclass(frozen=True)
class Pad:
    """One plated hole: its name on the part, place, copper's width and height, drill."""

    name: str
    x: float
    y: float
    wide: float
    high: float
    drill: float
    form: str = CIRCLE


@dataclass(frozen=True)
class Box:
    """An upright rectangle."""

    left: float
    top: float
    right: float
    bottom: float

    def grown(self, by: float) -> Box:
        """The same with `by` more on every side."""
        return Box(self.left - by, self.top - by, self.right + by, self.bottom + by)

    def meets(self, other: Box) -> bool:
        """Whether the two overlap."""
        return (
            self.left < other.right
            and other.left < self.right
            and self.top < other.bottom
            and other.top < self.bottom
        )


@dataclass(frozen=True)
class Shape:
    """A footprint. body: the part's outline; round: drawn as a circle; lines: more marks (x1, y1, x2, y2);
    source: where pitches and the order of pins come from; ties: pads of two nets that meet on purpose."""

    name: str
    about: str
    pads: tuple[Pad, ...]
    body: Box
    source: str
    round: bool = False
    lines: tuple[Line, ...] = ()
    ties: tuple[tuple[str, str], ...] = ()

    @property
    def courtyard(self) -> Box:
        """What the part takes on the board, a quarter of a millimetre around copper and body."""
        left = min([self.body.left, *(pad.x - pad.wide / 2 for pad in self.pads)])
        right = max([self.body.right, *(pad.x + pad.wide / 2 for pad in self.pads)])
        top = min([self.body.top, *(pad.y - pad.high / 2 for pad in self.pads)])
        bottom = max([self.body.bottom, *(pad.y + pad.high / 2 for pad in self.pads)])
        return Box(left, top, right, bottom).grown(0.25)


def axial(
    name: str, about: str, pins: tuple[str, str], pitch: float, body: tuple[float, float], drill: float,
    banded: bool = False, source: str = GENERIC,
) -> Shape:  # fmt: skip
    """A lying part with a lead at each end; banded: a line near the first pad, its cathode."""
    pad = drill * 2 if drill < 1 else drill + 1.1
    left, right = (pitch - body[0]) / 2, (pitch + body[0]) / 2
    half = body[1] / 2
    band = left + 0.18 * body[0]
    lines = [(pad / 2 + 0.3, 0.0, left, 0.0), (right, 0.0, pitch - pad / 2 - 0.3, 0.0)]
    if banded:
        lines += [(band, -half, band, half), (band + 0.25, -half, band + 0.25, half)]
    pads = (
        Pad(pins[0], 0, 0, pad, pad, drill, RECT if banded else CIRCLE),
        Pad(pins[1], pitch, 0, pad, pad, drill),
    )
    return Shape(name, about, pads, Box(left, -half, right, half), source, lines=tuple(lines))


def shunt(pins: tuple[str, str, str, str]) -> Shape:
    """A lying resistor whose voltage is taken at its own leads: a hole for each sense track (or wire) whose
    copper meets the lead's on its inner side, away from where the current comes."""
    first, second, first_sense, second_sense = pins
    pitch, inward, body = 15.24, 2.54, (11.0, 4.5)
    left = (pitch - body[0]) / 2
    pads = (
        Pad(first, 0, 0, 2.4, 2.4, 0.9),
        Pad(second, pitch, 0, 2.4, 2.4, 0.9),
        Pad(first_sense, inward, 0, 2.9, 1.3, 0.7, OVAL),
        Pad(second_sense, pitch - inward, 0, 2.9, 1.3, 0.7, OVAL),
    )
    box = Box(left, -body[1] / 2, pitch - left, body[1] / 2)
    ties = ((first, first_sense), (second, second_sense))
    return Shape("shunt-15", "axial shunt, 11 x 4.5 mm body, sense pads", pads, box, GENERIC, ties=ties)


def can(name: str, about: str, pitch: float, diameter: float, drill: float, source: str = GENERIC) -> Shape:
    """An upright round electrolytic, plus first."""
    pad = min(2 * drill + 0.2, pitch - 0.7)
    middle, half = pitch / 2, diameter / 2
    pads = (Pad("+", 0, 0, pad, pad, drill, RECT), Pad("-", pitch, 0, pad, pad, drill))
    body = Box(middle - half, -half, middle + half, half)
    away = middle - half - 0.9  # in line with the pins, beside the plus
    plus = ((away - 0.5, 0.0, away + 0.5, 0.0), (away, -0.5, away, 0.5))
    return Shape(name, about, pads, body, source, round=True, lines=plus)


def row(
    name: str, about: str, pins: tuple[str, ...], pitch: float, drill: float, pad: float, body: Box,
    source: str = GENERIC, lines: tuple[Line, ...] = (),
) -> Shape:  # fmt: skip
    """Pads in a line to the right, the first one square."""
    pads = tuple(Pad(pin, pitch * k, 0, pad, pad, drill, CIRCLE if k else RECT) for k, pin in enumerate(pins))
    return Shape(name, about, pads, body, source, lines=lines)


def two_rows(
    name: str, about: str, count: int, apart: float, drill: float, pad: tuple[float, float], body: Box,
    source: str, lines: tuple[Line, ...] = (),
) -> Shape:  # fmt: skip
    """Pins 1 to count/2 down the left, the rest up the right, 2.54 mm apart."""
    half = count // 2
    form = OVAL if pad[0] != pad[1] else CIRCLE
    pads = [Pad(str(k + 1), 0, 2.54 * k, *pad, drill, form if k else RECT) for k in range(half)] + [
        Pad(str(half + 1 + k), apart, 2.54 * (half - 1 - k), *pad, drill, form) for k in range(half)
    ]
    return Shape(name, about, tuple(pads), body, source, lines=lines)


def header(count: int) -> Shape:
    """A wire-to-board header with a latch, pins in one row."""
    wide = 2.54 * (count - 1)
    return row(
        f"latched-header-{count}", f"wire-to-board header with latch, {count}-way, 2.54 mm",
        tuple(str(k + 1) for k in range(count)), 2.54, 1.0, 1.7, Box(-1.4, -3.2, wide + 1.4, 2.6),
        "2.54 mm latched headers: outline common practice", ((-1.4, 1.6, wide + 1.4, 1.6),),
    )  # fmt: skip


def terminal(pins: tuple[str, str]) -> Shape:
    """A two-way screw terminal, wires from below (positive y)."""
    return row(
        f"screw-terminal-{'2' if pins == ('1', '2') else 'lead'}",
        "screw terminal block, 2-way, 5.08 mm (takes 5.00 mm)",
        pins,
        5.08,
        1.3,
        2.6,
        Box(-2.54, -4.8, 7.62, 4.8),
        "5.08 mm terminal blocks: outline common practice",
        ((-2.54, 3.4, 7.62, 3.4),),
    )


def upright_tab(pins: tuple[str, str, str]) -> Shape:
    """TO-220 upright: tab away from the viewer (negative y), print towards positive y."""
    return row(
        "to-220-upright",
        "TO-220 upright",
        pins,
        2.54,
        1.1,
        1.9,
        Box(-2.66, -3.2, 7.74, 1.4),
        "JEDEC TO-220AB outline; gate, drain, source from the left with the print towards you: common "
        "practice for MOSFETs, to be checked against the part's own sheet",
        ((-2.66, -1.9, 7.74, -1.9),),
    )


def outline(shape: Shape) -> list[Line]:
    """The body's lines in the shape's own frame, interrupted where a pad lies on them."""
    if shape.name == "test-point":
        return []
    body = shape.body
    if shape.round:
        return list(shape.lines)
    lines = [
        (body.left, body.top, body.right, body.top),
        (body.right, body.top, body.right, body.bottom),
        (body.right, body.bottom, body.left, body.bottom),
        (body.left, body.bottom, body.left, body.top),
        *shape.lines,
    ]
    return [piece for line in lines for piece in _off_pads(shape, line)]


def _off_pads(shape: Shape, line: Line) -> list[Line]:
    """The pieces of an upright or level line that keep off the part's own pads."""
    pieces = [line]
    for pad in shape.pads:
        box = Box(
            pad.x - pad.wide / 2, pad.y - pad.high / 2, pad.x + pad.wide / 2, pad.y + pad.high / 2
        ).grown(0.25)
        pieces = [rest for piece in pieces for rest in _less(piece, box)]
    return pieces


def _less(line: Line, box: Box) -> list[Line]:
    x1, y1, x2, y2 = line
    level = y1 == y2
    low, high = sorted((x1, x2) if level else (y1, y2))
    across = y1 if level else x1
    near, far = (box.left, box.right) if level else (box.top, box.bottom)
    inside = (box.top < across < box.bottom) if level else (box.left < across < box.right)
    if not inside or far <= low or near >= high:
        return [line]
    spans = [(low, near), (far, high)]
    return [(a, y1, b, y1) if level else (x1, a, x1, b) for a, b in spans if b - a > 0.2]

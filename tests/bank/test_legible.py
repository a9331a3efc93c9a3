"""Every text of the drawings can be read: no line runs through it, no other text lies on it."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree

import pytest
from nightdraw import data
from nightdraw.bank.drawings.font_metrics import width
from nightdraw.bank.kicad import shapes

SHEETS = sorted(data.folder("hardware").glob("*/*.svg"))
CAPITALS = 0.72  # height of Helvetica's capitals over the font's size (Adobe's font metrics: 718 of 1000)
TOUCH_MM = 0.1  # letters leave that much of their box free
SHARES = {"start": 0.0, "middle": 0.5, "end": 1.0}  # of a text's width, left of its place
Point = tuple[float, float]


class Box(shapes.Box):
    """Upright, in millimetres from the sheet's top left corner."""

    def holds(self, other: Box) -> bool:
        return (
            self.left <= other.left
            and other.right <= self.right
            and self.top <= other.top
            and other.bottom <= self.bottom
        )

    def is_crossed(self, a: Point, b: Point, half_mm: float) -> bool:
        """Whether a line from a to b, half_mm to either side, comes into it (Liang-Barsky clipping)."""
        first, last = 0.0, 1.0
        for step, room in (
            (a[0] - b[0], a[0] - self.left + half_mm),
            (b[0] - a[0], self.right + half_mm - a[0]),
            (a[1] - b[1], a[1] - self.top + half_mm),
            (b[1] - a[1], self.bottom + half_mm - a[1]),
        ):
            if step == 0 and room < 0:
                return False
            if step < 0:
                first = max(first, room / step)
            elif step > 0:
                last = min(last, room / step)
        return first < last


def text_box(element: ElementTree.Element) -> Box:
    """What a line of text takes, turned or not."""
    x, y, size = (float(element.attrib[name]) for name in ("x", "y", "font-size"))
    length = width(element.text or "", size, element.get("font-weight") == "bold")
    start = -SHARES[element.get("text-anchor", "start")] * length
    turn = element.get("transform", "rotate(0 ").removeprefix("rotate(").split()[0]
    c, s = math.cos(math.radians(float(turn))), math.sin(math.radians(float(turn)))
    corners = [
        (x + along * c - down * s, y + along * s + down * c)
        for along in (start, start + length)
        for down in (0.0, -CAPITALS * size)
    ]
    (left, *_, right), (top, *_, bottom) = (sorted(values) for values in zip(*corners, strict=True))
    return Box(left + TOUCH_MM, top + TOUCH_MM, right - TOUCH_MM, bottom - TOUCH_MM)


def points(element: ElementTree.Element) -> list[Point]:
    """Of a line, a closed shape, or a circle, as a polygon."""
    if element.tag == "circle":
        x, y, r = (float(element.attrib[name]) for name in ("cx", "cy", "r"))
        turns = [math.radians(k) for k in range(0, 361, 10)]
        return [(x + r * math.cos(turn), y + r * math.sin(turn)) for turn in turns]
    found = [tuple(map(float, point.split(","))) for point in element.attrib["points"].split()]
    return [(x, y) for x, y in (*found, *(found[:1] if element.tag == "polygon" else ()))]


@dataclass(frozen=True)
class Drawn:
    """A shape: its place in the order of drawing, its outline and what that spans."""

    at: int
    element: ElementTree.Element
    outline: list[Point]
    span: Box

    @classmethod
    def of(cls, at: int, element: ElementTree.Element) -> Drawn:
        outline = points(element)
        half_mm = float(element.get("stroke-width", 0)) / 2
        xs, ys = zip(*outline, strict=True)
        span = Box(min(xs) - half_mm, min(ys) - half_mm, max(xs) + half_mm, max(ys) + half_mm)
        return cls(at, element, outline, span)

    def crosses(self, box: Box) -> bool:
        if not self.span.meets(box) or self.element.get("stroke", "none") == "none":
            return False
        half_mm = float(self.element.attrib["stroke-width"]) / 2
        return any(box.is_crossed(a, b, half_mm) for a, b in itertools.pairwise(self.outline))


def unreadable(svg: str) -> list[str]:
    """The texts that something else crosses; what a filled shape hides from under a text doesn't count, nor
    do the dots of a stripboard's holes."""
    elements = list(ElementTree.fromstring(svg))
    for element in elements:
        element.tag = element.tag.rpartition("}")[2]
    shapes = [
        Drawn.of(k, element)
        for k, element in enumerate(elements)
        if element.tag in ("polyline", "polygon", "circle") and "stroke-dasharray" not in element.attrib
    ]
    texts = [
        (k, element.text, text_box(element)) for k, element in enumerate(elements) if element.tag == "text"
    ]
    bad = [f"{a[1]} / {b[1]}" for a, b in itertools.combinations(texts, 2) if a[2].meets(b[2])]
    for at, text, box in texts:
        filled = (shape for shape in shapes if shape.at < at and shape.element.get("fill") != "none")
        ground = max((shape.at for shape in filled if shape.span.holds(box)), default=-1)
        bad += [
            f"{text} / {ElementTree.tostring(shape.element).decode()}"
            for shape in shapes
            if shape.at >= ground and shape.crosses(box)
        ]
    return bad


@pytest.mark.parametrize("path", SHEETS, ids=lambda path: path.stem)
def test_no_text_of_a_sheet_is_crossed(path: Path) -> None:
    assert unreadable(path.read_text("utf-8")) == []


def test_a_crossed_text_is_noticed() -> None:
    text = '<text x="10" y="10" font-size="3">ohm</text>'  # 6.3 mm wide, 2.2 mm high

    def sheet(*more: str) -> str:
        return f"<svg>{''.join(more)}</svg>"

    line = '<polyline points="{}" fill="none" stroke="#000000" stroke-width="0.3"/>'
    through, above, aside = (line.format(at) for at in ("5,9 30,9", "5,7.5 30,7.5", "18,0 18,20"))
    assert unreadable(sheet(text, above, aside)) == []
    assert len(unreadable(sheet(text, through))) == 1
    hidden = '<polygon points="8,5 20,5 20,12 8,12" fill="#ffffff"/>'
    assert unreadable(sheet(through, hidden, text)) == []
    assert len(unreadable(sheet(hidden, through, text))) == 1
    assert len(unreadable(sheet(text, text))) == 1
    ring = '<circle cx="16" cy="9" r="1" fill="none" stroke="#000000" stroke-width="0.3"/>'
    assert len(unreadable(sheet(text, ring))) == 1

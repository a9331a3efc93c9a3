"""A sheet of paper in millimetres: lines, shapes and texts, written as SVG and as PDF, to scale.

The same drawing gives the same bytes on every machine: no dates, no random names, numbers of fixed length and
a font that every reader has. What is drawn is others' business.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from xml.sax.saxutils import escape

from nightdraw.bank.drawings.font_metrics import width

Point = tuple[float, float]
BLACK, GREY, LIGHT, WHITE = "#000000", "#666666", "#cccccc", "#ffffff"
RED, BLUE, COPPER = "#b00000", "#0040a0", "#d9a066"
THIN, USUAL, BOLD_LINE = 0.18, 0.3, 0.6
MM_TO_POINT = 72 / 25.4
LEFT, MIDDLE, RIGHT = "start", "middle", "end"
ROUND = 0.5523  # a quarter of a circle as a Bezier curve
CAP_HEIGHT = 0.72  # of the size, Helvetica's capitals


@dataclass(frozen=True)
class Shape:
    """A path of straight lines: stroke colour None draws no outline, fill None no surface."""

    points: tuple[Point, ...]
    stroke: str | None
    fill: str | None
    width_mm: float
    dash: tuple[float, ...]
    closed: bool


@dataclass(frozen=True)
class Ring:
    """A circle."""

    centre: Point
    radius: float
    stroke: str | None
    fill: str | None
    width_mm: float


@dataclass(frozen=True)
class TextItem:
    """One line of text, its baseline at a point; turned anticlockwise by degrees."""

    at: Point
    text: str
    size_mm: float
    anchor: str
    bold: bool
    colour: str
    turned: float


@dataclass
class Sheet:
    """Drawn from the top left corner, y downwards."""

    width_mm: float
    height_mm: float
    title: str
    items: list[Shape | Ring | TextItem] = field(default_factory=list)

    def line(
        self,
        points: Sequence[Point],
        stroke: str = BLACK,
        width_mm: float = USUAL,
        dash: tuple[float, ...] = (),
    ) -> None:
        """A line through points."""
        self.items.append(Shape(tuple(points), stroke, None, width_mm, dash, False))

    def area(
        self,
        points: Sequence[Point],
        fill: str | None = None,
        stroke: str | None = BLACK,
        width_mm: float = USUAL,
        dash: tuple[float, ...] = (),
    ) -> None:
        """A closed shape."""
        self.items.append(Shape(tuple(points), stroke, fill, width_mm, dash, True))

    def box(
        self,
        left: float,
        top: float,
        wide: float,
        high: float,
        fill: str | None = None,
        stroke: str | None = BLACK,
        width_mm: float = USUAL,
    ) -> None:
        """An upright rectangle."""
        right, bottom = left + wide, top + high
        self.area([(left, top), (right, top), (right, bottom), (left, bottom)], fill, stroke, width_mm)

    def ring(
        self,
        centre: Point,
        radius: float,
        stroke: str | None = BLACK,
        fill: str | None = None,
        width_mm: float = USUAL,
    ) -> None:
        """A circle."""
        self.items.append(Ring(centre, radius, stroke, fill, width_mm))

    def text(
        self,
        x: float,
        y: float,
        text: str,
        size_mm: float = 3.0,
        anchor: str = LEFT,
        bold: bool = False,
        colour: str = BLACK,
        turned: float = 0.0,
    ) -> None:
        """A line of text with its baseline at (x, y)."""
        self.items.append(TextItem((x, y), text, size_mm, anchor, bold, colour, turned))

    def measure(self, a: Point, b: Point, away: float, text: str, size_mm: float = 2.6) -> None:
        """A dimension between two points, its line `away` millimetres to the left of the way from a to b."""
        length = math.hypot(b[0] - a[0], b[1] - a[1])
        along = ((b[0] - a[0]) / length, (b[1] - a[1]) / length)
        side = (along[1] * away, -along[0] * away)
        over = math.copysign(1.0, away)
        more = (along[1] * over, -along[0] * over)
        ends = [(p[0] + side[0], p[1] + side[1]) for p in (a, b)]
        for start, end in zip((a, b), ends, strict=True):
            self.line([start, (end[0] + more[0], end[1] + more[1])], GREY, THIN)
        self.line(ends, GREY, THIN)
        for end, way in zip(ends, (1, -1), strict=True):
            tip = (along[0] * way, along[1] * way)
            left = (end[0] + 1.6 * tip[0] - 0.5 * tip[1], end[1] + 1.6 * tip[1] + 0.5 * tip[0])
            right = (end[0] + 1.6 * tip[0] + 0.5 * tip[1], end[1] + 1.6 * tip[1] - 0.5 * tip[0])
            self.area([end, left, right], GREY, None)
        middle = ((ends[0][0] + ends[1][0]) / 2, (ends[0][1] + ends[1][1]) / 2)
        upright = abs(along[1]) > abs(along[0])
        at = (middle[0] - 0.8, middle[1]) if upright else (middle[0], middle[1] - 0.8)
        self.text(*at, text, size_mm, MIDDLE, turned=90.0 if upright else 0.0)

    def svg(self) -> str:
        """The drawing as SVG, one user unit a millimetre."""
        head = (
            '<?xml version="1.0" encoding="UTF-8"?>\n<svg xmlns="http://www.w3.org/2000/svg" '
            f'width="{_n(self.width_mm)}mm" height="{_n(self.height_mm)}mm" '
            f'viewBox="0 0 {_n(self.width_mm)} {_n(self.height_mm)}" '
            'font-family="Helvetica, Arial, Liberation Sans, sans-serif">\n'
            f"<title>{escape(self.title)}</title>\n"
            f'<rect width="{_n(self.width_mm)}" height="{_n(self.height_mm)}" fill="#ffffff"/>\n'
        )
        return head + "".join(_svg(item) + "\n" for item in self.items) + "</svg>\n"

    def page(self) -> bytes:
        """The drawing as a PDF page's content stream."""
        scale = f"{MM_TO_POINT:.5f} 0 0 {-MM_TO_POINT:.5f} 0 {_n(self.height_mm * MM_TO_POINT)} cm"
        lines = ["1 J 1 j", scale, *(_pdf(item) for item in self.items)]
        return "\n".join(lines).encode("latin-1", "replace")


def pdf(sheets: Sequence[Sheet]) -> bytes:
    """One PDF of all sheets, a page each, with the readers' own Helvetica."""
    objects: list[bytes] = [b"<< /Type /Catalog /Pages 2 0 R >>", b""]
    for name in ("Helvetica", "Helvetica-Bold"):
        font = f"<< /Type /Font /Subtype /Type1 /BaseFont /{name} /Encoding /WinAnsiEncoding >>"
        objects.append(font.encode())
    kids = []
    for sheet in sheets:
        stream = sheet.page()
        objects.append(b"<< /Length %d >>\nstream\n%s\nendstream" % (len(stream), stream))
        box = f"[0 0 {_n(sheet.width_mm * MM_TO_POINT)} {_n(sheet.height_mm * MM_TO_POINT)}]"
        page = (
            f"<< /Type /Page /Parent 2 0 R /MediaBox {box} /Contents {len(objects)} 0 R "
            "/Resources << /Font << /F1 3 0 R /F2 4 0 R >> >> >>"
        )
        objects.append(page.encode())
        kids.append(f"{len(objects)} 0 R")
    objects[1] = f"<< /Type /Pages /Kids [{' '.join(kids)}] /Count {len(kids)} >>".encode()
    return _file(objects, sheets[0].title)


def _file(objects: list[bytes], title: str) -> bytes:
    plain = title.encode("latin-1", "replace").replace(b"(", b"").replace(b")", b"")
    objects.append(b"<< /Title (%s) >>" % plain)
    out = bytearray(b"%PDF-1.4\n")
    places = []
    for number, body in enumerate(objects, 1):
        places.append(len(out))
        out += b"%d 0 obj\n%s\nendobj\n" % (number, body)
    start = len(out)
    out += b"xref\n0 %d\n0000000000 65535 f \n" % (len(objects) + 1)
    for place in places:
        out += b"%010d 00000 n \n" % place
    trailer = b"trailer\n<< /Size %d /Root 1 0 R /Info %d 0 R >>\nstartxref\n%d\n%%%%EOF\n"
    return bytes(out + trailer % (len(objects) + 1, len(objects), start))


def _n(value: float) -> str:
    """A number of at most three decimals, the same on every machine."""
    text = f"{value:.3f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def _svg(item: Shape | Ring | TextItem) -> str:
    if isinstance(item, TextItem):
        turn = (
            f' transform="rotate({_n(-item.turned)} {_n(item.at[0])} {_n(item.at[1])})"'
            if item.turned
            else ""
        )
        weight = ' font-weight="bold"' if item.bold else ""
        anchor = "" if item.anchor == LEFT else f' text-anchor="{item.anchor}"'
        colour = "" if item.colour == BLACK else f' fill="{item.colour}"'
        place = f'x="{_n(item.at[0])}" y="{_n(item.at[1])}" font-size="{_n(item.size_mm)}"'
        return f"<text {place}{anchor}{weight}{colour}{turn}>{escape(item.text)}</text>"
    paint = f'fill="{item.fill or "none"}"'
    if item.stroke:
        paint += f' stroke="{item.stroke}" stroke-width="{_n(item.width_mm)}"'
    if isinstance(item, Ring):
        return f'<circle cx="{_n(item.centre[0])}" cy="{_n(item.centre[1])}" r="{_n(item.radius)}" {paint}/>'
    if item.dash:
        paint += f' stroke-dasharray="{" ".join(_n(part) for part in item.dash)}"'
    points = " ".join(f"{_n(x)},{_n(y)}" for x, y in item.points)
    kind = "polygon" if item.closed else "polyline"
    return f'<{kind} points="{points}" {paint} stroke-linecap="round" stroke-linejoin="round"/>'


def _colour(code: str) -> str:
    return " ".join(_n(int(code[k : k + 2], 16) / 255) for k in (1, 3, 5))


def _pdf(item: Shape | Ring | TextItem) -> str:
    if isinstance(item, TextItem):
        return _pdf_words(item)
    lines = []
    if item.fill:
        lines.append(f"{_colour(item.fill)} rg")
    if item.stroke:
        lines.append(f"{_colour(item.stroke)} RG {_n(item.width_mm)} w")
    verb = {(True, True): "B", (True, False): "f", (False, True): "S", (False, False): "n"}[
        (item.fill is not None, item.stroke is not None)
    ]
    if isinstance(item, Ring):
        return "\n".join([*lines, _circle(item.centre, item.radius), "h " + verb])
    dash = " ".join(_n(part) for part in item.dash)
    lines.append(f"[{dash}] 0 d")
    path = [f"{_n(x)} {_n(y)} {'l' if k else 'm'}" for k, (x, y) in enumerate(item.points)]
    return "\n".join([*lines, *path, ("h " if item.closed else "") + verb])


def _circle(centre: Point, radius: float) -> str:
    x, y = centre
    k = ROUND * radius
    path = [f"{_n(x + radius)} {_n(y)} m"]
    for quarter in range(4):
        turn = math.pi / 2 * quarter
        c, s = round(math.cos(turn)), round(math.sin(turn))
        points = [(radius, k), (k, radius), (0.0, radius)]
        numbers = [f"{_n(x + c * px - s * py)} {_n(y + s * px + c * py)}" for px, py in points]
        path.append(" ".join(numbers) + " c")
    return "\n".join(path)


def _pdf_words(item: TextItem) -> str:
    shift = {LEFT: 0.0, MIDDLE: -0.5, RIGHT: -1.0}[item.anchor] * width(item.text, item.size_mm, item.bold)
    turn = math.radians(item.turned)
    c, s = math.cos(turn), math.sin(turn)
    x, y = item.at[0] + shift * c, item.at[1] - shift * s
    text = item.text.replace("\\", "\\\\").replace("(", "\\(").replace(")", "\\)")
    font = "F2" if item.bold else "F1"
    place = f"{_n(c)} {_n(-s)} {_n(-s)} {_n(-c)} {_n(x)} {_n(y)} Tm"
    return f"BT {_colour(item.colour)} rg /{font} {_n(item.size_mm)} Tf {place} ({text}) Tj ET"

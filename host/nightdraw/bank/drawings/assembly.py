"""What helps to fit the circuit board: a position file, and one page that shows where each part goes.

Positions count from the board's rear left corner seen from the parts' side, x to the right, y to the front;
the turn is anticlockwise. The page is whole in itself: nothing is fetched, its own script alone may run.
"""

from __future__ import annotations

import base64
import csv
import hashlib
import io
import re
from dataclasses import dataclass
from html import escape
from pathlib import Path

from nightdraw.bank.circuit.netlist import Netlist, Part
from nightdraw.bank.drawings.assembled import tall_mm
from nightdraw.bank.kicad.layout import HOLE_MM, holes, layout, size
from nightdraw.bank.kicad.library import CHECK
from nightdraw.bank.kicad.placed import Placed
from nightdraw.bank.kicad.shapes import RECT, outline
from nightdraw.board import BoardModel

# The build guide's sections, each with the parts that it fits; what no pattern has goes with the electronics.
STEPS = (
    ("2. Supply side", re.compile(r"J1|D[01]|Q0|Z1|R[12]|C[123]|PS1")),
    ("5. Bank", re.compile(r"RB\d+[a-z]?|RT1")),
)
ELECTRONICS = "3. Electronics"
ORDER = ("2. Supply side", ELECTRONICS, "5. Bank")
COLUMNS = (
    "reference", "value", "package", "x_mm", "y_mm", "pad1_x_mm", "pad1_y_mm", "turn_deg", "side"
)  # fmt: skip
TEST_POINT = re.compile(r"TP\d+")


@dataclass(frozen=True)
class Row:
    """Like parts that one step fits: references, what they are, what to mind."""

    refs: tuple[str, ...]
    value: str
    about: str
    mind: str


def positions(board: BoardModel, netlist: Netlist) -> str:
    """Every part to be fitted as CSV: middle of its body and its first pad in mm, turn in degrees."""
    out = io.StringIO()
    rows = csv.writer(out, lineterminator="\n")
    rows.writerow(COLUMNS)
    for part in sorted(fitted(board, netlist), key=lambda each: each.ref):
        body = part.box(part.shape.body)
        middle = (body.left + body.right) / 2, (body.top + body.bottom) / 2
        figures = (f"{v:.3f}" for v in (*middle, part.x, part.y))
        rows.writerow((part.ref, part.value, part.shape.name, *figures, part.turn, "parts"))
    return out.getvalue()


def fitted(board: BoardModel, netlist: Netlist) -> list[Placed]:
    """What is soldered in: all but the test points, which are pads of the board."""
    return [part for part in layout(board, netlist) if not TEST_POINT.fullmatch(part.ref)]


def steps(board: BoardModel, netlist: Netlist) -> dict[str, list[Row]]:
    """The rows of each section of the build guide, lowest parts first."""
    parts = {part.ref: part for part in netlist.parts}
    groups: dict[tuple[str, str, str, str], list[Placed]] = {}
    for placed in fitted(board, netlist):
        step = next((name for name, refs in STEPS if refs.fullmatch(placed.ref)), ELECTRONICS)
        known = parts.get(placed.ref)
        about = placed.shape.about if known is None else known.description
        mind = _mind(placed, known)
        groups.setdefault((step, placed.value, about, mind), []).append(placed)
    found: dict[str, list[Row]] = {step: [] for step in ORDER}
    for (step, value, about, mind), alike in sorted(groups.items(), key=lambda item: tall_mm(item[1][0])):
        refs = sorted((each.ref for each in alike), key=_counted)
        found[step].append(Row(tuple(refs), value, about, mind))
    return found


def _counted(ref: str) -> tuple[str, int]:
    """R9 before R10."""
    letters = ref.rstrip("0123456789")
    return letters, int(ref[len(letters) :] or 0)


def _mind(placed: Placed, part: Part | None) -> str:
    """What a wrong turn of this part would be."""
    if part is None:
        return ""
    if part.kind in CHECK:
        return CHECK[part.kind]
    first = placed.shape.pads[0].name
    if first == "+":
        return "plus in the square pad"
    return "band (cathode) at the square pad" if first == "K" else ""


def page(board: BoardModel, netlist: Netlist) -> str:
    """The page as HTML."""
    style, script = (_file(f"assembly.{kind}") for kind in ("css", "js"))
    policy = f"default-src 'none'; style-src '{_hash(style)}'; script-src '{_hash(script)}'"
    body = "".join(_step(name, rows) for name, rows in steps(board, netlist).items() if rows)
    name = escape(board.name)
    return (
        f'<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{name}: where each part goes</title>\n<style>{style}</style>\n</head>\n"
        f'<body data-board="{name}">\n<header><h1>{name}: where each part goes</h1>\n'
        "<p>Rest on a row or a part to find the other; tick what is soldered. Lowest parts first; between "
        "the steps, measure by build.md. The bare board as a solid, for a board that ships: "
        f"<code>order/{name}.step</code>. Not built yet: calculated only.</p></header>\n"
        f'<main>\n<section class="plan" aria-label="circuit board">\n{_plan(board, netlist)}\n'
        '<div class="tools"><button type="button" id="turn" aria-pressed="false">solder side</button>'
        '<label>find <input id="find" type="search" autocomplete="off"></label></div>\n'
        '<p id="told" role="status"></p>\n</section>\n'
        f'<section class="steps" aria-label="parts">\n{body}</section>\n</main>\n'
        f"<script>{script}</script>\n</body>\n</html>\n"
    )


def _file(name: str) -> str:
    return Path(__file__).with_name(name).read_text("utf-8")


def _hash(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


def _step(name: str, rows: list[Row]) -> str:
    items = "".join(_row(row) for row in rows)
    return f'<h2>{escape(name)} <span class="count"></span></h2>\n<ul>\n{items}</ul>\n'


def _row(row: Row) -> str:
    mind = f'<span class="mind">{escape(row.mind)}</span>' if row.mind else ""
    return (
        f'<li data-refs="{escape(" ".join(row.refs))}"><label><input type="checkbox">'
        f'<span class="refs">{escape(" ".join(row.refs))}</span> '
        f'<span class="value">{escape(row.value)}</span> '
        f'<span class="about">{escape(row.about)}</span>{mind}</label></li>\n'
    )


def _plan(board: BoardModel, netlist: Netlist) -> str:
    """The board to scale, seen from the parts' side."""
    wide, deep = size(board, netlist)
    drills = "".join(
        f'<circle class="hole" cx="{x:g}" cy="{y:g}" r="{HOLE_MM / 2:g}"/>' for x, y in holes(wide, deep)
    )
    parts = "".join(_part(part) for part in layout(board, netlist))
    return (
        f'<svg viewBox="-1 -1 {wide + 2:g} {deep + 2:g}" role="img" '
        'aria-label="plan of the board, rear edge above"><g id="side">'
        f'<rect class="board" width="{wide:g}" height="{deep:g}" rx="1"/>{drills}{parts}</g></svg>'
    )


def _part(part: Placed) -> str:
    """A part's body, pads and name; the whole courtyard answers the pointer."""
    reach = part.courtyard
    lines = "".join(
        f'<path d="M{x1:.2f} {y1:.2f}L{x2:.2f} {y2:.2f}"/>'
        for (x1, y1), (x2, y2) in (
            (part.point(line[0], line[1]), part.point(line[2], line[3])) for line in outline(part.shape)
        )
    )
    pads = "".join(
        f'<rect class="pad" x="{at.x - at.wide / 2:.2f}" y="{at.y - at.high / 2:.2f}" width="{at.wide:g}" '
        f'height="{at.high:g}" rx="{0 if at.pad.form == RECT else min(at.wide, at.high) / 2:g}"/>'
        for at in part.pads()
    )
    body = part.box(part.shape.body)
    middle = (body.left + body.right) / 2, (body.top + body.bottom) / 2
    name, kind, y = part.ref, "", middle[1] + 0.8
    if TEST_POINT.fullmatch(part.ref):  # known by its net, the name above so that the pad is seen
        name, kind, y = part.note, ' class="point"', min(at.y - at.high / 2 for at in part.pads()) - 0.4
    radius = (body.right - body.left) / 2
    extent = f'width="{reach.right - reach.left:.2f}" height="{reach.bottom - reach.top:.2f}"'
    can = f'<circle cx="{middle[0]:.2f}" cy="{middle[1]:.2f}" r="{radius:.2f}"/>' if part.shape.round else ""
    return (
        f'<g class="part" data-ref="{escape(part.ref)}"><rect class="reach" x="{reach.left:.2f}" '
        f'y="{reach.top:.2f}" {extent}/>'
        f"{can}{lines}{pads}"
        f'<text{kind} x="{middle[0]:.2f}" y="{y:.2f}">{escape(name)}</text></g>'
    )

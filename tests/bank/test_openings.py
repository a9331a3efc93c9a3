"""The enclosure's holes against the circuit board that is to go in: the written template and the written
board, both read back, have the same screws, and the USB hole lets the plug reach the socket."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from xml.etree import ElementTree

import pytest
from nightdraw import data
from nightdraw.bank.drawings.files import PROJECT
from nightdraw.bank.mechanics.inside import (
    AIR_MM,
    CLEARANCE_MM,
    GLAND_NUT_MM,
    LEAD_TERMINAL_MM,
    LID_MM,
    PLUGS_MM,
    heights,
    resistor_screw_mm,
    screw_of,
    stand_off_screws_mm,
)
from nightdraw.bank.mechanics.placement import FREE_MM, PILLAR_MM, REAR_MM
from nightdraw.bank.parts.enclosures import boxes
from nightdraw.board import BoardModel, Enclosure, load_board

NAMES = ("starter-12v", "workshop-12v", "bench-12v", "workshop-24v")
SVG = "{http://www.w3.org/2000/svg}"
# The 40-pin RP2040 board by its data sheet: pins 20 to 21 17.78 mm apart, the USB socket midway between the
# rows; heights added up in the test's own words: stand-off 10, board 1.6, strips 8.5 + 2.5, 1 + 1.4.
STACK_MM = 10 + 1.6 + 8.5 + 2.5 + 1.0 + 1.4
SLACK_MM = 0.5  # a hole drilled by hand may lie so far off
BOXES = [*boxes("aluminium"), *boxes("aluminium", True), *boxes("plastic")]  # plates lie on metal only
Circle = tuple[float, float, float]


@pytest.fixture(scope="module", params=NAMES)
def board(request: pytest.FixtureRequest) -> BoardModel:
    return load_board(data.board_path(request.param))


def folder(board: BoardModel) -> Path:
    return data.folder("hardware") / board.name


def faces(path: Path, wide: float, high: float) -> list[list[Circle]]:
    """Circles of each outline of that size on a sheet, from its lower left corner, downwards on the sheet."""
    root = ElementTree.parse(path).getroot()
    corners = []
    for shape in root.iter(f"{SVG}polygon"):
        points = [tuple(map(float, point.split(","))) for point in shape.attrib["points"].split()]
        left, top = min(x for x, _ in points), min(y for _, y in points)
        size = max(x for x, _ in points) - left, max(y for _, y in points) - top
        if size == (pytest.approx(wide), pytest.approx(high)):
            corners.append((left, top))
    circles = [tuple(float(c.attrib[k]) for k in ("cx", "cy", "r")) for c in root.iter(f"{SVG}circle")]
    return [
        [
            (x - left, top + high - y, 2 * r)
            for x, y, r in circles
            if left < x < left + wide and top < y < top + high
        ]
        for left, top in sorted(corners, key=lambda corner: corner[1])
    ]


def footprints(text: str) -> dict[str, tuple[float, float, str]]:
    """Place and text of every footprint of a written board, by reference."""
    found = {}
    for block in re.split(r"\n\t\(footprint ", text)[1:]:
        name = re.search(r'\(property "Reference" "([^"]+)"', block)
        at = re.search(r"\n\t\t\(at (-?[\d.]+) (-?[\d.]+)", block)
        assert name is not None
        assert at is not None
        found[name[1]] = (float(at[1]), float(at[2]), block)
    return found


def disagreements(board: BoardModel, text: str) -> list[str]:
    """Where the committed template and a board's text don't fit each other."""
    assert board.enclosure is not None
    length, width, height = (
        float(side) * 1000
        for side in (board.enclosure.length_m, board.enclosure.width_m, board.enclosure.height_m)
    )
    front, rear = faces(folder(board) / "drill-1.svg", length, height)
    floor = faces(folder(board) / "drill-2.svg", length, width)[0]
    parts = footprints(text)
    wrong = []
    for ref, (x, y, block) in parts.items():
        if re.fullmatch(r"H\d", ref):
            drill = float(re.search(r"\(drill ([\d.]+)\)", block)[1])  # type: ignore[index]
            wanted = (FREE_MM + x, width - REAR_MM - y, drill)
            if not any(math.dist(wanted, hole) < 0.05 for hole in floor):
                wrong.append(f"{ref}: no hole of {drill:g} mm in the floor at {wanted[:2]}")
    x, _, block = parts["U1"]
    pads = [float(pad) for pad in re.findall(r'\(pad "\d+" .*\n?\s*\(at (-?[\d.]+)', block)]
    middle = length - FREE_MM - (x + (min(pads) + max(pads)) / 2)
    level = float(board.enclosure.wall_m + board.enclosure.plate_m) * 1000 + STACK_MM
    usb = max(rear, key=lambda hole: hole[2])
    off = math.dist((middle, level), usb[:2])
    for wide, tall in PLUGS_MM:
        if off + SLACK_MM + math.hypot(wide, tall) / 2 > usb[2] / 2:
            wrong.append(f"USB: a plug of {wide:g} x {tall:g} mm meets the wall, {off:.1f} mm off")
    assert front
    return wrong


def pcb(board: BoardModel) -> str:
    return (folder(board) / PROJECT / f"{board.name}.kicad_pcb").read_text()


def test_the_template_is_drilled_for_the_board(board: BoardModel) -> None:
    assert disagreements(board, pcb(board)) == []


@pytest.mark.parametrize("ref", ["H1", "H4", "U1"])
@pytest.mark.parametrize("by", [(0.8, 0.0), (-0.8, 0.0)])
def test_a_shifted_board_is_found(board: BoardModel, ref: str, by: tuple[float, float]) -> None:
    text = pcb(board)
    x, y, block = footprints(text)[ref]
    moved = block.replace(f"\n\t\t(at {x:g} {y:g}", f"\n\t\t(at {x + by[0]:g} {y + by[1]:g}", 1)
    assert moved != block
    assert disagreements(board, text.replace(block, moved))


def test_the_sockets_mouth_is_a_plugs_length_behind_the_wall(board: BoardModel) -> None:
    """An overmould of 20 mm (common practice) reaches from the socket out of the wall far enough to be held;
    the board stays clear of the corner pillars."""
    from nightdraw.bank.kicad.layout import usb_socket

    behind = REAR_MM + usb_socket()[1]
    assert 0 < behind <= 20.0 - 8.0
    assert REAR_MM >= PILLAR_MM


@pytest.mark.parametrize("box", BOXES)
def test_the_gland_has_room_above_the_terminal_in_every_enclosure(box: Enclosure) -> None:
    level = heights(box)
    assert level.gland - GLAND_NUT_MM / 2 - AIR_MM >= level.board_top + LEAD_TERMINAL_MM - 0.1
    top = float(box.height_m - box.wall_m) * 1000
    assert level.gland + GLAND_NUT_MM / 2 + AIR_MM + LID_MM <= top + 0.1
    assert level.usb == pytest.approx(float(box.wall_m + box.plate_m) * 1000 + STACK_MM)


def test_screws_agree_between_board_template_list_and_guide(board: BoardModel) -> None:
    """Each clad resistor's thread, its hole by ISO 273 and a length that reaches through what it holds."""
    parts, guide = ((folder(board) / name).read_text() for name in ("parts.csv", "build.md"))
    assert board.enclosure is not None
    length, width = (float(s) * 1000 for s in (board.enclosure.length_m, board.enclosure.width_m))
    floor = faces(folder(board) / "drill-2.svg", length, width)[0]
    counts: dict[str, int] = {}
    for channel in board.channels:
        if channel.mounting == "plate":
            thread = screw_of(channel.package)
            counts[thread] = counts.get(thread, 0) + 2 * channel.count
    small = sum(hole[2] == pytest.approx(CLEARANCE_MM["M2"]) for hole in floor)
    assert small == counts.get("M2", 0)
    for thread, count in counts.items():
        long = resistor_screw_mm(board, thread)
        row = f"\n{count},-,{thread},hole {CLEARANCE_MM[thread]:g} mm,screw,screw {thread} x {long} "
        assert row in parts
        assert f"{thread} x {long} in {CLEARANCE_MM[thread]:g} mm for RB" in guide
    below, above = stand_off_screws_mm(board)
    assert f"screws M3 x {below} below, M3 x {above} above" in parts
    assert f"(M3 x {below} from below, M3 x {above} from above)" in guide


@pytest.mark.parametrize(("wall", "plate"), [(2, 0), (2, 5), (3, 0), (3, 10)])
def test_a_stand_offs_screws_grip_and_dont_meet(wall: int, plate: int) -> None:
    """At least one diameter of thread each (common practice), and together no longer than the stand-off."""
    shipped = load_board(data.board_path("bench-12v"))
    assert shipped.enclosure is not None
    box = replace(shipped.enclosure, wall_m=Fraction(wall, 1000), plate_m=Fraction(plate, 1000))
    below, above = stand_off_screws_mm(replace(shipped, enclosure=box))
    gripped = below - wall - plate - 0.8, above - 1.6 - 0.8
    assert min(gripped) >= 3.0
    assert sum(gripped) < 10.0

"""The box as solids and on paper: nothing meets anything, what is printed is watertight and has the
template's holes, outside readers (trimesh; OCCT through KiCad) see the same solid, labels and drawing are to
scale."""

from __future__ import annotations

import io
import itertools
import math
import re
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
from nightdraw import data
from nightdraw.bank.circuit.assembly import build
from nightdraw.bank.drawings.assembled import box_of, pieces
from nightdraw.bank.drawings.box_files import assembled_view, printed, printed_board, why_not_printed
from nightdraw.bank.drawings.files import BOX
from nightdraw.bank.drawings.font_metrics import width
from nightdraw.bank.drawings.openings import Hole, floor_holes, front_holes, rear_holes
from nightdraw.bank.mechanics.placement import PILLAR_MM
from nightdraw.bank.mechanics.printed_box import LID_HOLE_MM, PILOT_DEEP_MM, PILOT_MM
from nightdraw.bank.mechanics.solids import ROUND, block, stl
from nightdraw.bank.mechanics.step import step
from nightdraw.bank.mechanics.view import picture, png
from nightdraw.board import BoardModel, load_board

from tests.bank import kicad_cli

NAMES = ("starter-12v", "workshop-12v", "bench-12v", "workshop-24v")
TOUCH_MM3 = 0.5  # of two solids in one another: less is rounding of faces that meet
SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module", params=NAMES)
def board(request: pytest.FixtureRequest) -> BoardModel:
    return load_board(data.board_path(request.param))


@pytest.fixture(scope="module")
def starter() -> BoardModel:
    return load_board(data.board_path("starter-12v"))


def meetings(solids: dict[str, Any]) -> set[tuple[str, str]]:
    """Which solids are in one another."""
    bounds = {name: np.array(solid.bounding_box()).reshape(2, 3) for name, solid in solids.items()}
    found = set()
    for a, b in itertools.combinations(solids, 2):
        near = (bounds[a][0] < bounds[b][1]).all() and (bounds[b][0] < bounds[a][1]).all()
        if near and (solids[a] ^ solids[b]).volume() > TOUCH_MM3:
            found.add((a, b))
    return found


MOVED = {  # what is moved by how much, and what it then meets
    "USB plug": ((3.0, 0.0, 0.0), "tray"),
    "gland": ((0.0, -5.0, -16.0), "J1"),
    "circuit board": ((0.0, 10.5, 0.0), "tray"),
    "lid": ((0.0, 0.0, -25.0), "C2"),
}


def test_nothing_in_the_box_meets_anything(board: BoardModel) -> None:
    every = pieces(board, build(board))
    solids = {piece.name + (f" {k}" if piece.name.endswith("strip") else ""): piece.solid
              for k, piece in enumerate(every)}  # fmt: skip
    assert len(solids) == len(every)
    assert meetings(solids) == set()
    for name, (by, other) in MOVED.items():
        moved = solids | {name: solids[name].translate(list(by))}
        assert any({name, other} == set(pair) for pair in meetings(moved)), name


def mesh(content: bytes) -> Any:
    import trimesh

    return trimesh.load(io.BytesIO(content), file_type="stl")


def polygon_mm2(diameter: float) -> float:
    """A circle's area as its corners cut it."""
    return ROUND / 2 * math.sin(2 * math.pi / ROUND) * (diameter / 2) ** 2


def test_what_is_printed_is_watertight_and_weighs_what_it_should(starter: BoardModel) -> None:
    """By trimesh, and by arithmetic: outside less inside, pillars added, holes taken."""
    model, netlist = printed_board(starter), build(starter)
    made = printed(starter, netlist)
    assert sorted(made) == ["lid.step", "lid.stl", "tray.step", "tray.stl"]
    box = box_of(model)
    top, wall = box.height - box.wall, box.wall
    inner = (box.length - 2 * wall) * (box.width - 2 * wall)
    volume = box.length * box.width * top - inner * (top - wall)
    inside = PILLAR_MM - wall
    volume += 4 * inside**2 * (top - wall) - 4 * polygon_mm2(PILOT_MM) * PILOT_DEEP_MM
    holes = [*front_holes(model, netlist), *rear_holes(model), *floor_holes(model, netlist)]
    volume -= sum(polygon_mm2(hole.diameter) * wall for hole in holes)
    seen = mesh(made["tray.stl"])
    assert seen.is_watertight
    assert seen.is_winding_consistent
    assert seen.body_count == 1
    assert seen.volume == pytest.approx(volume, rel=1e-5)
    assert seen.bounds.tolist() == [[0, 0, 0], pytest.approx([box.length, box.width, top], abs=1e-3)]
    cover = mesh(made["lid.stl"])
    assert cover.is_watertight
    assert cover.body_count == 1
    assert cover.bounds[1].tolist() == pytest.approx([box.length, box.width, box.height], abs=1e-3)
    for x, y in box.screws():
        assert ring(cover, (0, 0, 1), (x, y, box.height - wall / 2), LID_HOLE_MM)


def ring(
    seen: Any, normal: tuple[int, int, int], middle: tuple[float, float, float], diameter: float
) -> bool:
    """Whether a plane through a solid meets a circle there, whole and nothing nearer."""
    from trimesh.intersections import mesh_plane

    cut = mesh_plane(seen, normal, middle)
    away = np.linalg.norm(cut - np.array(middle), axis=2)
    near = away[(away < diameter / 2 + 0.3).all(axis=1)]
    facet = diameter / 2 * (1 - math.cos(math.pi / ROUND)) + 1e-3
    return len(near) >= ROUND and bool(np.abs(near - diameter / 2).max() < facet)


def test_printed_holes_are_the_templates(starter: BoardModel) -> None:
    """Every hole is a circle of its diameter at its place, as trimesh cuts the wall; one moved isn't."""
    model, netlist = printed_board(starter), build(starter)
    seen = mesh(printed(starter, netlist)["tray.stl"])
    box = box_of(model)
    faces: list[tuple[list[Hole], tuple[int, int, int], Any]] = [
        (front_holes(model, netlist), (0, 1, 0), lambda h: (h.x, box.wall / 2, h.y)),
        (rear_holes(model), (0, 1, 0), lambda h: (box.length - h.x, box.width - box.wall / 2, h.y)),
        (floor_holes(model, netlist), (0, 0, 1), lambda h: (h.x, h.y, box.wall / 2)),
    ]
    for holes, normal, place in faces:
        for hole in holes:
            assert ring(seen, normal, place(hole), hole.diameter), hole
            assert not ring(seen, normal, place(replace(hole, x=hole.x + 0.2)), hole.diameter)


def test_each_step_edge_is_walked_once_each_way(starter: BoardModel) -> None:
    """ISO 10303-42, closed shell: each edge belongs to two faces, in opposite senses."""
    for name, content in printed(starter, build(starter)).items():
        if name.endswith(".step"):
            walked = re.findall(r"ORIENTED_EDGE\('',\*,\*,(#\d+),\.([TF])\.\)", content.decode())
            assert len(walked) == len(set(walked))
            assert {curve for curve, way in walked if way == "T"} == {c for c, way in walked if way == "F"}


HOLDER = """(kicad_pcb (version 20241229) (generator "tests") (general (thickness 1.6)) (paper "A4")
 (layers (0 "F.Cu" signal) (2 "B.Cu" signal) (25 "Edge.Cuts" user))
 (gr_rect (start 0 0) (end 1 1) (stroke (width 0.1) (type solid)) (fill no) (layer "Edge.Cuts"))
 (footprint "a:b" (layer "F.Cu") (at 0 0) (attr through_hole)
  (property "Reference" "M1" (at 0 0 0) (layer "F.Cu"))
  (model "{step}" (offset (xyz 0 0 0)) (scale (xyz 1 1 1)) (rotate (xyz 0 0 0)))))
"""  # a board of one square millimetre that carries the model


def read_by_occt(content: bytes, home: Path) -> Any:
    """The largest body of a STEP file as OCCT (in KiCad) reads it, as a mesh."""
    from trimesh.graph import connected_components

    (home / "model.step").write_bytes(content)
    (home / "holder.kicad_pcb").write_text(HOLDER.format(step=home / "model.step"))
    kicad_cli.run("pcb", "export", "stl", "-f", "-o", home / "seen.stl", home / "holder.kicad_pcb", home=home)
    seen = mesh((home / "seen.stl").read_bytes())
    bodies = connected_components(seen.face_adjacency, nodes=np.arange(len(seen.faces)))
    return seen.submesh([max(bodies, key=len)], append=True, repair=False)


@kicad_cli.NEEDED
@pytest.mark.parametrize("part", ["tray", "lid"])
def test_an_outside_reader_sees_the_same_solid(starter: BoardModel, part: str, tmp_path: Path) -> None:
    made = printed(starter, build(starter))
    seen, own = read_by_occt(made[f"{part}.step"], tmp_path), mesh(made[f"{part}.stl"])
    assert seen.is_watertight
    assert seen.volume == pytest.approx(own.volume, rel=1e-6)
    assert (seen.bounds[1] - seen.bounds[0]).tolist() == pytest.approx(
        (own.bounds[1] - own.bounds[0]).tolist()
    )


@kicad_cli.NEEDED
def test_the_outside_reader_would_see_a_missing_face(starter: BoardModel, tmp_path: Path) -> None:
    """The check above isn't blind: without one face the shell isn't closed, or isn't read at all."""
    content = step(block((0, 0, 0), (30, 20, 10)), "plain").decode()
    shell = re.search(r"CLOSED_SHELL\('',\(#\d+,", content)
    assert shell is not None
    broken = content.replace(shell[0], "CLOSED_SHELL('',(")
    whole = read_by_occt(content.encode(), tmp_path)
    assert whole.volume == pytest.approx(6000.0)
    seen = read_by_occt(broken.encode(), tmp_path)
    assert not (seen.is_watertight and seen.volume == pytest.approx(6000.0))


def test_hot_parts_keep_to_metal(board: BoardModel) -> None:
    reason = why_not_printed(board)
    on_wall = any(channel.mounting == "plate" for channel in board.channels)
    assert bool(reason) == on_wall
    if on_wall:
        assert "metal" in reason
        assert printed(board, build(board)) == {}


def test_a_box_that_is_too_hot_in_plastic_isnt_printed(starter: BoardModel) -> None:
    hot = replace(starter, channels=tuple(replace(c, ohms=c.ohms / 4) for c in starter.channels))
    assert why_not_printed(hot).startswith("too hot in plastic: ")


@pytest.mark.parametrize("name", NAMES)
def test_what_is_printed_is_fresh(name: str) -> None:
    model = load_board(data.board_path(name))
    made = printed(model, build(model))
    folder = data.folder("hardware") / name / BOX
    assert {path.name for path in folder.iterdir()} == {*made, "assembled.png"}
    stale = [each for each, content in made.items() if (folder / each).read_bytes() != content]
    assert not stale, f"renew them: nightdraw bank draw hardware/{name}.yaml --out hardware/{name}"


def pixels(content: bytes) -> Any:
    from PIL import Image

    with Image.open(io.BytesIO(content)) as image:
        return np.asarray(image.convert("RGB"), dtype=float)


@pytest.mark.campaign
@pytest.mark.parametrize("name", NAMES)
def test_the_assembled_view_is_fresh(name: str) -> None:
    """Pixel by pixel as an outside reader decodes it; rounding may differ at edges on another machine."""
    model = load_board(data.board_path(name))
    there = pixels((data.folder("hardware") / name / BOX / "assembled.png").read_bytes())
    made = pixels(assembled_view(model, build(model)))
    assert made.shape == there.shape
    assert (np.abs(made - there).max(axis=2) > 8).mean() < 0.002


def test_the_nearer_solid_hides_the_farther_one() -> None:
    near, far = block((0, -30, 0), (20, -20, 20)), block((0, 0, 0), (20, 10, 20))
    both = pixels(png(picture([(far, (0, 0, 255)), (near, (255, 0, 0))], 200)))
    alone = pixels(png(picture([(far, (0, 0, 255))], 200)))
    red, blue = (both[..., 0] > both[..., 2] + 20).sum(), (both[..., 2] > both[..., 0] + 20).sum()
    assert 0 < blue < red
    assert (alone[..., 2] > alone[..., 0] + 20).any()
    turned = pixels(png(picture([(near, (255, 0, 0)), (far, (0, 0, 255))], 200)))
    assert (turned == both).all(), "the order of drawing doesn't count"


def circles(content: str) -> list[tuple[float, float, float]]:
    root = ElementTree.fromstring(content)
    rows = (c.attrib for c in root.iter(f"{SVG}circle"))
    return [(float(row["cx"]), float(row["cy"]), float(row["r"])) for row in rows]


def test_drawing_and_label_have_the_templates_holes(board: BoardModel) -> None:
    """Distances between neighbouring holes and diameters, each times the sheet's scale, as the template has
    them."""
    folder, netlist = data.folder("hardware") / board.name, build(board)
    sides = [*front_holes(board, netlist), *rear_holes(board)]
    every = [*sides, *floor_holes(board, netlist)]
    for name, holes, scale in (("label.svg", sides, 1), ("box.svg", every, 2)):
        text = (folder / name).read_text()
        assert f">1 : {scale} on A" in text
        found = circles(text)
        assert len(found) == len(holes)
        for (x, y, r), hole in zip(found, holes, strict=True):
            assert 2 * r * scale == pytest.approx(hole.diameter, abs=0.01)
            x0, y0, _ = found[0]
            if hole in front_holes(board, netlist):
                assert (x - x0) * scale == pytest.approx(hole.x - holes[0].x, abs=0.01)
                assert (y0 - y) * scale == pytest.approx(hole.y - holes[0].y, abs=0.01)
        if name == "box.svg":
            for hole in holes:
                assert f">{hole.x:.1f}<" in text
                assert f">{hole.y:.1f}<" in text


def test_a_labels_words_keep_off_its_holes_and_its_edge(board: BoardModel) -> None:
    root = ElementTree.parse(data.folder("hardware") / board.name / "label.svg").getroot()
    holes = circles(ElementTree.tostring(root, encoding="unicode"))
    top = min(y - r for _, y, r in holes) - 25
    for element in root.iter(f"{SVG}text"):
        if element.attrib.get("text-anchor") != "middle":
            continue
        size, x, y = (float(element.attrib[k]) for k in ("font-size", "x", "y"))
        half = width(element.text or "", size, element.attrib.get("font-weight") == "bold") / 2
        assert y > top
        for hx, hy, r in holes:
            dx = max(abs(hx - x) - half, 0.0)
            dy = max(y - size * 0.8 - hy, hy - y - size * 0.25, 0.0)
            assert math.hypot(dx, dy) > r, element.text
    assert Fraction(root.attrib["width"].removesuffix("mm")) == Fraction(root.attrib["viewBox"].split()[2])
    assert stl(block((0, 0, 0), (1, 1, 1)), "x" * 100)[80:84] == (12).to_bytes(4, "little")


def test_the_guide_offers_printing_only_where_it_is_safe(board: BoardModel) -> None:
    guide = (data.folder("hardware") / board.name / "build.md").read_text()
    assert ("enclosure/tray.stl" in guide) == (not why_not_printed(board))
    assert ("never PLA" in guide) == ("enclosure/tray.stl" in guide)

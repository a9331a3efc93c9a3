"""What a maker of boards gets: the committed archive is that of the board, and its copper is the circuit,
as an outside program reads it."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from pathlib import Path

import pytest
from nightdraw import data
from nightdraw.bank.circuit.assembly import build
from nightdraw.bank.drawings.files import PROJECT
from nightdraw.bank.kicad import library
from nightdraw.bank.kicad.copper import pads_of
from nightdraw.bank.kicad.kept import tracks_of
from nightdraw.bank.kicad.layout import holes, layout, size
from nightdraw.bank.kicad.project import key
from nightdraw.board import load_board

from tests.bank import artwork, kicad_cli
from tests.bank.ordering import ORDER, gerbers, solid, unpacked

TIE_SHARE = 0.45  # where between lead and sense pad their copper meets
NAMES = sorted(path.parent.name for path in data.folder("hardware").glob(f"*/{ORDER}"))
SUFFIXES = ("F_Cu.gtl", "B_Cu.gbl", "F_Mask.gts", "B_Mask.gbs", "F_Silkscreen.gto", "B_Silkscreen.gbo",
            "Edge_Cuts.gm1", "PTH.drl", "NPTH.drl", "job.gbrjob")  # fmt: skip


def archive(name: str) -> dict[str, bytes]:
    return unpacked((data.folder("hardware") / name / ORDER / f"{name}-gerbers.zip").read_bytes())


@kicad_cli.NEEDED
@pytest.mark.parametrize("name", NAMES)
def test_the_archive_is_that_of_the_board(name: str, tmp_path: Path) -> None:
    made = gerbers(data.folder("hardware") / name / PROJECT, name, tmp_path)
    assert sorted(made) == sorted(f"{name}-{suffix}" for suffix in SUFFIXES)
    there = archive(name)
    assert sorted(there) == sorted(made)
    stale = [each for each, content in made.items() if there[each] != content]
    assert not stale, f"renew it: python -m tests.bank.ordering {name}"


@kicad_cli.NEEDED
@pytest.mark.parametrize("name", NAMES)
def test_the_solid_is_that_of_the_board(name: str, tmp_path: Path) -> None:
    folder = data.folder("hardware") / name
    made = solid(folder / PROJECT, name, tmp_path)
    there = (folder / ORDER / f"{name}.step").read_bytes()
    assert there == made, f"renew it: python -m tests.bank.ordering {name}"


@pytest.mark.parametrize("name", NAMES)
def test_the_solid_has_the_outline_and_the_holes_of_the_drill_files(name: str) -> None:
    """Two exports of one board against each other, read as text: a cylinder for each hit, by diameter (ISO
    10303-42 has the radius in it), corners at the board's size."""
    board = load_board(data.folder("hardware") / f"{name}.yaml")
    step = (data.folder("hardware") / name / ORDER / f"{name}.step").read_text().replace("\n", "")
    radii = re.findall(r"CYLINDRICAL_SURFACE\('',#\d+,([\d.]+)\)", step)
    hits: Counter[float] = Counter()
    for suffix in ("PTH.drl", "NPTH.drl"):
        drill = archive(name)[f"{name}-{suffix}"].decode()
        tools = dict(re.findall(r"^(T\d+)C([\d.]+)$", drill, re.M))
        for tool, places in re.findall(r"^(T\d+)\n((?:X.+\n)+)", drill, re.M):
            hits[float(tools[tool])] += places.count("X")
    assert sum(hits.values()) > 100
    assert Counter(round(2 * float(radius), 3) for radius in radii) == hits
    points = re.findall(r"CARTESIAN_POINT\('',\(([^,]+),([^,]+),[^)]+\)\)", step)
    x, y = ([float(point[k]) for point in points] for k in (0, 1))
    assert (max(x) - min(x), max(y) - min(y)) == pytest.approx(size(board, build(board)))


@artwork.NEEDED
@pytest.mark.parametrize("name", NAMES)
def test_the_copper_is_the_circuit(name: str, tmp_path: Path) -> None:
    """Drill hits are the pads, vias and mounting holes, outline and size the board's; what the pictures of
    the copper join is what the netlist joins, and nothing else."""
    board = load_board(data.folder("hardware") / f"{name}.yaml")
    netlist = build(board)
    wide, deep = size(board, netlist)
    sheet = artwork.Sheet(wide, deep)
    pictures = {}
    for each, content in archive(name).items():
        suffix = each.removeprefix(f"{name}-")
        if suffix in ("F_Cu.gtl", "B_Cu.gbl", "PTH.drl", "NPTH.drl", "Edge_Cuts.gm1"):
            (tmp_path / each).write_bytes(content)
            pictures[suffix] = artwork.drawn(tmp_path / each, sheet, tmp_path / f"{each}.png")
    pads = pads_of(layout(board, netlist))
    text = (data.folder("hardware") / name / PROJECT / f"{name}.kicad_pcb").read_text()
    laid = tracks_of(text, key(board, netlist))
    assert laid is not None
    wanted = {(round(at.x, 1), round(at.y, 1)) for at in pads} | {
        (round(v.x, 1), round(v.y, 1)) for v in laid[1]
    }
    hits = artwork.holes(pictures["PTH.drl"])
    assert len(hits) == len(pads) + len(laid[1])
    for x, y in wanted:
        assert any(abs(x - hit[0]) < 0.15 and abs(y - hit[1]) < 0.15 for hit in hits), (x, y)
    screws = artwork.holes(pictures["NPTH.drl"])
    assert sorted((round(x), round(y)) for x, y, _ in screws) == sorted(
        (round(x), round(y)) for x, y in holes(wide, deep)
    )
    assert all(diameter == pytest.approx(3.2, abs=0.1) for _, _, diameter in screws)
    edge = pictures["Edge_Cuts.gm1"]
    assert edge[2:-2, :3].any(axis=1).all(), "the outline's left side"
    assert edge[:3, 2:-2].any(axis=0).all(), "the outline's rear side"

    shunt = [part for part in netlist.parts if part.ref == "RS1"]
    ties = [
        tie for part in shunt for tie in library.BODIES[part.package].ties
    ]  # nets that meet there on purpose
    meant = {netlist.net("RS1", sense) or "": netlist.net("RS1", lead) or "" for lead, sense in ties}
    plated = [(at.x, at.y, 0.0) for at in pads]
    copper = artwork.joined(
        pictures["F_Cu.gtl"], pictures["B_Cu.gbl"], plated + [(v.x, v.y, 0.0) for v in laid[1]], sheet
    )
    by_net: dict[str, set[int]] = defaultdict(set)
    for at, number in zip(pads, copper, strict=False):
        by_net[at.net or f"open {at.ref}.{at.pad.name}"].add(number)
    broken = {net: numbers for net, numbers in by_net.items() if len(numbers) > 1}
    assert not broken, "nets in several pieces"
    owner: dict[int, str] = {}
    for net, numbers in by_net.items():
        for number in numbers:
            net = meant.get(net, net)
            assert owner.setdefault(number, net) == net, f"{net} and {owner[number]} are joined"


@artwork.NEEDED
@pytest.mark.parametrize("name", [name for name in NAMES if "starter" not in name])
def test_the_monitor_reads_the_shunt_at_its_own_leads(name: str, tmp_path: Path) -> None:
    """Kelvin: cut the copper in two where a sense pad meets its lead's, on the pictures alone, and nothing
    else joins the monitor's inputs to where the bank's current flows."""
    board = load_board(data.folder("hardware") / f"{name}.yaml")
    netlist = build(board)
    sheet = artwork.Sheet(*size(board, netlist))
    placed = {part.ref: part for part in layout(board, netlist)}
    sides = []
    for side in ("F_Cu.gtl", "B_Cu.gbl"):
        path = tmp_path / side
        path.write_bytes(archive(name)[f"{name}-{side}"])
        sides.append(artwork.drawn(path, sheet, tmp_path / f"{side}.png").copy())
    pads = {(at.ref, at.pad.name): (at.x, at.y, 0.0) for part in placed.values() for at in part.pads()}
    text = (data.folder("hardware") / name / PROJECT / f"{name}.kicad_pcb").read_text()
    laid = tracks_of(text, key(board, netlist))
    assert laid is not None
    plated = [*pads.values(), *((via.x, via.y, 0.0) for via in laid[1])]
    places = list(pads)
    ends = (("RS1", "1"), ("RS1", "1S"), ("U5", "IN+"), ("RS1", "2"), ("RS1", "2S"), ("U5", "IN-"))

    def pieces() -> list[int]:
        copper = artwork.joined(sides[0], sides[1], plated, sheet)
        return [copper[places.index(end)] for end in ends]

    whole = pieces()
    assert len(set(whole[:3])) == len(set(whole[3:])) == 1
    for lead, sense in placed["RS1"].shape.ties:
        (x1, y, _), (x2, _, _) = pads["RS1", lead], pads["RS1", sense]
        middle = x1 + (x2 - x1) * TIE_SHARE
        row, column = sheet.at(middle, y)
        for picture in sides:
            picture[row - 25 : row + 25, column - 3 : column + 4] = False
    cut = pieces()
    assert cut[0] != cut[1] == cut[2]
    assert cut[3] != cut[4] == cut[5]

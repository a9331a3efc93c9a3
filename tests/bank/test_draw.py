"""The generated documents: fresh, whole, and the same as the netlist that they come from."""

from __future__ import annotations

import csv
import io
import itertools
import json
import re
from pathlib import Path
from xml.etree import ElementTree

import pytest
from click.testing import CliRunner
from nightdraw import data
from nightdraw.bank.circuit.assembly import build
from nightdraw.bank.circuit.netlist import BOARD, LEAD, Netlist
from nightdraw.bank.drawings import documents, stripboard, stripboard_plan, write_all
from nightdraw.bank.drawings.files import ASSEMBLY, BOX, PROJECT
from nightdraw.bank.drawings.openings import floor_holes, front_holes, outside_mm, rear_holes
from nightdraw.bank.drawings.perfboard import spots
from nightdraw.bank.drawings.sheet import Sheet, pdf
from nightdraw.bank.drawings.tables import wiring
from nightdraw.bank.mechanics.placement import CIRCUIT_BOARD_MM, FREE_MM, has_room, placed
from nightdraw.board import BoardModel, load_board
from nightdraw.cli.bank import group as bank
from nightdraw.errors import InputError

from tests.bank.ordering import ORDER

BOARDS = sorted(data.folder("hardware").glob("*.yaml"))
NAMES = [path.stem for path in BOARDS]
RENEW = "nightdraw bank draw hardware/{0}.yaml --out hardware/{0}"


@pytest.fixture(scope="module", params=BOARDS, ids=NAMES)
def board(request: pytest.FixtureRequest) -> BoardModel:
    return load_board(request.param)


@pytest.fixture(scope="module")
def netlist(board: BoardModel) -> Netlist:
    return build(board)


@pytest.fixture(scope="module")
def made(board: BoardModel) -> dict[str, bytes]:
    return documents(board)


def test_no_generated_file_is_stale(board: BoardModel, made: dict[str, bytes]) -> None:
    folder = data.folder("hardware") / board.name
    stale = [name for name, content in made.items() if (folder / name).read_bytes() != content]
    assert not stale, f"renew them: {RENEW.format(board.name)}"
    assert {path.name for path in folder.iterdir()} == {*made, PROJECT, ORDER, BOX, ASSEMBLY}, "not generated"


def test_the_same_board_gives_the_same_bytes(board: BoardModel, made: dict[str, bytes]) -> None:
    assert documents(board) == made


def test_a_changed_board_changes_what_is_committed(
    made: dict[str, bytes], board: BoardModel, tmp_path: Path
) -> None:
    text = (data.folder("hardware") / f"{board.name}.yaml").read_text()
    changed = tmp_path / "changed.yaml"
    changed.write_text(text.replace("series: 100 ohm", "series: 150 ohm"))
    other = documents(load_board(changed))
    for name in ("parts.csv", "deck.cir"):
        assert other[name] != made[name], f"{name} doesn't show the gates' series resistor"
    assert other["lead.svg"] == made["lead.svg"]


def test_every_part_is_in_the_parts_list_once(netlist: Netlist, made: dict[str, bytes]) -> None:
    rows = list(csv.DictReader(io.StringIO(made["parts.csv"].decode())))
    listed = [
        ref
        for row in rows
        for ref in row["references"].split()
        if ref != "-" and row["package"] != "connector"  # the circuit board's own: tests/bank/test_kicad.py
    ]
    assert sorted(listed) == sorted(part.ref for part in netlist.parts)
    for row in rows:
        count = len(row["references"].split())
        assert row["references"] == "-" or int(row["quantity"]) == count
        assert row["description"], row
        assert row["second_source"], row


def test_every_part_is_drawn_in_the_schematic(netlist: Netlist, made: dict[str, bytes]) -> None:
    said = " ".join(
        text
        for name, content in made.items()
        if re.fullmatch(r"schematic.*\.svg", name)
        for text in texts(content)
    )
    words = set(re.findall(r"[A-Z]+\d+[a-i]?", said))
    missing = [part.ref for part in netlist.parts if part.ref not in words and part.ref != "X1"]
    series = [ref for ref in missing if not re.fullmatch(r"RB\d+[b-i]", ref)]  # drawn as one, RB3a..d
    assert not series
    for net in netlist.nets():
        if re.fullmatch(r"(CH|DRV|SEL)\d+|OE|LOCK|SUPPLY|HOT|ARM|BUTTON|LAMP|SDA|SCL|VP|RET", net):
            assert net in said, net


def texts(svg: bytes) -> list[str]:
    """Every text of an SVG."""
    root = ElementTree.fromstring(svg)
    return [element.text or "" for element in root.iter("{http://www.w3.org/2000/svg}text")]


def test_texts_stay_on_their_sheet(made: dict[str, bytes]) -> None:
    from nightdraw.bank.drawings.font_metrics import width

    for name, content in made.items():
        if not name.endswith(".svg"):
            continue
        root = ElementTree.fromstring(content)
        wide, high = (float(value) for value in root.attrib["viewBox"].split()[2:])
        for element in root.iter("{http://www.w3.org/2000/svg}text"):
            size = float(element.attrib["font-size"])
            long = width(element.text or "", size, element.attrib.get("font-weight") == "bold")
            x, y = float(element.attrib["x"]), float(element.attrib["y"])
            shift = {"middle": long / 2, "end": long}.get(element.attrib.get("text-anchor", ""), 0.0)
            assert 0 <= y <= high, (name, element.text)
            if "transform" not in element.attrib:
                assert x - shift >= 4, (name, element.text)
                assert x - shift + long <= wide - 4, (name, element.text)


def joined(groups: list[set[str]]) -> list[set[str]]:
    """Sets that share a member become one."""
    result: list[set[str]] = []
    for group in groups:
        touching = [other for other in result if other & group]
        result = [other for other in result if not other & group]
        result.append(group.union(*touching))
    return result


def test_the_wiring_table_joins_what_the_netlist_joins(board: BoardModel, netlist: Netlist) -> None:
    """Wire by wire, without trusting the net's name in the row."""
    groups = joined([{start, end} for _, _, start, end, _, _ in wiring(board, netlist)])
    wired = {frozenset(pin for pin in group if not pin.endswith(" bus")) for group in groups}
    wanted = set()
    for net, joins in netlist.nets().items():
        pins = frozenset(shown(join.ref, join.pin) for join in joins if join.ref not in ("W1", "W2"))
        if net not in ("BAT", "FUSED", "CHASSIS") and len(pins) > 1:
            wanted.add(pins)
    assert wired == wanted


def shown(ref: str, pin: str) -> str:
    """A pin as the wiring table names it."""
    number, _, name = pin.partition(" ")
    return f"{ref} pin {number} ({name})" if name else f"{ref}.{pin}"


def test_the_pin_map_names_every_channel(board: BoardModel, made: dict[str, bytes]) -> None:
    page = made["pinmap.md"].decode()
    for number, channel in enumerate(board.channels, 1):
        assert f"| GP{channel.pin} | CH{number} |" in page


def test_the_template_is_to_scale(board: BoardModel, made: dict[str, bytes]) -> None:
    """One user unit of the SVG is a millimetre, and the floor's outline has the enclosure's size."""
    root = ElementTree.fromstring(made["drill-2.svg"])
    assert root.attrib["width"].removesuffix("mm") == root.attrib["viewBox"].split()[2]
    assert board.enclosure is not None
    wanted = (float(board.enclosure.length_m) * 1000, float(board.enclosure.width_m) * 1000)
    sizes = []
    for shape in root.iter("{http://www.w3.org/2000/svg}polygon"):
        points = [tuple(map(float, point.split(","))) for point in shape.attrib["points"].split()]
        xs, ys = zip(*points, strict=True)
        sizes.append((round(max(xs) - min(xs), 2), round(max(ys) - min(ys), 2)))
    assert wanted in sizes


def test_holes_keep_apart_and_inside(board: BoardModel, netlist: Netlist) -> None:
    length, width, height = outside_mm(board)
    faces = (
        (front_holes(board, netlist), length, height),
        (rear_holes(board), length, height),
        (floor_holes(board, netlist), length, width),
    )
    for holes, wide, high in faces:
        for hole in holes:
            edge = hole.diameter / 2 + 2
            assert edge <= hole.x <= wide - edge
            assert edge <= hole.y <= high - edge
        for a, b in itertools.combinations(holes, 2):
            apart = ((a.x - b.x) ** 2 + (a.y - b.y) ** 2) ** 0.5
            assert apart >= (a.diameter + b.diameter) / 2 + 2, (a, b)


def test_clad_bodies_lie_beside_the_circuit_board(board: BoardModel) -> None:
    box = board.enclosure
    assert box is not None
    length, width = float(box.length_m) * 1000, float(box.width_m) * 1000
    laid = placed(board)
    assert len(laid) == sum(c.count for c in board.channels if c.mounting == "plate")
    assert has_room(board)
    for package in laid:
        assert package.left_mm + CIRCUIT_BOARD_MM[0] + FREE_MM <= length
        assert package.low_mm + package.tall_mm <= width - FREE_MM
    for a, b in itertools.combinations(laid, 2):
        apart_x = b.left_mm - b.long_mm >= a.left_mm or a.left_mm - a.long_mm >= b.left_mm
        apart_y = b.low_mm >= a.low_mm + a.tall_mm or a.low_mm >= b.low_mm + b.tall_mm
        assert apart_x or apart_y


@pytest.mark.parametrize("name", [name for name in NAMES if name != "starter-12v"])
def test_everything_fits_on_the_perforated_board(name: str) -> None:
    netlist = build(load_board(data.board_path(name)))
    laid = spots(netlist)
    assert {spot.ref for spot in laid} == {part.ref for part in netlist.parts if part.place == BOARD}
    for spot in laid:
        assert spot.x + spot.wide <= 152, spot
        assert spot.y + spot.high <= 98, spot
    for a, b in itertools.combinations(laid, 2):
        assert a.x + a.wide <= b.x or b.x + b.wide <= a.x or a.y + a.high <= b.y or b.y + b.high <= a.y, (
            a,
            b,
        )


@pytest.fixture(scope="module")
def starter() -> Netlist:
    return build(load_board(data.board_path("starter-12v")))


def test_the_stripboard_joins_exactly_what_the_netlist_joins(starter: Netlist) -> None:
    """Copper walked hole by hole: strips are broken at cuts and joined by links, nothing else."""
    placed = stripboard_plan.holes(starter)
    here = {part.ref for part in starter.parts if part.place != LEAD}
    assert set(placed) == here
    pins = {hole: f"{ref}.{pin}" for ref, at in placed.items() for pin, hole in at.items()}
    assert len(pins) == sum(len(at) for at in placed.values()), "two pins share a hole"
    plan = stripboard.plan(stripboard_plan.nets(starter, placed), stripboard_plan.COLUMNS)
    cut = set(plan.cuts)
    groups: list[set[str]] = []
    for row in range(stripboard_plan.ROWS):
        run: set[str] = set()
        for column in range(stripboard_plan.COLUMNS):
            if (column, row) in cut:
                groups.append(run)
                run = set()
                continue
            run.add(f"{column},{row}")
        groups.append(run)
    links = [{f"{c},{r}" for c, r in (link.start, link.end)} for link in plan.links]
    copper = joined([group for group in groups if group] + links)
    found = set()
    for group in copper:
        members = frozenset(pins[hole] for hole in pins if f"{hole[0]},{hole[1]}" in group)
        if len(members) > 1:
            found.add(members)
    wanted = set()
    for joins in starter.nets().values():
        members = frozenset(f"{join.ref}.{join.pin}" for join in joins if join.ref in here)
        if len(members) > 1:
            wanted.add(members)
    assert found == wanted


def test_cuts_and_links_have_holes_of_their_own(starter: Netlist) -> None:
    placed = stripboard_plan.holes(starter)
    pins = {hole for at in placed.values() for hole in at.values()}
    plan = stripboard.plan(stripboard_plan.nets(starter, placed), stripboard_plan.COLUMNS)
    ends = [hole for link in plan.links for hole in (link.start, link.end)]
    assert len(ends) == len(set(ends))
    assert not pins & set(plan.cuts)
    assert not pins & set(ends)
    assert not set(ends) & set(plan.cuts)
    for link in plan.links:
        column, low, high = link.start[0], *sorted((link.start[1], link.end[1]))
        under = {(column, row) for row in range(low + 1, high)} if column == link.end[0] else set()
        assert not under & {*pins, *ends}, f"{link} lies over a pin or another link's hole"


def test_strips_without_room_for_a_cut_are_refused() -> None:
    with pytest.raises(stripboard.NoRoomError):
        stripboard.plan({(0, 0): "A", (1, 0): "B"}, 5)
    pins = {(1, 0): "A", (3, 0): "B", (4, 1): "A"}
    plan = stripboard.plan(pins, 6)
    assert plan.cuts == ((2, 0),)
    assert [link.net for link in plan.links] == ["A"]
    with pytest.raises(stripboard.NoRoomError):
        stripboard.plan(pins, 6, keep=frozenset({(2, 0)}))


def test_a_pdf_is_what_its_cross_references_say() -> None:
    sheet = Sheet(100, 50, "a (test)")
    sheet.text(10, 10, "50 % (half) \\ done")
    sheet.ring((20, 20), 5)
    content = pdf([sheet, sheet])
    assert content.startswith(b"%PDF-1.4")
    table = content[int(content.split(b"startxref\n")[1].split()[0]) :]
    entries = [line.split() for line in table.splitlines()[3:] if line.endswith(b" n ")]
    for number, (place, *_) in enumerate(entries, 1):
        assert content[int(place) :].startswith(b"%d 0 obj" % number)
    assert content.count(b"/Type /Page ") == 2
    for match in re.finditer(rb"/Length (\d+) >>\nstream\n", content):
        assert content[match.end() + int(match[1]) :].startswith(b"\nendstream")


def test_a_board_without_a_circuit_draws_nothing(tmp_path: Path) -> None:
    text = data.board_path().read_text()
    start, end = text.index("gates:"), text.index("# A load dump")
    (tmp_path / "bare.yaml").write_text(text[:start] + text[end:])
    with pytest.raises(InputError, match="gates"):
        write_all(load_board(tmp_path / "bare.yaml"), tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_the_page_names_each_board() -> None:
    page = (data.folder("hardware") / "README.md").read_text()
    for name in NAMES:
        assert f"]({name}/build.md)" in page


def test_the_command_draws_sound_boards_only(tmp_path: Path) -> None:
    out = tmp_path / "made"
    shipped = data.board_path("starter-12v")
    result = CliRunner().invoke(bank, ["draw", str(shipped), "--out", str(out), "--json"])
    assert result.exit_code == 0, result.output
    listed = json.loads(result.stdout)["files"]
    assert sorted(map(Path, listed)) == sorted(path for path in out.rglob("*") if path.is_file())
    for part in (PROJECT, BOX, ASSEMBLY):
        project = shipped.with_suffix("") / part
        for path in project.rglob("*"):
            if path.is_file() and path.suffix != ".png":  # pixels: tests/bank/test_enclosure.py
                assert (out / part / path.relative_to(project)).read_bytes() == path.read_bytes()
    unsound = tmp_path / "unsound.yaml"
    unsound.write_text(data.board_path().read_text().replace("rating: 2 A", "rating: 30 A"))
    result = CliRunner().invoke(bank, ["draw", str(unsound), "--out", str(tmp_path / "none"), "--json"])
    assert result.exit_code == 1
    assert json.loads(result.stdout)["files"] == []
    assert not (tmp_path / "none").exists()

"""The circuit boards that ship: KiCad's rules, the netlist read back, planted faults, and what is stale."""

from __future__ import annotations

import csv
import random
import re
import shutil
from pathlib import Path

import pytest
from nightdraw import data
from nightdraw.bank.circuit.assembly import build
from nightdraw.bank.circuit.netlist import BOARD, Netlist
from nightdraw.bank.drawings.files import PROJECT
from nightdraw.bank.kicad.kept import tracks_of
from nightdraw.bank.kicad.layout import holes, layout, size
from nightdraw.bank.kicad.library import pads_of
from nightdraw.bank.kicad.project import files, key
from nightdraw.bank.kicad.schematic import GROUPS, drawn, group
from nightdraw.bank.kicad.silk import Silk
from nightdraw.bank.kicad.symbols import STEP
from nightdraw.board import BoardModel, load_board
from nightdraw.errors import InputError

from tests.bank import board_faults, kicad_cli
from tests.counts import tries

BOARDS = sorted(
    path for path in data.folder("hardware").glob("*.yaml") if (path.with_suffix("") / PROJECT).is_dir()
)
EACH = tries(2, 1)  # faults of a kind on each board
RENEW = "nightdraw bank draw hardware/{0}.yaml --out hardware/{0}"


@pytest.fixture(scope="module", params=BOARDS, ids=[path.stem for path in BOARDS])
def board(request: pytest.FixtureRequest) -> BoardModel:
    return load_board(request.param)


@pytest.fixture(scope="module")
def netlist(board: BoardModel) -> Netlist:
    return build(board)


def folder_of(board: BoardModel) -> Path:
    return data.folder("hardware") / board.name / PROJECT


def committed(board: BoardModel) -> dict[str, bytes]:
    top = folder_of(board)
    return {str(path.relative_to(top)): path.read_bytes() for path in top.rglob("*") if path.is_file()}


def test_these_boards_have_a_project() -> None:
    assert [path.stem for path in BOARDS] == ["bench-12v", "starter-12v", "workshop-12v", "workshop-24v"]


def test_no_project_is_stale(board: BoardModel, netlist: Netlist) -> None:
    """Everything but the search for tracks is made anew; the tracks stand for the same parts, places and
    rules."""
    there = committed(board)
    text = there[f"{board.name}.kicad_pcb"]
    assert tracks_of(text.decode(), key(board, netlist)) is not None, f"route it: {RENEW.format(board.name)}"
    made = files(board, netlist, [text])
    assert sorted(made) == sorted(there)
    stale = [name for name, content in made.items() if content != there[name]]
    assert not stale, f"renew them: {RENEW.format(board.name)}"


@pytest.mark.campaign
@pytest.mark.parametrize("name", ["starter-12v"])
def test_routing_again_gives_the_same_board(name: str) -> None:
    board = load_board(data.folder("hardware") / f"{name}.yaml")
    assert files(board, build(board)) == committed(board)


def test_parts_lie_on_the_board_and_apart(board: BoardModel, netlist: Netlist) -> None:
    placed = layout(board, netlist)
    wide, deep = size(board, netlist)
    for k, part in enumerate(placed):
        box = part.courtyard
        assert box.left >= 0, part.ref
        assert box.top >= 0, part.ref
        assert box.right <= wide, part.ref
        assert box.bottom <= deep, part.ref
        for x, y in holes(wide, deep):
            assert not (box.left - 3.2 < x < box.right + 3.2 and box.top - 3.2 < y < box.bottom + 3.2), (
                part.ref
            )
        for other in placed[:k]:
            assert not box.meets(other.courtyard), (part.ref, other.ref)


def test_every_part_on_the_board_has_its_pins_on_pads(board: BoardModel, netlist: Netlist) -> None:
    placed = {part.ref: part for part in layout(board, netlist)}
    for part in netlist.parts:
        if part.place != BOARD:
            continue
        pads = {pad.name for pad in placed[part.ref].shape.pads}
        assert set(pads_of(part).values()) == pads, part.ref
        for pin, pad in pads_of(part).items():
            assert placed[part.ref].nets[pad] == (netlist.net(part.ref, pin) or ""), (part.ref, pin)


def test_sockets_and_terminals_are_at_their_edges(board: BoardModel, netlist: Netlist) -> None:
    placed = {part.ref: part for part in layout(board, netlist)}
    wide, deep = size(board, netlist)
    usb = placed["U1"].box(placed["U1"].shape.body)
    assert usb.top <= 1.0, "the controller's USB socket at the rear edge"
    assert placed["J1"].box(placed["J1"].shape.body).top <= 1.0, "the lead's terminal at the rear edge"
    for ref in ("J3", "J4", "J5", "J6", "J7"):
        if ref in placed:
            assert deep - placed[ref].courtyard.bottom <= 3.0, f"{ref} at the front edge, towards the panel"
    for ref, part in placed.items():
        if part.shape.name == "screw-terminal-2":
            assert wide - part.box(part.shape.body).right <= 1.0, (
                f"{ref} at the right edge, towards the bodies"
            )


def test_what_is_hot_keeps_off_what_minds_it(board: BoardModel, netlist: Netlist) -> None:
    """Bank resistors and their MOSFETs a hand's breadth from electrolytics (common practice: as far as the
    board lets)."""
    placed = {part.ref: part for part in layout(board, netlist)}
    hot = [part for ref, part in placed.items() if re.fullmatch(r"RB\d+|Q[1-9]\d*", ref)]
    cans = [part for part in placed.values() if part.shape.name.startswith("can-")]
    for can in cans:
        nearest = min(part.courtyard.left - can.courtyard.right for part in hot)
        assert nearest >= 20.0, can.ref


@kicad_cli.NEEDED
def test_kicad_finds_nothing(board: BoardModel, tmp_path: Path) -> None:
    """Electrical rules, design rules and the comparison of board and schematic, warnings too, nothing
    excluded."""
    folder = folder_of(board)
    assert kicad_cli.erc(folder / f"{board.name}.kicad_sch", tmp_path) == []
    assert kicad_cli.drc(folder / f"{board.name}.kicad_pcb", tmp_path) == []
    assert "exclusions" not in (folder / f"{board.name}.kicad_pro").read_text()


@kicad_cli.NEEDED
def test_kicad_reads_the_netlist_that_the_project_has(
    board: BoardModel, netlist: Netlist, tmp_path: Path
) -> None:
    """Every pin on the board is on the net that the circuit's own netlist says; KiCad leaves out the
    others."""
    out = tmp_path / "net.txt"
    source = folder_of(board) / f"{board.name}.kicad_sch"
    kicad_cli.run("sch", "export", "netlist", "-o", out, source, home=tmp_path)
    read: dict[tuple[str, str], str] = {}
    for net in re.split(r'\(net \(code "\d+"\)|\(net\s+\(code "\d+"\)', out.read_text())[1:]:
        name = re.search(r'\(name "([^"]*)"\)', net)
        assert name is not None
        for ref, pin in re.findall(r'\(node\s+\(ref "([^"]+)"\)\s+\(pin "([^"]+)"\)', net):
            read[ref, pin] = name[1]
    own = {part.ref: part for part in netlist.parts}
    for join in netlist.joins:
        if own[join.ref].place != BOARD:
            assert (join.ref, join.pin) not in read
            continue
        assert read[join.ref, pads_of(own[join.ref])[join.pin]] == join.net, join
    for part in layout(board, netlist):
        for pad, net in part.nets.items():
            if net:
                assert read[part.ref, pad] == net, (part.ref, pad)


@kicad_cli.NEEDED
@pytest.mark.parametrize("kind", board_faults.KINDS)
def test_a_planted_fault_is_found(kind: str, tmp_path: Path, seed: int) -> None:
    name = random.Random(seed).choice(BOARDS).stem
    assert _found(name, kind, random.Random(seed), tmp_path) == ""


@kicad_cli.NEEDED
@pytest.mark.campaign
def test_planted_faults_on_every_board(tmp_path: Path, seed: int, capsys: pytest.CaptureFixture[str]) -> None:
    """EACH faults of every kind on every board, places drawn by the seed; the boards as they are must pass
    (four tries: the rules' false alarms)."""
    draw = random.Random(seed)
    planted = [(path.stem, kind) for path in BOARDS for kind in board_faults.KINDS for _ in range(EACH)]
    missed = [told for name, kind in planted if (told := _found(name, kind, draw, tmp_path))]
    alarms = [path.stem for path in BOARDS if kicad_cli.drc(_board_file(path.stem), tmp_path)]
    with capsys.disabled():
        print(
            f"\nplanted board faults ({len(board_faults.KINDS)} kinds, {len(BOARDS)} boards): "
            f"{len(planted) - len(missed)} of {len(planted)} found; {len(alarms)} false alarms in "
            f"{len(BOARDS)}"
        )
        print("\n".join(missed))
    assert missed == []
    assert alarms == []


def _board_file(name: str) -> Path:
    return data.folder("hardware") / name / PROJECT / f"{name}.kicad_pcb"


def _found(name: str, kind: str, draw: random.Random, tmp_path: Path) -> str:
    """What was planted where, if the design rules find nothing; "" where they do."""
    project = tmp_path / "project"
    shutil.copytree(_board_file(name).parent, project, dirs_exist_ok=True)
    path = project / f"{name}.kicad_pcb"
    sound = _board_file(name).read_text()
    broken, where = board_faults.KINDS[kind](sound, draw)
    assert broken != sound
    path.write_text(broken)
    return "" if kicad_cli.drc(path, tmp_path) else f"{name}: {kind}: {where}"


def test_the_print_names_every_part_and_the_pins_that_a_maker_may_have_moved(
    board: BoardModel, netlist: Netlist
) -> None:
    silk = Silk(board.name, size(board, netlist), layout(board, netlist))
    assert silk.left_out == []
    words = " ".join(text.words for text in silk.texts)
    for wanted in (f"{board.name.upper()}  REV", "NOT BUILT YET", "GET HOT", "FUSE"):
        assert wanted in words


def test_names_in_the_schematic_keep_off_each_other(board: BoardModel, netlist: Netlist) -> None:
    """In a symbol's box the names of the pins on one line fit side by side, and a pad's name over its pin."""
    letter = 0.9  # mm, KiCad's own font at 1 mm, as measured on a plot
    for part in drawn(netlist, layout(board, netlist)):
        if part.symbol.strokes:
            continue
        for y in {pin.y for pin in part.symbol.pins}:
            names = [pin.name for pin in part.symbol.pins if pin.y == y]
            assert letter * len("".join(names)) < 2 * part.symbol.wide, (part.ref, names)
        if part.symbol.numbered:
            assert all(letter * len(pin.pad) < STEP for pin in part.symbol.pins), part.ref


def test_every_part_of_the_circuit_has_its_heading(netlist: Netlist) -> None:
    """Test points are no parts: what no heading of GROUPS knows would stand among them."""
    assert [part.ref for part in netlist.parts if group(part.ref) == GROUPS[-1][0]] == []


def test_a_board_that_no_layout_fits_says_so(tmp_path: Path) -> None:
    text = data.board_path().read_text().replace("body: film-2w", "body: ceramic-10w")
    (tmp_path / "odd.yaml").write_text(text)
    odd = load_board(tmp_path / "odd.yaml")
    with pytest.raises(InputError, match=r"RB6 .ceramic-10w. has no footprint"):
        files(odd, build(odd))


def test_tracks_of_another_board_are_not_taken(board: BoardModel, netlist: Netlist) -> None:
    text = committed(board)[f"{board.name}.kicad_pcb"].decode()
    assert tracks_of(text, "0" * 32) is None
    assert tracks_of(text.replace('"nightdraw"', '"pcbnew"'), key(board, netlist)) is None
    laid = tracks_of(text, key(board, netlist))
    assert laid is not None
    assert len(laid[0]) == text.count("\n\t(segment ")
    assert len(laid[1]) == text.count("\n\t(via ")


def test_what_is_placed_is_what_the_parts_list_has_for_the_board(board: BoardModel) -> None:
    """Part for part by reference, with its value; holes and test points are no parts to be bought."""
    text = committed(board)[f"{board.name}.kicad_pcb"].decode()
    found = re.findall(
        r'\(footprint .*?\(property "Reference" "([^"]+)".*?\(property "Value" "([^"]*)"', text, re.S
    )
    placed = {name: value for name, value in found if not re.fullmatch(r"(H|TP)\d+", name)}
    rows = csv.DictReader((folder_of(board).parent / "parts.csv").read_text("utf-8").splitlines())
    listed = {
        name: row["value"]
        for row in rows
        if row["where"] == "on the circuit board"
        for name in row["references"].split()
    }
    assert sorted(placed) == sorted(listed)
    parts = {name for name, value in placed.items() if not value.startswith("to ")}  # those are connectors
    assert {name: (placed[name], listed[name]) for name in parts if placed[name] != listed[name]} == {}

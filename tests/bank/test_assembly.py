"""Position file and parts page of the boards that ship: KiCad's own positions, every part once, and the page
in a real browser, wide and narrow."""

from __future__ import annotations

import csv
import io
import itertools
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from nightdraw import data
from nightdraw.bank.circuit.assembly import build
from nightdraw.bank.drawings.assembly import fitted, page, positions, steps
from nightdraw.bank.drawings.files import ASSEMBLY, PROJECT
from nightdraw.bank.kicad.layout import layout
from nightdraw.board import BoardModel, load_board

from tests.bank import kicad_cli
from tests.report import browser as br

NAMES = ("starter-12v", "workshop-12v", "bench-12v", "workshop-24v")
needs_chromium = pytest.mark.skipif(br.PROGRAM is None, reason="needs chromium (Debian: apt-get install it)")


@pytest.fixture(scope="module", params=NAMES)
def board(request: pytest.FixtureRequest) -> BoardModel:
    return load_board(data.board_path(request.param))


@pytest.fixture(scope="module")
def browser() -> Iterator[br.Browser]:
    one = br.Browser()
    yield one
    one.close()


def folder(board: BoardModel) -> Path:
    return data.folder("hardware") / board.name


def listed(board: BoardModel) -> dict[str, dict[str, str]]:
    rows = csv.DictReader(io.StringIO((folder(board) / ASSEMBLY / "positions.csv").read_text()))
    return {row["reference"]: row for row in rows}


def test_the_files_are_fresh(board: BoardModel) -> None:
    netlist = build(board)
    here = folder(board) / ASSEMBLY
    assert {path.name for path in here.iterdir()} == {"positions.csv", "parts.html"}
    assert (here / "positions.csv").read_text() == positions(board, netlist)
    assert (here / "parts.html").read_text() == page(board, netlist)


@kicad_cli.NEEDED
def test_positions_are_those_that_kicad_reads(board: BoardModel, tmp_path: Path) -> None:
    """Every footprint's anchor, which is its first pad, and its turn; KiCad counts y upwards."""
    out = tmp_path / "pos.csv"
    source = folder(board) / PROJECT / f"{board.name}.kicad_pcb"
    form = ("--format", "csv", "--units", "mm")
    kicad_cli.run("pcb", "export", "pos", *form, "-o", out, source, home=tmp_path)
    seen = {row["Ref"]: row for row in csv.DictReader(io.StringIO(out.read_text()))}
    mine = listed(board)
    assert set(mine) == {ref for ref in seen if not ref.startswith("TP")}
    for ref, row in mine.items():
        other = seen[ref]
        assert float(row["pad1_x_mm"]) == pytest.approx(float(other["PosX"]), abs=0.01), ref
        assert float(row["pad1_y_mm"]) == pytest.approx(-float(other["PosY"]), abs=0.01), ref
        assert (float(row["turn_deg"]) - float(other["Rot"])) % 360 == 0, ref


def test_every_part_is_fitted_once_and_listed_in_parts_csv(board: BoardModel) -> None:
    netlist = build(board)
    shown = [ref for rows in steps(board, netlist).values() for row in rows for ref in row.refs]
    assert len(shown) == len(set(shown))
    bought = csv.DictReader(io.StringIO((folder(board) / "parts.csv").read_text()))
    wanted = {
        ref for row in bought if row["where"] == "on the circuit board" for ref in row["references"].split()
    }
    assert set(shown) == wanted == set(listed(board)) == {part.ref for part in fitted(board, netlist)}


@needs_chromium
@pytest.mark.parametrize("width", [1280, 400])
def test_the_page_opens_from_a_file_and_fits(browser: br.Browser, board: BoardModel, width: int) -> None:
    browser.open(folder(board) / ASSEMBLY / "parts.html", width)
    assert browser.complaints() == []
    assert browser.script("document.documentElement.scrollWidth") <= width
    assert browser.script("rows.length > 10 && parts.size >= rows.length")
    assert browser.script("rows.every(row => refsOf(row).every(ref => parts.has(ref)))")
    high = browser.script("document.querySelector('svg').getBoundingClientRect().height")
    assert high > 120


@needs_chromium
def test_names_on_the_plan_keep_off_each_other_and_test_points_are_seen(
    browser: br.Browser, board: BoardModel
) -> None:
    browser.open(folder(board) / ASSEMBLY / "parts.html", 1280)
    boxes: list[list[Any]] = browser.script(
        "[...document.querySelectorAll('.part text')].map(e => { const b = e.getBoundingClientRect(),"
        " pads = [...e.parentNode.querySelectorAll('.pad')].map(p => p.getBoundingClientRect().top);"
        " return [e.textContent, b.left, b.top, b.right, b.bottom, Math.min(...pads)]; })"
    )
    slack = 1.0  # pixels: a line's box is higher than its letters
    for (name, left, top, right, bottom, _), (other, *box, _) in itertools.combinations(boxes, 2):
        apart = right <= box[0] or box[2] <= left or bottom - slack <= box[1] or box[3] - slack <= top
        assert apart, (name, other)
    points = {part.note for part in layout(board, build(board)) if part.ref.startswith("TP")}
    seen = [(name, bottom, pad) for name, _, _, _, bottom, pad in boxes if name in points]
    assert {name for name, _, _ in seen} == points
    assert [name for name, bottom, pad in seen if bottom - 2 * slack > pad] == []


def middle(browser: br.Browser, what: str) -> tuple[float, float]:
    box: Any = browser.script(
        f"(() => {{ const b = {what}.getBoundingClientRect();"
        " return [b.left + b.width / 2, b.top + b.height / 2]; })()"
    )
    return box[0], box[1]


@needs_chromium
@pytest.mark.parametrize("width", [1280, 400])
def test_a_part_finds_its_row_and_a_row_its_parts(browser: br.Browser, width: int) -> None:
    browser.open(data.folder("hardware") / "bench-12v" / ASSEMBLY / "parts.html", width)
    assert browser.script("localStorage.clear()") is None
    lit = "[...document.querySelectorAll('.part.on')].map(part => part.dataset.ref)"
    browser.script("rowOf('RG3').scrollIntoView({block: 'end'})")
    browser.settle()
    browser.mouse("mouseMoved", *middle(browser, "rowOf('RG3').querySelector('.refs')"))
    assert browser.script(lit) == browser.script("refsOf(rowOf('RG3'))")
    assert "RG3" in browser.script("told.textContent")
    place = middle(browser, "parts.get('U2').querySelector('.reach')")
    browser.mouse("mouseMoved", *place)
    assert browser.script(lit) == ["U2"]
    for kind in ("mousePressed", "mouseReleased"):
        browser.mouse(kind, *place, button="left", clickCount=1)
    assert browser.script("document.querySelector('li.on').dataset.refs.includes('U2')")
    frame = "document.querySelector('li.on').getBoundingClientRect()"
    top, bottom = browser.script(f"[{frame}.top, {frame}.bottom]")
    assert top >= 0
    assert bottom <= 900


@needs_chromium
def test_keys_alone_show_parts_and_ticks_stay(browser: br.Browser) -> None:
    path = data.folder("hardware") / "starter-12v" / ASSEMBLY / "parts.html"
    browser.open(path)
    browser.script("localStorage.clear()")
    browser.call("Emulation.setFocusEmulationEnabled", enabled=True)
    browser.script("rows[0].querySelector('input').focus()")
    browser.settle()
    lit = "[...document.querySelectorAll('.part.on')].map(part => part.dataset.ref).sort().join()"
    assert browser.script(lit) == browser.script("refsOf(rows[0]).sort().join()")
    browser.script("rows[0].querySelector('input').click()")
    assert browser.script("document.querySelector('.count').textContent").startswith("1 of ")
    browser.open(path)
    assert browser.script("rows[0].querySelector('input').checked"), "a tick outlives a reload"
    browser.script("localStorage.clear()")


@needs_chromium
def test_the_solder_side_is_mirrored_and_find_hides_the_rest(browser: br.Browser) -> None:
    browser.open(data.folder("hardware") / "starter-12v" / ASSEMBLY / "parts.html")
    frame = middle(browser, "document.querySelector('.board')")
    before = middle(browser, "parts.get('J1').querySelector('.reach')")
    browser.script("document.getElementById('turn').click()")
    browser.settle()
    after = middle(browser, "parts.get('J1').querySelector('.reach')")
    assert after[0] - frame[0] == pytest.approx(frame[0] - before[0], abs=1.0)
    assert after[1] == pytest.approx(before[1], abs=1.0)
    browser.script("document.getElementById('find').value = 'rb2'")
    browser.script("document.getElementById('find').dispatchEvent(new Event('input'))")
    shown = browser.script("rows.filter(row => row.offsetParent !== null).map(row => row.dataset.refs)")
    assert shown == ["RB2"]


def test_the_guide_has_a_step_that_finds_swapped_switches(board: BoardModel) -> None:
    """J4 and J5 take the same plug: the pins that the step names are those of the netlist."""
    guide = (folder(board) / "build.md").read_text()
    netlist = build(board)
    for net, ref in (("ARM", "S2"), ("BUTTON", "S3")):
        pins = {join.pin.split()[0] for join in netlist.joins if join.ref == "U1" and join.net == net}
        supply = {join.pin.split()[0] for join in netlist.joins if join.ref == "U1" and join.net == "V3"}
        assert {join.net for join in netlist.joins if join.ref == ref} == {"V3", net}
        assert f"pin {supply.pop()} to pin {pins.pop()} ({net}) | closes with {ref} and" in guide

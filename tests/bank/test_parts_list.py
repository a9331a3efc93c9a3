"""The parts list: a price class, spares and words on a substitute in every line; totals by hand."""

from __future__ import annotations

import ast
import csv
import inspect
import io
import re
from collections import Counter
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest
from nightdraw import data
from nightdraw.bank.circuit.assembly import build
from nightdraw.bank.circuit.gate_drive import buffers_of
from nightdraw.bank.circuit.netlist import Netlist
from nightdraw.bank.drawings import buying, parts_list
from nightdraw.bank.drawings.buying import CLASSES, ESTIMATE, GOODS
from nightdraw.bank.parts.resistor_packages import CATALOGUE
from nightdraw.board import BoardModel, load_board

BOARDS = sorted(data.folder("hardware").glob("*.yaml"))
# the bounds as the guide states them, in euro, written down again
BOUNDS = {
    "A": ("0.02", "0.20"), "B": ("0.20", "1.00"), "C": ("1.00", "5.00"), "D": ("5.00", "20.00"),
    "E": ("20.00", "60.00"),
}  # fmt: skip


@pytest.fixture(scope="module", params=BOARDS, ids=[path.stem for path in BOARDS])
def board(request: pytest.FixtureRequest) -> BoardModel:
    return load_board(request.param)


@pytest.fixture(scope="module")
def listed(board: BoardModel) -> list[dict[str, str]]:
    """The committed list, as a spreadsheet reads it."""
    text = (data.folder("hardware") / board.name / "parts.csv").read_text("utf-8")
    return list(csv.DictReader(io.StringIO(text)))


def test_every_line_has_a_class_an_alternative_and_what_matters(listed: list[dict[str, str]]) -> None:
    assert len(listed) > 40
    for row in listed:
        assert row["price_class"] in BOUNDS, row
        assert len(row["second_source"]) > 1, row
        assert len(row["what_matters"]) > 8, row
        assert int(row["to_buy"]) >= int(row["quantity"]) >= 1, row


def test_prices_of_a_line_and_of_the_whole_are_class_times_what_is_bought(
    board: BoardModel, listed: list[dict[str, str]]
) -> None:
    """Decimal arithmetic on the CSV alone; the guide states the whole, rounded outwards to full euro."""
    low = high = Decimal(0)
    for row in listed:
        each = [Decimal(bound) * int(row["to_buy"]) for bound in BOUNDS[row["price_class"]]]
        assert [Decimal(row["estimated_low_eur"]), Decimal(row["estimated_high_eur"])] == each, row
        low, high = low + each[0], high + each[1]
    guide = " ".join((data.folder("hardware") / board.name / "build.md").read_text("utf-8").split())
    said = re.search(r"whole list costs between (\d+) and (\d+) EUR", guide)
    assert said is not None
    assert int(said[1]) <= low < int(said[1]) + 1
    assert int(said[2]) - 1 < high <= int(said[2])
    assert ESTIMATE in guide
    for name, bounds in BOUNDS.items():
        assert f"| {name} | {bounds[0]} .. {bounds[1]} |" in guide


def test_a_total_by_hand() -> None:
    """Ten of class A (spares 2), one of C, four of E: 12 x 0.02 + 1 + 4 x 20 to 12 x 0.20 + 5 + 4 x 60."""
    rows = [
        parts_list.Row(count, (), "", "", "", goods, "", "-", goods)
        for count, goods in ((10, "film resistor"), (1, "solder"), (4, "USB isolator"))
    ]
    found = parts_list.total(rows)
    assert (found.low_cents, found.high_cents) == (8124, 24740)


def test_the_classes_join_without_a_gap() -> None:
    ordered = list(CLASSES.values())
    assert all(price.low_cents < price.high_cents for price in ordered)
    assert [price.high_cents for price in ordered[:-1]] == [price.low_cents for price in ordered[1:]]


def test_a_part_without_a_class_fails_by_name(board: BoardModel) -> None:
    netlist = build(board)
    parts = tuple(replace(part, goods="unheard of") if part.ref == "U4" else part for part in netlist.parts)
    with pytest.raises(KeyError, match=r"U4 is bought as 'unheard of'"):
        parts_list.parts_list(board, Netlist(parts, netlist.joins))


def test_a_run_of_references_is_its_ends() -> None:
    """By hand: two stay two, three are a run, letters and gaps part runs."""
    assert parts_list.spans(["R1", "R2"]) == "R1 R2"
    assert parts_list.spans(["R9", "R10", "R11", "RG11", "RG12"]) == "R9 .. R11 RG11 RG12"
    assert parts_list.spans(["Q1", "Q2", "Q3", "Q5", "RB7a", "RB7b"]) == "Q1 .. Q3 Q5 RB7a RB7b"


def test_every_resistor_package_can_be_bought_and_no_row_hides_another() -> None:
    assert {package.goods for package in CATALOGUE.values()} <= set(GOODS)
    assert all(package.goods == package.name for package in CATALOGUE.values())
    table = next(
        node.value
        for node in ast.walk(ast.parse(inspect.getsource(buying)))
        if isinstance(node, ast.Assign) and isinstance(node.value, ast.Dict) and len(node.value.keys) > 20
    )
    assert isinstance(table, ast.Dict)
    assert len(table.keys) == len(GOODS)


def test_a_package_of_the_users_own_costs_what_it_is_like(tmp_path: Path) -> None:
    text = (data.folder("hardware") / "starter-12v.yaml").read_text()
    assert text.count("body: film-3w") == 1
    own = (
        text.replace("body: film-3w", "body: mine") + "\nbodies: [{body: mine, like: film-3w, rating: 4 W}]\n"
    )
    path = tmp_path / "own.yaml"
    path.write_text(own)
    board = load_board(path)
    row = next(row for row in parts_list.rows(board, build(board)) if "RB3" in row.refs)
    assert (row.package, row.buying) == ("mine", GOODS["film-3w"])


def test_housings_crimps_sockets_and_fuses_are_counted_from_the_board(
    board: BoardModel, listed: list[dict[str, str]]
) -> None:
    """A housing for each latched header, a crimp for each of its ways, a socket for each buffer."""
    headers: Counter[str] = Counter()
    housings: Counter[str] = Counter()
    for row in listed:
        if "header with latch" in row["description"]:
            headers[row["value"]] += len(row["references"].split())
        if row["package"] == "housing":
            housings[row["value"]] += int(row["quantity"])
    assert housings == headers
    ways = sum(int(value.split("-")[0]) * count for value, count in headers.items())
    by_package = {row["package"]: row for row in listed}
    assert int(by_package["crimp"]["quantity"]) == ways
    assert int(by_package["socket"]["quantity"]) == len(buffers_of(board))
    assert by_package["spare fuse"]["value"] == next(
        row["value"] for row in listed if row["references"] == "F1"
    )

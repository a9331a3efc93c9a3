"""The build guide followed on paper: the committed page against the committed parts list, as a reader has
them."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pytest
from nightdraw import data

NAMES = sorted(path.stem for path in data.folder("hardware").glob("*.yaml"))
# what the steps say for many parts at once
MANY = {
    "every RG and RP": r"R[GP]\d+",
    "MOSFETs Q1 and up": r"Q[1-9]\d*",
    "the buffers": r"U[23]",
    "the bank's resistors": r"RB\d+",
    "Wire each to its terminal": r"J1[1-9]|J20",
}
# package of the list -> the word that a step says
WORDS = {
    "spare fuse": "spare fuses", "foot": "Feet of 20 mm", "sheet": "aluminium sheet",
    "stand-off": "stand-offs",
    "screw": "Screws that", "solder": "soldered", "socket strip": "socket strips", "housing": "housings",
    "crimp": "crimps", "hook-up wire": "hook-up wire", "plug": "rubber plug", "tag": "the tag",
    "warning sign": "hot-surface sign",
}  # fmt: skip
NO_PART = re.compile(r"M\d+|V[35]|W017|UF2")


@pytest.fixture(scope="module", params=NAMES)
def folder(request: pytest.FixtureRequest) -> Path:
    return data.folder("hardware") / str(request.param)


@pytest.fixture(scope="module")
def guide(folder: Path) -> str:
    return (folder / "build.md").read_text("utf-8")


@pytest.fixture(scope="module")
def steps(guide: str) -> str:
    """All from the first part that is fitted on."""
    return " ".join(guide[guide.index("## 2. ") :].split())


@pytest.fixture(scope="module")
def listed(folder: Path) -> list[dict[str, str]]:
    return list(csv.DictReader((folder / "parts.csv").read_text("utf-8").splitlines()))


def refs_of(listed: list[dict[str, str]]) -> set[str]:
    return {ref for row in listed for ref in row["references"].split() if ref != "-"}


def test_every_part_of_the_list_has_a_step(steps: str, listed: list[dict[str, str]]) -> None:
    covered = [pattern for words, pattern in MANY.items() if words in steps]
    for ref in sorted(refs_of(listed)):
        named = re.search(rf"\b{ref}\b", steps) is not None
        assert named or any(re.fullmatch(pattern, ref) for pattern in covered), ref
    for row in listed:
        if row["references"] == "-":
            assert WORDS.get(row["package"], row["package"]) in steps, row["package"]


def test_every_part_of_a_step_is_in_the_list(steps: str, listed: list[dict[str, str]]) -> None:
    said = set(re.findall(r"\b(?:[A-Z]{1,2}|LED|RT)\d+\b", steps))
    assert {ref for ref in said if not NO_PART.fullmatch(ref)} <= refs_of(listed)


def test_every_measurement_has_its_right_and_its_wrong_reading(guide: str) -> None:
    rows = [line.split(" | ") for line in guide.splitlines() if line.startswith("| ")]
    starts = [k for k, row in enumerate(rows) if row[0] == "| measure"]
    assert len(starts) == 5
    measures = [row for k in starts for row in rows[k + 2 : next((e for e in starts if e > k), len(rows))]]
    measures = [row for row in measures if len(row) == 3]
    assert len(measures) > 20
    for row in measures:
        assert all(len(cell.strip(" |")) > 1 for cell in row), row


def test_the_order_of_the_steps_is_possible(steps: str) -> None:
    """What a step needs was made before: sockets before chips, sensors before the firmware that reads them,
    the lead before the power-up at its end, the splice last."""
    order = (
        "Fit J1", "leads swapped", "Fit the socket strips for "
                                   "U1", "(RT1", "Plug in the buffers", "still empty",
        "Plug in U1", "MicroPython comes first", "now blinks", "bank's resistors|Screw RB", "bead",
        "stand-offs", "The lead by", "to the end of the lead", "selftest", "box trim", "splice and "
                                                                                       "ring\\): never",
    )  # fmt: skip
    at = 0
    for words in order:
        found = re.compile(words if "|" in words or "\\" in words else re.escape(words)).search(steps, at)
        assert found is not None, words
        at = found.start()


def test_links_that_cross_are_of_insulated_wire() -> None:
    """Bare wire would short two nets where one link lies over another."""
    folder = data.folder("hardware") / "starter-12v"
    rows = csv.DictReader((folder / "links.csv").read_text("utf-8").splitlines())
    links = [
        [int(row[key]) for key in ("column", "row", "to_column", "to_row")] for row in rows if row["to_row"]
    ]

    def side(link: list[int], column: int, row: int) -> int:
        ax, ay, bx, by = link
        return (bx - ax) * (row - ay) - (by - ay) * (column - ax)

    def cross(a: list[int], b: list[int]) -> bool:
        return side(a, b[0], b[1]) * side(a, b[2], b[3]) < 0 and side(b, a[0], a[1]) * side(b, a[2], a[3]) < 0

    assert any(cross(a, b) for k, a in enumerate(links) for b in links[k + 1 :]), "then bare wire would do"
    steps = " ".join((folder / "build.md").read_text("utf-8").split())
    assert "all links of insulated hook-up wire" in steps
    assert "bus wire" not in steps

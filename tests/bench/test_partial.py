"""A result under way never touches a file that somebody else has."""

from __future__ import annotations

from pathlib import Path

import pytest
from nightdraw import data
from nightdraw.cli import main
from nightdraw.outputs import partial


def test_each_has_a_name_that_nobody_has(tmp_path: Path) -> None:
    (tmp_path / "r.csv.0.part").write_text("mine")
    names = [partial(tmp_path / "r.csv").name for _ in range(3)]
    assert names == ["r.csv.1.part", "r.csv.2.part", "r.csv.3.part"]
    assert (tmp_path / "r.csv.0.part").read_text() == "mine"


@pytest.mark.parametrize("name", ["r.csv.part", "r.csv.0.part", "r.journal.jsonl.0.part"])
@pytest.mark.parametrize("vehicle", [(), ("--vehicle", "vehicle-1")])
def test_a_file_with_a_temporary_name_stays_as_it_is(
    tmp_path: Path, name: str, vehicle: tuple[str, ...]
) -> None:
    mine = tmp_path / name
    mine.write_bytes(data.profile_path("sleepless-module").read_bytes())
    what = ("--box", f"{mine}@socket") if vehicle else (str(mine),)
    words = ["bench", "record", *vehicle, *what, "--for", "1 s", "--out", str(tmp_path / "r.csv")]
    assert main.run(words) == 0
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([name, "r.csv", "r.journal.jsonl"])
    assert mine.read_bytes() == data.profile_path("sleepless-module").read_bytes()

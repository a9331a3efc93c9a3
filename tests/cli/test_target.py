"""No result is written over what a call has read, nor over what is no file."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest
from nightdraw import data
from nightdraw.cli import main

FOR = ("--for", "1 s")


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a copy of everything that a recording in a vehicle can read."""
    monkeypatch.chdir(tmp_path)
    for name, path in {
        "v": data.shipped("vehicles", "vehicle-1"),
        "s": data.shipped("scripts", "class-morning"),
        "k": data.shipped("instruments", "workshop"),
        "b": data.board_path(),
        "p": data.profile_path("sleepless-module"),
        "x.journal": data.profile_path("sleepless-module"),
        "creeping-blower": data.profile_path("creeping-blower"),
    }.items():
        shutil.copy(path, tmp_path / f"{name}.yaml")
    shutil.copy(data.profile_path("creeping-blower").with_suffix(".csv"), tmp_path)
    (tmp_path / "r.csv").write_text("time_s,current_a\n0,0.1\n1,0.2\n2,0.1\n")
    (tmp_path / "x.journal.yaml").rename("x.journal.jsonl")
    return tmp_path


CASES = [
    ("record", "--vehicle", "v.yaml", "--out", "v.yaml"),
    ("record", "--vehicle", "v.yaml", "--script", "s.yaml", "--out", "s.yaml"),
    ("record", "--vehicle", "v.yaml", "--instruments", "k.yaml", "--out", "k.yaml"),
    ("record", "--vehicle", "v.yaml", "--box", "p.yaml@radio", "--out", "p.yaml"),
    ("record", "--vehicle", "v.yaml", "--box", "p.yaml@radio", "--board", "b.yaml", "--out", "b.yaml"),
    ("record", "--vehicle", "v.yaml", "--box", "p.yaml@radio", "--plant", "b.yaml", "--out", "b.yaml"),
    ("record", "--vehicle", "v.yaml", "--box", "creeping-blower.yaml@radio", "--out", "creeping-blower.csv"),
    ("record", "--vehicle", "v.yaml", "--box", "x.journal.jsonl@radio", "--out", "x.csv"),
    ("record", "p.yaml", "--out", "p.yaml"),
    ("record", "p.yaml", "--plant", "b.yaml", "--out", "b.yaml"),
    ("record", "creeping-blower.yaml", "--out", "creeping-blower.csv"),
    ("record", "x.journal.jsonl", "--out", "x.csv"),
    ("view", "p.yaml", "--out", "p.yaml"),
    ("view", "r.csv", "--out", "r.csv"),
]


@pytest.mark.parametrize("words", CASES, ids=lambda words: " ".join(words))
@pytest.mark.parametrize("linked", [False, True])
def test_an_input_is_never_written_over(
    capsys: pytest.CaptureFixture[str], folder: Path, words: tuple[str, ...], linked: bool
) -> None:
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    if linked and words[-1] in before:
        os.link(words[-1], "other.csv")
        words = (*words[:-1], "other.csv")
        before["other.csv"] = Path("other.csv").read_bytes()
    assert main.run(["bench", *words, *FOR]) == 2
    assert "this is one of the inputs" in capsys.readouterr().err
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


@pytest.mark.parametrize(
    ("out", "said"),
    [
        ("", "must have a name"),
        (".", "this is a folder"),
        ("nowhere/r.csv", "its folder isn't there"),
        (os.devnull, "this is a device"),
    ],
)
@pytest.mark.parametrize("words", [("p.yaml",), ("--vehicle", "v.yaml", "--box", "p.yaml@radio")])
def test_what_is_no_file_is_refused_before_anything_runs(
    capsys: pytest.CaptureFixture[str], folder: Path, words: tuple[str, ...], out: str, said: str
) -> None:
    before = sorted(folder.iterdir())
    assert main.run(["bench", "record", *words, "--for", "30 d", "--out", out]) == 2
    assert said in capsys.readouterr().err
    assert sorted(folder.iterdir()) == before
    assert not Path(os.devnull).is_file()

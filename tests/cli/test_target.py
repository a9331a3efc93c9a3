"""No result is written over what a call has read, nor over what is no file."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest
from nightdraw import data
from nightdraw.cli import main
from nightdraw.link.firmware import BoardFile

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


NEW = [BoardFile("main.py", b"new"), BoardFile("SHA256SUMS", b"the list")]
WRITERS = {
    "profile card": ("LINK", "profile", "card", "p.yaml", "--out", "LINK"),
    "profile pack": ("LINK", "profile", "pack", "p.yaml", "--out", "LINK"),
    "bank size": ("LINK", "bank", "size", "--levels", "15mA", "--out", "LINK"),
    "bank heat": ("LINK.svg", "bank", "heat", "b.yaml", "--plot", "LINK.svg"),
    "bank draw": ("INTO/parts.csv", "bank", "draw", "b.yaml", "--out", "INTO"),
    "bank adapter": ("LINK.stl", "bank", "adapter", "--type", "F", "--out", "LINK.stl"),
    "bench record": ("LINK.csv", "bench", "record", "p.yaml", *FOR, "--out", "LINK.csv"),
    "bench view": ("LINK.png", "bench", "view", "r.csv", "--out", "LINK.png"),
    "box files": ("INTO/main.py", "box", "files", "INTO"),
}


@pytest.mark.skipif(not hasattr(os, "symlink"), reason="this system has no links")
@pytest.mark.parametrize("words", WRITERS.values(), ids=WRITERS)
@pytest.mark.parametrize("dangling", [False, True])
def test_nothing_is_written_through_a_link(
    capsys: pytest.CaptureFixture[str],
    folder: Path,
    words: tuple[str, ...],
    dangling: bool,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("nightdraw.link.firmware.build", lambda *_: NEW)
    precious = folder / "precious"
    if not dangling:
        precious.write_text("mine")
    (folder / "INTO").mkdir()
    (folder / "INTO/SHA256SUMS").write_text(f"{'0' * 64}  main.py\n")
    (folder / words[0]).symlink_to(precious)
    before = sorted(folder.rglob("*"))
    assert main.run(words[1:]) == 2
    assert "this is a link" in capsys.readouterr().err
    assert precious.exists() != dangling
    assert dangling or precious.read_text() == "mine"
    assert sorted(folder.rglob("*")) == before

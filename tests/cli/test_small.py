"""Small things that users met: full disks, devices, endings, long names, narrow terminals, cautions."""

from __future__ import annotations

import datetime
import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from nightdraw.cli import boxes, main, output
from nightdraw.errors import Finding

PROFILE = "profile: small\nstart: {when: power}\ndraws:\n  - pulse: {draw: 350 mA, on: 1 ms, every: 2 ms}\n"
LIMIT_S = 120
FULL = Path("/dev/full")  # a device that takes nothing, on Linux
needs_full = pytest.mark.skipif(sys.platform != "linux", reason="only Linux has /dev/full and bounded files")


@pytest.fixture
def profile(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A profile with many edges, in a folder of its own that is the current one."""
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "small.yaml"
    path.write_text(PROFILE, "utf-8")
    return path


def nightdraw(*words: str, **more: object) -> subprocess.CompletedProcess[str]:
    """A command in a process of its own."""
    call = [sys.executable, "-m", "nightdraw", *words]
    return subprocess.run(call, stderr=subprocess.PIPE, text=True, timeout=LIMIT_S, check=False, **more)  # type: ignore[call-overload, no-any-return]


@needs_full
@pytest.mark.parametrize(
    "words",
    [
        "profile check small.yaml --json",
        "profile list",
        "profile figures small.yaml",
        "profile edges small.yaml --for 1min",
        "profile check nothing.yaml --json",
        "--help",
    ],
)
def test_a_full_standard_output_is_an_error_and_no_traceback(profile: Path, words: str) -> None:
    with FULL.open("w") as full:
        done = nightdraw(*words.split(), stdout=full)
    assert done.returncode == 2, done.stderr
    assert "Traceback" not in done.stderr
    assert "No space left" in done.stderr or "no such file" in done.stderr


BOUNDED = """
import resource, signal, sys
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, ({most}, {most}))
from nightdraw.cli.main import main
main(sys.argv[1:])
"""


@needs_full
@pytest.mark.parametrize(
    ("most", "words"),
    [
        (100_000, "bench record small.yaml --for 20s --out seen.csv"),  # the recording grows too large
        (3_000, "bench record small.yaml --for 2s --rate 10Hz --out seen.csv"),  # the journal does
        (100_000, "bench record --vehicle vehicle-1 --channel F7 --for 20s --out seen.csv"),
        (1_000, "profile card small.yaml --out seen.html"),
    ],
)
def test_a_disk_that_fills_up_names_the_file_and_leaves_nothing(profile: Path, most: int, words: str) -> None:
    # A bound on a file's size stands for the full disk: the system refuses the same call, by another name.
    call = [sys.executable, "-c", BOUNDED.format(most=most), *words.split()]
    done = subprocess.run(call, capture_output=True, text=True, timeout=LIMIT_S, check=False)
    assert done.returncode == 2, done.stderr
    assert re.search(r"^seen\.(csv|html|journal\.jsonl): can't be written: ", done.stderr, re.MULTILINE), (
        done.stderr
    )
    assert [path.name for path in profile.parent.iterdir()] == ["small.yaml"]


@pytest.mark.parametrize("ending", [".xlsx", ".csv.gz", ".ods", ".XLS"])
def test_an_ending_that_promises_another_format_is_refused(profile: Path, capsys, ending: str) -> None:
    assert main.run(["bench", "record", "small.yaml", "--for", "1s", "--out", f"seen{ending}"]) == 2
    assert "is not what this writes" in capsys.readouterr().err
    assert [path.name for path in profile.parent.iterdir()] == ["small.yaml"]


@pytest.mark.parametrize(
    "words", ["capture pulses {}", "profile check {}", "bench view {}", "bench meter --vehicle {}"]
)
def test_a_name_of_five_thousand_characters_is_shortened(profile: Path, capsys, words: str) -> None:
    assert main.run(words.format("x" * 5000).split()) == 2
    told = capsys.readouterr().err
    assert 0 < len(told) < 600, told[:300]
    assert "..." in told


def test_the_document_keeps_the_whole_name() -> None:
    finding = Finding("wrong", "y" * 5000, 3, 4)
    assert len(finding.text()) < 300
    assert finding.document()["file"] == "y" * 5000


def test_text_is_broken_to_the_columns_and_tables_are_not(monkeypatch: pytest.MonkeyPatch) -> None:
    prose = "- " + "word " * 40
    table = "channel 1     0.0284       0.6     66    155     95%  ok  9100 ohm, film-0.6w in air at 62 C"
    monkeypatch.setenv("COLUMNS", "60")
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True)
    listed = output.fitted("boot-lamp   " + "word " * 40).split("\n")
    assert len(listed) > 1
    assert all(len(line) <= 60 and line[12:16] == "word" and line[9:12] == "   " for line in listed)
    shown = output.fitted(f"{prose.strip()}\n{table}\n  short").split("\n")
    assert all(len(line) <= 60 for line in shown if line != table)
    assert table in shown
    assert shown[1].startswith("  word")
    assert " ".join(" ".join(shown).split()) == " ".join(f"{prose} {table} short".split()), "no word is lost"
    monkeypatch.setattr(sys.stdout, "isatty", lambda: False)
    assert output.fitted(prose) == prose, "what goes into a pipe stays as it is"


def test_a_document_is_never_broken(profile: Path, capsys, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True)
    assert main.run(["profile", "figures", "small.yaml", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["assumptions"]


def test_cautions_are_whole_once_a_day_and_a_line_afterwards(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys
) -> None:
    monkeypatch.delenv("LOCALAPPDATA", raising=False)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    told = []
    for _ in range(3):
        boxes.caution()
        told.append(capsys.readouterr().err.splitlines())
    assert told == [list(boxes.CAUTIONS), [boxes.SHORT], [boxes.SHORT]]
    yesterday = datetime.date.today() - datetime.timedelta(days=1)
    (tmp_path / "nightdraw" / "cautions-shown").write_text(yesterday.isoformat())
    boxes.caution()
    assert capsys.readouterr().err.splitlines() == list(boxes.CAUTIONS)


def test_where_nothing_can_be_noted_the_cautions_are_always_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys
) -> None:
    (tmp_path / "file").write_text("")
    monkeypatch.delenv("LOCALAPPDATA", raising=False)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "file"))
    for _ in range(2):
        boxes.caution()
        assert capsys.readouterr().err.splitlines() == list(boxes.CAUTIONS)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
@pytest.mark.parametrize("words", ["capture pulses pipe", "profile check pipe", "bench meter --vehicle pipe"])
def test_a_named_pipe_is_refused_and_not_waited_for(profile: Path, words: str) -> None:
    os.mkfifo(profile.parent / "pipe")
    done = nightdraw(*words.split(), stdout=subprocess.PIPE)
    assert done.returncode == 2
    assert "pipe" in done.stderr


def test_cards_fit_a_telephone(profile: Path) -> None:
    assert main.run(["profile", "card", "small.yaml", "--out", "card.html"]) == 0
    page = Path("card.html").read_text("utf-8")
    assert '<meta name="viewport" content="width=device-width, initial-scale=1">' in page
    assert re.search("<title>[A-Z][^{]+</title>", page)

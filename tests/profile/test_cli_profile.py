"""`nightdraw profile`: keys, exit statuses, where each word goes."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from nightdraw import data, programs
from nightdraw.cli.main import run
from nightdraw.profile import compile_profile

from tests.profile.made import HEAD, write

GOOD = HEAD + "  - steady: 40 mA\n  - pulse: {draw: 350 mA, on: 700 ms, every: 75 s}\n"
BAD = "profile: a\nstrat: {}\ndraws:\n  - steady: 40\n"


class Ran:
    """One command line's exit status and what it wrote."""

    def __init__(self, capsys: pytest.CaptureFixture[str], *argv: str | Path) -> None:
        self.status = run([str(word) for word in argv])
        self.out, self.err = capsys.readouterr()

    def document(self) -> Any:
        """The one JSON document on standard output."""
        return json.loads(self.out)


def test_check_accepts(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write(tmp_path, GOOD)
    ran = Ran(capsys, "profile", "check", path, path)
    assert (ran.status, ran.err) == (0, "")
    assert ran.out == f"{path}: ok\n" * 2
    ran = Ran(capsys, "profile", "check", path, "--json")
    assert (ran.status, ran.err, ran.document()) == (0, "", {"ok": True, "errors": []})


def test_check_shows_every_error_of_every_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    good, bad = write(tmp_path, GOOD, "good.yaml"), write(tmp_path, BAD, "bad.yaml")
    ran = Ran(capsys, "profile", "check", bad, good, tmp_path / "none.yaml")
    assert ran.status == 2
    assert ran.out == f"{good}: ok\n"
    assert [line.split(": ")[0] for line in ran.err.splitlines()] == [
        f"{bad}:2:1",
        f"{bad}:4:13",
        f"{tmp_path / 'none.yaml'}:1:1",
    ]
    ran = Ran(capsys, "profile", "check", bad, "--json")
    assert (ran.status, ran.err) == (2, "")
    assert ran.document()["ok"] is False
    assert ran.document()["errors"][0] == {
        "file": str(bad),
        "line": 2,
        "column": 1,
        "message": "unknown key 'strat' in the profile",
        "hint": "did you mean 'start'?",
    }


def test_a_board_that_is_wrong_is_the_error(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    board = write(tmp_path, "board: x\n", "board.yaml")
    for command in ("check", "figures", "card", "edges"):
        ran = Ran(capsys, "profile", command, write(tmp_path, GOOD), "--board", board, "--json")
        assert ran.status == 2
        assert ran.document()["errors"][0]["file"] == str(board)


def test_notes_go_to_standard_error_and_are_no_error(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = data.board_path().read_text().replace("run: 4 d", "run: 1 h")
    board = write(tmp_path, text, "board.yaml")
    path = write(tmp_path, GOOD + "limits: {run: 2 h}\n")
    ran = Ran(capsys, "profile", "check", path, "--board", board, "--json")
    assert (ran.status, ran.document()["ok"]) == (0, True)
    assert f"{path}:6:15: limits.run: the cap of board bench-12v is tighter and wins" in ran.err


def test_figures_has_the_contracts_keys(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write(tmp_path, GOOD)
    document = Ran(capsys, "profile", "figures", path, "--json").document()
    assert set(document) == {
        "peak_ma",
        "mean_ma",
        "charge_per_day_ah",
        "days_to_no_start",
        "pulses_per_hour",
        "own_ma",
        "assumptions",
    }
    assert document["peak_ma"] == 390
    assert document["mean_ma"] == pytest.approx(40 + 350 * 0.7 / 75)
    assert all(isinstance(text, str) for text in document["assumptions"])
    bigger = Ran(capsys, "profile", "figures", path, "--battery", "120Ah", "--json").document()
    assert bigger["days_to_no_start"] == pytest.approx(2 * document["days_to_no_start"])
    less = Ran(capsys, "profile", "figures", path, "--no-start", "75%", "--json").document()
    assert less["days_to_no_start"] == pytest.approx(document["days_to_no_start"] / 2)
    text = Ran(capsys, "profile", "figures", path, "--supply", "14.4 V")
    assert "390.000 mA" in text.out
    assert "at 14.4 V" in text.out


@pytest.mark.parametrize(
    "options",
    [("--supply", "12"), ("--battery", "0Ah"), ("--supply", "-12V"), ("--no-start", "100%"), ("--wrong",)],
)
def test_wrong_options_are_misuse(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], options: tuple[str, ...]
) -> None:
    ran = Ran(capsys, "profile", "figures", write(tmp_path, GOOD), *options)
    assert (ran.status, ran.out) == (2, "")
    assert "Traceback" not in ran.err
    ran = Ran(capsys, "profile", "figures", write(tmp_path, GOOD), *options, "--json")
    assert (ran.status, ran.err) == (2, "")
    assert ran.document()["errors"]


def test_edges_in_json_and_in_text(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write(tmp_path, GOOD)
    ran = Ran(capsys, "profile", "edges", path, "--for", "75.7s", "--json")
    assert (ran.status, ran.err) == (0, "")
    assert ran.document() == {
        "edges": [
            {"t_s": 0.0, "level_ma": 390.0},
            {"t_s": 0.7, "level_ma": 40.0},
            {"t_s": 75.0, "level_ma": 390.0},
        ]
    }
    text = Ran(capsys, "profile", "edges", path, "--for", "75.7s").out.split("\n")
    assert [line.split() for line in text[:-1]] == [
        ["0.0000", "s", "390.000", "mA"],
        ["0.7000", "s", "40.000", "mA"],
        ["75.0000", "s", "390.000", "mA"],
    ]


def test_many_edges_are_one_document(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write(tmp_path, HEAD + "  - pulse: {draw: 50 mA, on: 1 ms, every: 2 ms}\n")
    edges = Ran(capsys, "profile", "edges", path, "--for", "3s", "--json").document()["edges"]
    assert len(edges) == 3000
    assert edges[-1] == {"t_s": 2.999, "level_ma": 11.0}


def test_seed_and_run(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write(tmp_path, HEAD + "  - random: {draw: 50 mA, on: 1 s, gap: 1 s .. 9 s}\nseed: 5\n")

    def times(*options: str) -> str:
        return Ran(capsys, "profile", "edges", path, "--for", "5min", *options).out

    assert times() == times("--seed", "5") == times("--run", "1")
    assert len({times(), times("--seed", "6"), times("--run", "2")}) == 3


@pytest.mark.parametrize(
    "options",
    [
        ("--for", "0s"),
        ("--for", "400d"),
        ("--for", "5"),
        ("--run", "0"),
        ("--seed", "-1"),
        ("--seed", "4294967296"),
    ],
)
def test_edges_out_of_range(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], options: tuple[str, ...]
) -> None:
    assert Ran(capsys, "profile", "edges", write(tmp_path, GOOD), *options).status == 2


def test_card_and_its_html(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = data.profile_path("radio-keepalive")
    out = tmp_path / "sheet.html"
    student = Ran(capsys, "profile", "card", path, "--out", out, "--json").document()
    assert set(student) == {"title", "sections"}
    assert all(set(section) == {"heading", "text"} for section in student["sections"])
    for secret in ("radio-keepalive", "310", "335", "45 s", "aerial"):
        assert secret not in json.dumps(student)
        assert secret not in out.read_text()
    key = Ran(capsys, "profile", "card", path, "--key", "--out", out)
    for secret in ("radio-keepalive", "310 mA", "45 s", "aerial"):
        assert secret in key.out
        assert secret in out.read_text()


def test_pack_writes_what_a_slot_takes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, out = write(tmp_path, GOOD), tmp_path / "a.bin"
    document = Ran(capsys, "profile", "pack", path, "--out", out, "--json").document()
    content = out.read_bytes()
    assert content == compile_profile(path)
    assert programs.unpack(content).name == "a"
    assert document == {
        "file": str(out),
        "bytes": len(content),
        "crc32": int.from_bytes(content[-4:], "little"),
    }


def test_nothing_is_written_over_the_profile_or_into_nowhere(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = write(tmp_path, GOOD)
    for command in ("pack", "card"):
        for out in (path, tmp_path, tmp_path / "absent" / "x", "nul\0byte"):
            ran = Ran(capsys, "profile", command, path, "--out", out)
            assert ran.status == 2
            assert "Traceback" not in ran.err
            assert "defect" not in ran.err
    assert path.read_text() == GOOD


@pytest.mark.parametrize("command", ["check", "figures", "card", "edges"])
def test_a_file_of_50_mb_is_refused_by_every_command(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], command: str
) -> None:
    path = tmp_path / "big.yaml"
    with path.open("wb") as stream:
        stream.truncate(50_000_000)
    ran = Ran(capsys, "profile", command, path)
    assert (ran.status, ran.out) == (2, "")
    assert ran.err == f"{path}:1:1: the file is larger than 1 MB, nothing was read\n"


def test_a_reader_that_leaves_early_is_no_failure_with_a_traceback(tmp_path: Path) -> None:
    path = write(tmp_path, HEAD + "  - pulse: {draw: 50 mA, on: 3 ms, every: 20 ms}\n")
    command = [sys.executable, "-m", "nightdraw", "profile", "edges", str(path), "--for", "30d"]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env={**os.environ}
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        assert process.stdout.readline().split() == [b"0.0000", b"s", b"61.000", b"mA"]
        process.stdout.close()
        assert process.stderr.read() == b""

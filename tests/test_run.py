"""run.py: what it makes, what it keeps, what it passes on; nothing is installed here."""

from __future__ import annotations

import importlib.util
import json
import os
import re
import tomllib
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from nightdraw import extras
from nightdraw.cli.main import NOUNS

from tests.tidy import TOP


@pytest.fixture
def script(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """run.py as a module, in a folder of its own, with every program that it calls written down."""
    spec = importlib.util.spec_from_file_location("run_script", TOP / "run.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    (tmp_path / "pyproject.toml").write_text("[project]\n")
    (tmp_path / "lock.txt").write_text(
        "numpy==2.0.1 ; python_version < '3.12' \\\n    --hash=x\nnumpy==2.4.0\nbuild==1.0\n"
    )
    (tmp_path / ".venv").mkdir()
    monkeypatch.setattr(module, "HERE", str(tmp_path))
    monkeypatch.setattr(module, "VENV", str(tmp_path / ".venv"))
    monkeypatch.setattr(module, "READY", str(tmp_path / ".venv" / "ready.json"))
    monkeypatch.setattr(module, "LOCK", str(tmp_path / "lock.txt"))
    monkeypatch.setattr(module, "usable", lambda: True)
    return module


@pytest.fixture
def calls(script: ModuleType, monkeypatch: pytest.MonkeyPatch) -> Callable[..., list[list[str]]]:
    """Let every called program end with the status that `ends` gives it; returns the list of calls."""

    def arrange(ends: Callable[[list[str]], int] = lambda words: 0) -> list[list[str]]:
        made: list[list[str]] = []

        def call(words: list[str], cwd: str | None = None) -> int:
            made.append(words)
            return ends(words)

        monkeypatch.setattr(script, "call", call)
        return made

    return arrange


def test_campaigns_run_whole_and_nothing_else(
    script: ModuleType, calls: Callable[..., list[list[str]]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NIGHTDRAW_WHOLE_CAMPAIGNS", "0")
    made = calls()
    assert script.campaigns(["-k", "digits"]) == 0
    assert made == [[script.python(), "-m", "pytest", "-m", "campaign", "-s", *script.SPREAD, "-k", "digits"]]
    assert os.environ["NIGHTDRAW_WHOLE_CAMPAIGNS"] == "1"


def installs(made: list[list[str]]) -> list[str]:
    """What pip was asked to install, call by call: extras of the project, or the lock."""
    asked = [words[-1] for words in made if "pip" in words and "--no-deps" not in words]
    return [
        "lock" if one.endswith("lock.txt") else one.partition("[")[1] + one.partition("[")[2] for one in asked
    ]


def test_an_old_python_is_told_which_one_is_needed(
    script: ModuleType, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(script.sys, "version_info", (3, 10, 13))
    assert script.main(["demo"]) == 2
    assert "needs Python 3.11 or later, this is 3.10.13" in capsys.readouterr().err


@pytest.mark.parametrize("words", [[], ["tset"]])
def test_misuse_shows_the_usage(script: ModuleType, calls: Any, words: list[str], capsys: Any) -> None:
    made = calls()
    assert script.main(words) == 2
    assert "usage:" in capsys.readouterr().err
    assert made == []


def test_the_environment_is_made_once_and_again_when_the_declaration_changes(
    script: ModuleType, calls: Any, tmp_path: Path
) -> None:
    made = calls()
    assert [script.main(["demo"]) for _ in range(2)] == [0, 0]
    assert installs(made) == ["[report]"]
    (tmp_path / "pyproject.toml").write_text("[project]\n# changed\n")
    assert script.main(["demo"]) == 0
    assert installs(made) == ["[report]", "[report]"]


def test_the_tests_need_more_than_the_demo_and_leave_it_working(script: ModuleType, calls: Any) -> None:
    made = calls()
    assert [script.main([word]) for word in ("demo", "test", "demo", "test")] == [0, 0, 0, 0]
    assert installs(made) == ["[report]", "lock"]


def test_a_command_of_the_program_gets_what_it_needs_and_no_more(script: ModuleType, calls: Any) -> None:
    made = calls()
    lines = (
        "profile check x",
        "box find",
        "capture pulses x",
        "capture plot x",
        "bank heat b",
        "bench record x",
    )
    assert [script.main(["nightdraw", *line.split()]) for line in lines] == [0] * len(lines)
    assert installs(made) == ["", "[bench]", "[bench,report]", "[bench,hardware,report]"]


def test_every_noun_says_what_it_needs(script: ModuleType) -> None:
    assert set(script.NEEDS) == set(NOUNS)
    for noun, extra in extras.NOUNS.items():
        assert script.NEEDS[noun] == [extra]


def test_a_changed_lock_makes_the_tests_environment_anew(
    script: ModuleType, calls: Any, tmp_path: Path
) -> None:
    made = calls()
    assert script.main(["test"]) == 0
    (tmp_path / "lock.txt").write_text("numpy==2.5.0\n")
    assert [script.main(["test"]) for _ in range(2)] == [0, 0]
    assert installs(made) == ["lock", "lock"]
    assert all("--require-hashes" in words for words in made if words[-1].endswith("lock.txt"))


def test_the_newest_is_tried_beside_and_what_differs_is_said(
    script: ModuleType, calls: Any, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    made = calls(lambda words: 1 if "pytest" in words else 0)
    has = [{"name": "numpy", "version": "2.6.0"}, {"name": "build", "version": "1.0"}]
    monkeypatch.setattr(script.subprocess, "check_output", lambda words: json.dumps(has).encode())
    assert script.main(["newest"]) == 1
    told = capsys.readouterr().err
    assert "numpy 2.6.0, the lock has 2.0.1 or 2.4.0" in told
    assert "build" not in told
    assert "tests failed (status 1)" in told
    assert all(".venv-newest" in " ".join(words) for words in made)
    assert not any(words[-1].endswith("lock.txt") for words in made)


def test_the_lock_pins_all_that_is_asked_for_and_names_no_place() -> None:
    text = (TOP / "tests" / "lock.txt").read_text("utf-8")
    assert "://" not in text
    assert "--index" not in text
    blocks = re.split(r"\n(?=\S)", text.strip())
    assert all(re.match(r"[a-z0-9-]+==\S+", block) and "--hash=sha256:" in block for block in blocks)
    pinned = {block.split("==")[0] for block in blocks}
    project = tomllib.loads((TOP / "pyproject.toml").read_text("utf-8"))["project"]
    asked = [
        *project["dependencies"],
        *(one for more in project["optional-dependencies"].values() for one in more),
    ]
    names = {re.split(r"[^\w.-]", line)[0].lower().replace("_", "-") for line in asked}
    assert names - {"nightdraw"} <= pinned, "renew it; DEVELOPERS.md has the command"


def test_the_boards_stubs_lie_apart(script: ModuleType, calls: Any, tmp_path: Path) -> None:
    made = calls()
    (tmp_path / "pyproject.toml").write_text('[dependency-groups]\ntypings = ["stubs==1"]\n')
    assert [script.main([word]) for word in ("demo", "test", "demo")] == [0, 0, 0]
    targets = [words[-2:] for words in made if "--target" in words]
    assert targets == [[str(tmp_path / ".venv" / "typings"), "stubs==1"]]


def test_a_failed_installation_is_passed_on_and_tried_again(script: ModuleType, calls: Any) -> None:
    made = calls(lambda words: 7 if "pip" in words else 0)
    assert [script.main(["demo"]) for _ in range(2)] == [7, 7]
    assert installs(made) == ["[report]", "[report]"]
    assert len(made) == 2, "the demo doesn't run without its packages"


def test_the_demo_gets_its_arguments_and_gives_its_status(script: ModuleType, calls: Any) -> None:
    made = calls(lambda words: 3 if "demo" in words else 0)
    assert script.main(["demo", "--out", "x"]) == 3
    assert made[-1][1:] == ["-m", "nightdraw", "demo", "--out", "x"]


def test_all_steps_of_the_tests_run_and_the_first_failure_is_the_status(
    script: ModuleType, calls: Any
) -> None:
    made = calls(lambda words: {"mypy": 4, "pytest": 5}.get(words[2], 0))
    assert script.main(["test", "-k", "pulse"]) == 4
    steps = [words[2:4] for words in made[2:]]
    assert steps[:2] == [["ruff", "check"], ["ruff", "format"]]
    assert [step[0] for step in steps] == ["ruff", "ruff", "mypy", "pytest"]
    assert made[-1][-2:] == ["-k", "pulse"]


def test_a_program_ended_by_a_signal_has_a_shells_status(script: ModuleType, monkeypatch: Any) -> None:
    monkeypatch.setattr(script.subprocess, "call", lambda words, cwd=None: -15)
    assert script.call(["x"]) == 143


def test_a_damaged_note_means_that_the_environment_is_made_again(script: ModuleType, calls: Any) -> None:
    made = calls()
    Path(script.READY).write_text("{")
    assert script.main(["demo"]) == 0
    assert len(installs(made)) == 1
    assert json.loads(Path(script.READY).read_text())["extras"] == ["report"]

"""run.py: what it makes, what it keeps, what it passes on; nothing is installed here."""

from __future__ import annotations

import importlib.util
import json
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

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
    (tmp_path / ".venv").mkdir()
    monkeypatch.setattr(module, "HERE", str(tmp_path))
    monkeypatch.setattr(module, "VENV", str(tmp_path / ".venv"))
    monkeypatch.setattr(module, "READY", str(tmp_path / ".venv" / "ready.json"))
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


def installs(made: list[list[str]]) -> list[str]:
    """What pip was asked to install, call by call."""
    return [words[-1].partition("[")[1] + words[-1].partition("[")[2] for words in made if "pip" in words]


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
    assert installs(made) == [""]
    (tmp_path / "pyproject.toml").write_text("[project]\n# changed\n")
    assert script.main(["demo"]) == 0
    assert installs(made) == ["", ""]


def test_the_tests_need_more_than_the_demo_and_leave_it_working(script: ModuleType, calls: Any) -> None:
    made = calls()
    assert [script.main([word]) for word in ("demo", "test", "demo", "test")] == [0, 0, 0, 0]
    assert installs(made) == ["", "[test]"]


def test_the_boards_stubs_lie_apart(script: ModuleType, calls: Any, tmp_path: Path) -> None:
    made = calls()
    (tmp_path / "pyproject.toml").write_text('[dependency-groups]\ntypings = ["stubs==1"]\n')
    assert [script.main([word]) for word in ("demo", "test", "demo")] == [0, 0, 0]
    targets = [words[-2:] for words in made if "--target" in words]
    assert targets == [[str(tmp_path / ".venv" / "typings"), "stubs==1"]]


def test_a_failed_installation_is_passed_on_and_tried_again(script: ModuleType, calls: Any) -> None:
    made = calls(lambda words: 7 if "pip" in words else 0)
    assert [script.main(["demo"]) for _ in range(2)] == [7, 7]
    assert installs(made) == ["", ""]
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
    steps = [words[2:4] for words in made[1:]]
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
    assert json.loads(Path(script.READY).read_text())["extras"] == [""]

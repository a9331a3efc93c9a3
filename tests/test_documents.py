"""README's commands run, and DEVELOPERS.md says what the code says."""

from __future__ import annotations

import json
import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests import documents, tidy

README = (tidy.TOP / "README.md").read_text("utf-8")
SHELL = re.compile(r"```sh\n(.*?)```", re.DOTALL)
SAVED = re.compile(r"```yaml\n# (\S+\.yaml)\n(.*?)```", re.DOTALL)
SCRIPT = re.compile(r"```python\n(.*?)```", re.DOTALL)
PORT = "5025"
STATUS = re.compile(r"#.*exit status (\d+)")
LIMIT_S = 120


def commands() -> list[tuple[list[str], int]]:
    """Every `nightdraw` command of README in order, with the exit status that its comment promises (or 0)."""
    lines = [line for block in SHELL.findall(README) for line in block.replace("\\\n", " ").splitlines()]
    found = []
    for line in lines:
        if line.startswith("nightdraw "):
            promised = STATUS.search(line)
            found.append((shlex.split(line, comments=True), int(promised[1]) if promised else 0))
    return found


@pytest.fixture
def desk(tmp_path: Path) -> Path:
    """A folder as README's reader has it: the project's data, and the files that README tells to save."""
    for name in ("profiles", "hardware"):
        shutil.copytree(tidy.TOP / name, tmp_path / name)
    for name, text in SAVED.findall(README):
        (tmp_path / name).write_text(text, "utf-8")
    return tmp_path


def test_the_commands_of_the_readme_run(desk: Path) -> None:
    listed = commands()
    assert len(listed) >= 8
    for words, status in listed:
        done = subprocess.run(
            [sys.executable, "-m", "nightdraw", *words[1:]],
            cwd=desk,
            env={**os.environ, "MPLBACKEND": "agg"},
            capture_output=True,
            text=True,
            timeout=LIMIT_S,
            check=False,
        )
        told = (
            f"{shlex.join(words)} ended with {done.returncode}:\n{done.stdout[-1500:]}{done.stderr[-1500:]}"
        )
        assert done.returncode == status, told


def test_the_script_of_the_readme_runs(desk: Path) -> None:
    (script,) = SCRIPT.findall(README)
    serve = [sys.executable, "-m", "nightdraw", "bench", "serve"]
    with subprocess.Popen(serve, cwd=desk, stdout=subprocess.PIPE, text=True) as server:
        try:
            assert server.stdout is not None
            address = json.loads(server.stdout.readline())["socket"]
            script = script.replace(PORT, address.rpartition(":")[2])
            done = subprocess.run(
                [sys.executable, "-c", script], capture_output=True, text=True, timeout=LIMIT_S, check=False
            )
        finally:
            server.terminate()
    assert done.returncode == 0, done.stderr
    identity, volts, amperes, error = done.stdout.splitlines()
    assert identity.count(",") == 3
    assert float(volts.removesuffix(" V")) == pytest.approx(12.6, abs=0.2)
    assert float(amperes.removesuffix(" A")) == pytest.approx(0.25, rel=0.02)
    assert error == '0,"No error"'


def test_the_readme_leads_with_the_two_commands() -> None:
    first = SHELL.search(README)
    assert first is not None
    assert [line.split("#")[0].strip() for line in first[1].splitlines()] == [
        "python run.py demo",
        "python run.py test",
    ]


def test_the_developers_page_says_what_the_code_says() -> None:
    page = documents.PAGE.read_text("utf-8")
    assert {found[2] for found in documents.PART.finditer(page)} == set(documents.PARTS)
    assert documents.renewed(page) == page, "renew it: python -m tests.documents"


def test_a_changed_table_would_be_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    page = documents.PAGE.read_text("utf-8")
    monkeypatch.delitem(documents.states.MOVES, ("idle", "arm"))
    assert documents.renewed(page) != page

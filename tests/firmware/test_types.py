"""mypy over the firmware, with the stubs of MicroPython's RP2040 port: a call that the board doesn't know is
found."""

from __future__ import annotations

import os
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from tests.micropython.runner import FIRMWARE, TOP

STUBS = tomllib.loads((TOP / "pyproject.toml").read_text("utf-8"))["dependency-groups"]["typings"]
CONFIG = Path(__file__).with_name("mypy.ini")
LIMIT_S = 300  # a registry that doesn't answer


@pytest.fixture(scope="module")
def stubs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The stubs' folder: `typings` in the environment where set-up put them there, else installed for this
    run.

    They must not lie in site-packages: they hold a machine.pyi and a time.pyi for all to see.
    """
    ready = Path(sys.prefix) / "typings"
    if (ready / "machine.pyi").exists():
        return ready
    folder = tmp_path_factory.mktemp("typings")
    command = [sys.executable, "-m", "pip", "install", "--quiet", "--target", str(folder), *STUBS]
    done = subprocess.run(command, capture_output=True, timeout=LIMIT_S, check=False)
    if done.returncode:
        pytest.skip(f"the board's stubs can't be installed here: {done.stderr.decode()[-300:]}")
    return folder


def check(stubs: Path, *paths: Path) -> list[str]:
    """mypy's errors in the given files and folders, and nothing about the stubs themselves."""
    options = [
        "--config-file",
        str(CONFIG),
        "--explicit-package-bases",
        "--no-error-summary",
        "--hide-error-context",
        "--cache-dir",  # of its own: with another typeshed's entries in it the host's next check breaks
        str(TOP / ".mypy_cache" / "board"),
    ]
    done = subprocess.run(
        [sys.executable, "-m", "mypy", *options, *map(str, paths)],
        env={**os.environ, "MYPYPATH": os.pathsep.join([str(stubs), str(FIRMWARE)])},
        cwd=TOP,
        capture_output=True,
        timeout=LIMIT_S,
        check=False,
    )
    lines = done.stdout.decode().splitlines()
    assert done.returncode in (0, 1), done.stdout.decode() + done.stderr.decode()
    return [line for line in lines if ": error:" in line and not line.startswith((str(stubs), "../"))]


def test_the_firmware_calls_only_what_the_board_has(stubs: Path) -> None:
    assert check(stubs, FIRMWARE / "boxcore", FIRMWARE / "main.py") == []


def test_a_call_that_the_board_does_not_know_is_found(stubs: Path, tmp_path: Path) -> None:
    source = (FIRMWARE / "boxcore" / "hal_rp2.py").read_text()
    planted = source.replace("machine.reset_cause()", "machine.reset_reason()", 1)
    assert planted != source
    wrong = tmp_path / "hal_wrong.py"
    wrong.write_text(planted)
    found = check(stubs, wrong)
    assert len(found) == 1
    assert "reset_reason" in found[0]

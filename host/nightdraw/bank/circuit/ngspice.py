"""Runs a SPICE deck in ngspice and reads what it prints; where there is no ngspice it says so.

Nothing here knows circuits.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import tempfile
from pathlib import Path

from nightdraw.errors import InputError

PROGRAM = "ngspice"
LONGEST_S = 120  # a deck takes a second; one that doesn't converge must not hang whoever asked
_LINE = re.compile(r"^[ \t]*(\S+)[ \t]*=[ \t]*([-+0-9.eE]+)(?:[ \t].*)?$", re.MULTILINE)

_TROUBLE = re.compile(
    r"(?i)\b(fatal|no convergence|interrupted|aborted|unknown|syntax error|out of interval|"
    r"measurement .*failed)\b"
)


def available() -> bool:
    """Whether ngspice is installed."""
    return shutil.which(PROGRAM) is not None


def run(deck: str) -> dict[str, list[float]]:
    """What the deck's print and meas lines say: name in small letters -> its values in order.

    Raises InputError without ngspice, or where the deck fails.
    """
    program = shutil.which(PROGRAM)
    if program is None:
        raise InputError("ngspice is not installed (Debian: apt-get install ngspice)")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "deck.cir"
        path.write_text(deck, encoding="utf-8")
        done = subprocess.run(
            [program, "-b", str(path)], capture_output=True, text=True, timeout=LONGEST_S, check=False
        )
    said = done.stdout + done.stderr
    if _TROUBLE.search(said):
        raise InputError(f"ngspice could not run the deck: {_why(said)}")
    found: dict[str, list[float]] = {}
    for name, value in _LINE.findall(done.stdout):
        found.setdefault(name.lower(), []).append(float(value))
    return found


def _why(said: str) -> str:
    lines = [line for line in said.splitlines() if _TROUBLE.search(line)]
    return "; ".join(lines[:3])

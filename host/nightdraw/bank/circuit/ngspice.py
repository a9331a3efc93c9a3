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
    r"(?im)\b(fatal|no convergence|timestep too small|interrupted|aborted|unknown|syntax error|"
    r"out of interval|measurement .*failed)\b|^ *m\S+ .*failed!"
)


class UnsolvedError(InputError):
    """ngspice is there but gives no answer to a deck."""


def available() -> bool:
    """Whether ngspice is installed."""
    return shutil.which(PROGRAM) is not None


def run(deck: str) -> dict[str, list[float]]:
    """What the deck's print and meas lines say: name in small letters -> its values in order.

    Raises InputError without ngspice, UnsolvedError where the deck fails.
    """
    program = shutil.which(PROGRAM)
    if program is None:
        raise InputError(
            "ngspice is not installed, and the circuit is simulated by it (Debian and its kin: "
            "apt-get install ngspice; other systems have a package of the same name)"
        )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "deck.cir"
        path.write_text(deck, encoding="utf-8")
        try:
            done = subprocess.run(
                [program, "-b", str(path)], capture_output=True, text=True, timeout=LONGEST_S, check=False
            )
        except subprocess.TimeoutExpired:
            raise UnsolvedError(f"ngspice did not come to an end in {LONGEST_S} s") from None
    output = done.stdout + done.stderr
    if _TROUBLE.search(output):
        raise UnsolvedError(f"ngspice could not run the deck: {_why(output)}")
    found: dict[str, list[float]] = {}
    for name, value in _LINE.findall(done.stdout):
        found.setdefault(name.lower(), []).append(float(value))
    return found


def _why(output: str) -> str:
    lines = [line for line in output.splitlines() if _TROUBLE.search(line)]
    return "; ".join(lines[:3])

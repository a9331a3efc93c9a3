"""KiCad's own judge for the tests: which version is here, and what its rules say of a project."""

from __future__ import annotations

import functools
import json
import os
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

MAJOR = "9."


@functools.cache
def version() -> str | None:
    """The version of kicad-cli, None where there is none."""
    if shutil.which("kicad-cli") is None:
        return None
    return subprocess.run(["kicad-cli", "version"], capture_output=True, text=True, check=True).stdout.strip()


NEEDED = pytest.mark.skipif(
    not (version() or "").startswith(MAJOR),
    reason="needs KiCad 9 (kicad-cli; Debian: kicad from the backports)",
)


def run(*words: str | Path, home: Path) -> None:
    """kicad-cli with a folder of its own for settings."""
    environment = os.environ | {"HOME": str(home), "KICAD_CONFIG_HOME": str(home / "kicad")}
    subprocess.run(
        ["kicad-cli", *map(str, words)], check=True, capture_output=True, text=True, env=environment
    )


def drc(board: Path, home: Path) -> list[str]:
    """What the design rules and the comparison with the schematic find, by kind; warnings too."""
    report = home / "drc.json"
    run(
        "pcb",
        "drc",
        "--schematic-parity",
        "--severity-all",
        "--format",
        "json",
        "-o",
        report,
        board,
        home=home,
    )
    found: dict[str, Any] = json.loads(report.read_text())
    return [
        each["type"]
        for part in ("violations", "unconnected_items", "schematic_parity")
        for each in found[part]
    ]


def erc(schematic: Path, home: Path) -> list[str]:
    """What the electrical rules find, by kind; warnings too."""
    report = home / "erc.json"
    run("sch", "erc", "--severity-all", "--format", "json", "-o", report, schematic, home=home)
    return [
        each["type"] for sheet in json.loads(report.read_text())["sheets"] for each in sheet["violations"]
    ]

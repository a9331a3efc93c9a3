"""Runs of a box in a training vehicle, recorded and compared through the command line, for several tests."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from nightdraw.cli import main

PROFILES = {
    "even": "  - steady: 40 mA\n  - pulse: {draw: 350 mA, on: 700 ms, every: 7.5 s}\n",
    "two": "  - steady: 22 mA\n  - pulse: {draw: 60 mA, on: 250 ms, every: 12 s}\n"
    "  - random: {draw: 450 mA, on: 300 ms .. 2 s, gap: 3 s .. 9 s, law: uniform}\n",
    "small": "  - steady: 15 mA\n  - pulse: {draw: 25 mA, on: 200 ms, every: 5 s}\n",
    "high": "  - steady: 190 mA\n  - pulse: {draw: 90 mA, on: 200 ms, every: 5 s}\n"
    "  - pulse: {draw: 333 mA, on: 500 ms, every: 13 s, first: 2 s}\n",
}


def profile(name: str, resume: str = "restart") -> Path:
    """A profile in the present folder."""
    path = Path(f"{name}.yaml")
    path.write_text(
        f"profile: p-{name}\nabout: A test's own.\nstart: {{when: power, after: 5 s}}\n"
        f"draws:\n{PROFILES[name]}resume: {resume}\nseed: 9\n"
    )
    return path


def script(*events: str) -> Path:
    """A script of events in the present folder."""
    path = Path("s.yaml")
    lines = "".join(f"  - {{{event}}}\n" for event in events)
    path.write_text(f"script: s\nabout: A test's own.\nbegins: asleep\nevents:\n{lines}")
    return path


def record(vehicle: str, box: str, seconds: int, *more: object) -> None:
    """Record into r.csv."""
    words = ["bench", "record", "--vehicle", vehicle, "--box", box, "--for", f"{seconds}s", "--out", "r.csv"]
    assert main.run([*words, *(str(word) for word in more)]) == 0


def compare(capsys: Any, *more: object) -> tuple[int, Any]:
    """Exit status and document of a comparison with r.csv."""
    capsys.readouterr()
    words = ["capture", "compare", "--recording", "r.csv", *(str(word) for word in more), "--json"]
    status = main.run(words)
    return status, json.loads(capsys.readouterr().out)


JOURNAL = ("--journal", "r.journal.jsonl")


def kinds(found: Any) -> set[str]:
    """The kinds of differences."""
    return {row["kind"] for row in found["differences"]}


def told(found: Any) -> str:
    """All messages of the differences."""
    return " | ".join(row["message"] for row in found["differences"])

"""Rehearsals on the bench: a good plan passes, and each thing that can spoil a lesson is named."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from nightdraw import data
from nightdraw.cli import main
from nightdraw.lesson.classfile import load_class
from nightdraw.lesson.model import Assignment, Plan
from nightdraw.lesson.planfile import write_plan

from tests.lesson.classes import small, write

SOON = """\
profile: {name}
start: {{when: supply-rest, below: {below}, steady: 10 s}}
draws:
  - steady: 25 mA
  - pulse: {{draw: 300 mA, on: 800 ms, every: 20 s}}
"""


def rehearsed(
    folder: Path, capsys: pytest.CaptureFixture[str], rows: list[Assignment], *words: str, **changes: Any
) -> tuple[int, dict[str, Any]]:
    """What `lesson rehearse --json` says of a plan of these rows."""
    of = load_class(write(folder, small(**{"time": "30 min", **changes})))
    path = folder / "plan.yaml"
    write_plan(path, Plan("by-hand", of, 1, tuple(rows), ""))
    capsys.readouterr()
    status = main.run(["lesson", "rehearse", str(path), *words, "--json"])
    return status, json.loads(capsys.readouterr().out)


def row(group: str, profile: str, splice: str, fuse: str, **changes: Any) -> Assignment:
    """An assignment on the first car."""
    box, kit = {"a": ("A", "K1"), "b": ("B", "K2")}[group]
    words = {"vehicle": "one", "box": box, "kit": kit, "slot": 0, "seed": 5, **changes}
    return Assignment(group=group, splice=splice, fuse=fuse, profile=profile, **words)


def test_two_boxes_on_one_car_do_what_they_should(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = [row("a", "radio-keepalive", "radio", "F2"), row("b", "glovebox-lamp", "tailgate", "F7")]
    status, said = rehearsed(tmp_path, capsys, rows)
    assert (status, said["ok"]) == (0, True), said
    assert [(one["group"], one["agree"], one["car_starts"]) for one in said["groups"]] == [
        ("a", True, True),
        ("b", True, True),
    ]
    assert all(one["found_by"] for one in said["groups"])
    assert 60 <= said["groups"][0]["starts_s"] <= 120
    status, said = rehearsed(tmp_path, capsys, rows, "--group", "b")
    assert [one["group"] for one in said["groups"]] == ["b"]


def test_a_fault_that_never_starts_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "low.yaml").write_text(SOON.format(name="low", below="12.0 V"))
    status, said = rehearsed(tmp_path, capsys, [row("a", "low", "radio", "F2")], faults=["low.yaml"])
    assert (status, said["ok"]) == (1, False)
    (one,) = said["groups"]
    assert one["agree"] is not True
    assert one["starts_s"] is None
    assert any("never starts" in text for text in one["wrong"])


def test_a_car_that_does_not_start_afterwards_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = data.shipped_paths("vehicles")[0].read_text()
    (tmp_path / "weak.yaml").write_text(text.replace("charge: 85 %", "charge: 50 %"))
    cars = [{"name": "one", "vehicle": "weak.yaml"}]
    status, said = rehearsed(tmp_path, capsys, [row("a", "glovebox-lamp", "radio", "F2")], vehicles=cars)
    assert status == 1
    (one,) = said["groups"]
    assert one["car_starts"] is False
    assert any("doesn't start at the end" in text for text in one["wrong"])


def test_a_kit_that_shows_nothing_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "blind.yaml").write_text("instruments: blind\n")
    kits = [{"kit": "K1", "instruments": "blind.yaml"}]
    rows = [row("a", "radio-keepalive", "radio", "F2")]
    status, said = rehearsed(tmp_path, capsys, rows, kits=kits)
    assert status == 1
    assert said["groups"][0]["found_by"] is None
    assert any("doesn't isolate" in text for text in said["groups"][0]["wrong"])


def test_an_unknown_group_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, said = rehearsed(tmp_path, capsys, [row("a", "radio-keepalive", "radio", "F2")], "--group", "x")
    assert status == 2
    assert "no such group" in said["errors"][0]["message"]

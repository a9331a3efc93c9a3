"""`nightdraw lesson book` as it is called: made, filled, listed, exported, erased; refused in words."""

from __future__ import annotations

import json
import random
from pathlib import Path

import pytest
from nightdraw.cli import main

from tests.lesson import made_entries as made

PLAN = """\
plan: spring
class: four-groups
seed: 5
assignments:
  - {group: g1, vehicle: car-1, splice: body, box: A, slot: 1, profile: sleepless-module, seed: 7, kit: K1}
  - {group: g2, vehicle: car-2, splice: gateway, box: B, slot: 1, profile: glovebox-lamp, seed: 8, kit: K2}
"""


@pytest.fixture
def call(capsys, tmp_path, monkeypatch):
    """Run `lesson book --json`; status and document."""
    monkeypatch.chdir(tmp_path)
    Path("plan.yaml").write_text(PLAN)

    def run(*words: str) -> tuple[int, dict]:
        status = main.run(["lesson", "book", *words, "--json"])
        return status, json.loads(capsys.readouterr().out)

    return run


def test_a_plan_and_marks_go_in_and_out(call, seed):
    entry = made.entry(random.Random(seed), ("code-one", "code-two"))
    Path("marks").mkdir()
    Path("marks/marks.json").write_text(json.dumps({"entry": entry.document()}))
    status, told = call("b.db", "--add", "plan.yaml", "--add", "marks", "--list")
    assert status == 0
    assert (told["lessons"], told["groups"], told["marks"]) == (2, 4, 2)
    assert told["list"][0]["plan"] == "spring"
    status, told = call("b.db", "--export", "out/csv")
    assert status == 0
    assert {Path(file).name for file in told["files"]} >= {"marking.csv", "assignment.csv"}
    status, told = call("b.db", "--erase", "four-groups/g1")
    assert (status, told["erased"], told["groups"]) == (0, 1, 3)


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("none.db",), "there is no such book"),
        (("plan.yaml",), "no record book"),
        (("b.db", "--add", "wrong.json"), "isn't the marks.json"),
        (("b.db", "--add", "none.yaml"), "none.yaml"),
        (("b.db", "--add", "plan.yaml", "--erase", "g9"), "no group g9"),
        (("b.db", "--add", "plan.yaml", "--export", "plan.yaml"), "is a file"),
        (("missing/b.db", "--add", "plan.yaml"), "folder isn't there"),
    ],
)
def test_wrong_calls_are_told(call, words, message):
    Path("wrong.json").write_text('{"entry": {"plan": 1}}')
    status, told = call(*words)
    assert status == 2
    assert message in json.dumps(told["errors"])

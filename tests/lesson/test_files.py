"""Class files and plans: what ships passes, mistakes are found at their places, plans are read back."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from nightdraw import data, places
from nightdraw.cli import main
from nightdraw.errors import InputError
from nightdraw.lesson.classfile import load_class
from nightdraw.lesson.entries import COLUMNS
from nightdraw.lesson.model import Assignment, Plan
from nightdraw.lesson.planfile import as_text, load_plan, write_plan

from tests.lesson.classes import small, write
from tests.lesson.made_lesson import ASKED
from tests.profile.made import plain

SCHEMA = json.loads((data.folder("profiles") / "classes" / "class.schema.json").read_text())


@pytest.mark.parametrize("path", data.shipped_paths("classes"), ids=lambda path: path.stem)
def test_shipped_classes_pass_schema_and_checker(path: Path) -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    jsonschema.validate(plain(places.read(path)[0]), SCHEMA)
    assert load_class(path.stem).name == path.stem
    assert main.run(["lesson", "check", str(path)]) == 0


def test_the_two_classes_are_those_that_were_promised() -> None:
    four, six = load_class("four-groups"), load_class("six-groups")
    assert (len(four.groups), len(four.cars), len(four.boxes)) == (4, 4, 4)
    assert (len(six.groups), len(six.cars), len(six.boxes)) == (6, 3, 6)


def test_what_is_left_out_has_the_contracts_defaults(tmp_path: Path) -> None:
    found = load_class(write(tmp_path, small()))
    assert [found.points[item] for item in ASKED] == [4, 2, 2, 2, 2, 2]
    assert (found.pass_pct, found.units, found.tolerances) == (60, "half", {})
    assert found.hints_s == (1800, 3600, 5400)
    assert found.fit == 0
    assert found.car("one").splices == ("body", "radio", "tailgate")


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"time": "3"}, "has no unit"),
        ({"time": None}, "lacks the key 'time'"),
        ({"timee": "3 h"}, "did you mean 'time'?"),
        ({"class": "Small"}, "is not a name of small letters"),
        ({"when": "tomorrow"}, "is no date and time"),
        ({"groups": []}, "must list 1 to 60 groups, not 0"),
        ({"groups": ["a", "a"]}, "stands on line 4 already"),
        ({"groups": ["A b"]}, "is not a code of small letters"),
        ({"groups": {"a": "b"}}, "must be a list, not a mapping"),
        ({"vehicles": [{"name": "one", "vehicle": "vehicle-9"}]}, "did you mean 'vehicle-"),
        ({"vehicles": [{"name": "x", "vehicle": "vehicle-1", "splices": "radyo"}]}, "did you mean 'radio'?"),
        ({"vehicles": [{"name": "x", "vehicle": "vehicle-1", "splices": []}]}, "must list at least 1"),
        ({"boxes": [{"box": "A", "board": "bench-12"}]}, "did you mean 'bench-12v'?"),
        ({"boxes": [{"box": "A", "identity": "7"}, {"box": "B", "identity": "7"}]}, "already"),
        ({"kits": [{"kit": "K", "instruments": "workshp"}]}, "did you mean 'workshop'?"),
        ({"faults": ["sleepless-modul"]}, "did you mean 'sleepless-module'?"),
        ({"faults": ["glovebox-lamp", "glovebox-lamp"]}, "already"),
        ({"points": {"circuit": "-1"}}, "whole number of 0 .. 100"),
        ({"points": dict.fromkeys(COLUMNS, "0")}, "above 0 for something"),
        ({"pass": "120 %"}, "must be 0 % .. 100 %"),
        ({"tolerance": {"current": "5 s"}}, "is a time"),
        ({"tolerance": {"curent": "5 %"}}, "did you mean 'current'?"),
        ({"units": "most"}, "must be one of half, none, full"),
        ({"hints": "60 min, 30 min"}, "each later than the one before"),
        ({"fit": "80 %"}, "at most 50 %"),
    ],
)  # fmt: skip
def test_each_mistake_is_found(tmp_path: Path, changes: dict[str, Any], said: str) -> None:
    path = write(tmp_path, small(**changes))
    with pytest.raises(InputError) as caught:
        load_class(path)
    texts = [finding.text() for finding in caught.value.findings]
    assert any(said in text for text in texts), texts
    assert all(text.startswith(str(path)) for text in texts)


def test_all_mistakes_come_at_once_with_those_of_the_files_named(tmp_path: Path) -> None:
    (tmp_path / "bad.yaml").write_text("profile: bad\ndraws: [{steady: 40}]\n")
    path = write(tmp_path, small(time="3", units="most", faults=["bad.yaml"]))
    with pytest.raises(InputError) as caught:
        load_class(path)
    files = [finding.file for finding in caught.value.findings]
    assert files == [str(path), str(path), str(tmp_path / "bad.yaml")]


def test_check_says_it_as_json_with_status_2(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write(tmp_path, small(time="3"))
    assert main.run(["lesson", "check", str(path), "--json"]) == 2
    document = json.loads(capsys.readouterr().out)
    assert document["ok"] is False
    assert (document["errors"][0]["line"], document["errors"][0]["column"]) == (2, 7)


def planned(path: Path) -> Plan:
    """A plan for `small`."""
    rows = (
        Assignment("a", "one", "radio", "F2", "A", 0, "radio-keepalive", 5, "K1", 100.25, 200.0, 3.5),
        Assignment("b", "one", "body", "F1", "B", 3, "glovebox-lamp", 4_294_967_295, "K2"),
    )
    return Plan("small-7", load_class(path), 7, rows, "")


def test_a_plan_is_read_back_as_it_was_written(tmp_path: Path) -> None:
    plan = planned(write(tmp_path, small()))
    elsewhere = tmp_path / "plans"
    elsewhere.mkdir()
    write_plan(elsewhere / "plan.yaml", plan)
    found = load_plan(elsewhere / "plan.yaml")
    assert found.assignments == plan.assignments
    assert (found.name, found.seed, found.of.name) == ("small-7", 7, "small")


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("splice: radio", "splice: radoi", "did you mean 'radio'?"),
        ("vehicle: one", "vehicle: three", "the class has no vehicle"),
        ("fuse: F2", "fuse: F3", "is on fuse F2"),
        ("box: B", "box: A", "given twice"),
        ("kit: K2", "kit: K1", "given twice"),
        ("group: b", "group: a", "given twice"),
        ("slot: 3", "slot: 10", "whole number of 0 .. 9"),
        ("seed: 4294967295", "seed: 4294967296", "whole number"),
        ("profile: radio-keepalive", "profile: radio-keepalve", "did you mean 'radio-keepalive'?"),
        ("expected_s: 100.25", "expected_s: nan", "0 or more"),
        ("class: 'class.yaml'", "class: 'clas.yaml'", "can't be used"),
    ],
)
def test_a_plans_mistakes_are_found(tmp_path: Path, old: str, new: str, said: str) -> None:
    path = tmp_path / "plan.yaml"
    text = as_text(planned(write(tmp_path, small())), path)
    assert old in text
    path.write_text(text.replace(old, new, 1))
    with pytest.raises(InputError) as caught:
        load_plan(path)
    assert any(said in finding.text() for finding in caught.value.findings)

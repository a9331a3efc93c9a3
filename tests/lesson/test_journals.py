"""Whose journal a file is: the surest sign counts, and of several files of one box the newest."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from nightdraw.errors import InputError
from nightdraw.lesson.journals import by_group, read_journals
from nightdraw.lesson.planfile import load_plan

from tests.lesson import made_lesson as made

SWAPPED = {"g1": "b", "g2": "a", "g3": "c"}  # groups that are called like other groups' boxes


def journal(profile: str = "even-pulse", **head: object) -> str:
    """A journal whose first line has more in it."""
    first, rest = made.journal([(0.0, 100.0)], profile).split("\n", 1)
    return json.dumps({**json.loads(first), **head}) + "\n" + rest


def found(folder: Path, plan_text: str, class_text: str = made.CLASS) -> dict[str, str]:
    """The file's name of each group."""
    path = made.write(folder, plan=plan_text)
    (folder / "by-hand.yaml").write_text(class_text.replace("UNITS", "half"))
    journals = read_journals(folder / "journals")
    return {group: one.path.name for group, one in by_group(load_plan(path), journals).items()}


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "journals").mkdir()
    return tmp_path


def write(folder: Path, **files: str) -> None:
    for name, text in files.items():
        (folder / "journals" / f"{name.replace('_', '.')}.jsonl").write_text(text)


def test_a_label_in_the_name_tells_even_where_groups_are_called_like_boxes(folder):
    plan, of = made.PLAN, made.CLASS
    for group, code in SWAPPED.items():
        plan, of = plan.replace(f"group: {group}", f"group: {code}"), of.replace(group, code)
    write(folder, A_one=journal(), B_two=journal(), C_three=journal())
    assert found(folder, plan, of) == {"b": "A.one.jsonl", "a": "B.two.jsonl", "c": "C.three.jsonl"}


def test_an_identity_is_believed_before_any_name(folder):
    of = made.CLASS.replace("{box: A}", "{box: A, identity: S1}").replace(
        "{box: B}", "{box: B, identity: S2}"
    )
    write(folder, A_x=journal(serial="S2"), B_x=journal(serial="S1"))
    assert found(folder, made.PLAN, of) == {"g1": "B.x.jsonl", "g2": "A.x.jsonl"}


def test_a_group_or_a_splice_tells_where_no_label_does(folder):
    write(folder, g1_run=journal(), night=journal("plain-steady", splice="radio"))
    assert found(folder, made.PLAN) == {"g1": "g1.run.jsonl", "g2": "night.jsonl"}


def test_of_several_the_one_of_the_later_date_counts(folder):
    def dated(utc: str) -> str:
        return (
            journal()
            + json.dumps({"kind": "clock", "boot": 1, "tick": 90_000, "t_s": 4.0, "utc": utc})
            + "\n"
        )

    write(folder, A_9=dated("2027-03-04T09:00:00Z"), A_1=dated("2027-03-04T11:00:00Z"))
    assert found(folder, made.PLAN) == {"g1": "A.1.jsonl"}


def test_all_that_is_wrong_in_a_folder_is_told_at_once(folder):
    write(folder, A="{}\n", B="no json\n", C=json.dumps({"kind": "edge"}) + "\n")
    with pytest.raises(InputError) as caught:
        read_journals(folder / "journals")
    assert len(caught.value.findings) == 3
    assert all(finding.file and finding.line for finding in caught.value.findings)
    with pytest.raises(InputError, match="no such folder"):
        read_journals(folder / "none")

"""`nightdraw lesson mark` as it is called: table, pages, book; misuse; hostile text in every column."""

from __future__ import annotations

import csv
import html
import json
import re
from pathlib import Path

import pytest
from nightdraw.cli import main
from nightdraw.lesson import marking, markpages
from nightdraw.lesson.answers import HEADER, Answer
from nightdraw.lesson.entries import COLUMNS
from nightdraw.lesson.planfile import load_plan
from nightdraw.report import web
from nightdraw.report.words import load_words

from tests.lesson import made_lesson as made
from tests.report.browser import Browser

HEAD = ",".join(HEADER) + "\n"
GOOD = (
    HEAD + "g1,F7,pulse,350 mA,700 ms,75 s,\ng2,F2,steady,0.28 mA,,,\ng3,F9,random,250 mA,,20 s .. 3 min,\n"
)


@pytest.fixture
def call(capsys, tmp_path, monkeypatch):
    """Run `lesson mark plan.yaml --json`; status and document."""
    monkeypatch.chdir(tmp_path)
    made.write(tmp_path)
    made.write_journals(tmp_path / "journals")

    def run(answers: str, *words: str):
        Path("answers.csv").write_text(answers)
        status = main.run(
            [
                "lesson",
                "mark",
                "plan.yaml",
                "--answers",
                "answers.csv",
                "--journals",
                "journals",
                *words,
                "--json",
            ]
        )
        return status, json.loads(capsys.readouterr().out)

    return run


def test_marks_come_as_a_table_pages_and_into_the_book(call, capsys):
    status, told = call(GOOD, "--out", "marks", "--book", "years.db")
    assert status == 0
    assert [(one["points"], one["of"], one["passed"]) for one in told["groups"]] == [
        (12.0, 14.0, True),
        (7.0, 10.0, True),
        (10.0, 14.0, True),
    ]
    keys = {"item", "points", "of", "claimed", "truth", "tolerance", "comment"}
    assert all(set(item) == keys for one in told["groups"] for item in one["items"])
    with Path("marks/marks.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [(row["group"], row["points"], row["passed"]) for row in rows] == [
        ("g1", "12.0", "yes"),
        ("g2", "7.0", "yes"),
        ("g3", "10.0", "yes"),
    ]
    assert {Path(file).name for file in told["files"]} >= {"g1.html", "g2.html", "g3.html", "class.html"}
    assert main.run(["lesson", "book", "years.db", "--add", "marks", "--json"]) == 0
    counts = json.loads(capsys.readouterr().out)
    assert (counts["lessons"], counts["groups"], counts["marks"]) == (1, 3, 3)


HOSTILE = [
    "=HYPERLINK(1)", "@SUM(A1)", "+1", "-1 A", "<script>alert(1)</script>", "1e999 A", "\u202egnp.csv",
    "' OR 1=1 --", "{why}", "{0}", "%s", "x" * 5000, "\\x00", "null", "\u00b1\u221e mA",
]  # fmt: skip


def test_hostile_text_in_any_column_is_a_sentence_and_nothing_else(call, tmp_path):
    (tmp_path / "none").mkdir()
    plan, words = load_plan("plan.yaml"), load_words()
    for column in COLUMNS:
        for text in HOSTILE:
            answer = Answer("g1", {**dict.fromkeys(COLUMNS, ""), column: text}, "a.csv", 2)
            found = marking.mark(plan, marking.Handed({"g1": answer}, {}, tmp_path / "none"), words)
            one = found[0]
            assert one.marks.points == 0
            item = next(item for item in one.marks.items if item.item == column)
            assert item.comment.isprintable()
            assert item.claimed.isprintable()
            pages = markpages.Pages(plan, found, marking.summary(plan, found), words)
            page = web.page(markpages.group_page(pages, one))
            assert "<script" not in page
            assert html.escape(item.claimed) in page


def test_hostile_answers_leave_no_formula_in_any_table(call, capsys):
    cells = ",".join('"' + text.replace('"', '""') + '"' for text in HOSTILE[:6])
    status, _ = call(f"{HEAD}g1,{cells}\n", "--out", "marks", "--book", "b.db")
    assert status == 0
    assert main.run(["lesson", "book", "b.db", "--export", "csv"]) == 0
    for path in (Path("marks/marks.csv"), *Path("csv").glob("*.csv")):
        assert not re.search(r'(^|,)"?[=+@]', path.read_text(), re.M), path


@pytest.mark.parametrize(
    ("answers", "words", "message"),
    [
        (HEAD + "g7,,,,,,\n", (), "no group"),
        (GOOD, ("--recordings", "nowhere"), "no folder nowhere"),
        (GOOD, ("--journals", "nowhere"), "no such folder of journals"),
        (GOOD, ("--out", "plan.yaml"), "is a file"),
        (GOOD, ("--words", "plan.yaml"), "no TOML"),
        (GOOD, ("--book", "plan.yaml"), "no record book"),
    ],
)
def test_wrong_calls_are_told(call, answers, words, message):
    status, told = call(answers, *words)
    assert status == 2
    assert message in json.dumps(told["errors"])


def test_a_translation_stands_on_the_pages_and_its_slips_are_told(call):
    Path("de.toml").write_text('language = "de"\n[mark]\nnone = "Keine Antwort."\n', encoding="utf-8")
    status, _ = call(HEAD, "--out", "marks", "--words", "de.toml")
    assert status == 0
    page = Path("marks/g1.html").read_text("utf-8")
    assert "Keine Antwort." in page
    assert '<html lang="de">' in page
    Path("bad.toml").write_text('[mark]\nnon = "x"\nnone = "{what}"\nunreadable = "{"\n')
    status, told = call(HEAD, "--words", "bad.toml")
    assert status == 2
    assert len(told["errors"]) == 3


def test_pages_fit_a_phone_and_a_screen_and_complain_of_nothing(call, tmp_path):
    call(GOOD, "--out", "marks")
    browser = Browser()
    try:
        for name in ("g1", "g2", "class"):
            for width in (400, 1280):
                browser.open(tmp_path / "marks" / f"{name}.html", width)
                assert browser.script("document.documentElement.scrollWidth") <= width
                assert browser.complaints() == []
    finally:
        browser.close()

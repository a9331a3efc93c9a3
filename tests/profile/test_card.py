"""The sheets: nothing of the answer on the student's, everything on the key, one page, nothing unescaped."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from nightdraw import data
from nightdraw.profile import card, load, sheet
from nightdraw.profile.describe import limits_text
from nightdraw.profile.table import MAX_COMPLAINT
from nightdraw.profile.timeline import edges
from nightdraw.report.words import load_words

from tests.profile.made import HEAD, documents, dump, write
from tests.report.browser import PROGRAM, Browser

SHIPPED = data.profile_paths()
PAGE_MM = 297 - 2 * 14  # A4 without the sheet's own margins
LINE_MM = 9.5 * 1.35 * 25.4 / 72
CHARACTERS = 95  # of 9.5 pt on 178 mm, at 0.56 em each: a wide guess


@given(documents())
def test_the_students_sheet_depends_on_the_complaint_alone(
    tmp_path_factory: pytest.TempPathFactory, document: dict[str, Any]
) -> None:
    path = write(tmp_path_factory.getbasetemp(), dump(document), "card.yaml")
    other = load(write(path.parent, HEAD + "  - steady: 40 mA\n", "other.yaml"))
    assert card.student(load(path)) == card.student(other)
    complaint = load(write(path.parent, dump({**document, "complaint": "It smells."}), "card.yaml"))
    changed = [
        (mine.heading, mine.text)
        for mine, theirs in zip(card.student(complaint).sections, card.student(other).sections, strict=True)
        if mine != theirs
    ]
    assert changed == [("The complaint", "It smells.")]


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_shipped_complaints_tell_no_number_and_no_name(path: Path) -> None:
    profile = load(path)
    assert profile.complaint
    assert not re.search(r"[0-9]", profile.complaint), "a figure would be half of the answer"
    words = {word for word in profile.name.split("-") if word not in ("battery", "module")}
    assert not words & set(re.findall(r"[a-z]+", profile.complaint.lower()))
    text = sheet.as_text(card.student(profile))
    assert profile.name not in text
    assert profile.about not in text


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_the_key_tells_fault_levels_timeline_figures_and_cautions(path: Path) -> None:
    profile = load(path)
    text = " ".join(sheet.as_text(card.key(profile)).split())
    assert profile.name in text
    assert profile.about in text
    assert f"between pulses {profile.base_ua() / 1000:g} mA" in text
    for tick, level in list(edges(profile, 3600 * 10_000))[:5]:
        assert f"{tick / 10_000:.4f} s {level / 1000:g} mA" in text
    headings = [section.heading for section in card.key(profile).sections]
    assert "How it shows" in headings
    assert "In figures" in headings
    assert "Cautions" in headings


def test_the_key_shows_the_run_that_was_asked_for() -> None:
    profile = load(data.profile_path("telematics-search"))
    first, second = (card.key(profile, run).sections[3] for run in (1, 2))
    assert first.heading == "Timeline of run 1, seed 106"
    assert second.heading == "Timeline of run 2, seed 106"
    assert first.text != second.text


CAUTIONS = (
    "eye protection",
    "no sparks",
    "negative",
    "airbag",
    "high-voltage",
    "48 v",
    "highest",
    "in line while a door opens",
    "differential or isolated",
    "battery",
    "maker's procedure",
    "local codes",
    "licensed technician",
)
INSTRUCTORS = (
    "training vehicles only",
    "visible tag",
    "signed removal",
    "dual-battery",
    "overnight",
    "carpet",
    "fuse at the source",
    "scan and clear",
    "relearns",
)


def test_both_sheets_carry_the_usual_cautions() -> None:
    profile = load(SHIPPED[0])
    student = " ".join(sheet.as_text(card.student(profile)).lower().split())
    key = " ".join(sheet.as_text(card.key(profile)).lower().split())
    assert [caution for caution in CAUTIONS if caution not in student] == []
    assert [caution for caution in CAUTIONS + INSTRUCTORS if caution not in key] == []


def test_what_a_fuse_drops_is_ohms_law() -> None:
    key = sheet.as_text(card.key(load(data.profile_path("sleepless-module"))))
    assert "10 A 2.156 / 2.156" in " ".join(key.split())


@pytest.mark.parametrize(
    ("draws", "said"),
    [
        ("  - steady: 40 mA\n", "the same reading all the time"),
        ("  - pulse: {draw: 50 mA, on: 50 ms, every: 9 s}\n", "under 100 ms slip past MIN/MAX"),
        ("  - pulse: {draw: 50 mA, on: 500 ms, every: 9 s}\n", "MAX catches the pulses"),
        ("  - pulse: {draw: 50 mA, on: 100 ms, every: 200 ms}\n", "their mean, 36.0 mA"),
    ],
)
def test_what_a_meter_shows(tmp_path: Path, draws: str, said: str) -> None:
    assert said in " ".join(sheet.as_text(card.key(load(write(tmp_path, HEAD + draws)))).split())


def height_mm(made: card.Card) -> float:
    """The printed height of a sheet, from its own style and a wide guess of the letters' width."""
    height = 15 * 1.35 * 25.4 / 72 + 5
    for section in made.sections:
        height += 10.5 * 1.35 * 25.4 / 72 + 3.8
        for line in section.text.split("\n"):
            height += -(-len(line) // CHARACTERS) * LINE_MM + (2.4 if "___" in line else 0.8)
    return height


def test_the_students_sheet_is_one_page_even_with_the_longest_complaint(tmp_path: Path) -> None:
    text = HEAD + "  - steady: 40 mA\ncomplaint: " + "word " * (MAX_COMPLAINT // 5 - 1) + "\n"
    student = card.student(load(write(tmp_path, text)))
    assert height_mm(student) < PAGE_MM
    lines = sheet.as_text(student).split("\n")
    assert len(lines) <= 66, "a printer's page"
    assert max(map(len, lines)) <= 110


class Tags(HTMLParser):
    """Collects what a page loads and whether its tags close."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert tag not in ("script", "link", "img", "iframe")
        assert not {name for name, _ in attrs} & {"src", "href", "onload"}
        if tag != "meta":
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.text += data


def test_the_html_is_whole_escaped_and_needs_nothing_else(tmp_path: Path) -> None:
    evil = '<script>alert(1)</script> & "quotes" </style>'
    text = HEAD + f"  - steady: 40 mA\ncomplaint: '{evil}'\nabout: '{evil}'\n"
    for made in (card.student(load(write(tmp_path, text))), card.key(load(write(tmp_path, text)))):
        html = sheet.as_html(made)
        page = Tags()
        page.feed(html)
        page.close()
        assert page.open == []
        assert evil in page.text
        assert "@import" not in html
        assert "url(" not in html
        assert "size: A4" in html


@pytest.mark.skipif(PROGRAM is None, reason="needs chromium")
def test_the_sheets_fit_a_phone_and_a_desk(tmp_path: Path) -> None:
    profile = load(data.profile_path("telematics-search"))
    browser = Browser()
    try:
        for made in (card.student(profile), card.key(profile)):
            (tmp_path / "card.html").write_text(sheet.as_html(made), "utf-8")
            for width in (400, 1280):
                browser.open(tmp_path / "card.html", width)
                assert browser.script("document.documentElement.scrollWidth") <= width, made.title
    finally:
        browser.close()


@given(documents())
def test_every_profile_has_both_sheets(
    tmp_path_factory: pytest.TempPathFactory, document: dict[str, Any]
) -> None:
    profile = load(write(tmp_path_factory.getbasetemp(), dump(document), "sheets.yaml"))
    for made in (card.student(profile), card.key(profile)):
        assert made.document()["title"] == made.title
        assert all(section.heading and section.text for section in made.sections)
        assert sheet.as_html(made)


def test_every_limit_stands_in_words() -> None:
    held = load(data.profile("telematics-search")).limits
    words = load_words()
    for name, value in vars(held).items():
        assert limits_text(replace(held, **{name: value // 2}), words) != limits_text(held, words), name

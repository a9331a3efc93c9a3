"""Sheets and keys: one page, no answer on a sheet, everything on a key, a form that saves what is marked."""

from __future__ import annotations

import json
import re
from io import BytesIO
from pathlib import Path

import pypdf
import pytest
from nightdraw.cli import main
from nightdraw.lesson import keys, sheets
from nightdraw.lesson.answers import read_answers
from nightdraw.lesson.fitting import played
from nightdraw.lesson.planfile import load_plan
from nightdraw.report import handout as ho
from nightdraw.report import paper, web
from nightdraw.report.words import load_words

from tests.lesson import made_lesson as made
from tests.lesson import secrets
from tests.report.browser import Browser


@pytest.fixture
def plan(tmp_path):
    return load_plan(made.write(tmp_path))


@pytest.fixture(scope="module")
def browser():
    found = Browser()
    yield found
    found.close()


def test_files_are_apart_for_students_and_instructor_and_no_sheet_tells(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(keys.Key, "_png", lambda self: TINY)  # the picture has a test of its own
    plan = load_plan(made.write(tmp_path))
    assert main.run(["lesson", "sheets", "plan.yaml", "--out", "out", "--json"]) == 0
    files = json.loads(capsys.readouterr().out)["files"]
    assert len(files) == 3 * 2 * 2
    for one in plan.assignments:
        hidden = secrets.of(plan, one)
        hidden["fuse"] = [one.fuse]
        mine = [row for row in files if row["group"] == one.group]
        for row in mine:
            found = secrets.told(secrets.unpacked(Path(row["file"])), hidden)
            if row["for"] == "student":
                assert "/students/" in row["file"]
                assert found == []
            else:
                kinds = {what for what, _ in found}
                assert "TRAINING LOAD FITTED" in secrets.unpacked(Path(row["file"]))
                assert kinds >= {"profile", "fuse", "levels"} | ({"times"} if hidden["times"] else set())
    # Nothing of another group either.
    for row in files:
        if row["for"] == "student":
            text = secrets.unpacked(Path(row["file"]))
            assert not [one for one in plan.assignments if secrets.told(text, secrets.of(plan, one))]


def test_the_same_sheet_is_the_same_bytes(plan):
    page = sheets.sheet(plan, plan.assignments[0], load_words())
    assert paper.pdf(page) == paper.pdf(page)
    assert web.page(page) == web.page(page)


@pytest.mark.parametrize("size", ho.PAPERS_MM)
def test_a_sheet_is_one_page_of_its_paper(plan, size):
    for one in plan.assignments:
        reader = pypdf.PdfReader(BytesIO(paper.pdf(sheets.sheet(plan, one, load_words()), size)))
        assert len(reader.pages) == 1
        box = reader.pages[0].mediabox
        wide, high = (float(value) / 72 * 25.4 for value in (box.width, box.height))
        assert (wide, high) == pytest.approx(ho.PAPERS_MM[size], abs=0.1)
        text = " ".join(reader.pages[0].extract_text().split())
        assert one.group in text
        assert "Eye protection" in text
        assert "licensed technician" in text


@pytest.mark.parametrize("size", ho.PAPERS_MM)
def test_a_key_breaks_between_sections_and_leaves_no_page_nearly_empty(plan, size):
    """The run's edges stand below their picture; each page bears a third of the lines at least."""
    words = load_words()
    page = keys.Key(plan, plan.assignments[0], words).handout()
    pages = [one.extract_text() for one in pypdf.PdfReader(BytesIO(paper.pdf(page, size))).pages]
    heads = [block.text for block in page.blocks if isinstance(block, ho.Heading)]
    at = {head: next(k for k, text in enumerate(pages) if head in text) for head in heads}
    assert list(at.values()) == sorted(at.values())
    shown = pages[at[words("key.picture")]]
    assert words("key.timeline") in " ".join(shown.split())
    assert len(pages) <= 2
    lines = [len(text.splitlines()) for text in pages]
    assert min(lines) >= sum(lines) / 3 / len(pages)


def test_a_sheet_asks_in_the_order_in_which_that_kit_measures(plan):
    """Battery first, asleep before any reading, fuses compared before one is pulled, the engine last."""
    names = [name for name, _ in sheets.steps(plan.of.kit("K1").instruments, plan.of.car("car-1").vehicle)]
    assert names == [
        "rest", "sleep", "asleep", "highest", "lowest", "record", "pulses", "starts", "drops", "out", "back",
        "done",
    ]  # fmt: skip


def test_a_keys_readings_follow_kirchhoff_by_hand(plan):
    """g2: 280 mA steady behind F2, 15 A of type F (4.58 mohm): 1.29 mV with the radio's own 1.5 mA.

    The bank makes 280 mA in steps, so within 3 %; vehicle-1 has 13.6 mA of its own, and the other groups'
    boxes on it draw 40 mA and 11 mA between their pulses: 64.6 mA.
    """
    key = keys.Key(plan, plan.assignment("g2"), load_words())
    own_a, base_a, high_a = key._at()
    assert own_a == pytest.approx(0.0646, rel=0.02)
    assert base_a == high_a == pytest.approx(0.3446, rel=0.03)
    assert re.search(r"F2: 1\.2\d mV|F2: 1\.3\d mV", key._at_drops())
    # Without F2 there is neither the fault nor the radio's own 1.5 mA.
    assert key._at_out().startswith("63.1 mA")


def test_a_key_has_the_same_steps_as_the_sheet_and_all_that_an_instructor_needs(plan):
    words = load_words()
    for one in plan.assignments:
        key = keys.Key(plan, one, words)
        rows = next(block for block in key._readings() if isinstance(block, ho.Table)).rows
        steps = sheets.steps(key.search.kit, key.vehicle)
        assert [row[0] for row in rows] == [
            f"{k}. {words(f'sheet.step.{name}')}" for k, (name, _) in enumerate(steps, start=1)
        ]
        hints = next(block for block in key._hints() if isinstance(block, ho.Facts)).rows
        assert [name for name, _ in hints] == [
            "after 30 min",
            "after 60 min",
            "after 90 min",
            "a pulled fuse costs",
        ]
        assert one.fuse not in hints[0][1]
        assert "wakes" in hints[-1][1]


def test_the_picture_is_what_the_bench_records_for_that_group(plan):
    one = plan.assignment("g1")
    key = keys.Key(plan, one, load_words())
    assert key.shown_s() == pytest.approx(3.5 * 75)
    png = key._png()
    assert png.startswith(b"\x89PNG")
    assert len(png) > 5000


def test_the_form_saves_what_lesson_mark_reads(plan, browser, tmp_path):
    page = sheets.sheet(plan, plan.assignments[0], load_words())
    path = tmp_path / "sheet.html"
    path.write_text(web.page(page), encoding="utf-8")
    browser.open(path)
    saved = browser.script(
        """(() => {
          let text = null;
          const make = URL.createObjectURL;
          URL.createObjectURL = (blob) => { text = blob.text(); return make(blob); };
          const set = (name, value) => {
            const field = document.querySelector(`[name="${name}"]`);
            field.value = value;
            field.dispatchEvent(new Event("input", {bubbles: true}));
          };
          set("circuit", "F7"); set("kind", "pulse"); set("current", "350");
          const said = document.getElementById("said-current").textContent;
          set("current", "350 mA"); set("reading.1", "12.5 V"); set("evidence", "<b>&.csv");
          document.querySelector("button[type=submit]").click();
          return text.then((t) => [said, t, document.getElementById("status").textContent]);
        })()"""
    )
    assert "unit is missing" in saved[0]
    assert saved[2].startswith("Saved")
    assert browser.complaints() == []
    (tmp_path / "answer-g1.json").write_text(saved[1], encoding="utf-8")
    answer = read_answers([tmp_path / "answer-g1.json"], plan.of.groups)["g1"]
    assert answer.texts == made.texts("F7", "pulse", "350 mA", "", "", "<b>&.csv")
    assert json.loads(saved[1])["readings"]["1"] == "12.5 V"


@pytest.mark.parametrize("width", [400, 1280])
def test_sheet_and_key_fit_a_phone_and_a_screen(plan, browser, tmp_path, width, monkeypatch):
    monkeypatch.setattr(keys.Key, "_png", lambda self: TINY)
    one, words = plan.assignments[0], load_words()
    for page in (sheets.sheet(plan, one, words), keys.Key(plan, one, words).handout()):
        path = tmp_path / "page.html"
        path.write_text(web.page(page), encoding="utf-8")
        browser.open(path, width)
        assert browser.script("document.documentElement.scrollWidth") <= width
        assert browser.complaints() == []
        small = browser.script(
            "[...document.querySelectorAll('input,select,button')].filter(e => e.offsetHeight < 36).length"
        )
        assert small == 0


def test_letters_of_any_language_are_set_in_a_font_that_has_them():
    page = ho.Handout("\u0160koln\u00ed auto \u03a9", "\u0434-1", "", (ho.Text("\u010derven\u00fd \u2248"),))
    text = pypdf.PdfReader(BytesIO(paper.pdf(page))).pages[0].extract_text()
    assert "\u0160koln\u00ed auto \u03a9" in text
    assert "\u010derven\u00fd" in text


def test_hostile_text_on_a_page_is_text():
    nasty = "<script>alert(1)</script> </style> & \x1b[2J \u202e <b>"
    blocks = (
        ho.Text(nasty), ho.Bullets((nasty,), 2), ho.Facts(((nasty, nasty),)), ho.Caution(nasty, (nasty,)),
        ho.Table((nasty,), ((nasty,),), (1,)), ho.Blank(nasty, 10), ho.Heading(nasty),
    )  # fmt: skip
    page = ho.Handout(nasty, nasty, nasty, blocks, nasty)
    assert "<script>alert" not in web.page(page)
    assert "\x1b" not in web.page(page)
    text = pypdf.PdfReader(BytesIO(paper.pdf(page))).pages[0].extract_text()
    assert "<script>alert(1)</script>" in text


def test_a_complaint_stands_on_the_sheet_as_its_author_wrote_it(tmp_path):
    path = made.write(tmp_path)
    profile = tmp_path / "even-pulse.yaml"
    profile.write_text(profile.read_text().replace("start:", "complaint: It was flat on Monday.\nstart:"))
    plan = load_plan(path)
    assert played(plan, plan.assignments[0]).complaint
    text = sheets.complaint(plan, plan.assignments[0], load_words())
    assert text == "\u201cIt was flat on Monday.\u201d"


TINY = bytes.fromhex(
    "89504e470d0a1a0a0000000d49484452000000010000000108060000001f15c4890000000d4944415478da63fcff9fa11e00078202"
    "7f3fc8ef420000000049454e44ae426082"
)

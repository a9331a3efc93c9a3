"""Every text of a lesson's pages is in the texts file: with made-up words in it, pages have no others."""

from __future__ import annotations

import html.parser
import re
from collections.abc import Iterator
from dataclasses import replace
from io import BytesIO
from pathlib import Path

import pypdf
import pytest
from nightdraw import data, units
from nightdraw.bench import findable
from nightdraw.bench.finding import pulling
from nightdraw.lesson import evidence, labels, marking, markpages, practice
from nightdraw.lesson.answers import Answer
from nightdraw.lesson.classfile import load_class
from nightdraw.lesson.journals import by_group, read_journals
from nightdraw.lesson.keys import METHODS, Key
from nightdraw.lesson.model import Assignment, Plan
from nightdraw.lesson.planfile import load_plan
from nightdraw.lesson.sheets import sheet
from nightdraw.report import handout as ho
from nightdraw.report import paper, web
from nightdraw.report.words import SHIPPED, Words, load_words

from tests.lesson import made_lesson as made
from tests.lesson.test_mark import BY_HAND

MARK = "\u017e"  # a letter that no English text has
LONGER = 3  # letters: shorter ones are units, forms of paper, names of fuses
# The same in every language: parts of files' names, the notation of a range, the program's name.
SAME = {"csv", "recording", "practice", "answer", "low", "high", "nightdraw"}
TINY = bytes.fromhex(
    "89504e470d0a1a0a0000000d49484452000000010000000108060000001f15c4890000000d4944415478da63fcff9fa11e00078202"
    "7f3fc8ef420000000049454e44ae426082"
)


@pytest.fixture(scope="module")
def marked_words(tmp_path_factory: pytest.TempPathFactory) -> Words:
    """The texts file with every entry replaced by its number and its places."""
    lines = []
    for number, (key, text) in enumerate(sorted(load_words().texts.items())):
        places = " ".join(dict.fromkeys(re.findall(r"\{[^{}]*\}", text)))
        lines.append(f'{".".join(f"{part!r}" for part in key.split("."))} = "{MARK}{number} {places}"')
    path = tmp_path_factory.mktemp("words") / "made-up.toml"
    path.write_text("\n".join(lines), encoding="utf-8")
    return load_words(path)


def known(plan: Plan) -> set[str]:
    """Words that are names or units: the class's own, and the units of quantities."""
    of = plan.of
    names = [of.name, of.title, plan.name, "Nightdraw", *of.groups]
    for car in of.cars:
        vehicle = car.vehicle
        names += [car.name, *(fuse.name for fuse in vehicle.fuses), *(feed.name for feed in vehicle.feeds)]
        names += [feed.main.name for feed in vehicle.feeds if feed.main is not None]
        names += [splice.name for splice in vehicle.splices] + [twitch.name for twitch in vehicle.twitches]
    for fault in of.faults:
        names += [fault.name, fault.written.complaint]
    names += [box.label for box in of.boxes] + [kit.name for kit in of.kits]
    names += [unit for those in units.UNITS.values() for unit in those]
    return {word for name in names for word in re.findall(r"[a-z]+", name.lower())} | SAME


class _Visible(html.parser.HTMLParser):
    """What a reader of a page gets: texts, and the attributes that are shown or read out."""

    def __init__(self) -> None:
        super().__init__()
        self.texts: list[str] = []
        self._hidden = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._hidden += tag in ("style", "script")
        shown = ("placeholder", "aria-label", "alt", "title", "data-label")
        self.texts += [value for name, value in attrs if name in shown and value]

    def handle_endtag(self, tag: str) -> None:
        self._hidden -= tag in ("style", "script")

    def handle_data(self, data: str) -> None:
        self.texts += [] if self._hidden else [data]


def words_of(page: ho.Handout) -> Iterator[str]:
    """All words on a page in a browser, and what its form says later."""
    form = page.form
    told = [] if form is None else [form.save, form.saved, form.unsaved, form.unit]
    seen = _Visible()
    seen.feed(web.page(page))
    for text in (*told, *seen.texts):
        yield from re.findall(r"[^\W\d_]+", text)


def paper_text(page: ho.Handout) -> str:
    """What a page says on paper; the blocks are the same as in a browser."""
    return "".join(one.extract_text() for one in pypdf.PdfReader(BytesIO(paper.pdf(page))).pages)


def untranslated(page: ho.Handout, plan: Plan, more: set[str] = frozenset()) -> list[str]:
    """Words on a page that are neither from the texts file nor names nor units."""
    allowed = known(plan) | more
    found = dict.fromkeys(word for word in words_of(page) if len(word) >= LONGER and MARK not in word)
    return [word for word in found if word.lower() not in allowed]


def assert_translated(page: ho.Handout, plan: Plan, more: set[str] = frozenset()) -> None:
    """A page without a word of its own, in which the texts file's words are seen."""
    assert untranslated(page, plan, more) == []
    assert any(MARK in word for word in words_of(page))


def test_the_check_sees_an_english_word(tmp_path: Path, marked_words: Words) -> None:
    """What would escape it: nothing that the shipped texts say."""
    plan = load_plan(made.write(tmp_path))
    assert len(untranslated(sheet(plan, plan.assignments[0], load_words()), plan)) > 100
    page = ho.Handout("\u017e1", "g1", "", (ho.Text("left"),))
    assert untranslated(page, plan) == ["left"]


def shipped() -> Iterator[tuple[Plan, Assignment]]:
    """Every fault of a class that ships, in its cars and with its kits by turns."""
    of = load_class(data.shipped("classes", "six-groups"))
    for k, fault in enumerate(of.faults):
        car, kit = of.cars[k % len(of.cars)], of.kits[k % len(of.kits)]
        splice = car.vehicle.splice(car.splices[k % len(car.splices)])
        assert splice is not None
        one = Assignment(
            of.groups[0],
            car.name,
            splice.name,
            splice.fuse,
            "A",
            0,
            fault.name,
            k,
            kit.name,
            100.0,
            200.0,
            3.0,
        )
        yield Plan("made", of, 1, (one,), ""), one


def assert_all_translated(plan: Plan, one: Assignment, words: Words) -> None:
    """Sheet, key, label and practice page of a group."""
    assert_translated(sheet(plan, one, words), plan)
    assert_translated(Key(plan, one, words).handout(), plan)
    label = ho.Handout("", "", "", (ho.Bullets(tuple(labels.lines(plan, one, words))),))
    assert_translated(label, plan)
    page = practice.situation(plan, one, practice.sets(plan, one), words)
    assert_translated(page, plan, {"battery"})


def test_sheets_and_keys_and_labels_are_all_of_the_texts_file(
    tmp_path: Path, marked_words: Words, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Key, "_png", lambda self: TINY)  # a picture's axis has units alone
    plan = load_plan(made.write(tmp_path))
    for one in plan.assignments:
        assert_all_translated(plan, one, marked_words)
    assert MARK in paper_text(sheet(plan, plan.assignments[0], marked_words))


@pytest.mark.campaign
def test_so_are_those_of_the_faults_that_ship(marked_words: Words, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Key, "_png", lambda self: TINY)
    for plan, one in shipped():
        assert_all_translated(plan, one, marked_words)


def test_marks_and_the_class_summary_are_all_of_the_texts_file(tmp_path: Path, marked_words: Words) -> None:
    """The answers that are marked by hand: every sentence that they get."""
    plan = load_plan(made.write(tmp_path))
    made.write_journals(tmp_path / "journals")
    (tmp_path / "recordings").mkdir()
    (tmp_path / "recordings" / "bad.csv").write_text("nothing of use")
    journals = by_group(plan, read_journals(tmp_path / "journals"))
    for row in BY_HAND:
        for name in ("", "bad.csv", "none.csv", "../bad.csv"):
            texts = made.texts(*row[1:6], name)
            answers = {row[0]: Answer(row[0], texts, "answers.csv", 2)}
            handed = marking.Handed(answers, {} if name else journals, tmp_path / "recordings")
            found = marking.mark(plan, handed, marked_words)
            if name and row is not BY_HAND[0]:
                continue  # the evidence's sentences are told once
            pages = markpages.Pages(plan, found, marking.summary(plan, found), marked_words)
            theirs = {word for text in texts.values() for word in re.findall(r"[a-z]+", text.lower())}
            mine = next(one for one in found if one.one.group == row[0])
            assert_translated(markpages.group_page(pages, mine), plan, theirs)
    assert_translated(markpages.class_page(pages), plan)


def test_every_method_of_finding_has_a_text() -> None:
    shown = {*findable.SIX, findable.BOTH, findable.BY_HAND, pulling.NAME}
    assert set(METHODS) == shown
    assert all(load_words().has(key) for key in METHODS.values())


def test_no_text_is_left_over() -> None:
    """Each key of the texts file is named by the sources, by itself or by the table that it is in."""
    sources = "".join(path.read_text("utf-8") for path in SHIPPED.parents[1].rglob("*.py"))
    unused = [
        key
        for key in load_words().texts
        if not (f'"{key}"' in sources or f"'{key}'" in sources)
        and not any(made_of(sources, table) for table in tables_of(key))
    ]
    assert unused == []


def tables_of(key: str) -> list[str]:
    """The tables that a key is in, the innermost last."""
    parts = key.split(".")
    return [".".join(parts[:k]) for k in range(1, len(parts))]


def made_of(sources: str, table: str) -> bool:
    """Whether keys of a table are put together in the sources, or all taken at once."""
    return f'"{table}.{{' in sources or f"'{table}.{{" in sources or f'under("{table}")' in sources


def test_what_a_recording_shows_is_told_in_the_texts_words(marked_words: Words) -> None:
    told = evidence.Shows(0.1, 0.0, (1.0, 1.0), (9.0, 9.0), None, 3, evidence.NONE, evidence.NONE)
    rules = marking.judge.Rules(marked_words, "half", {})
    for one in (
        told,
        replace(told, level_a=None),
        replace(told, gap_s=(3.0, 4.0)),
        replace(told, duration_s=None),
    ):
        text = evidence._text(one, rules)
        assert not [word for word in re.findall(r"[^\W\d_]{3,}", text) if MARK not in word]

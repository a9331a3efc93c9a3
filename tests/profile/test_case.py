"""The case of a profile: what ships is honest, and a complaint that parts from its figures is told."""

from __future__ import annotations

from pathlib import Path

import pytest
from nightdraw import data
from nightdraw.board import load_board
from nightdraw.errors import InputError
from nightdraw.profile import card, case, load
from nightdraw.profile.figures import figures

STARTER = (
    "aerial-search", "boot-lamp", "creeping-regulator", "display-backlight", "seat-memory", "ticking-valve",
)  # fmt: skip
CASE = "case: {battery: 60 Ah, age: 4 years, left: 80 %, charge: 90 %, own: 15 mA}\n"


def made(folder: Path, complaint: str, level: str = "85 mA", stated: str = CASE) -> Path:
    """A profile of one steady draw."""
    path = folder / "case.yaml"
    path.write_text(f"profile: case\ncomplaint: {complaint}\n{stated}draws: [{{steady: {level}}}]\n")
    return path


@pytest.mark.parametrize("path", data.profile_paths(), ids=lambda path: path.stem)
def test_shipped_complaints_agree_with_their_figures(path: Path) -> None:
    profile = load(path)
    assert profile.case is not None
    assert case.stated_days(profile.complaint) is not None, "it says how long the vehicle stood"
    assert case.parts(profile) is None
    assert profile.notes == ()


def test_a_students_calculation_by_hand_comes_to_the_stated_time(tmp_path: Path) -> None:
    """60 Ah, 80 % left, from 90 % to 50 %: 19.2 Ah; 85 mA and 15 mA: 2.4 Ah a day; 8 days."""
    profile = load(made(tmp_path, "It stood for eight days."))
    assert case.days(profile) == pytest.approx(8.0)
    assert profile.notes == ()
    assert figures(profile).mean_ma == 85.0
    assert "60 Ah, 4 years old" in card.situation(profile)


@pytest.mark.parametrize(
    ("complaint", "stated"),
    [
        ("Flat after a long weekend.", "3 .. 4"),
        ("Dead overnight.", "0.4 .. 0.8"),
        ("It lasts two or three days.", "2 .. 3"),
        ("It stood for 3 weeks.", "21"),
        ("Flat every other week, or after a month.", "14 .. 30.4"),
    ],
)
def test_a_complaint_that_parts_from_the_figures_is_told(tmp_path: Path, complaint: str, stated: str) -> None:
    (note,) = load(made(tmp_path, complaint)).notes
    assert f"says {stated} d" in note.message
    assert "8 d" in note.message
    assert (note.line, note.column) == (2, 1)


@pytest.mark.parametrize("complaint", ["It ticks.", "It stood for a week.", "Ten days later it was dead."])
def test_what_agrees_or_says_no_time_is_not_told(tmp_path: Path, complaint: str) -> None:
    assert load(made(tmp_path, complaint)).notes == ()


def test_without_a_case_only_what_no_battery_explains_is_told(tmp_path: Path) -> None:
    assert len(load(made(tmp_path, "Flat after a long weekend.", "32 mA", "")).notes) == 1
    assert load(made(tmp_path, "Flat after a long weekend.", "280 mA", "")).notes == ()


@pytest.mark.parametrize(
    ("stated", "said"),
    [
        ("case: {battery: 60, charge: 90 %, own: 15 mA}\n", "has no unit"),
        ("case: {battery: 60 Ah, charge: 40 %, own: 15 mA}\n", "51 % .. 100 %"),
        ("case: {battery: 60 Ah, charge: 90 %}\n", "lacks the key 'own'"),
        ("case: {battery: 60 Ah, charge: 90 %, own: 15 mA, age: 4}\n", "no age like 5 years"),
        ("case: {batery: 60 Ah, charge: 90 %, own: 15 mA}\n", "did you mean 'battery'?"),
    ],
)
def test_a_wrong_case_is_found(tmp_path: Path, stated: str, said: str) -> None:
    with pytest.raises(InputError) as caught:
        load(made(tmp_path, "It ticks.", stated=stated))
    assert any(said in finding.text() for finding in caught.value.findings)


@pytest.mark.parametrize("name", STARTER)
def test_the_starter_board_plays_its_six(name: str) -> None:
    load(name, load_board("starter-12v"))

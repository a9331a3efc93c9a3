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


SAID = [  # what a customer says, and the days by hand, at least and at most
    ("Dead over night.", 0.4, 0.8),
    ("Every morning it needs a jump start.", 0.4, 0.8),
    ("It cranks slowly after 36 hours.", 1.5, 1.5),
    ("Thirty-six hours and it is dead.", 1.5, 1.5),
    ("Flat after twenty four hours in the yard.", 1.0, 1.0),
    ("Dead within 48h.", 2.0, 2.0),
    ("It lasts 1.5 days.", 1.5, 1.5),
    ("It lasts two and a half days.", 2.5, 2.5),
    ("A day and a half and it won't crank.", 1.5, 1.5),
    ("Half a day is enough.", 0.5, 0.5),
    ("After a day or two it is flat.", 1.0, 2.0),
    ("Between two and three days.", 2.0, 3.0),
    ("It lasted 2\u20133 days.", 2.0, 3.0),
    ("Fourteen days on, no crank.", 14.0, 14.0),
    ("Ten to fourteen days.", 10.0, 14.0),
    ("A couple of weeks in the garage.", 14.0, 21.0),
    ("A few days are too much.", 2.0, 6.0),
    ("After a three-week holiday it was dead.", 21.0, 21.0),
    ("After a whole week it starts, after two full weeks it doesn't.", 7.0, 14.0),
    ("A week-end away and it is flat.", 2.0, 3.0),
    ("Flat every other day.", 2.0, 2.0),
    ("It needs the charger twice a week.", 3.5, 3.5),
    ("The battery is 18 months old and flat after five days.", 5.0, 5.0),
    ("We bought it two weeks ago; it lasts 4 days.", 4.0, 4.0),
    ("For the last two months it has been flat after a long weekend.", 3.0, 4.0),
]


@pytest.mark.parametrize(("complaint", "low", "high"), SAID)
def test_a_time_is_read_in_many_wordings(complaint: str, low: float, high: float) -> None:
    assert case.stated_days(complaint) == (pytest.approx(low), pytest.approx(high))


@pytest.mark.parametrize(
    "complaint",
    ["It is driven every day.", "The car is 3 years old.", "On day 3 it rained.", "A weekday car."],
)
def test_what_is_no_standing_is_no_time(complaint: str) -> None:
    assert case.stated_days(complaint) is None


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

"""`nightdraw bank` by its words: keys, exit statuses, places of mistakes."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from nightdraw import data
from nightdraw.board import load_board
from nightdraw.cli.main import run

CHANNEL_KEYS = {"ohms", "series", "body", "rating_w", "worst_w"}
LEVEL_KEYS = {"wanted_ma", "pattern", "nominal_ma", "error_pct_worst"}
PART_KEYS = {"name", "dissipation_w", "allowed_w", "temp_c", "limit_c", "margin", "ok"}
FINDING_KEYS = {"part", "rule", "message", "severity"}
SHIPPED = str(data.board_path())


def answer(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, dict[str, Any]]:
    status = run([*words, "--json"])
    said = capsys.readouterr()
    return status, json.loads(said.out)


def test_size_answers_with_the_keys_of_the_manual(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    out = tmp_path / "mine.yaml"
    words = ("--levels", "15mA,40mA,350 mA", "--channels", "3", "--range", "11V..15V", "--out", str(out))
    status, document = answer(capsys, "bank", "size", *words)
    assert status == 0
    assert document["ok"] is True
    assert document["bound_pct"] == 0
    assert all(set(row) >= CHANNEL_KEYS for row in document["channels"])
    assert all(set(row) >= LEVEL_KEYS for row in document["levels"])
    assert all(set(row) == FINDING_KEYS for row in document["findings"])
    assert [row["wanted_ma"] for row in document["levels"]] == [15, 40, 350]
    board = load_board(out)
    assert board.name == "mine"
    assert [float(channel.ohms) for channel in board.channels] == [
        row["ohms"] for row in document["channels"]
    ]
    assert document["cautions"]


def test_a_sized_board_passes_bank_heat(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    out = tmp_path / "span.yaml"
    words = ("--from", "10mA", "--to", "200mA", "--step", "10mA", "--channels", "5", "--out", str(out))
    status, document = answer(capsys, "bank", "size", *words)
    assert (status, len(document["levels"])) == (0, 20)
    status, document = answer(capsys, "bank", "heat", str(out))
    assert (status, document["ok"]) == (0, True)
    assert all(set(row) >= PART_KEYS for row in document["parts"])


def test_size_in_words(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["bank", "size", "--levels", "15mA,40mA", "--channels", "2"]) == 0
    said = capsys.readouterr().out
    assert "the best choice there is" in said
    assert "Eye protection" in said


def test_a_level_that_is_too_wide_ends_with_status_1(capsys: pytest.CaptureFixture[str]) -> None:
    words = ("--levels", "15mA,40mA", "--channels", "1", "--within", "5%")
    status, document = answer(capsys, "bank", "size", *words)
    assert (status, document["ok"]) == (1, False)
    assert [row for row in document["findings"] if row["severity"] == "error"]


def test_heat_of_a_board_that_burns_ends_with_status_1(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    burning = tmp_path / "burning.yaml"
    text = Path(SHIPPED).read_text().replace("body: clad-50w, mounting: plate", "body: film-0.25w")
    burning.write_text(text)
    status, document = answer(capsys, "bank", "heat", str(burning))
    assert (status, document["ok"]) == (1, False)
    failed = next(row for row in document["findings"] if row["part"] == "channel 10")
    assert "W more than allowed" in failed["message"]
    assert "use a" in failed["message"]


def test_heat_of_a_profile_with_a_plot(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    profile, plot = tmp_path / "p.yaml", tmp_path / "warm.svg"
    profile.write_text("profile: p\ndraws: [{steady: 60 mA}]\nlimits: {run: 10 min}\n")
    words = (SHIPPED, "--profile", str(profile), "--ambient", "30C", "--plot", str(plot))
    status, document = answer(capsys, "bank", "heat", *words)
    assert (status, document["plot"], document["ambient_c"]) == (0, str(plot), 30)
    assert plot.stat().st_size > 1000
    assert any(row["name"].endswith(", pulse") for row in document["parts"])


def test_heat_in_words_names_limits_and_margins(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["bank", "heat", SHIPPED]) == 0
    said = capsys.readouterr().out
    assert "wall, handled" in said
    assert "IEC 62368-1" in said
    assert "from memory" in said


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("--levels", "15mA,40"), "'40' has no unit"),
        (("--levels", "15mA", "--step", "5mA"), "not both"),
        ((), "which levels"),
        (("--from", "5mA", "--to", "1mA", "--step", "1mA"), "runs upwards"),
        (("--from", "5mA", "--to", "100A", "--step", "1mA"), "are the most"),
        (("--levels", "15mA", "--series", "E25"), "did you mean 'E24'?"),
        (("--levels", "15mA", "--channels", "17"), "17"),
        (("--levels", "15mA", "--supply", "48V"), "within its range"),
        (("--levels", "15mA", "--body", "film-2"), "no resistor package"),
        (("--levels", "15mA", "--out", "/nowhere/at/all.yaml"), "its folder isn't there"),
    ],
)
def test_misuse_of_size(capsys: pytest.CaptureFixture[str], words: tuple[str, ...], message: str) -> None:
    status, document = answer(capsys, "bank", "size", *words)
    assert status == 2
    assert message in json.dumps(document["errors"], ensure_ascii=False)


# old text, new text, lines below the first place of the old text, message
MISTAKES = [
    ("body: film-0.6w}", "body: film-0.7w}", 0, "no resistor package is called 'film-0.7w'"),
    ("body: film-0.6w}", "body: film 0.6w}", 0, "is not a resistor package's name"),
    ("body: film-0.6w}", "body: film-0.6w, mounting: plate}", 0, "can't be screwed"),
    ("body: film-0.6w}", "body: film-0.6w, mounting: floor}", 0, "mounting must be one of air, plate"),
    ("body: film-0.6w}", "bdy: film-0.6w}", 0, "unknown key 'bdy'"),
    ("body: film-0.6w}", "body: film-0.6w, in_series: 2}", 0, "say the ohms of `each`"),
    (
        "body: film-0.6w}",
        "body: film-0.6w, each: 9.1 kohm, in_series: 2}",
        0,
        "make 18.2 kohm, not what ohms says",
    ),
    (", body: film-0.6w}", "}", 0, "has no resistor package"),
    ("to_air: 62 K/W", "to_air: 62 W", 0, "to_air"),
    ("to_air: 62 K/W", "to_air: 62 K/W\n  fan: 3 W", 1, "unknown key 'fan'"),
    ("material: aluminium", "material: wood", 0, "material must be one of aluminium, plastic"),
    ("height: 65 mm, ", "", 0, "lacks the key 'height'"),
    ("wall: 2 mm", "wall: 40 mm", 0, "wall must be"),
]


@pytest.mark.parametrize(("old", "new", "below", "message"), MISTAKES)
def test_mistakes_of_a_board_at_their_place(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, old: str, new: str, below: int, message: str
) -> None:
    wrong = tmp_path / "wrong.yaml"
    text = Path(SHIPPED).read_text()
    line = text[: text.index(old)].count("\n") + 1 + below
    wrong.write_text(text.replace(old, new, 1))
    status, document = answer(capsys, "bank", "heat", str(wrong))
    assert status == 2
    first = document["errors"][0]
    assert (first["file"], first["line"]) == (str(wrong), line)
    assert first["column"] > 0
    assert message in first["message"]


def test_own_body_types_of_a_board_are_used(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    mine = tmp_path / "mine.yaml"
    text = Path(SHIPPED).read_text().replace("body: film-2w", "body: mine")
    mine.write_text(text + "bodies:\n  - {body: mine, like: film-2w, rating: 0.1 W, heat: 1 J/K}\n")
    status, document = answer(capsys, "bank", "heat", str(mine))
    assert status == 1
    failed = next(row for row in document["parts"] if row["name"] == "channel 6")
    assert failed["allowed_w"] == pytest.approx(0.1)


def test_bodies_are_listed_with_their_sources(capsys: pytest.CaptureFixture[str]) -> None:
    status, document = answer(capsys, "bank", "bodies")
    assert status == 0
    assert all(package["source"] for package in document["bodies"])
    assert run(["bank", "bodies"]) == 0
    assert "clad-25w" in capsys.readouterr().out

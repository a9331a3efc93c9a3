"""What ships, by its names: lists, texts, a first profile of one's own, and near misses."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from nightdraw import data
from nightdraw.cli import bench_look, library, main

from tests.tidy import TOP


def ask(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, dict, str]:
    """Status, document and standard error of a call with --json."""
    status = main.run([*words, "--json"])
    seen = capsys.readouterr()
    return status, json.loads(seen.out), seen.err


def test_every_profile_that_ships_is_listed_with_a_word_about_it(capsys) -> None:
    status, document, _ = ask(capsys, "profile", "list")
    assert status == 0
    assert [row["name"] for row in document["profiles"]] == sorted(
        path.stem for path in (TOP / "profiles").glob("*.yaml")
    )
    assert all(len(row["about"]) > 20 for row in document["profiles"])


def test_the_bench_lists_vehicles_scripts_and_instruments(capsys) -> None:
    status, document, _ = ask(capsys, "bench", "list")
    assert status == 0
    assert {kind: [row["name"] for row in rows] for kind, rows in document.items()} == {
        kind: sorted(path.stem for path in (TOP / "profiles" / kind).glob("*.yaml")) for kind in library.KINDS
    }
    assert main.run(["bench", "list"]) == 0
    assert "  vehicle-1" in capsys.readouterr().out


def test_a_profile_is_shown_as_it_stands(capsys) -> None:
    status, document, _ = ask(capsys, "profile", "view", "siren-battery")
    assert status == 0
    assert document["text"] == data.profile_path("siren-battery").read_text("utf-8")


def test_a_new_profile_checks_and_nothing_is_overwritten(
    capsys, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main.run(["profile", "new", "my-own"]) == 0
    assert main.run(["profile", "check", "my-own.yaml"]) == 0
    # what stands there as a comment may be used as it is
    text = Path("my-own.yaml").read_text("utf-8").replace("# - ", "  - ")
    Path("all.yaml").write_text(text, "utf-8")
    assert main.run(["profile", "check", "all.yaml"]) == 0
    Path("other.yaml").write_text("mine", "utf-8")
    assert main.run(["profile", "new", "other"]) == 2
    assert "there is a file of this name already" in capsys.readouterr().err
    assert Path("other.yaml").read_text("utf-8") == "mine"


@pytest.mark.parametrize("name", ["Upper", "", "../out", "x" * 33])
def test_a_name_that_is_none_is_refused(capsys, name: str) -> None:
    assert main.run(["profile", "new", name]) == 2
    assert "is no name for a profile" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "meant"),
    [
        (["profile", "check", "telematics-serch"], "telematics-search"),
        (["profile", "figures", "siren-batery.yaml"], "siren-battery"),
        (["bench", "meter", "--vehicle", "vehicle1"], "vehicle-1"),
        (["bench", "record", "--vehicle", "vehicle-1", "--script", "classmorning"], "class-morning"),
        (["bank", "heat", "bench12v"], "bench-12v"),
    ],
)
def test_a_near_miss_of_a_shipped_name_is_told(capsys, words: list[str], meant: str) -> None:
    assert main.run(words) == 2
    assert f"did you mean '{meant}'?" in capsys.readouterr().err


def test_a_file_that_is_far_from_every_name_is_just_not_there(capsys) -> None:
    assert main.run(["profile", "check", "zzz.yaml"]) == 2
    assert capsys.readouterr().err == "zzz.yaml:1:1: there is no such file\n"


def test_a_meter_says_its_extremes_before_its_readings(capsys) -> None:
    words = [
        "bench",
        "meter",
        "--vehicle",
        "vehicle-1",
        "--box",
        "chattering-relay@tailgate",
        "--for",
        "1min",
    ]
    assert main.run(words) == 0
    head, *rows = capsys.readouterr().out.splitlines()
    assert head.startswith("MAX ")
    assert "listed are the first 10 and the 40 largest changes" in head
    assert 10 < len(rows) <= 50


def test_a_meter_lists_what_changes_most_of_a_long_reading() -> None:
    """A last digit that comes and goes for a quarter of an hour hides neither a pulse nor an overload."""
    shown: list[float | None] = [25.0 + k % 2 for k in range(3000)]
    shown[2000:2003] = [402.0, 170.0, 54.0]
    shown[2500] = None
    listed = bench_look._listed([(0.3 * k, one) for k, one in enumerate(shown)])
    places = [round(t_s / 0.3) for t_s, _ in listed]
    assert places == sorted(places)
    assert places[:10] == list(range(10))
    assert len(places) == 50
    assert {2000, 2001, 2002, 2003, 2500, 2501} <= set(places)
    assert [k for k in places if k > 2501] == [], "of changes alike the first are listed"
    assert bench_look._listed([(0.0, 1.0)] * 30) == [(0.0, 1.0)] * 10

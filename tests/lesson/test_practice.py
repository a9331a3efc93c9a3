"""The practice package: enough to find the draw in it, and no byte, name or date that tells."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
from nightdraw.cli import main
from nightdraw.lesson import practice
from nightdraw.lesson.planfile import load_plan
from nightdraw.report.words import load_words

from tests.lesson import made_lesson as made
from tests.lesson import secrets


@pytest.fixture
def plan(tmp_path, monkeypatch):
    """A plan whose packages are made quickly: what g1 has shows within forty seconds."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(practice, "LENGTH_S", (40.0, 40.0))
    monkeypatch.setattr(practice, "STEP_S", 10.0)
    monkeypatch.setattr(practice, "RATE_HZ", (50.0, 50.0))
    path = made.write(tmp_path)
    fault = tmp_path / "even-pulse.yaml"
    fault.write_text(fault.read_text().replace("75 s", "7 s"))
    return load_plan(path)


def test_no_file_name_date_or_byte_tells_the_answer(plan, capsys):
    packages = {}
    for one in plan.assignments:
        words = [
            "lesson",
            "practice",
            "plan.yaml",
            "--group",
            one.group,
            "--out",
            f"out/{one.group}",
            "--json",
        ]
        assert main.run(words) == 0
        files = [Path(file) for file in json.loads(capsys.readouterr().out)["files"]]
        assert sorted(files) == sorted(Path(f"out/{one.group}").iterdir())
        packages[one.group] = files
        for path in files:
            for other in plan.assignments:
                hidden = secrets.of(plan, other)
                assert secrets.told(secrets.unpacked(path), hidden) == [], path
            text = path.read_text("latin-1")
            assert not [
                word for word in ("journal", "nightdraw bench", "seed", "slot") if word in text.lower()
            ]
    for files in packages.values():
        assert {path.stat().st_mtime for path in files} == {practice.DATED_S}
    # What one could compare between groups is alike: names, columns' order, lengths, rates.
    shapes = [
        [(path.name.replace(group, "GROUP"), *shape(path)) for path in files]
        for group, files in packages.items()
    ]
    assert shapes[0] == shapes[1] == shapes[2]


def shape(path: Path) -> tuple:
    """A recording's header, number of rows, and instants."""
    if path.suffix != ".csv":
        return ()
    with path.open(newline="") as stream:
        rows = list(csv.reader(stream))
    return tuple(rows[0]), len(rows), rows[1][0], rows[-1][0]


def test_every_fuse_of_the_vehicle_is_recorded_once_beside_the_clamp(plan):
    chosen = practice.sets(plan, plan.assignments[0])
    assert all(channels[0] == "battery" and len(channels) <= 4 for channels in chosen)
    fuses = [fuse.name for fuse in plan.of.car("car-1").vehicle.fuses]
    assert [name for channels in chosen for name in channels[1:]] == fuses


def test_the_draw_can_be_found_in_it(plan, tmp_path, capsys):
    """`capture culprit` over the package names the fuse of the plan, and `capture pulses` the train."""
    one = plan.assignment("g1")
    files = practice.package(plan, one, tmp_path / "g1", load_words())
    recordings = [str(path) for path in files if path.suffix == ".csv"]
    vehicle = plan.of.car("car-1").vehicle
    fuses = ",".join(f"{fuse.name}:{fuse.rating_a:g}A-{fuse.type}" for fuse in vehicle.fuses)
    words = ["capture", "culprit", *recordings, "--current", "battery", "--fuses", fuses, "--json"]
    assert main.run(words) == 0
    assert json.loads(capsys.readouterr().out)["culprit"].startswith(one.fuse)
    assert main.run(["capture", "pulses", recordings[0], "--channel", "battery", "--json"]) == 0
    kinds = json.loads(capsys.readouterr().out)["kinds"]
    fault = max(kinds, key=lambda kind: kind["level_ma"])
    assert fault["level_ma"] == pytest.approx(350, rel=0.05)
    assert fault["duration_s"][1] == pytest.approx(0.7, abs=0.02)
    assert fault["period_s"] == pytest.approx(7, rel=0.01)


def test_the_extent_follows_from_the_plan_and_not_from_one_group(tmp_path):
    """75 s between pulses are the rarest but odd-random's: five of 180.9 s and more; 12 samples of 0.2 s."""
    plan = load_plan(made.write(tmp_path))
    length_s, rate_hz = practice.extent(plan)
    assert 900 <= length_s <= 1200
    assert length_s % 300 == 0
    assert 60 < rate_hz <= 100


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("--group", "g9", "--out", "out"), "no such group"),
        (("--group", "g1", "--out", "plan.yaml"), "is a file"),
        (("--group", "g1"), "Missing option '--out'"),
    ],
)
def test_wrong_calls_are_told(plan, capsys, words, message):
    assert main.run(["lesson", "practice", "plan.yaml", *words, "--json"]) == 2
    assert message in json.dumps(json.loads(capsys.readouterr().out)["errors"])


def test_a_kit_without_a_recorder_is_refused_in_words(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    made.write(tmp_path)
    text = (
        Path("by-hand.yaml")
        .read_text()
        .replace("{kit: K1, instruments: workshop}", "{kit: K1, instruments: basic}")
    )
    Path("by-hand.yaml").write_text(text)
    assert main.run(["lesson", "practice", "plan.yaml", "--group", "g1", "--out", "out", "--json"]) == 2
    assert "no recorder" in capsys.readouterr().out
    assert not Path("out").exists()

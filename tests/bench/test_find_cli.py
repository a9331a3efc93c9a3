"""`nightdraw bench findable` as a user meets it: words, keys, refusals."""

from __future__ import annotations

import json
import random
from pathlib import Path

import pytest
from nightdraw import data
from nightdraw.bench.finding.place import Site
from nightdraw.bench.rig import Rig
from nightdraw.vehicle import load_vehicle
from nightdraw.vehicle.script import Event, Script

from tests.bench.test_cli_vehicle import call

S = 10_000

USUAL = ("bench", "findable", "--profile", "tailgate-latch", "--vehicle")


def test_the_document_says_where_when_and_how_sure(capsys) -> None:
    fault = ("--profile", "chattering-relay", "--vehicle", "vehicle-1", "--splice", "siren")
    status, text, _ = call(capsys, "bench", "findable", *fault, "--instruments", "laboratory", "--json")
    assert status == 0
    document = json.loads(text)
    assert (document["splice"], document["fuse"], document["feed"]) == ("siren", "F9", "bonnet")
    assert document["sleep_s"] == 390
    assert document["run_ends_by"] == "run time"
    assert document["run_ends_s"] == 4 * 3600
    for row in document["methods"]:
        assert row["closed_form"] is None or set(row["closed_form"]) == {"law", "expected_s", "p95_s"}
        if row["shows"]:
            assert row["closed_form"] is not None  # one draw makes the pulses
            # within 5 standard errors of the simulation
            for key in ("expected_s", "p95_s"):
                off = abs(row[key] - row["closed_form"][key])
                assert off <= 5 * row["simulation_error_s"][key] + 2e-4 * row[key] + 0.002
            assert 0 <= row["in_run"] <= 1
    pulling = next(row for row in document["methods"] if row["method"] == "pulling fuses")
    assert pulling["wrong_fuse"] == 0


def test_the_text_says_from_when_times_count(capsys) -> None:
    status, text, _ = call(capsys, *USUAL, "vehicle-1")
    assert status == 0
    assert "times count from a vehicle that sleeps" in text
    assert "to fall asleep after locking: 6.5 min; what is said holds from then on" in text
    for name in ("MAX on a meter", "clamp and recorder", "voltage drops across fuses", "pulling fuses"):
        assert f"{name}: " in text
    assert "None" not in text


def test_the_text_calls_no_vehicle_asleep_that_is_awake(capsys, tmp_path: Path) -> None:
    locked = tmp_path / "locked.yaml"
    locked.write_text("script: locked\nbegins: awake\nevents: []\n")
    _, text, _ = call(capsys, *USUAL, "vehicle-1", "--script", str(locked), "--at", "60 s")
    assert "times count from a vehicle in this state" in text
    assert "weighed as if it stayed so: 60 s into script locked, awake" in text
    assert "holds from then on" not in text
    restless = tmp_path / "vehicle.yaml"
    said = data.shipped("vehicles", "vehicle-5").read_text()
    restless.write_text(said.replace("module: keyless, on: no", "module: keyless, on: yes"))
    _, text, _ = call(capsys, *USUAL, str(restless))
    assert "times count from a vehicle in this state" in text
    assert "it doesn't fall asleep by itself, for defects of its own" in text
    assert "weighed as if it stayed so: as it stands, awake" in text


# When it sleeps, to the second: measured in the vehicle's own life, which `findable` doesn't ask.
@pytest.mark.parametrize("path", data.shipped_paths("vehicles"), ids=lambda path: path.stem)
def test_each_vehicle_sleeps_when_it_is_said_to(path: Path, capsys, seed: int) -> None:
    """After locking, behind each fuse that is pulled, and behind each that is put back."""
    car = load_vehicle(path)
    _, text, _ = call(capsys, *USUAL, path.stem, "--json")
    sleep_s = json.loads(text)["sleep_s"]
    assert slept_s(Rig(car, [], (), Script("locked", True, ()), seed=seed), 0.0) == sleep_s
    wakes = Site(None, car, car.splices[0]).wakes()
    for name in random.Random(seed).sample([fuse.name for fuse in car.fuses], 3):
        events = (Event(S, "pull", name), Event(3601 * S, "back", name))
        life = Rig(car, [], (), Script("pulled", False, events), seed=seed)
        assert slept_s(life, 1.0) == wakes.pulled_s(frozenset({name})), name
        assert slept_s(life, 3601.0) == wakes.back_s(frozenset(), name), name


def slept_s(life: Rig, from_s: float) -> float:
    """Seconds from then on until all sleep, for ten minutes at least."""
    life.advance(round(from_s * S))
    awake_s = from_s
    while life.tick / S < awake_s + 600:
        life.advance(life.tick + S)
        if not life.simulated.asleep():
            awake_s = life.tick / S + 1.0
    return awake_s - from_s


def test_an_unknown_splice_is_refused_with_the_nearest(capsys) -> None:
    status, _, err = call(capsys, *USUAL, "vehicle-1", "--splice", "tailgat")
    assert status == 2
    assert "--splice tailgat" in err
    assert "'tailgate'" in err


def test_a_vehicle_without_splices_is_refused(capsys, tmp_path: Path) -> None:
    text = data.shipped("vehicles", "vehicle-3").read_text()
    path = tmp_path / "bare.yaml"
    path.write_text(text[: text.index("splices:")])
    status, _, err = call(capsys, *USUAL, str(path))
    assert status == 2
    assert "no splice for a box to sit at" in err


@pytest.mark.parametrize(
    ("option", "value"), [("--vehicle", "no-such"), ("--profile", "no-such"), ("--instruments", "no-such")]
)
def test_an_unknown_file_is_refused_by_name(capsys, option: str, value: str) -> None:
    words = {"--profile": "tailgate-latch", "--vehicle": "vehicle-1", "--instruments": "basic", option: value}
    status, _, err = call(capsys, "bench", "findable", *(word for pair in words.items() for word in pair))
    assert status == 2
    assert "no-such" in err

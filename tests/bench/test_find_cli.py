"""`nightdraw bench findable` as a user meets it: words, keys, refusals."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from nightdraw import data

from tests.bench.test_cli_vehicle import call

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
    assert "to fall asleep after locking: 6.5 min" in text
    for name in ("MAX on a meter", "clamp and recorder", "voltage drops across fuses", "pulling fuses"):
        assert f"{name}: " in text
    assert "None" not in text


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

"""Runs without edges, the wrong run, damaged journals and absurd samples: told, never guessed at."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from boxcore import program as pg
from nightdraw.capture.compare import Asked, compare
from nightdraw.capture.journal import read_did
from nightdraw.capture.pulses import measure
from nightdraw.capture.read import open_recording
from nightdraw.errors import InputError

from tests.capture.synthetic import OWN_MA, Clamp, random_draw, run_of, steady, truth_of


def test_a_run_without_a_change_of_level_agrees() -> None:
    run = run_of([steady(410)], 60.0)
    found = compare(run.asked, run.did, None)
    assert (found.agree, found.differences) == (True, ())


def test_another_run_of_the_same_profile_is_not_agreed_to() -> None:
    """A few pulses fit somewhere by chance; the others in the recording speak against it."""
    draws = [random_draw(100, (0.1, 0.1), (0.5, 8.0))]
    recording = Clamp().recording(truth_of(draws, 30.0, seed=2, run=1))
    plan = pg.Program("truth", draws, seed=2)
    verdicts = [
        compare(Asked(plan, run, round(OWN_MA * 1000)), None, recording).agree for run in range(1, 12)
    ]
    assert verdicts[0] is True
    assert True not in verdicts[1:]


@pytest.mark.parametrize(
    ("line", "name", "value"),
    [
        (0, "channels_ns", ["x", 1]),
        (0, "own_ma", None),
        (1, "level_ma", float("nan")),
        (1, "t_s", "soon"),
        (1, "pattern", 1.5),
        (1, "supply_mv", -1),
    ],
)
def test_a_damaged_journal_is_named_by_its_line(tmp_path: Path, line: int, name: str, value: object) -> None:
    head = {"kind": "box", "board": "b", "own_ma": 11.0, "channels_ns": [1000, 2000], "profile": "p"}
    head |= {"slot": 0, "run": 1, "seed": 0, "run_start_tick": 0}
    edge = {
        "kind": "edge",
        "boot": 1,
        "tick": 0,
        "t_s": 0.0,
        "level_ma": 11.0,
        "pattern": 0,
        "supply_mv": 12600,
    }
    lines = [head, edge]
    path = tmp_path / "a.journal.jsonl"
    path.write_text("\n".join(json.dumps(row) for row in lines))
    assert read_did(path).account.level_ma.tolist() == [11.0]
    lines[line][name] = value
    path.write_text("\n".join(json.dumps(row) for row in lines))
    with pytest.raises(InputError) as caught:
        read_did(path)
    assert caught.value.findings[0].line == line + 1
    assert name in caught.value.findings[0].message


@pytest.mark.parametrize("line", ["[" * 5000, '{"kind": "edge", "tick": ' + "9" * 5000 + "}"])
def test_a_line_that_breaks_the_parser_is_named(tmp_path: Path, line: str) -> None:
    path = tmp_path / "a.journal.jsonl"
    path.write_text(line)
    with pytest.raises(InputError) as caught:
        read_did(path)
    assert caught.value.findings[0].line == 1


def test_a_sample_beyond_any_instrument_is_left_out_and_said(tmp_path: Path) -> None:
    t_s = np.arange(5000) / 1000
    ma = np.where((t_s % 1.0) < 0.25, 300.0, 40.0) + np.random.default_rng(3).normal(0, 1, len(t_s))
    rows = [f"{t:.3f},{a / 1000:.6f}" for t, a in zip(t_s, ma, strict=True)]
    rows[1700] = "1.700,1e20"
    path = tmp_path / "huge.csv"
    path.write_text("time_s,current_a\n" + "\n".join(rows) + "\n")
    recording = open_recording(path)
    pulses = measure(recording)
    assert pulses.base_ma == pytest.approx(40, abs=1)
    assert len(pulses) == 4
    assert any("no instrument" in note for note in recording.notes)

"""The benchmarks still run, with little work; how long anything takes is not judged."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.benchmarks import __main__ as bench
from tests.benchmarks import book, core, live, long, measure, recordings, simulation, vehicle


def test_every_benchmark_still_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for module, name, little in (
        (core, "LEVELS", 3),
        (core, "EDGES", 100),
        (core, "NUMBERS", 100),
        (simulation, "DAY_TICKS", 600_000),
        (simulation, "SAMPLES", 10_000),
        (recordings, "SAMPLES", 50_000),
        (long, "SAMPLES", 200_000),
        (long, "TEXT_SAMPLES", 50_000),
        (long, "ROUNDS", 1),
        (vehicle, "LENGTH_S", 20),
        (vehicle, "PIECE_S", 10),
        (book, "LESSONS", 5),
        (live, "LENGTH_S", 10),
        (live, "SAMPLES", 200_000),
        (live, "TURNS", 1),
    ):
        monkeypatch.setattr(module, name, little)
    found = list(bench.ratios(tmp_path))
    assert len(found) == 26
    # The row that is a difference of two times may come out at nothing on a busy machine.
    assert all(ratio.ours_s > 0 or "sampled" in ratio.what for ratio in found)
    assert all(ratio.peer_s > 0 for ratio in found)


def test_both_sides_have_their_turn_in_each_round() -> None:
    turns: list[str] = []
    ratio = measure.compare("w", lambda: turns.append("ours"), "p", lambda: turns.append("peer"), rounds=2)
    assert turns == ["ours", "peer"] * 2
    assert ratio.ours_s > 0


def test_a_row_shows_the_ratio_and_fitting_units() -> None:
    line = measure.Ratio("what", 0.5, 0.002, "peer").line()
    assert [word for word in line.split() if word] == ["what", "500", "ms", "2", "ms", "250", "peer"]
    assert measure.shown(2e-9) == "2 ns"

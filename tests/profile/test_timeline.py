"""Edges: where they begin and end, what seed and run change, and that levels are what the circuit sees."""

from __future__ import annotations

import json
from pathlib import Path

from nightdraw.profile import load
from nightdraw.profile.timeline import edge_json, edge_text, edges

from tests.profile.made import HEAD, write

S = 10_000


def test_the_first_level_stands_at_zero_and_the_end_is_open(tmp_path: Path) -> None:
    profile = load(write(tmp_path, HEAD + "  - pulse: {draw: 50 mA, on: 1 s, every: 2 s}\n"))
    assert list(edges(profile, 4 * S)) == [(0, 61_000), (S, 11_000), (2 * S, 61_000), (3 * S, 11_000)]
    assert list(edges(profile, 4 * S + 1))[-1] == (4 * S, 61_000)
    assert list(edges(profile, 1)) == [(0, 61_000)]


def test_a_steady_draw_includes_the_boxs_own(tmp_path: Path) -> None:
    profile = load(write(tmp_path, HEAD + "  - steady: 40 mA\n"))
    assert list(edges(profile, 100 * 3600 * S)) == [(0, 40_000)]


def test_overlapping_pulses_add(tmp_path: Path) -> None:
    one = "  - pulse: {draw: 50 mA, on: 3 s, every: 10 s}\n"
    other = "  - pulse: {draw: 20 mA, on: 4 s, every: 10 s, first: 1 s}\n"
    profile = load(write(tmp_path, HEAD + one + other))
    assert list(edges(profile, 10 * S)) == [(0, 61_000), (S, 81_000), (3 * S, 31_000), (5 * S, 11_000)]


def test_seed_and_run_change_a_random_run_and_nothing_else_does(tmp_path: Path) -> None:
    text = HEAD + "  - random: {draw: 50 mA, on: 1 s, gap: 1 s .. 9 s}\nseed: 5\n"
    profile = load(write(tmp_path, text))
    runs = [list(edges(profile, 600 * S, seed, run)) for seed in (5, 6) for run in (1, 2)]
    assert len({str(run) for run in runs}) == 4
    assert list(edges(profile, 600 * S)) == runs[0]
    assert all(run[0] == (0, 11_000) for run in runs), "a run opens with a gap"


def test_an_edge_in_words_and_in_json() -> None:
    assert json.loads(edge_json(12_345, 61_001)) == {"t_s": 1.2345, "level_ma": 61.001}
    assert edge_text(12_345, 61_001).split() == ["1.2345", "s", "61.001", "mA"]

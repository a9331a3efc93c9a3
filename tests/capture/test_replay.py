"""A recorded fault becomes a profile that follows it: truth known, from an independent generator."""

from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from nightdraw.capture.segments import Pieces
from nightdraw.cli import main
from nightdraw.profile import load

from tests.capture.faults import Fault, fault

TICK_S = 1e-4


def call(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, dict[str, Any]]:
    status = main.run(["capture", "replay", *words, "--json"])
    return status, json.loads(capsys.readouterr().out)


def write(path: Path, made: Fault) -> str:
    table = np.column_stack((made.t_s, made.ma / 1e3))
    np.savetxt(path, table, "%.8g", ",", header="time_s,current_a", comments="")
    return str(path)


def course(profile: str) -> tuple[np.ndarray, np.ndarray]:
    """Bounds (s) and levels (mA) of a profile's replay, as the program itself reads them."""
    (draw,) = load(profile).draws
    level, ticks = np.array(draw.levels).T  # type: ignore[union-attr]
    return np.concatenate(([0], np.cumsum(ticks))) * TICK_S, level / 1e3


def check(made: Fault, told: dict[str, Any]) -> None:
    """The profile against the truth, not against what the command says of itself."""
    at_s, level_ma = course(told["profile"])
    charge = float(np.sum(np.diff(at_s) * level_ma))
    assert charge == pytest.approx(made.charge_mas, rel=0.01)
    sample_s = float(made.t_s[1])
    large = np.abs(made.height_ma) >= 0.1 * np.max(np.abs(made.height_ma))
    off = np.abs(made.edge_s[large, None] - at_s[None, :]).min(axis=1)
    assert off.max() <= TICK_S + sample_s
    assert told["charge_error_pct"] <= 1
    assert told["edge_error_ms"] is not None
    assert told["bytes"] <= 16_384
    assert told["draws"] <= 8
    assert told["proof"]["agree"] is True


@pytest.mark.parametrize("number", [1, 2])
def test_a_replay_follows_the_truth(number: int, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    made = fault(number)
    status, told = call(capsys, write(tmp_path / "seen.csv", made), "--out", str(tmp_path / "p.yaml"))
    assert status == 0
    check(made, told)


@pytest.mark.campaign
def test_twenty_recordings(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    worst = [0.0, 0.0]
    missed = []
    for number in range(100, 120):
        made = fault(number)
        out = str(tmp_path / f"p{number}.yaml")
        status, told = call(capsys, write(tmp_path / "seen.csv", made), "--out", out)
        assert status == 0, number
        try:
            check(made, told)
        except AssertionError as error:
            missed.append((number, str(error).splitlines()[0]))
        worst = [max(worst[0], told["charge_error_pct"]), max(worst[1], told["edge_error_ms"])]
    with capsys.disabled():
        print(f"\nreplay: 20 recordings, charge off by {worst[0]} %, edges by {worst[1]} ms at most")
        print(f"missed: {missed or 'none'}")
    assert not missed


def square(folder: Path, level_ma: float = 350.0, noise_ma: float = 1.0) -> str:
    """350 mA for 0.7 s every 5 s above 20 mA."""
    t_s = np.arange(30_000) / 1000
    ma = 20 + level_ma * ((t_s % 5 > 2) & (t_s % 5 <= 2.7))
    made = Fault(t_s, ma + np.random.default_rng(1).normal(0, noise_ma, len(t_s)), t_s[:0], t_s[:0], 0.0)
    return write(folder / "Square wave 2.csv", made)


def test_the_smallest_program_and_what_it_is_called(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    status, told = call(capsys, square(tmp_path))
    assert status == 0
    assert told["levels"] == 13, "six pulses and what lies around them"
    profile = load(told["profile"])
    assert profile.name == "square-wave-2"
    assert (Path(told["profile"]).name, Path(told["proof"]["recording"]).name) == (
        "Square wave 2.replay.yaml",
        "Square wave 2.replay.proof.csv",
    )
    at_s, level_ma = course(told["profile"])
    assert level_ma[1::2] == pytest.approx(350, abs=1.0)
    assert np.diff(at_s)[1::2] == pytest.approx(0.7, abs=0.0003)


def test_a_larger_error_takes_fewer_levels(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    name = write(tmp_path / "seen.csv", fault(3))
    counts = [
        call(capsys, name, "--error", error, "--out", str(tmp_path / f"p{error}.yaml"))[1]["levels"]
        for error in ("0.5%", "2%", "8%")
    ]
    assert counts == sorted(counts, reverse=True)
    assert counts[0] > counts[-1]


@pytest.mark.parametrize(
    ("level_ma", "words", "status", "message"),
    [
        (0.0, (), 3, "nothing"),
        (9000.0, (), 2, "the bank draws at most"),
        (350.0, ("--error", "0%"), 2, "--error"),
        (350.0, ("--name", "Not A Name"), 2, "profile"),
        (350.0, ("--channel", "nobody"), 2, "no channel"),
    ],
)
def test_what_can_t_be_replayed(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, level_ma: float, words: tuple[str, ...],
    status: int, message: str,
) -> None:  # fmt: skip
    found, told = call(capsys, square(tmp_path, level_ma), *words)
    assert found == status
    assert message in json.dumps(told["errors"])


@given(seed=st.integers(0, 1 << 20), count=st.integers(2, 9), penalty=st.floats(0.1, 1e4))
def test_no_partition_costs_less(seed: int, count: int, penalty: float) -> None:
    """Against every one of the 2^n partitions, costs from the samples themselves."""
    rng = np.random.default_rng(seed)
    value = np.repeat(rng.normal(0, 30, count), 7) + rng.normal(0, 3, 7 * count)
    t_s = np.arange(len(value)) / 100
    at_s = np.arange(0, len(value) + 1, 7) / 100 - 0.005
    pieces = Pieces(t_s, value, at_s, np.zeros(len(at_s), bool))

    def cost(cuts: list[int]) -> float:
        parts = [value[7 * a : 7 * b] for a, b in pairwise(cuts)]
        return sum(float(np.sum((part - part.mean()) ** 2)) + penalty for part in parts)

    inner = range(1, count)
    best = min(cost([0, *(k for k in inner if mask >> k & 1), count]) for mask in range(0, 1 << count, 2))
    assert cost(pieces.best(penalty).tolist()) == pytest.approx(best)

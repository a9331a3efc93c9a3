"""Two sides of a bench: trimmed to drawn resistors without a plant file, untrimmed with one."""

from __future__ import annotations

from pathlib import Path

import pytest
from nightdraw import data
from nightdraw.bench.setup import build
from nightdraw.board import load_board
from nightdraw.errors import InputError


def changed(tmp_path: Path, old: str, new: str) -> Path:
    text = data.board_path().read_text(encoding="utf-8")
    assert old in text
    path = tmp_path / "plant.yaml"
    path.write_text(text.replace(old, new), encoding="utf-8")
    return path


def test_without_a_plant_file_the_box_is_trimmed_to_drawn_resistors():
    nominal = load_board().compile().channels_ns
    bench = build(seed=5)
    assert bench.plant.channels_ns == build(seed=5).plant.channels_ns
    assert bench.board.channels_ns == nominal
    assert bench.world().box.bank.channels_ns == bench.plant.channels_ns
    assert bench.plant.channels_ns != build(seed=6).plant.channels_ns
    assert bench.plant.channels_ns != nominal
    for real, wanted in zip(bench.plant.channels_ns, nominal, strict=True):
        assert abs(real / wanted - 1) <= 0.0102  # 1 % of resistance
    assert bench.plant.own_ua == bench.board.own_ua == 11_000
    assert bench.plant.voc_mv == 12_600


def test_with_a_plant_file_the_box_is_not_trimmed(tmp_path):
    nominal = load_board().compile().channels_ns
    bench = build(plant_path=changed(tmp_path, "ohms: 620 ohm", "ohms: 496 ohm"), seed=5)
    assert bench.world().box.bank.channels_ns == bench.board.channels_ns == nominal
    off = [k for k in range(10) if bench.plant.channels_ns[k] != nominal[k]]
    assert off == [4]
    assert bench.plant.channels_ns[4] / nominal[4] == pytest.approx(1.25, abs=0.001)


def test_a_plant_may_draw_more_for_itself_than_the_box_believes(tmp_path):
    bench = build(plant_path=changed(tmp_path, "running: 11 mA", "running: 15 mA"))
    assert (bench.plant.own_ua, bench.board.own_ua) == (15_000, 11_000)


def test_a_plant_without_a_monitor_measures_nothing(tmp_path):
    bench = build(plant_path=changed(tmp_path, "current: monitor", "current: none"))
    assert not bench.plant.monitor


def test_a_plant_with_other_channels_is_refused(tmp_path):
    last = next(
        line for line in data.board_path().read_text(encoding="utf-8").splitlines() if "pin: 11," in line
    )
    with pytest.raises(InputError, match="9 channels, the board 10"):
        build(plant_path=changed(tmp_path, last + "\n", ""))


def test_faults_are_checked_against_the_bank():
    assert len(build(faults=["stuck-on:10", "open:1"]).plant.faults) == 2
    with pytest.raises(InputError, match="channels 1 to 10"):
        build(faults=["stuck-on:11"])

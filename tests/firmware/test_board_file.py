"""From the board file's circuit to what the shell reads: the numbers of both ends together."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from boxcore import board as core
from boxcore import sensors
from nightdraw import data
from nightdraw.board import load_board
from nightdraw.board.circuit import Thermistor
from nightdraw.board.hardware import thermistor_table
from nightdraw.errors import InputError

from tests.firmware import rig

SHIPPED = data.board_path().read_text()
MONITOR = "current: monitor\n  shunt: 0.05 ohm"


def board(tmp_path: Path, old: str, new: str) -> core.Board:
    """The shipped board with a piece of its text replaced, compiled."""
    assert old in SHIPPED
    file = tmp_path / "board.yaml"
    file.write_text(SHIPPED.replace(old, new))
    return load_board(file).compile()


def test_the_shipped_board_reads_12_6_v_at_half_scale() -> None:
    hardware = load_board().compile().hardware
    # 100 kohm over 15 kohm at 3.3 V: Ohm's law
    assert hardware["supply_full_mv"] == pytest.approx(3_300 * 115 / 15, abs=1)
    assert sensors.supply_mv(sensors.FULL_COUNT // 2, hardware["supply_full_mv"]) == pytest.approx(
        12_650, abs=2
    )
    assert hardware["supply_full_mv"] <= sensors.MAX_FULL_MV


def test_the_shipped_boards_pins_are_free_of_clashes_and_playable(chip: object) -> None:
    model = load_board().compile()
    assert len(set(model.used_pins())) == len(model.used_pins())
    hal = rig.shell(chip, model)
    assert hal.clock_hz == 96_000_000


@pytest.mark.parametrize(
    ("celsius", "kohm"),
    [
        # Vishay NTCLE100E3, 10 kohm, B25/85 3977 K, its resistance table (from memory)
        (25.0, 10.0),
        (85.0, 1.070),
        (0.0, 33.0),  # its table says 32.56 kohm: the beta law is off by 1.3 %, 0.3 K
        (50.0, 3.605),
        (100.0, 0.6802),
    ],
)
def test_a_thermistor_is_read_within_a_kelvin_of_its_makers_table(celsius: float, kohm: float) -> None:
    part = Thermistor(10_000, 3_977, 10_000)  # type: ignore[arg-type] # whole numbers do for fractions
    raw = round(sensors.FULL_COUNT * kohm / (kohm + 10))
    assert sensors.thermistor_cdeg(raw, thermistor_table(part)) / 100 == pytest.approx(celsius, abs=1.0)


def test_straight_lines_stay_within_a_quarter_kelvin_of_the_law() -> None:
    table = load_board().compile().hardware["thermistor"]
    for tenth in range(-390, 1500, 7):
        kelvin = tenth / 10 + 273.15
        ratio = math.exp(3_950 * (1 / kelvin - 1 / 298.15))
        raw = round(sensors.FULL_COUNT * ratio / (1 + ratio))
        assert sensors.thermistor_cdeg(raw, table) / 100 == pytest.approx(tenth / 10, abs=0.25)


def test_an_amplified_shunt_stands_in_for_the_monitor(tmp_path: Path) -> None:
    model = board(
        tmp_path, "current: monitor\n  shunt: 0.05 ohm", "current: amplifier\n  shunt: 0.05 ohm\n  gain: 50"
    )
    assert model.monitor
    # 3.3 V / (0.05 ohm * 50) = 1.32 A
    assert model.hardware["shunt_full_ua"] == 1_320_000
    assert 28 in model.used_pins()
    assert 0 not in model.used_pins()


def test_neither_monitor_nor_shunt_is_a_board_too(tmp_path: Path) -> None:
    model = board(tmp_path, "current: monitor", "current: none")
    assert not model.monitor
    assert model.hardware["shunt_full_ua"] == 0


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("current: monitor", "current: amplifier", "lacks the key 'gain'"),
        ("current: monitor\n", "current: monitor\n  gain: 20\n", "gain belongs to current: amplifier"),
        ("current: monitor\n", "current: amplifier\n  gain: 500\n", None),
        (
            "current: monitor\n  shunt: 0.05 ohm",
            "current: amplifier\n  shunt: 0.001 ohm\n  gain: 2",
            "full scale",
        ),
        ("pins: {", "controller: {clock: 12000 kHz}\npins: {", "48000 kHz .. 133000 kHz"),
        ("pins: {", "controller: {clock: 96500 kHz}\npins: {", "whole number of 1000 kHz"),
        ("pins: {", "controller: {brightness: 101 %}\npins: {", "0 % .. 100 %"),
        ("  usb: 12 mA", "  usb: 12", "usb"),
    ],
)
def test_mistakes_are_told(tmp_path: Path, old: str, new: str, says: str | None) -> None:
    if says is None:
        assert board(tmp_path, old, new).hardware["shunt_full_ua"] == 132_000
        return
    with pytest.raises(InputError, match=says):
        board(tmp_path, old, new)


def test_clock_and_brightness_are_the_board_files(tmp_path: Path) -> None:
    model = board(tmp_path, "pins: {", "controller: {clock: 48000 kHz, brightness: 0 %}\npins: {")
    assert (model.hardware["clock_khz"], model.hardware["indicator_duty"]) == (48_000, 0)


def test_the_own_consumption_is_told_state_by_state_with_its_basis() -> None:
    model = load_board()
    assert set(model.own_states_ua) == {"idle", "writing", "usb"}
    assert "Estimated" in model.own_basis
    assert all(0 < ua < 50_000 for ua in [model.own_ua, *model.own_states_ua.values()])

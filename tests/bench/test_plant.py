"""The plant: Ohm's law, faults, and what the converters make of it."""

from __future__ import annotations

import pytest
from boxcore.port import NOT_MEASURED
from hypothesis import given
from hypothesis import strategies as st
from nightdraw.bench import plant as pl
from nightdraw.errors import InputError

CHANNELS_NS = (1_000_000, 2_000_000, 4_000_000, 8_000_000)  # 1000, 500, 250, 125 ohm


def faulty(*texts: str) -> pl.Plant:
    return pl.Plant(CHANNELS_NS, 0, faults=pl.parse_faults(texts, len(CHANNELS_NS)), source_uohm=0)


@given(
    voc=st.floats(6, 32),
    ohm=st.floats(0, 2),
    siemens=st.floats(0, 0.5),
    own=st.floats(0, 0.1),
)
def test_the_loop_obeys_ohm_and_kirchhoff(voc, ohm, siemens, own):
    point = pl.solve(voc, ohm, siemens, own)
    assert point.bank_a == pytest.approx(point.supply_v * siemens)
    assert point.current_a == pytest.approx(point.bank_a + own)
    assert point.supply_v == pytest.approx(voc - ohm * point.current_a)


def test_a_supply_too_weak_for_the_box_gives_nothing():
    assert pl.solve(12.0, 1000.0, 0.0, 0.02) == pl.Point(0.0, 0.0, 0.0)


def test_patterns_sum_their_channels():
    plant = faulty()
    assert plant.current_a(0b0101) == pytest.approx(12.6 * 5e-3)
    assert plant.current_a(0b1111) == pytest.approx(12.6 * 15e-3)


def test_a_stuck_channel_conducts_whenever_there_is_a_supply():
    plant = faulty("stuck-on:3")
    assert plant.current_a(0) == pytest.approx(12.6 * 4e-3)
    assert plant.current_a(0b0100) == plant.current_a(0)
    plant.power(False)
    assert plant.current_a(0) == 0
    plant.power(True)
    assert plant.current_a(0) == pytest.approx(12.6 * 4e-3)


def test_an_open_channel_never_conducts():
    plant = faulty("open:2", "stuck-on:1")
    assert plant.current_a(0b0010) == pytest.approx(12.6 * 1e-3)


def test_a_supply_step_is_felt_at_once():
    plant = pl.Plant(CHANNELS_NS, 0)
    before = plant.sensed(1)
    plant.supply_to(voc_mv=14_400)
    assert plant.sensed(1)[0] > before[0]
    plant.supply_to(source_uohm=100_000_000)
    assert plant.point(1).supply_v == pytest.approx(14.4 / (1 + 100 * 1e-3))


@given(pattern=st.integers(0, 15), voc_mv=st.integers(6_000, 32_000))
def test_the_converters_are_right_to_half_a_step(pattern, voc_mv):
    plant = pl.Plant(CHANNELS_NS, 11_000, voc_mv=voc_mv)
    supply_mv, bank_ua = plant.sensed(pattern)
    point = plant.point(pattern)
    assert abs(supply_mv - point.supply_v * 1e3) <= pl.ADC_STEP_MV / 2 + 1e-6
    assert abs(bank_ua - point.bank_a * 1e6) <= pl.MONITOR_STEP_UA / 2 + 1e-3
    assert supply_mv % pl.ADC_STEP_MV == bank_ua % pl.MONITOR_STEP_UA == 0


def test_without_a_monitor_nothing_is_measured():
    assert pl.Plant(CHANNELS_NS, 0, monitor=False).sensed(3)[1] == NOT_MEASURED


@given(seed=st.integers(0, 2**32 - 1))
def test_resistors_stay_within_their_tolerances(seed):
    nominal, tolerances = [100.0, 220.0, 470.0], [0.01, 0.05, 0.0]
    drawn = pl.draw_resistors(nominal, tolerances, seed)
    assert drawn == pl.draw_resistors(nominal, tolerances, seed)
    assert drawn[2] == 470.0
    for real, wanted, tolerance in zip(drawn, nominal, tolerances, strict=True):
        assert abs(real - wanted) <= wanted * tolerance * (1 + 1e-12)


def test_seeds_draw_different_resistors():
    assert len({tuple(pl.draw_resistors([100.0], [0.01], seed)) for seed in range(50)}) == 50


@pytest.mark.parametrize(
    ("texts", "what"),
    [
        (["stuck:3"], "must be stuck-on:CHANNEL or open:CHANNEL"),
        (["open:0"], "must be"),
        (["open:"], "must be"),
        (["open:3 "], "must be"),
        (["open:5"], "channels 1 to 4"),
        (["open:2", "stuck-on:2"], "named twice"),
    ],
)
def test_wrong_faults_are_refused_by_name(texts, what):
    with pytest.raises(InputError, match=what):
        pl.parse_faults(texts, 4)

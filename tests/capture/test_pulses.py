"""Pulses are measured as they were made: durations and periods to 1 ms, levels to 2 % or 2 mA."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from nightdraw.capture import events, read, scan, seen
from nightdraw.capture.pulses import Pulses, measure
from nightdraw.capture.read import blocks
from nightdraw.errors import CannotTellError
from scipy.stats import norm

from tests.capture.synthetic import Clamp, Truth, pulse, random_draw, steady, truth_of

TIME_S = 1e-3
HALF_SAMPLE_S = 0.5e-3  # a sample stands at the end of the interval that it is the mean of


def count(pulses: Pulses, why: str) -> int:
    """Spans that were not judged."""
    return sum(span.why == why for span in pulses.seen.unjudged)


def check(pulses: Pulses, truth: Truth, base_ma: float, level_z: float = 0.0) -> None:
    """Every pulse of the truth and no other; level_z: deviations of a short pulse's mean allowed besides."""
    rows = truth.pulses(base_ma)
    assert len(pulses) == len(rows)
    np.testing.assert_allclose(pulses.start_s - HALF_SAMPLE_S, rows[:, 0], atol=TIME_S)
    np.testing.assert_allclose(pulses.duration_s, rows[:, 1], atol=TIME_S)
    noise = level_z * pulses.seen.noise / np.sqrt(np.maximum(rows[:, 1] / pulses.seen.interval_s - 2, 1))
    assert np.all(np.abs(pulses.level_ma - rows[:, 2]) <= np.maximum(2.0, 0.02 * rows[:, 2]) + noise)


@given(
    base=st.floats(11, 200),
    level=st.floats(30, 900),
    on_ms=st.integers(2, 3000),
    gap_ms=st.integers(7, 4000),
    first_ms=st.floats(20, 500),  # in the first samples a pulse has no base before it
    seed=st.integers(0, 1 << 30),
)
def test_any_periodic_train(
    base: float, level: float, on_ms: int, gap_ms: int, first_ms: float, seed: int
) -> None:
    """Duty from a hundredth to nearly all, with a clamp's ordinary noise."""
    every_s = (on_ms + gap_ms) / 1000
    draws = [steady(round(base)), pulse(round(level), on_ms / 1000, every_s, round(first_ms, 1) / 1000)]
    truth = truth_of(draws, round(first_ms, 1) / 1000 + 12 * every_s - gap_ms / 2000)
    pulses = measure(Clamp(seed=seed).recording(truth))
    check(pulses, truth, round(base), level_z=5)
    assert pulses.base_ma == pytest.approx(round(base), abs=1)
    if len(pulses) > 2:
        assert pulses.period_s == pytest.approx(every_s, abs=TIME_S)


@pytest.mark.parametrize("count", [1, 2, 3])
@pytest.mark.parametrize("on_s", [0.05, 1.9])
def test_few_pulses(count: int, on_s: float) -> None:
    truth = truth_of([steady(40), pulse(250, on_s, 2.0, 0.3)], 2.0 * count + 0.29)
    check(measure(Clamp(sigma_ma=3).recording(truth)), truth, 40, level_z=5)
    assert len(truth.pulses(40)) == count


@given(seed=st.integers(0, 1 << 30), level=st.integers(40, 600), drift=st.sampled_from([0.0, 20.0]))
def test_random_trains_with_drift_of_the_clamp(seed: int, level: int, drift: float) -> None:
    """A low-current clamp's zero wanders by 5 to 20 mA over minutes (makers' sheets, from memory).

    At 0.01 false alarms an hour noise makes a pulse of 2 mA in one of 1500 such recordings: half of the level
    counts.
    """
    draws = [steady(40), random_draw(level, (0.02, 1.5), (0.3, 12.0))]
    truth = truth_of(draws, 240, seed=seed)
    seen = measure(Clamp(drift_ma=drift, seed=seed).recording(truth), least=level / 2)
    check(seen, truth, 40, level_z=5)


@pytest.mark.parametrize("sigma_ma", [1.0, 3.0, 6.0])
@pytest.mark.parametrize("level", [50, 350])
@pytest.mark.parametrize("on_s", [0.01, 0.7, 20.0])
def test_noise_neither_splits_nor_invents_pulses(sigma_ma: float, level: int, on_s: float) -> None:
    truth = truth_of([steady(40), pulse(level, on_s, 2.5 * on_s + 1)], 12 * (2.5 * on_s + 1))
    pulses = measure(Clamp(sigma_ma=sigma_ma).recording(truth))
    assert len(pulses) == len(truth.pulses(40))


def test_pulses_of_one_and_two_milliseconds() -> None:
    for on_s in (0.001, 0.002):
        truth = truth_of([steady(25), pulse(300, on_s, 0.5)], 60)
        pulses = measure(Clamp().recording(truth))
        check(pulses, truth, 25, level_z=5)
        assert np.mean(pulses.level_ma) == pytest.approx(300, abs=2)


def test_a_small_pulse_beside_a_large_one_has_its_own_middle() -> None:
    truth = truth_of([steady(40), pulse(500, 0.1, 1.7), pulse(15, 0.4, 2.3, 0.1)], 120)
    pulses = measure(Clamp(sigma_ma=0.5).recording(truth))
    rows = truth.pulses(40)
    assert len(pulses) == len(rows)
    small = rows[:, 2] < 20
    assert small.sum() > 5
    np.testing.assert_allclose(pulses.duration_s[small], rows[small, 1], atol=TIME_S)
    np.testing.assert_allclose(pulses.level_ma[small], rows[small, 2], atol=1)


def test_a_staircase_is_one_pulse_of_several_parts() -> None:
    truth = Truth(np.array([0.0, 1.0, 1.2, 1.5, 1.6]), np.array([40.0, 90.0, 390.0, 140.0, 40.0]), 4.0)
    pulses = measure(Clamp().recording(truth))
    assert len(pulses) == 1
    assert pulses.duration_s[0] == pytest.approx(0.6, abs=TIME_S)
    assert pulses.level_ma[0] == pytest.approx(350, rel=0.01)
    assert pulses.rows.mean[0] == pytest.approx((50 * 0.2 + 350 * 0.3 + 100 * 0.1) / 0.6, rel=0.01)
    parts = pulses.document()["pulses"][0]["parts"]  # type: ignore[index]
    assert [part["level_ma"] for part in parts] == pytest.approx([50, 350, 100], rel=0.02)
    assert [part["duration_s"] for part in parts] == pytest.approx([0.2, 0.3, 0.1], abs=TIME_S)


def test_cut_pulses_are_left_out_and_counted() -> None:
    truth = Truth(
        np.array([0.0, 1.0, 2.0, 3.0, 4.0]), np.array([300.0, 40.0, 300.0, 40.0, 300.0]), 5.0, idle_ma=300.0
    )
    pulses = measure(Clamp().recording(truth))
    assert len(pulses) == 1
    assert count(pulses, seen.CUT) == 2
    assert pulses.start_s[0] == pytest.approx(2.0, abs=TIME_S)


def test_a_pulse_at_the_runs_very_start_is_whole() -> None:
    """Sample 0 is the mean of the interval before the run, so the edge at 0 is seen."""
    truth = truth_of([steady(40), pulse(200, 0.25, 12.0, 0.0)], 60)
    pulses = measure(Clamp().recording(truth))
    check(pulses, truth, 40)
    assert len(pulses) == 5


def test_the_base_is_what_the_current_comes_back_to() -> None:
    """Neither the wait before a run nor a hold's open switches in it are the base."""
    starts = np.array([0, 2, 3, 5, 6, 8, 8.5, 11, 12], dtype=float)
    levels = np.array([40, 300, 40, 300, 40, OWN, 40, 300, 40], dtype=float)
    pulses = measure(Clamp(before_s=30.0).recording(Truth(starts, levels, 20.0)))
    assert pulses.base_ma == pytest.approx(40, abs=1)
    assert len(pulses) == 3
    assert len(pulses.of(seen.DIP)) == 1


OWN = 11.0


def test_a_flat_recording_has_no_pulses_and_a_base() -> None:
    for drift in (0.0, 20.0):
        pulses = measure(Clamp(sigma_ma=5, drift_ma=drift).recording(truth_of([steady(40)], 600)))
        assert len(pulses) == 0
        assert pulses.period_s is None
        assert pulses.base_ma == pytest.approx(40, abs=2 + drift)


def test_a_turned_clamp_is_asked_about() -> None:
    t_s, ma = Clamp().samples(truth_of([steady(40), pulse(100, 0.2, 2.0)], 20))
    with pytest.raises(CannotTellError) as told:
        measure(from_ma(t_s, -ma))
    assert "--invert" in str(told.value.findings[0].hint)
    assert list(measure(from_ma(t_s, ma)).remarks()) == []


def from_ma(t_s: np.ndarray, ma: np.ndarray) -> read.Recording:
    return read.from_arrays(t_s, ma / 1000)


@pytest.mark.parametrize("level_ma", [0.0, 40.0, 1e5])
def test_a_record_without_any_noise(level_ma: float) -> None:
    """What a script writes: nothing but levels."""
    t_s = np.arange(4000) / 1000
    flat = measure(from_ma(t_s, np.full(4000, level_ma)))
    assert (len(flat), flat.base_ma) == (0, pytest.approx(level_ma))
    square = measure(from_ma(t_s, level_ma + np.where(t_s % 1 >= 0.7, 15.0, 0.0)))
    assert len(square) == 3
    np.testing.assert_allclose(square.duration_s, 0.3, atol=1e-9)
    np.testing.assert_allclose(square.level_ma, 15, atol=1e-6)
    assert count(square, seen.CUT) == 1


def test_a_recorder_whose_clock_jitters() -> None:
    """Samples come within a fifth of an interval of their time; each says its own."""
    truth = truth_of([steady(40), pulse(200, 0.3, 2.0)], 30)
    t_s, ma = Clamp(rate_hz=100).samples(truth)
    moved = t_s + np.random.default_rng(4).uniform(-0.002, 0.002, len(t_s))
    pulses = measure(from_ma(moved, ma))
    assert len(pulses) == len(truth.pulses(40))
    assert count(pulses, seen.GAP) == 0
    np.testing.assert_allclose(pulses.duration_s, 0.3, atol=8e-3)


def test_hum_makes_no_pulses() -> None:
    """Mains hum of 10 mA, folded down by a recorder at 1 kHz that doesn't average it away."""
    t_s = np.arange(60_000) / 1000
    value = 40 + 10 * np.sin(2 * np.pi * 50.3 * t_s) + np.random.default_rng(2).normal(0, 2, len(t_s))
    value[20_000:21_000] += 200
    pulses = measure(read.from_arrays(t_s, value / 1000))
    assert len(pulses) == 1
    assert pulses.duration_s[0] == pytest.approx(1.0, abs=2e-3)


@pytest.mark.parametrize("quantum_ma", [1.0, 2.0, 5.0, 10.0])
def test_a_recorders_coarse_steps_are_noise_not_pulses(quantum_ma: float) -> None:
    truth = truth_of([steady(43), pulse(120, 0.2, 3.0)], 90)
    for sigma_ma in (0.2, 1.0):
        t_s, ma = Clamp(sigma_ma=sigma_ma, drift_ma=3).samples(truth)
        pulses = measure(read.from_arrays(t_s, np.round(ma / quantum_ma) * quantum_ma / 1000))
        assert len(pulses) == len(truth.pulses(43))
        np.testing.assert_allclose(pulses.duration_s, 0.2, atol=TIME_S)


def test_a_gap_hides_what_it_falls_on_and_nothing_else() -> None:
    truth = truth_of([steady(40), pulse(200, 0.5, 2.0, 1.0)], 20)
    t_s, ma = Clamp().samples(truth)
    lost = ((t_s > 5.2) & (t_s < 5.9)) | ((t_s > 9.1) & (t_s < 9.2)) | ((t_s > 12.0) & (t_s < 12.5))
    pulses = measure(read.from_arrays(t_s[~lost], ma[~lost] / 1000))
    rows = truth.pulses(40)
    whole = np.delete(rows, 2, axis=0)  # the first gap swallowed the third pulse's end, the others no edge
    assert count(pulses, seen.GAP) == 3
    assert len(pulses) == len(whole)
    np.testing.assert_allclose(pulses.duration_s, whole[:, 1], atol=TIME_S)


@pytest.mark.parametrize("count", [2, 3, 4])
def test_a_distance_with_a_gap_in_it_is_no_period(count: int) -> None:
    """Of few pulses a median would take a distance across a gap for a period: pulses may be lost in it."""
    truth = truth_of([steady(40), pulse(200, 0.5, 2.0, 1.0)], 2.0 * count + 6.0)
    t_s, ma = Clamp().samples(truth)
    lost = (t_s > 1.8) & (t_s < 2.0 * count + 3.9)  # the first and the last pulse are left
    pulses = measure(from_ma(t_s[~lost], ma[~lost]))
    assert len(pulses) == 2
    assert pulses.period_s is None
    later = (t_s > 3.8) & (t_s < 2.0 * count + 3.9)
    pulses = measure(from_ma(t_s[~later], ma[~later]))
    assert len(pulses) == 3
    assert pulses.period_s == pytest.approx(2.0, abs=TIME_S)


def test_blocks_leave_no_seams(monkeypatch: pytest.MonkeyPatch) -> None:
    truth = truth_of([steady(40), random_draw(150, (0.005, 2.0), (0.05, 3.0))], 300)
    recording = Clamp(sigma_ma=2).recording(truth)
    whole = measure(recording)
    for size in (1 << 14, 1 << 16):
        monkeypatch.setattr(blocks, "BLOCK_SAMPLES", size)
        monkeypatch.setattr(scan, "BLOCK_SAMPLES", size)
        monkeypatch.setattr(scan, "MOST_WINDOW", size >> 4)
        pieces = measure(recording)
        assert len(pieces) == len(whole)
        np.testing.assert_allclose(pieces.start_s, whole.start_s, atol=1e-4)
        np.testing.assert_allclose(pieces.duration_s, whole.duration_s, atol=1e-4)
        np.testing.assert_allclose(pieces.level_ma, whole.level_ma, atol=0.5)


def test_other_rates() -> None:
    for rate_hz, sigma_ma, on_s in ((20.0, 0.2, 2.0), (100.0, 0.3, 0.7), (20_000.0, 4.5, 0.01)):
        truth = truth_of([steady(40), pulse(250, on_s, 5 * on_s, on_s)], 40 * on_s)
        pulses = measure(Clamp(rate_hz=rate_hz, sigma_ma=sigma_ma).recording(truth))
        rows = truth.pulses(40)
        assert len(pulses) == len(rows)
        np.testing.assert_allclose(pulses.duration_s, rows[:, 1], atol=max(TIME_S, 0.2 / rate_hz))


def test_too_short_and_too_noisy_can_not_be_told() -> None:
    for count in (0, 1, 3, events.LEAST_SAMPLES - 1):
        with pytest.raises(CannotTellError):
            measure(read.from_arrays(np.arange(count) / 1000, np.full(count, 0.04)))
    with pytest.raises(CannotTellError, match="hides pulses"):
        measure(Clamp(sigma_ma=100).recording(truth_of([steady(40), pulse(30, 0.1, 5.0)], 60)))


@pytest.mark.parametrize("rate_hz", [100.0, 1000.0])
def test_noise_is_refused_where_it_hides_fifty_milliamperes_for_a_tenth_of_a_second(rate_hz: float) -> None:
    """What a module that wakes for an instant draws (common practice). The level that noise hides goes with
    the noise, so that one recording tells what any multiple of it hides."""
    t_s = np.arange(60 * rate_hz) / rate_hz
    noise_ma = np.random.default_rng(1).normal(0, 1, len(t_s))

    def measured(rms_ma: float) -> Pulses:
        return measure(read.from_arrays(t_s, (40 + rms_ma * noise_ma) / 1000))

    with pytest.raises(CannotTellError) as refused:
        measured(1000.0)
    found = re.search(r"noise of ([\d.e+]+) mA rms hides pulses below ([\d.e+]+)", str(refused.value))
    assert found is not None
    assert float(found[1]) == pytest.approx(1000, rel=0.05)
    hidden_ma = float(found[2]) / 1000  # by a noise of 1 mA, to three digits
    # White noise of 1 mA exceeds this once in 100 h, by the normal law, if each window were another draw.
    rare = norm.isf(0.01 / (3600 * rate_hz) / 2) * np.sqrt(2 / (0.1 * rate_hz))
    assert hidden_ma == pytest.approx(rare, rel=0.15)
    assert len(measured(49.5 / hidden_ma)) == 0
    with pytest.raises(CannotTellError, match="hides pulses"):
        measured(50.5 / hidden_ma)


def test_the_document_has_the_contracts_keys() -> None:
    document = measure(Clamp().recording(truth_of([steady(40), pulse(100, 0.1, 1.0)], 5))).document()
    assert {"base_ma", "pulses", "period_s"} <= set(document)
    assert set(document["pulses"][0]) == {  # type: ignore[index]
        "start_s",
        "duration_s",
        "duration_u_s",
        "level_ma",
        "level_u_ma",
    }

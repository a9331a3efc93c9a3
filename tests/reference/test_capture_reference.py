"""The measuring side against the outside: pulse terms of IEEE Std 181-2011, scipy's and polars-waveform's own
results on the same records. Each check names its source."""

from __future__ import annotations

import numpy as np
import polars_waveform
import pytest
from hypothesis import given
from hypothesis import strategies as st
from nightdraw.capture.pulses import Pulses, measure
from nightdraw.capture.read import from_arrays
from numpy.typing import NDArray
from scipy import signal, stats

from tests.capture.synthetic import Clamp, pulse, random_draw, steady, truth_of

Floats = NDArray[np.float64]

# The golden waveform: low 0.030 A, amplitude 0.450 A, period 0.500 s, duration 0.100 s from middle to middle,
# linear edges of 2 ms, sampled at 10 kHz, the first rise's middle at 0.200 s, four pulses. Its figures follow
# from the definitions of IEEE Std 181-2011 (reference levels 10, 50, 90 %; durations between mid-reference
# level instants): high 0.480 A, middle 0.255 A, separation 0.400 s.
RATE_HZ = 10_000
LOW_A, HIGH_A, MIDDLE_A = 0.030, 0.480, 0.255
STARTS_S = np.array([0.2, 0.7, 1.2, 1.7])
DURATION_S, PERIOD_S, SEPARATION_S, EDGE_S = 0.1, 0.5, 0.4, 2e-3


def golden() -> tuple[Floats, Floats]:
    t_s = np.arange(int(2.2 * RATE_HZ)) / RATE_HZ
    value = np.full(len(t_s), LOW_A)
    for start in STARTS_S:
        corners = [start - EDGE_S / 2, start + EDGE_S / 2]
        corners += [c + DURATION_S for c in corners]
        value += (HIGH_A - LOW_A) * np.interp(t_s, corners, [0, 1, 1, 0])
    return t_s, value


def separations(found: Pulses) -> Floats:
    return found.start_s[1:] - (found.start_s + found.duration_s)[:-1]


def test_the_golden_waveform_exactly() -> None:
    """Source: the definitions of IEEE Std 181-2011 (5.2 state levels, 5.3 reference levels and instants)."""
    found = measure(from_arrays(*golden()))
    np.testing.assert_allclose(found.start_s, STARTS_S, atol=1e-9)
    np.testing.assert_allclose(found.duration_s, DURATION_S, atol=1e-9)
    np.testing.assert_allclose(separations(found), SEPARATION_S, atol=1e-9)
    np.testing.assert_allclose(found.level_ma, 1000 * (HIGH_A - LOW_A), atol=1e-6)
    assert found.base_ma == pytest.approx(1000 * LOW_A, abs=1e-6)
    assert found.period_s == pytest.approx(PERIOD_S, abs=1e-9)


def test_the_golden_waveform_in_noise() -> None:
    """2 mA of noise on edges of twenty samples: 0.1 ms."""
    t_s, value = golden()
    noise = np.random.default_rng(181).normal(0, 0.002, len(t_s))
    found = measure(from_arrays(t_s, value + noise))
    np.testing.assert_allclose(found.start_s, STARTS_S, atol=1e-4)
    np.testing.assert_allclose(found.duration_s, DURATION_S, atol=1e-4)
    np.testing.assert_allclose(found.level_ma, 450, atol=1)


def test_scipys_widths_of_the_golden_waveform() -> None:
    """Source: scipy.signal.find_peaks and peak_widths at half the prominence, run on the same record."""
    t_s, value = golden()
    found = measure(from_arrays(t_s, value))
    peaks, _ = signal.find_peaks(value, plateau_size=1)
    widths, height, left, _ = signal.peak_widths(value, peaks, rel_height=0.5)
    np.testing.assert_allclose(found.duration_s, widths / RATE_HZ, atol=1e-9)
    np.testing.assert_allclose(found.start_s, left / RATE_HZ, atol=1e-9)
    np.testing.assert_allclose(height, MIDDLE_A, atol=1e-9)


def crossings(t_s: Floats, value: Floats, direction: str) -> list[float]:
    """polars-waveform's instants at which a record crosses the middle level, first to fourth."""
    wave = polars_waveform.Waveform.from_arrays(t_s, value)
    return [float(wave.cross(MIDDLE_A, edge=k, type=direction)) for k in (1, 2, 3, 4)]


def test_polars_waveforms_crossings_of_the_golden_waveform() -> None:
    """Source: polars-waveform 0.1.0, given the middle level, run on the same record."""
    t_s, value = golden()
    found = measure(from_arrays(t_s, value))
    np.testing.assert_allclose(found.start_s, crossings(t_s, value, "rising"), atol=1e-9)
    np.testing.assert_allclose(found.start_s + found.duration_s, crossings(t_s, value, "falling"), atol=1e-9)


@given(seed=st.integers(0, 1 << 20), level=st.integers(60, 800))
def test_scipys_widths_of_random_trains(seed: int, level: int) -> None:
    """Source: scipy.signal.peak_widths on the noise-free record; ours is measured in a clamp's noise."""
    truth = truth_of([steady(40), random_draw(level, (0.01, 1.0), (0.05, 2.0))], 60, seed=seed)
    t_s, clean = Clamp(sigma_ma=0.0).samples(truth)
    whole = np.round(clean, 3)  # flat tops are one peak only when they are flat to the last bit
    whole[-1] = 40.0  # a peak needs a side: a pulse that the end cuts is left out below
    peaks, _ = signal.find_peaks(whole, plateau_size=1)
    widths, _, left, right = signal.peak_widths(whole, peaks, rel_height=0.5)
    ended = right < len(t_s) - 3
    found = measure(Clamp(seed=seed).recording(truth))
    assert len(found) == np.count_nonzero(ended)
    np.testing.assert_allclose(found.duration_s, widths[ended] / 1000, atol=1e-3)
    np.testing.assert_allclose(found.start_s, left[ended] / 1000, atol=1e-3)


def test_noise_is_estimated_without_bias_among_pulses() -> None:
    """Source: the chi-square interval of a variance (scipy.stats.chi2), samples of the base alone."""
    truth = truth_of([steady(40), pulse(300, 0.05, 0.5)], 60)
    t_s, ma = Clamp(sigma_ma=3.0).samples(truth)
    found = measure(from_arrays(t_s, ma / 1000))
    quiet = ma[(t_s % 0.5 < 0.25) & (t_s > 0.01)]
    low, high = stats.chi2.ppf((1e-6, 1 - 1e-6), len(quiet) - 1)
    sample = np.var(quiet, ddof=1) * (len(quiet) - 1)
    assert sample / high < 3.0**2 < sample / low
    assert found.seen.noise == pytest.approx(3.0, rel=0.05)


def test_levels_are_as_good_as_their_noise_allows() -> None:
    """Source: the standard error of a mean, sigma over the root of n; 400 pulses of 20 ms, sigma 3 mA. The
    spread of their levels may not exceed it by more than the base beside them adds."""
    truth = truth_of([steady(40), pulse(200, 0.02, 0.4)], 160)
    found = measure(Clamp(sigma_ma=3.0).recording(truth))
    error = 3.0 / np.sqrt(18)  # the samples at the two ends are left out
    assert len(found) == 400
    assert np.std(found.level_ma) < 1.15 * error
    assert np.mean(found.level_ma) == pytest.approx(200, abs=4 * error / np.sqrt(400))

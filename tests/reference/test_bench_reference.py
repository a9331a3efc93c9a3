"""The bench against the outside: a SPICE engine's figure, Ohm's law worked by hand, scipy's statistics
and pulse widths. Each check names its source."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from boxcore import program as pg
from boxcore.program import TICKS_PER_S as S
from nightdraw.bench import plant as pl
from nightdraw.bench.recorder import NOISE_UA, Sampler, TruthTrace
from scipy import signal, stats

from tests.bench import support

KHZ = Fraction(1000)


def test_the_loop_agrees_with_a_spice_engine():
    """Source: ngspice (Debian package), run on this circuit: 12.6 V behind 5 mOhm, 7.70 mOhm of fuse, 50 mOhm
    of wire, 126 Ohm of load: 99.9503 mA, and 7.696170e-04 V across the fuse."""
    point = pl.solve(12.6, 5e-3 + 7.70e-3 + 50e-3, 1 / 126, 0.0)
    assert point.current_a * 1e3 == pytest.approx(99.9503, abs=5e-5)
    assert point.current_a * 7.70e-3 == pytest.approx(7.696170e-04, abs=5e-10)
    plant = pl.Plant([round(1e9 / 126)], 0, source_uohm=62_700)
    assert plant.current_a(1) * 1e3 == pytest.approx(99.9503, abs=2e-4)  # a conductance is whole nanosiemens


@pytest.mark.parametrize(
    ("ohm", "milliamperes"),
    [(2520, 5), (504, 25), (252, 50), (126, 100), (50.4, 250), (25.2, 500), (12.6, 1000), (6.3, 2000)],
)
def test_currents_at_the_battery_follow_ohms_law(ohm, milliamperes):
    """Source: Ohm's law worked by hand, I = 12.6 V / R (an arithmetic check)."""
    plant = pl.Plant([round(1e9 / ohm)], 0, source_uohm=0)
    assert plant.current_a(1) * 1e3 == pytest.approx(milliamperes, rel=2e-6)


@pytest.mark.parametrize(("ohm", "error_pct"), [(252, -0.709), (63, -2.78)])
def test_a_series_resistance_takes_its_share(ohm, error_pct):
    """Source: the burden of a meter in line, E = -Rm / (R + Rm) by Ohm's law: 1.8 Ohm before 50 mA (-0.709 %)
    and 200 mA (-2.78 %) at 12.6 V."""
    free, loaded = (pl.solve(12.6, r, 1 / ohm, 0.0).current_a for r in (0.0, 1.8))
    assert 100 * (loaded / free - 1) == pytest.approx(error_pct, abs=0.005)


def test_the_clamps_noise_is_gaussian_and_white(seed):
    """Source: scipy.stats: Kolmogorov-Smirnov against the normal law, the chi-squared interval of a variance,
    and Fisher's test of a periodogram (its largest line among n is above g with a probability of n (1 - g)^(n
    - 1))."""
    count = 20_001
    noise = Sampler(KHZ, 0, count, seed).feed(TruthTrace(0, 0.1).take(count * 10))[1][1:] - 0.1
    sigma = NOISE_UA / 1e6
    assert stats.kstest(noise / sigma, "norm").pvalue > 1e-4
    low, high = stats.chi2.ppf([5e-5, 1 - 5e-5], len(noise)) * sigma**2 / len(noise)
    assert low < np.mean(noise**2) < high
    lines = signal.periodogram(noise, 1000.0)[1][1:-1]
    share = lines.max() / lines.sum()
    assert len(lines) * (1 - share) ** (len(lines) - 1) > 1e-4


def test_recorded_pulses_have_the_width_and_period_that_scipy_measures():
    """Source: scipy.signal.find_peaks and peak_widths (half prominence) on the noise-free recording. 333.3 ms
    and 1234.5 ms fall between samples: their ends are told by the averaging."""
    plan = support.program((pg.STEADY, 40_000), (pg.PULSE, 300_000, 3_333, 12_345, 5_000))
    world = support.world(source_uohm=0)
    support.run(world, plan)
    world.record()
    world.advance(30 * S)
    amps = Sampler(KHZ, 0, 30_000, seed=0, noise_ua=0).feed(world.seen())[1]
    peaks, _ = signal.find_peaks(amps, plateau_size=100, prominence=0.1)
    widths, _, left, _ = signal.peak_widths(amps, peaks, rel_height=0.5)
    assert len(peaks) == 24
    assert widths == pytest.approx(333.3, abs=0.5)
    assert np.diff(left) == pytest.approx(1234.5, abs=0.5)
    assert left[0] + 0.5 - world.box.run_started / 10 == pytest.approx(500.0 + 1.0, abs=0.5)

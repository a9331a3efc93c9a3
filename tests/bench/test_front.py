"""Noise, drift, bandwidth, range and resolution by statistics and closed forms written down here anew."""

from __future__ import annotations

import math

import numpy as np
import pytest
from nightdraw.instruments.front import DRIFT_TIME_S, IDEAL, Front, Traits
from scipy.signal import lfilter

COUNT = 200_000


def flat(level: float = 0.0, count: int = COUNT) -> np.ndarray:
    return np.full(count, level)


def test_the_ideal_front_changes_nothing() -> None:
    values = np.random.default_rng(1).standard_normal(100)
    assert Front(IDEAL, 1000, (1,))(values) is values


@pytest.mark.parametrize(("rate_hz", "rms"), [(1000, 1.0), (100, math.sqrt(0.1)), (100_000, 6.324555)])
def test_noise_has_the_rms_of_its_band(rate_hz: float, rms: float) -> None:
    # white noise of 6.32 rms in 20 kHz: a mean over 1 ms has 500 Hz of it, and no rate has more than all
    traits = Traits(noise=6.324555, noise_hz=20_000)
    noise = Front(traits, rate_hz, (3,))(flat())
    assert noise.std() == pytest.approx(rms, rel=4 / math.sqrt(2 * COUNT))
    assert abs(noise.mean()) < 4 * rms / math.sqrt(COUNT)
    r1 = np.corrcoef(noise[:-1], noise[1:])[0, 1]
    assert abs(r1) < 4 / math.sqrt(COUNT)


def test_what_is_read_at_instants_has_all_of_the_noise_at_any_rate() -> None:
    traits = Traits(noise=6.0, noise_hz=20_000, instant=True)
    for rate_hz in (20, 1000, 100_000):
        assert Front(traits, rate_hz, (3,))(flat()).std() == pytest.approx(6.0, rel=4 / math.sqrt(2 * COUNT))


@pytest.mark.parametrize("rate_hz", [33_000, 20_000, 10_000, 5_000, 1_000])
def test_a_mean_of_clamp_noise_has_what_is_left_of_it(rate_hz: int) -> None:
    """A first-order process written out finely and averaged by hand; its noise bandwidth is pi / 2 fc."""
    fine_hz, corner_hz, count = 1_650_000, 10_000.0, 3_300_000
    keep = math.exp(-2 * math.pi * corner_hz / fine_hz)
    white = np.random.default_rng(rate_hz).standard_normal(count) * math.sqrt(1 - keep**2)
    process = lfilter([1], [1, -keep], white)
    per = fine_hz // rate_hz
    means = process[: count - count % per].reshape(-1, per).mean(axis=1)
    worth = max(1.0, 2 * rate_hz / (math.pi * corner_hz))  # neighbours are alike
    traits = Traits(1.0, corner_hz, bandwidth_hz=corner_hz)
    assert traits.rms_at(rate_hz) == pytest.approx(
        means.std(), rel=4 * math.sqrt(worth / 2 / len(means)) + 0.004
    )
    if rate_hz == 1000:
        assert traits.rms_at(rate_hz) == pytest.approx(math.sqrt(500 / (math.pi / 2 * corner_hz)), rel=0.01)


def test_noise_is_no_wider_than_the_bandwidth() -> None:
    # first-order low-passed white noise: exp(-2 pi fc / f) from sample to sample
    rate_hz, corner_hz = 10_000.0, 100.0
    made = [Front(Traits(6.0, corner_hz, 0, corner_hz), rate_hz, (3, k)) for k in range(40)]
    runs = np.array([front(flat(0.0, 20_000)) for front in made])
    keep = math.exp(-2 * math.pi * corner_hz / rate_hz)
    alike = (1 + keep) / (1 - keep)  # samples that are worth one
    assert runs.std() == pytest.approx(6.0, rel=4 * math.sqrt(alike / 2 / runs.size))
    assert runs[:, 0].std() == pytest.approx(6.0, rel=4 / math.sqrt(2 * len(made)))  # from the first one on
    r1 = np.corrcoef(runs[:, :-1].ravel(), runs[:, 1:].ravel())[0, 1]
    assert r1 == pytest.approx(keep, abs=0.01)


def test_noise_does_not_depend_on_the_pieces() -> None:
    whole = Front(Traits(noise=1, drift=2), 1000, (5, 6))(flat(1.0))
    parts = Front(Traits(noise=1, drift=2), 1000, (5, 6))
    cut = np.concatenate([parts(flat(1.0, n)) for n in (1, 999, 150_000, 49_000)])
    assert np.allclose(whole, cut, rtol=0, atol=1e-12)
    other = Front(Traits(noise=1, drift=2), 1000, (5, 7))(flat(1.0))
    assert not np.allclose(whole, other)


def test_drift_has_its_rms_over_many_clamps_and_wanders_in_minutes() -> None:
    rate_hz, seconds = 10.0, 1200
    runs = [
        Front(Traits(drift=5.0), rate_hz, (seed,))(flat(0.0, int(rate_hz * seconds))) for seed in range(400)
    ]
    ends = np.array([[run[0], run[-1]] for run in runs])
    assert ends.std() == pytest.approx(5.0, rel=0.12)
    later = np.array([[run[0], run[int(rate_hz * DRIFT_TIME_S)]] for run in runs])
    assert np.corrcoef(later.T)[0, 1] == pytest.approx(math.exp(-1), abs=0.15)  # Gauss-Markov after one time


def test_a_slow_clamp_follows_a_step_by_its_time_constant() -> None:
    rate_hz, corner_hz = 1000.0, 10.0
    step = np.concatenate((flat(0.0, 100), flat(1.0, 400)))
    seen = Front(Traits(bandwidth_hz=corner_hz), rate_hz, (1,))(step)
    times = (np.arange(len(step)) - 99) / rate_hz
    wanted = np.where(times > 0, 1 - np.exp(-2 * math.pi * corner_hz * times), 0.0)
    assert np.allclose(seen, wanted, atol=1e-9)
    tenth, ninth = (int(np.argmax(seen > part)) for part in (0.1, 0.9))
    assert (ninth - tenth) / rate_hz == pytest.approx(
        0.35 / corner_hz, rel=0.05
    )  # one pole: 0.35 / bandwidth


def test_range_and_resolution() -> None:
    values = np.linspace(-3, 3, 10_001)
    seen = Front(Traits(step=0.25, most=2.0), 1000, (1,))(values)
    assert seen.max() == 2.0
    assert seen.min() == -2.0
    assert set(np.unique(seen)) == {k / 4 for k in range(-8, 9)}
    inside = abs(values) < 2
    assert abs(seen - values)[inside].max() <= 0.125 + 1e-9


def test_zeroed_it_shows_nothing_more_than_the_signal_and_misses_what_it_took_for_zero() -> None:
    rate_hz = 10.0
    for drift in (0.0, 5.0):
        traits = Traits(drift=drift, offset=12.0)
        plain, zeroed = Front(traits, rate_hz, (8,)), Front(traits, rate_hz, (8,))
        early = [front(flat(0.0, 777)) for front in (plain, zeroed)]
        assert np.array_equal(*early)
        zeroed.zero(0.25)
        late, from_zero = plain(flat(1.0, 5000)), zeroed(flat(1.0, 5000))
        # the drift goes on from where it was zeroed: a constant lies between the two
        assert np.allclose(late - from_zero, late[0] - from_zero[0])
        assert from_zero[0] == pytest.approx(0.75, abs=1e-9)
    again = Front(Traits(drift=5.0, offset=12.0), rate_hz, (9,))
    again.zero(0.0)  # before the first sample
    assert again(flat(1.0, 10))[0] == pytest.approx(1.0, abs=1e-9)

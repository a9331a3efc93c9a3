"""What recorder and clamp did, against references of its own: brute force, scipy's simulation of the low
pass, a published law of quantization."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from nightdraw.capture import instrument as it
from nightdraw.capture.accounts import Account
from nightdraw.capture.align import Piece
from nightdraw.capture.place import Clock
from nightdraw.capture.read import Recording, from_arrays
from scipy import signal, stats

from tests.capture.by_hand import START, Floats, account_of, random_account, seen_of

INTERVAL_S = 1e-3
weights = st.lists(st.tuples(st.integers(-5, 5), st.integers(1, 4)), min_size=1, max_size=9)


@given(rows=weights, share=st.sampled_from([0.05, 0.25, 0.5, 0.75, 1.0]))
def test_a_weighed_quantile_is_the_plain_one_of_copies(rows: list[tuple[int, int]], share: float) -> None:
    """Each value as often as it weighs, sorted: the first below which, itself counted, lies the share."""
    value, weight = (np.array(column, dtype=float) for column in zip(*rows, strict=True))
    copies = sorted(v for v, w in rows for _ in range(w))
    due = next(v for k, v in enumerate(copies, 1) if k >= share * len(copies))
    assert it.weighed_quantile(value, weight, share) == due


def test_the_gain_is_the_ratio_that_most_height_has() -> None:
    """One large edge outweighs three small ones; none at all is no gain."""
    assert it.gain_of(np.array([-20.0, 3.0, 3.0, 3.0]), np.array([10.0, 2.0, 2.0, 2.0])) == -2.0
    assert it.gain_of(np.array([20.0, -9.0, -9.0]), np.array([10.0, -6.0, -6.0])) == 1.5
    assert it.gain_of(np.empty(0), np.empty(0)) == 1.0


def lateness(rng: np.random.Generator, offset_s: float, slope: float) -> tuple[Floats, Floats, Floats]:
    t_s = np.sort(rng.uniform(0, 5000, 60))
    return t_s, offset_s + slope * t_s + rng.normal(0, 1e-5, 60), rng.uniform(5e-5, 9e-5, 60)


def test_a_clock_is_refined_by_weighed_least_squares(seed: int) -> None:
    """Away from outliers, against numpy.polyfit with the weights; the offset and the rate of the refined
    clock lay each edge where it was seen."""
    rng = np.random.default_rng(seed)
    clock = Clock(100.0, 5000.0, 60, 0.0, 0)
    for slope in (0.0, 4e-6, -3e-5):
        t_s, late_s, u = lateness(rng, 2e-3, slope)
        found = it.refined(clock, t_s, late_s, u, 1e-3)
        by_rate, by_offset = np.polyfit(t_s, late_s, 1, w=1 / u)
        ends = np.array([0.0, 5000.0])
        due = clock.to_recording(ends + by_offset + by_rate * ends)
        assert found.to_recording(ends) == pytest.approx(due, abs=3e-6)
        assert found.to_recording(0.0) == pytest.approx(100.0 + 2e-3 * 1.005, abs=2e-5)


def test_edges_refine_a_clock_by_how_well_they_are_known(seed: int) -> None:
    """Half of them, known to 20 us, tell one line, the others, known to 50 to 400 us, one 30 us later: again
    numpy.polyfit with the weights, which leaves next to nothing of the 30 us."""
    rng = np.random.default_rng(seed)
    t_s = np.sort(rng.uniform(0, 5000, 60))
    well = rng.permutation(60) < 30
    late_s = 1e-3 + 2e-6 * t_s + np.where(well, 0.0, 3e-5)
    u_s = np.where(well, 2e-5, rng.choice([5e-5, 4e-4], 60))
    found = it.refined(START, t_s, late_s, u_s, 1e-3)
    by_rate, by_offset = np.polyfit(t_s, late_s, 1, w=1 / u_s)
    ends = np.array([0.0, 5000.0])
    assert found.to_recording(ends) == pytest.approx(ends + by_offset + by_rate * ends, abs=1e-9)


def test_an_outlier_of_a_sloping_line_is_left_out(seed: int) -> None:
    """A clock off by 200 ppm moves edges by a second from end to end; one that is off by 2 ms is told by the
    line, not by where most of them lie."""
    rng = np.random.default_rng(seed)
    t_s = np.linspace(0, 5000, 60)
    late_s, u_s = 2e-4 * t_s + rng.normal(0, 1e-6, 60), np.full(60, 5e-5)
    spoilt = late_s.copy()
    spoilt[[20, 21, 41]] += 2e-3
    ends = np.array([0.0, 5000.0])
    due = it.refined(START, t_s, late_s, u_s, 1e-3).to_recording(ends)
    assert it.refined(START, t_s, spoilt, u_s, 1e-3).to_recording(ends) == pytest.approx(due, abs=1e-5)


def test_outliers_and_what_is_known_badly_move_no_clock(seed: int) -> None:
    rng = np.random.default_rng(seed)
    t_s, late_s, u = lateness(rng, 2e-3, 4e-6)
    plain = it.refined(START, t_s, late_s, u, 1e-3)
    spoilt = late_s.copy()
    spoilt[::5] += 0.3
    assert it.refined(START, t_s, spoilt, u, 1e-3).offset_s == pytest.approx(plain.offset_s, abs=2e-5)
    unknown, badly = late_s.copy(), u.copy()
    unknown[::7], badly[::7] = 99.0, 1e-3
    found = it.refined(START, t_s, unknown, badly, 1e-3)
    rest = np.arange(60) % 7 > 0
    assert found == it.refined(START, t_s[rest], late_s[rest], u[rest], 1e-3)
    unknown[::7] = np.nan
    assert it.refined(START, t_s, unknown, u, 1e-3) == found


def test_a_few_edges_close_together_say_nothing_of_a_rate() -> None:
    """Four edges, known to 20 us, within 0.1 s: a slope of 1e-4 is held by edges' 20 us to 50 ppm (2e-5 /
    5e-5 = 0.4 s beside the root of their sum of squares)."""
    t_s = np.array([0.0, 0.03, 0.07, 0.1])
    late_s, u = 1e-3 + 1e-4 * t_s, np.full(4, 2e-5)
    away = t_s - t_s.mean()
    due = 1e-4 * np.sum(away**2) / (np.sum(away**2) + 4 * 0.4**2)
    found = it.refined(START, t_s, late_s, u, 1e-3)
    assert found.rate_ppm == pytest.approx(due * 1e6)
    assert found.offset_s == pytest.approx(np.mean(late_s) - due * t_s.mean())


@pytest.mark.parametrize(
    ("edges", "interval_s", "refines"), [(4, 1e-3, True), (3, 1e-3, False), (4, 0.1, True)]
)
def test_so_few_edges_refine_nothing(edges: int, interval_s: float, refines: bool) -> None:
    """Known to better than a millisecond, or than a fifth of a slow recorder's interval."""
    u_s = 0.99 * max(1e-3, 0.2 * interval_s)
    t_s = np.linspace(0, 900, edges)
    found = it.refined(START, t_s, np.full(edges, 0.01), np.full(edges, u_s), interval_s)
    assert (found is not START) is refines
    assert found.offset_s == pytest.approx(0.01 if refines else 0.0)
    assert it.refined(START, t_s, np.full(edges, 0.01), np.full(edges, u_s / 0.98), interval_s) is START


def quantized(level: float, sigma: float, digit: float, count: int, seed: int) -> Recording:
    value = level + np.random.default_rng(seed).normal(0, sigma, count)
    return from_arrays(np.arange(count) * INTERVAL_S, np.round(value / digit) * digit, unit="mA")


def test_a_digit_moves_a_mean_as_far_as_the_law_says() -> None:
    """Exactly, by the normal law over the steps (scipy): the mean of a rounded normal deviate, over all
    places of the level between two steps, goes up and down by no more than q exp(-2 pi^2 s^2 / q^2), peak to
    peak 2 / pi of that (Widrow and Kollar 2008, from memory; the first term of the Fourier series)."""
    digit, step = 1.0, np.arange(-40, 41.0)
    recording = quantized(30.0, 3.0, digit, 4000, 1)
    for sigma in (0.5, 0.6, 0.7):
        worst = 0.0
        for level in np.linspace(0, 1, 41):
            inside = np.diff(stats.norm.cdf(np.append(step - 0.5, 40.5), level, sigma))
            worst = max(worst, abs(float(np.sum(inside * step)) - level))
        seen_noise = np.hypot(sigma, digit / np.sqrt(12))
        found = it.digit_of(recording, seen_noise)
        assert found == pytest.approx(np.exp(-2 * np.pi**2 * sigma**2))
        assert worst == pytest.approx(found / np.pi, rel=0.02)  # one way: it is told a little too large


@pytest.mark.parametrize(
    ("digit", "noise", "due"),
    [
        (1.0, 0.0, 1.0),
        (1.0, 0.54, 1.0),
        (2.0, 1.09, 2.0),
        (0.05, 0.0, 0.0),
        (0.06, 0.0, 0.06),
        (1.0, 5.0, 0.0),
    ],
)
def test_a_digit_counts_whole_where_no_noise_flips_it(digit: float, noise: float, due: float) -> None:
    recording = quantized(30.0, 3 * digit, digit, 500, 2)
    assert it.digit_of(recording, noise) == pytest.approx(due, abs=1e-9)


def test_values_that_are_no_whole_steps_have_no_digit() -> None:
    """Steps of 1 that were rounded again, to 0.04 of a step, still are steps; to 0.06 they aren't."""
    for off, due in ((0.0, 1.0), (0.04, 1.0), (0.06, 0.0)):
        value = np.array([3.0, 4.0, 6.0 + off, 9.0 + off])
        found = it.digit_of(from_arrays(np.arange(4.0), value, unit="mA"), 0.0)
        assert found == pytest.approx(due)
    assert it.digit_of(from_arrays(np.arange(4.0), np.full(4, 7.0), unit="mA"), 0.0) == 0.0


def slow_clamp(account: Account, tau_s: float, late_s: float, seed: int, sigma: float = 0.3) -> Recording:
    """scipy.signal.lsim on a grid twenty times as fine as the samples, each the mean of its interval."""
    fine = 20
    t_s = np.arange(-0.5, account.end_s + 0.5, INTERVAL_S / fine)
    ma = replace(account, t_s=account.t_s + late_s, end_s=account.end_s + late_s).at(
        t_s + INTERVAL_S / fine / 2
    )
    if tau_s:
        _, ma, _ = signal.lsim(([1 / tau_s], [1, 1 / tau_s]), ma, t_s + 0.5, X0=[ma[0] * tau_s], interp=False)
    whole = len(ma) // fine * fine
    mean = ma[:whole].reshape(-1, fine).mean(axis=1)
    ends = t_s[:whole:fine] + INTERVAL_S
    return from_arrays(ends, mean + np.random.default_rng(seed).normal(0, sigma, len(mean)), unit="mA")


def constant_of(account: Account, recording: Recording, sigma: float = 0.3) -> tuple[float, float]:
    piece = Piece(START, -0.5, account.end_s + 0.5, -np.inf, np.inf)
    seen = seen_of([], account.end_s, interval_s=INTERVAL_S, noise=sigma)
    return it.time_constant(recording, account, piece, seen)


@pytest.mark.parametrize(("tau_s", "late_s"), [(0.004, 0.001), (0.02, -0.002), (0.05, 0.0)])
def test_a_time_constant_and_a_lateness_are_found(seed: int, tau_s: float, late_s: float) -> None:
    account = random_account(np.random.default_rng(seed), 10)
    found = constant_of(account, slow_clamp(account, tau_s, late_s, seed))
    assert found == pytest.approx((tau_s, late_s), rel=0.02, abs=1e-4)


def test_another_loads_pulse_beside_an_edge_outvotes_nobody(seed: int) -> None:
    """300 mA for 30 ms beside one rise and one fall of twenty edges, of which the account knows nothing."""
    account = random_account(np.random.default_rng(seed), 10)
    recording = slow_clamp(account, 0.02, 0.001, seed)
    t_s, value = recording.samples()
    for at_s in (account.t_s[3] + 0.02, account.t_s[8] - 0.04):
        value = value + np.where((t_s > at_s) & (t_s < at_s + 0.03), 300.0, 0.0)
    found = constant_of(account, from_arrays(t_s, value, unit="mA"))
    assert found == pytest.approx((0.02, 0.001), rel=0.1, abs=1e-3)


@pytest.mark.parametrize("tau_s", [0.0, 0.001, 0.12])
def test_a_clamp_that_is_quick_or_much_too_slow_has_no_time_constant(seed: int, tau_s: float) -> None:
    account = random_account(np.random.default_rng(seed), 10)
    assert constant_of(account, slow_clamp(account, tau_s, 0.001, seed)) == (0.0, 0.0)


def test_three_edges_or_small_ones_are_too_few() -> None:
    """Four edges tell it, three don't, nor such as twenty deviations of the noise hide."""
    for levels, due in (([30.0, 400.0, 30.0, 400.0, 30.0], 0.02), ([30.0, 400.0, 30.0, 400.0], 0.0)):
        account = account_of(levels, np.full(len(levels), 0.6), 30.0)
        recording = slow_clamp(account, 0.02, 0.0, 1)
        assert constant_of(account, recording)[0] == pytest.approx(due, rel=0.03)
        if due:
            assert constant_of(account, recording, sigma=25.0) == (0.0, 0.0)


def test_samples_around_instants_are_those_near_them(seed: int) -> None:
    """A loop over all samples, where windows overlap and blocks end in them."""
    rng = np.random.default_rng(seed)
    t_s = np.sort(rng.uniform(0, 10, 300))
    value = rng.normal(0, 1, 300)
    at_s = np.sort(np.append(rng.uniform(-1, 11, 20), t_s[:3]))
    found = {k: (t, v) for k, t, v in it._around(from_arrays(t_s, value, unit="mA"), at_s, 0.4)}
    for k, one in enumerate(at_s):
        inside = [i for i in range(300) if one - 0.4 <= t_s[i] < one + 0.4]
        if k in found:
            assert found[k][0] == pytest.approx(t_s[inside] - one)
            assert found[k][1].tolist() == value[inside].tolist()
        else:
            assert not inside


def test_remarks_name_what_is_off_and_nothing_else() -> None:
    assert list(it.PERFECT.remarks()) == []
    usual = it.Instrument(gain=1.0199, zero_ma=-2.0, rate_ppm=200.0)
    assert list(usual.remarks()) == []
    for change, words in (
        ({"gain": -1.0}, "the wrong way round"),
        ({"gain": 1.03}, "(+3.0 %)"),
        ({"gain": 0.97}, "(-3.0 %)"),
        ({"gain": 10.3}, "10 times too large"),
        ({"gain": 0.098}, "10 times too small"),
        ({"gain": 0.095}, "(-90.5 %)"),
        ({"gain": 1.06}, "(+6.0 %)"),
        ({"zero_ma": 2.1}, "zero +2.1 mA"),
        ({"lead_ohm": 0.5}, "0.50 ohm in series"),
        ({"tau_s": 0.0123}, "12.3 ms"),
        ({"rate_ppm": -201.0}, "-201 ppm"),
    ):
        told = list(replace(usual, **change).remarks())
        assert len(told) == 1
        assert words in told[0]
    assert it.Instrument(gain=-1.0).inverted
    assert not it.Instrument(gain=1.0).inverted

"""Noise, resolution and hum, function by function: against the normal law, exact codes, quantized noise and
lines that are known."""

from __future__ import annotations

import numpy as np
import pytest
from nightdraw.capture import noise as ns
from nightdraw.capture.seen import Floats, Ints
from scipy import integrate, optimize, stats

NO_GAPS = np.empty(0, dtype=np.int64)


def test_the_constants_are_the_normal_laws() -> None:
    assert pytest.approx(stats.norm.ppf(0.75)) == ns.HALF_Z
    assert pytest.approx(stats.norm.ppf(0.625)) == ns.QUARTER_Z
    within = integrate.quad(lambda x: x * x * stats.norm.pdf(x), -ns.TRIM_Z, ns.TRIM_Z)[0]
    share = stats.norm.cdf(ns.TRIM_Z) - stats.norm.cdf(-ns.TRIM_Z)
    assert pytest.approx(within / share, rel=1e-4) == ns.TRIM_SHARE


@pytest.mark.parametrize("rate_hz", [0.1, 20.0, 1000.0, 50e3])
@pytest.mark.parametrize("alarms", [0.001, 0.01, 1.0])
def test_the_deviations_make_the_alarms_that_were_asked_for(rate_hz: float, alarms: float) -> None:
    """So many tries an hour, each on two sides of the normal law."""
    tries = 15.0 * rate_hz * 3600
    assert 2 * stats.norm.sf(ns.deviations(alarms, rate_hz)) * tries == pytest.approx(alarms, rel=1e-6)


def test_the_deviations_stay_within_what_a_float_tells() -> None:
    assert ns.deviations(1e12, 1.0) == pytest.approx(stats.norm.isf(0.01))
    assert ns.deviations(1e-30, 1e6) == pytest.approx(stats.norm.isf(1e-15), rel=1e-6)
    assert ns.deviations(0.01, 0.0) == ns.deviations(0.01, 1e-6)


def noise_with(runs: int, pieces: int) -> ns.Noise:
    return ns.Noise(np.zeros(runs), 1.0 + np.arange(runs), 10.0 + np.arange(pieces), 20.0 + np.arange(pieces))


def test_a_sample_has_the_noise_of_its_run_and_its_piece() -> None:
    """The last one's also behind the end."""
    runs = 2 * ns.PIECE // ns.RUN
    found = noise_with(runs, 2)
    place = np.array([0, ns.RUN - 1, ns.RUN, ns.PIECE - 1, ns.PIECE, 2 * ns.PIECE - 1, 2 * ns.PIECE, 10**7])
    per = ns.PIECE // ns.RUN
    assert found.at(place).tolist() == [1, 1, 2, per, per + 1, runs, runs, runs]
    assert found.piece(place).tolist() == [0, 0, 0, 0, 1, 1, 1, 1]
    assert found.bias_at(place).tolist() == [20, 20, 20, 20, 21, 21, 21, 21]


def test_without_hum_a_fiftieth_of_it_is_left(seed: int) -> None:
    value = np.random.default_rng(seed).normal(0, 1.0, 5000)
    known = ns.Noise(np.full(2, 9.0), np.full(2, 9.0), np.array([3.0]), np.array([0.7]))
    left, rest = known.without(value, 40.0), ns.noise_of(value)
    np.testing.assert_allclose(left.own, np.maximum(rest.own, 0.8))
    np.testing.assert_allclose(known.without(value, 500.0).sigma, 10.0)
    assert (left.least[0], left.bias[0]) == (3.0, 0.7)


@pytest.mark.parametrize("samples", [0, 1, 2])
def test_fewer_than_three_samples_show_no_noise(samples: int) -> None:
    found = ns.noise_of(np.arange(samples, dtype=float))
    assert (found.own.tolist(), found.least.tolist(), found.bias.tolist()) == ([0.0], [0.0], [0.0])


@pytest.mark.parametrize("samples", [3, 4, 20])
def test_a_few_samples_of_two_levels_show_some_noise(samples: int) -> None:
    found = ns.noise_of(np.random.default_rng(1).normal(0, 1, samples))
    assert np.all(np.isfinite(found.own))
    assert np.all(found.own >= 0)


@pytest.mark.parametrize("samples", [2000, ns.PIECE, 2 * ns.PIECE + 100, 2 * ns.PIECE + ns.PIECE // 8])
def test_white_noise_is_told_among_steps_and_a_slope(samples: int, seed: int) -> None:
    """A tenth of a percent of the samples are steps of 200 deviations. Of n differences within TRIM_Z a
    deviation is known to about 1 / sqrt(n); six of these."""
    rng = np.random.default_rng(seed)
    value = rng.normal(0, 3.0, samples) + 0.01 * np.arange(samples)
    for k in rng.integers(0, samples, samples // 1000):
        value[k:] += rng.choice([-600, 600])
    found = ns.noise_of(value)
    pieces = 1 if samples < 2 * ns.PIECE else 2 + (samples % ns.PIECE >= ns.PIECE // 8)
    assert len(found.least) == len(found.bias) == pieces
    n = min(samples, ns.PIECE // 8 if pieces == 3 else ns.PIECE)
    np.testing.assert_allclose(found.own, 3.0, rtol=6 / np.sqrt(n))
    assert found.bias.tolist() == [0.0] * pieces


def test_the_least_change_is_a_share_of_the_range() -> None:
    """Between the quantiles 0.05 and 0.95: here of a ramp, and half of the record at each of two levels; a
    moment at 10 A is none."""
    value = np.linspace(0.0, 1000.0, 5000)
    assert ns.noise_of(value).least[0] == pytest.approx(5e-4 * 900, rel=0.01)
    levels = np.repeat([0.0, 400.0], 3000) + np.random.default_rng(2).normal(0, 0.1, 6000)
    levels[1000:1100] = 10_000.0
    assert ns.noise_of(levels).least[0] == pytest.approx(5e-4 * 400, rel=0.01)


@pytest.mark.parametrize("rounding", [0.0, 1e-10, 1e-6, 1e-4, 2e-4, 1e-3])
def test_arithmetic_is_no_noise(rounding: float) -> None:
    """Levels that repeat, and what sums' rounding or a script's little noise adds: no codes, for two levels
    are none; the noise is DYNAMIC of all there is, without the rarest thousandth."""
    value = (
        np.repeat(np.tile([0.0, 1000.0], 10), 100) + np.random.default_rng(1).normal(0, 1, 2000) * rounding
    )
    value[500] = 3000.0
    assert ns.noise_of(value).own[0] == pytest.approx(1e-4 * 1000, rel=1e-2)
    assert ns.noise_of(value).bias[0] == 0.0
    assert ns.noise_of(value + 1e4).bias[0] == 0.0  # however high they are


def test_a_loud_run_has_its_own_noise_and_its_neighbours_are_held_against_it() -> None:
    """Eight times the noise in one run: its own; two runs on either side are held against the largest."""
    rng = np.random.default_rng(6)
    value = rng.normal(0, 1.0, 2 * ns.PIECE)
    value[9 * ns.RUN : 10 * ns.RUN] *= 8.0
    value[20 * ns.RUN : 21 * ns.RUN] *= 1.5  # not LOUD
    found = ns.noise_of(value)
    own = np.ones(2 * ns.PIECE // ns.RUN)
    own[9] = 8.0
    held = own.copy()
    held[7:12] = 8.0
    # some 250 differences tell a run's own; the middle quarter of them knows it to 12 %
    np.testing.assert_allclose(found.own, own, rtol=0.4)
    np.testing.assert_allclose(np.delete(found.own, 9), 1.0, rtol=0.05)
    np.testing.assert_allclose(found.sigma, held, rtol=0.4)
    assert np.all(found.sigma[7:12] == found.own[9])


def test_the_looks_are_differences_of_neighbours_in_each_run() -> None:
    """Of squares k^2 a difference tells its place, 2 k + 1: all of the run and look they stand for."""
    length = 4 * ns.RUN
    value = np.tile(np.arange(length, dtype=float) ** 2, (2, 1))
    found = ns._looks(value)
    per = ns.RUN * ns.SOME // ns.PIECE // ns.LOOKS
    assert found.shape == (2, 4, ns.LOOKS, per)
    begin = np.arange(4 * ns.LOOKS).reshape(4, ns.LOOKS) * (ns.RUN // ns.LOOKS)
    wanted = 2 * (begin[..., None] + np.arange(per)) + 1
    np.testing.assert_array_equal(found[0], wanted)
    np.testing.assert_array_equal(found[1], wanted)
    short = ns._looks(value[:, : 2 * ns.RUN - 1])
    assert short.shape == (2, 1, 1, 2 * ns.RUN - 2)


def test_a_deviation_by_squares_is_the_trimmed_laws(seed: int) -> None:
    """The fixed point of what scipy finds: mean square within TRIM_Z sqrt(2) s is TRIM_SHARE 2 s^2. Each of
    the two rounds leaves a quarter of what the first guess was off by."""
    rng = np.random.default_rng(seed)
    value = rng.normal(0, 2.0, (3, 20_000))
    value[1] *= 5
    moves = np.diff(value, axis=1)

    def off(s: float, row: int) -> float:
        near = moves[row][np.abs(moves[row]) <= ns.TRIM_Z * np.sqrt(2) * s]
        return float(np.mean(near**2) - ns.TRIM_SHARE * 2 * s**2)

    fixed = np.array(
        [optimize.brentq(off, 0.8 * s, 1.3 * s, args=(row,)) for row, s in enumerate((2, 10, 2))]
    )
    for first in (0.9, 1.0, 1.1):
        found = ns._by_squares(value, first * fixed)
        np.testing.assert_allclose(found, fixed, rtol=abs(first - 1) / 6 + 2e-3)


@pytest.mark.parametrize("share", [0.2, 0.29, 0.35, 0.5, 0.8])
def test_what_a_resolution_leaves_to_a_mean_is_the_quantizers_own(share: float) -> None:
    """A quantizer's mean error over all places of the input within a code, by numerical integration: its rms
    is what is told (first harmonic, Widrow and Kollar 2008: good where noise is not much smaller than a
    code)."""
    unit, own = 2.0, 2.0 * share
    codes = unit * np.arange(-12, 13)
    places = np.linspace(-unit / 2, unit / 2, 201)[:-1]
    edges = np.concatenate(([-np.inf], codes[:-1] + unit / 2, [np.inf]))
    chance = np.diff(stats.norm.cdf((edges[None, :] - places[:, None]) / own), axis=1)
    mean = chance @ codes
    seen = np.sqrt(np.mean(chance @ codes**2 - mean**2) + 0.0)
    rms = float(np.sqrt(np.mean((mean - places) ** 2)))
    # what is seen has unit^2 / 12 less the mean's own error in it
    told = ns.quantization_u(unit, float(np.hypot(seen, rms)))
    first = unit / (np.pi * np.sqrt(2)) * np.exp(-2 * (np.pi * share) ** 2)
    assert rms == pytest.approx(first, rel=0.02)
    assert told == pytest.approx(rms * np.pi * np.sqrt(2 / 12), rel=0.05)


def test_a_constant_value_is_anywhere_in_its_code() -> None:
    """Uniform law, unit / sqrt(12) (IEEE Std 1241); noise that the quantizer alone makes adds nothing."""
    assert ns.quantization_u(3.0, 0.0) == pytest.approx(3 / np.sqrt(12))
    assert ns.quantization_u(3.0, 3 / np.sqrt(12)) == pytest.approx(3 / np.sqrt(12))


@pytest.mark.parametrize("unit", [0.01, 1.0, 30.0])
def test_codes_are_told_by_their_distance(unit: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    value = unit * np.round(rng.normal(0, 2.0, 3000) + 7 * (np.arange(3000) // 500 % 2))
    assert ns.resolution(value, float(np.ptp(value))) == pytest.approx(unit)
    # without every second code near the ends, and with digits that cut the codes
    value = value[value != 2 * unit]
    assert ns.resolution(value, float(np.ptp(value))) == pytest.approx(unit)


def test_noise_has_no_codes(seed: int) -> None:
    value = np.random.default_rng(seed).normal(0, 1, 3000)
    # the nearest of its values may be even by chance: a unit so small that nothing follows from it
    assert ns.resolution(value, float(np.ptp(value))) < 1e-4
    assert ns.resolution(np.full(50, 3.0), 0.0) == 0.0
    assert ns.resolution(np.array([3.0]), 0.0) == 0.0


@pytest.mark.parametrize(
    ("levels", "told"),
    [
        ([0, 100], False),  # a script's two levels, far apart
        ([0, 100, 200, 300], False),  # three distances are too few
        ([0, 100, 200, 300, 400], True),
        ([0, 100, 237, 300, 351], False),  # not even
        ([0, 2.0], True),  # so near that a zero which creeps jumps by it
        ([0, 2.01], False),
        ([0, 2.01, 39], False),
        ([0, 2.01, 42], True),  # a twentieth of all there is
    ],
)
def test_few_values_are_codes_where_they_are_near(levels: list[float], told: bool) -> None:
    value = np.repeat(np.array(levels, dtype=float), 20)
    assert (ns.resolution(value, float(np.ptp(value))) > 0) == told


def test_rounding_of_sums_is_no_code() -> None:
    value = np.repeat([0.0, 1.0, 1.0 + 5e-8, 2.0, 3.0, 4.0], 5)
    assert ns.resolution(value, 4.0) == pytest.approx(1.0)


def test_codes_written_with_fewer_digits_are_averaged() -> None:
    """Codes of 1.25 written as 1.2, 2.5, 3.8, 5.0 ...: their distance is the mean one."""
    value = np.repeat(np.round(1.25 * np.arange(9) + 1e-9, 1), 4)
    assert ns.resolution(value, float(np.ptp(value))) == pytest.approx(1.25, rel=0.01)


@pytest.mark.parametrize(
    ("apart", "share", "flickers"),
    [(1, 1.0, True), (3, 1.0, True), (4, 1.0, False), (2, 0.35, True), (2, 0.2, False)],
)
def test_values_flicker_that_go_to_and_fro_within_few_samples(
    apart: int, share: float, flickers: bool
) -> None:
    """share: of the changes that turn back after `apart` samples; the others go on after 50, or the same
    way."""
    value, level = [0.0], 0.0
    turns = round(100 * share)
    for k in range(100):
        level += -1 if k % 2 and k < turns else 1
        value += [level] * (apart if k < turns or k % 2 else 50)
    assert ns._flickers(np.diff(np.array(value))) == flickers
    assert not ns._flickers(np.zeros(5))
    assert not ns._flickers(np.array([0.0, 1.0, 0.0]))


def test_codes_are_a_floor_of_noise_and_of_changes() -> None:
    """A value that creeps over codes of 1: a uniform law's deviation at the least, no change below 1.5 codes,
    a mean known to 1 / sqrt(12)."""
    found = ns.noise_of(np.repeat(np.arange(12.0), 400))
    assert found.own[0] == pytest.approx(1 / np.sqrt(12), rel=0.01)
    assert found.least[0] == pytest.approx(1.5)
    assert found.bias[0] == pytest.approx(1 / np.sqrt(12), rel=0.01)
    # one sample in ten is a code higher: 2 changes of 10 samples, of variance 2 s^2
    flicker = np.tile([0.0] * 9 + [1.0], 500)
    own = ns.noise_of(flicker).own[0]
    assert own == pytest.approx(np.sqrt(0.2 / 2), rel=0.01)


def sine(hz: float, rate_hz: float, samples: int, ma: float = 1.0) -> Floats:
    return ma * np.sin(2 * np.pi * hz / rate_hz * np.arange(samples) + 0.4)


def stepped(at: Ints, samples: int) -> Floats:
    return 100.0 * (np.searchsorted(at, np.arange(samples), side="right") % 2)


def test_levels_are_taken_off_between_their_changes(seed: int) -> None:
    """Changes at the very ends and behind them cut nothing."""
    value = np.random.default_rng(seed).normal(5, 1, 50)
    ends = np.array([-4, 0, 1, 20, 49, 50, 60])
    rest = value.copy()
    for a, b in ((0, 1), (1, 20), (20, 49), (49, 50)):
        rest[a:b] -= value[a:b].mean()
    np.testing.assert_allclose(ns._without_levels(value, ends), rest, atol=1e-12)


@pytest.mark.parametrize("hz", [45.3, 49.97, 60.02, 64.6])
def test_lines_are_told_to_a_hundredth_of_a_hertz_with_their_harmonics(hz: float, seed: int) -> None:
    rate_hz, samples = 1000.0, 16_384
    rest = np.random.default_rng(seed).normal(0, 1, samples)
    rest += sine(hz, rate_hz, samples, 2.0) + sine(3 * hz, rate_hz, samples)
    assert ns._lines(rest, rate_hz) == pytest.approx([hz, 3 * hz], abs=0.02)
    rest += sine(2 * hz, rate_hz, samples) + sine(4 * hz, rate_hz, samples)
    assert ns._lines(rest, rate_hz) == pytest.approx([hz, 2 * hz, 3 * hz], abs=0.02)
    # above 0.45 of the rate a line can't be told from its mirror
    assert len(ns._lines(rest[::4], rate_hz / 4)) == (2 if 2 * hz < 0.45 * rate_hz / 4 else 1)


def test_what_is_no_hum_has_no_lines(seed: int) -> None:
    """Noise, a line outside the range, one too short to tell, and one below a hundredth of what is left."""
    rng = np.random.default_rng(seed)
    white = rng.normal(0, 1, 16_384)
    assert ns._lines(white, 1000.0) == []
    assert ns._lines(white + sine(75.0, 1000.0, 16_384, 5.0), 1000.0) == []
    assert ns._lines((white + sine(50.0, 1000.0, 16_384, 5.0))[:3999], 1000.0) == []
    assert len(ns._lines((white + sine(50.0, 1000.0, 16_384, 5.0))[:4000], 1000.0)) >= 1
    # without noise LINE says nothing: a hundredth of the size of what else there is changes nothing
    for ma, found in ((0.5, 0), (2.0, 1)):
        other = sine(20.0, 1000.0, 16_000, 100.0) + sine(50.0, 1000.0, 16_000, ma)
        assert len(ns._lines(other, 1000.0)) == found


@pytest.mark.parametrize("width", [20, 21, 500])
def test_a_line_is_followed_by_two_means_over_a_width(width: int, seed: int) -> None:
    """Turned to frequency nothing, averaged twice over the samples within half a width, turned back."""
    rest = np.random.default_rng(seed).normal(0, 1, 300)
    cycles = 0.0501
    turn = np.exp(2j * np.pi * cycles * np.arange(300))
    slow = rest / turn
    for _ in range(2):
        half = width // 2
        slow = np.array([slow[max(k - half, 0) : k + half + 1].mean() for k in range(300)])
    np.testing.assert_allclose(ns._followed(rest, cycles, width), 2 * (slow * turn).real, atol=1e-10)


@pytest.mark.parametrize("rate_hz", [500.0, 1000.0])
def test_hum_is_taken_out_beside_levels_and_strays(rate_hz: float, seed: int) -> None:
    """What is left of 20 mA among levels of 100 mA and a stray sample: a few percent, away from the ends."""
    samples = round(20 * rate_hz)
    at = np.arange(1, 18) * samples // 19
    hum = sine(50.3, rate_hz, samples, 20.0)
    value = stepped(at, samples) + hum + np.random.default_rng(seed).normal(0, 1, samples)
    value[samples // 2] = 2e3
    found = ns.hum_of(value, at, NO_GAPS, rate_hz)
    assert found is not None
    inner = slice(round(rate_hz), -round(rate_hz))
    assert np.sqrt(np.mean((found - hum)[inner] ** 2)) < 0.03 * 20
    # a stretch of less than 4 s between two gaps is left alone, one of 4 s isn't
    four = round(4 * rate_hz)
    cut = np.array([four - 1, 2 * four - 1])
    found = ns.hum_of(value, at, cut, rate_hz)
    assert found is not None
    assert not found[: four - 1].any()
    assert np.sqrt(np.mean((found - hum)[cut[0] : cut[1]] ** 2)) < 0.1 * 20


def test_a_record_too_slow_for_hum_has_none() -> None:
    value = sine(50.0, 140.0, 4000, 20.0)
    assert ns.hum_of(value, NO_GAPS, NO_GAPS, 140.0) is None
    assert ns.hum_of(sine(50.0, 150.0, 4000, 20.0), NO_GAPS, NO_GAPS, 150.0) is not None
    assert ns.hum_of(np.random.default_rng(1).normal(0, 1, 9000), NO_GAPS, NO_GAPS, 1000.0) is None

"""Placing and testing of changes, function by function: means by slices, splits by brute force, lines by
least squares over weighted means."""

from __future__ import annotations

import numpy as np
import pytest
from nightdraw.capture import settle as st
from nightdraw.capture.noise import PIECE, RUN, Noise
from nightdraw.capture.seen import Floats, Ints

NO_GAPS = np.empty(0, dtype=np.int64)


def noise_for(samples: int, sigma: float = 1.0) -> Noise:
    """The same noise everywhere."""
    runs, pieces = -(-samples // RUN), max(-(-samples // PIECE), 1)
    return Noise(np.full(runs, sigma), np.full(runs, sigma), np.zeros(pieces), np.zeros(pieces))


def running(value: Floats) -> Floats:
    return np.concatenate(([0.0], np.cumsum(value)))


def drawn(rng: np.random.Generator, samples: int, most: int) -> tuple[Ints, Ints]:
    """Changes and gaps, none of which is the other, often at the record's very ends."""
    places = rng.choice(np.arange(1, samples), min(rng.integers(1, most + 3), samples - 1), replace=False)
    if rng.random() < 0.3:
        places = np.union1d(places, [1, samples - 1])
    rng.shuffle(places)
    gaps = int(rng.integers(0, 3)) if len(places) > 3 else 0
    return np.sort(places[gaps:]), np.sort(places[:gaps])


def sides(samples: int, k: int, found: Ints, gaps: Ints, reach: int) -> tuple[int, int]:
    """The level before change k from where, and after it up to where."""
    others = {0, samples, *found.tolist(), *gaps.tolist()} - {k}
    low, high = max(p for p in others if p < k), min(p for p in others if p > k)
    return max(low, k - reach), min(high, k + reach)


def test_bounds_and_heights_are_the_slices_beside_a_change(seed: int) -> None:
    rng = np.random.default_rng(seed)
    for _ in range(100):
        samples = int(rng.integers(3, 60))
        value = rng.normal(0, 1, samples)
        found, gaps = drawn(rng, samples, 6)
        reach = rng.integers(1, 30, len(found))
        low, high = st.bounds(running(value), found, gaps, reach)
        wanted = [sides(samples, int(k), found, gaps, int(r)) for k, r in zip(found, reach, strict=True)]
        assert list(zip(low.tolist(), high.tolist(), strict=True)) == wanted
        heights = [value[k:b].mean() - value[a:k].mean() for k, (a, b) in zip(found, wanted, strict=True)]
        np.testing.assert_allclose(st.height(running(value), found, low, high), heights, atol=1e-12)


def naive_reach(value: Floats, k: int, found: Ints, gaps: Ints, widest: int) -> tuple[int, float, float]:
    """The length, height and deviations of a change (noise 1): the shortest of 8, 16, 32 ... that shows it by
    10 deviations, or the best of all."""
    tried, length = [], 8
    while True:
        low, high = sides(len(value), k, found, gaps, length)
        step = float(value[k:high].mean() - value[low:k].mean())
        tried.append((abs(step) / np.sqrt(1 / (k - low) + 1 / (high - k)), length, step))
        if length >= widest:
            break
        length = min(2 * length, widest)
    sure = [row for row in tried if row[0] >= 10]
    z, length, step = sure[0] if sure else max(tried, key=lambda row: row[0])
    return length, step, float(z)


@pytest.mark.parametrize("widest", [8, 9, 100, 128])
def test_a_change_is_seen_over_as_few_samples_as_show_it(widest: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    for _ in range(30):
        samples = int(rng.integers(3, 300))
        found, gaps = drawn(rng, samples, 4)
        value = rng.normal(0, 1, samples)
        for k in found:
            value[k:] += rng.choice([-8, -2, 0.5, 2, 4, 30])
        reach, step = st._reach(running(value), found, gaps, noise_for(samples), widest)
        z = st._significance(running(value), found, gaps, noise_for(samples), 5.0, widest, None)
        for i, k in enumerate(found.tolist()):
            assert (reach[i], step[i], z[i]) == pytest.approx(naive_reach(value, k, found, gaps, widest))


def test_deviations_of_a_height(seed: int) -> None:
    """Variance of a difference of two means, sigma^2 (1/n + 1/m); a side without samples counts as one."""
    found, low, high = np.array([5, 9, 9]), np.array([1, 9, 0]), np.array([7, 12, 9])
    z = st._deviations(found, low, high, np.array([-3.0, 2.0, 1.0]), np.array([0.5, 1.0, 2.0]))
    wanted = [6 / np.sqrt(1 / 4 + 1 / 2), 2 / np.sqrt(1 + 1 / 3), 0.5 / np.sqrt(1 / 9 + 1)]
    assert z.tolist() == pytest.approx(wanted)


def naive_drop(value: Floats, found: list[int], gaps: Ints, keep_z: float, widest: int) -> list[int]:
    while found:
        z = [naive_reach(value, k, np.array(found), gaps, widest)[2] for k in found]
        weak = [
            z[i] < keep_z and (i == 0 or z[i] < z[i - 1]) and (i + 1 == len(z) or z[i] <= z[i + 1])
            for i in range(len(z))
        ]
        if not any(weak):
            break
        found = [k for k, one in zip(found, weak, strict=True) if not one]
    return found


def test_the_weakest_of_neighbours_goes_first_until_all_stand_out(seed: int) -> None:
    rng = np.random.default_rng(seed)
    dropped = 0
    for _ in range(60):
        samples = int(rng.integers(20, 200))
        found, gaps = drawn(rng, samples, 8)
        value = rng.normal(0, 1, samples)
        for k in found:
            value[k:] += rng.choice([-4, -1, 0, 1, 2.5, 4])
        kept = st._drop(running(value), found, gaps, noise_for(samples), 5.0, 64)
        assert kept.tolist() == naive_drop(value, found.tolist(), gaps, 5.0, 64)
        dropped += len(found) - len(kept)
    assert dropped > 50


def test_two_found_for_one_leave_one() -> None:
    """Exact: two places for a single step; both are weak beside each other, one stands out alone."""
    value = np.repeat([0.0, 2.0], 50)
    kept = st._drop(running(value), np.array([48, 52]), NO_GAPS, noise_for(100), 5.0, 50)
    assert len(kept) == 1


def best_split(value: Floats, low: int, high: int) -> int:
    """The split of least squares, over all places."""

    def squares(k: int) -> float:
        left, right = value[low:k], value[k:high]
        return float(np.sum((left - left.mean()) ** 2) + np.sum((right - right.mean()) ** 2))

    return min(range(low + 1, high), key=squares)


def test_a_small_change_moves_to_the_split_of_least_squares(seed: int) -> None:
    """Of one change alone: over twice as far as noise may have moved it, (10 / h)^2 + 8 samples on each
    side."""
    rng = np.random.default_rng(seed)
    moved = 0
    for _ in range(80):
        samples = int(rng.integers(2, 400))
        true, high = int(rng.integers(1, samples)), float(rng.choice([0.7, 1.2, 2.0, 4.0]))
        value = rng.normal(0, 1, samples)
        value[true:] += high
        k = int(np.clip(true + rng.integers(-9, 10), 1, samples - 1))
        found = np.array([k])
        placed = st._place(running(value), found, NO_GAPS, noise_for(samples), 5.0, 100)
        h = abs(naive_reach(value, k, found, NO_GAPS, 100)[1])
        reach = min(int((10 / max(h, 1e-3)) ** 2 + 8), 100)
        low, end = sides(samples, k, found, NO_GAPS, 2 * reach)
        wanted = best_split(value, low, end) if h < 12 and end - low >= 3 else k
        assert placed.tolist() == [wanted]
        moved += wanted != k
    assert moved > 20


def test_a_high_change_stays() -> None:
    """From twice z on noise can't have moved it: here 2 (5 + 1) deviations."""
    for high, where in ((11.9, 50), (12.1, 52)):
        value = np.repeat([0.0, high], 50)
        value[50:52] = high  # the step lies at 50
        found = np.array([52])
        step = abs(st._reach(running(value), found, NO_GAPS, noise_for(100), 50)[1][0])
        value *= high / step
        placed = st._place(running(value), found, NO_GAPS, noise_for(100), 5.0, 50)
        assert placed.tolist() == [where]


def test_what_moved_bounds_the_next_change(seed: int) -> None:
    """Of two neighbours the second is split from where the first was put; naive, one after the other."""
    rng = np.random.default_rng(seed)
    for _ in range(40):
        value = rng.normal(0, 1, 90)
        value[30:] += 2.5
        value[60:] -= 2.5
        found = np.array([30, 60]) + rng.integers(-6, 7, 2)
        placed = st._place(running(value), found, NO_GAPS, noise_for(90), 5.0, 200)
        heights = [abs(naive_reach(value, int(k), found, NO_GAPS, 200)[1]) for k in found]
        reach = [int(min((10 / max(h, 1e-3)) ** 2 + 8, 200)) for h in heights]
        first = best_split(value, *sides(90, int(found[0]), found, NO_GAPS, 2 * reach[0]))
        low, high = sides(90, int(found[1]), found, NO_GAPS, 2 * reach[1])
        wanted = {first, best_split(value, first if low == found[0] else low, high)}
        assert placed.tolist() == sorted(wanted)


def naive_line(value: Floats, k: int, low: int, high: int, sigma: float, tau: float) -> bool:
    """Whether numpy's weighted straight line through the means of the four halves fits better than two
    levels, by 16 variances."""
    left, right = (k - low) // 2, (high - k) // 2
    left, right = min(left, 8 * right), min(right, 8 * left)
    if min(left, right) < max(4, 4 * tau):
        return False
    slices = [(k - 2 * left, k - left), (k - left, k), (k, k + right), (k + right, k + 2 * right)]
    y = np.array([value[a:b].mean() for a, b in slices])
    x = np.array([(a + b) / 2 for a, b in slices])
    w = np.array([b - a for a, b in slices], dtype=float)
    line = np.polyval(np.polyfit(x, y, 1, w=np.sqrt(w)), x)
    level = np.repeat([np.average(y[:2], weights=w[:2]), np.average(y[2:], weights=w[2:])], 2)
    return bool(np.sum(w * (y - level) ** 2) > np.sum(w * (y - line) ** 2) + 16 * sigma**2)


@pytest.mark.parametrize("tau", [0.0, 1.5, 3.0])
def test_a_slope_is_told_from_a_step_by_least_squares(tau: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    lines = 0
    for _ in range(300):
        samples = int(rng.integers(10, 160))
        k = int(rng.integers(2, samples - 2))
        sigma = float(rng.choice([0.5, 1.0]))
        value = rng.normal(0, sigma, samples) + rng.choice([0, 0.05, -0.2]) * np.arange(samples)
        value[k:] += rng.choice([0, 3, -3])
        low, high = int(rng.integers(0, k)), int(rng.integers(k + 1, samples + 1))
        found = st._is_line(
            running(value), np.array([k]), np.array([low]), np.array([high]), np.array([sigma]), tau
        )
        assert bool(found[0]) == naive_line(value, k, low, high, sigma, tau), (k, low, high)
        lines += bool(found[0])
    assert lines > 2


def test_slight_changes_of_one_direction_are_looked_past(seed: int) -> None:
    """A line is looked for up to the next change that isn't slight or goes the other way, a gap, an end."""
    rng = np.random.default_rng(seed)
    for _ in range(100):
        samples = int(rng.integers(10, 200))
        found, gaps = drawn(rng, samples, 8)
        height = rng.choice([-1.0, 1.0], len(found))
        slight = rng.random(len(found)) < 0.7
        reach = rng.integers(1, 120, len(found))
        low, high = st._around(running(np.zeros(samples)), found, gaps, height, reach, slight)
        for i, k in enumerate(found.tolist()):
            passed = slight & (height == height[i]) if slight[i] else np.zeros(len(found), dtype=bool)
            wanted = sides(samples, k, found[~passed], gaps, int(reach[i]))
            assert (low[i], high[i]) == wanted


def test_slopes_leave_nothing_and_steps_stay(seed: int) -> None:
    """A steep slope cut into pieces goes; steps as high on a level stay where they are; a slow recorder's
    edge, a slope over some samples, stays as well where its time constant is told."""
    rng = np.random.default_rng(seed)
    k = np.arange(4000)
    slope = 0.02 * np.clip(k - 1000, 0, 2000) + rng.normal(0, 1, len(k))
    pieces = np.arange(1100, 2900, 200)
    assert st.settle(running(slope), pieces, NO_GAPS, noise_for(4000), 6.0, 1000, 0.0).tolist() == []
    at = np.array([1000, 1800, 3000])
    steps = rng.normal(0, 1, len(k)) + np.searchsorted(at, k, side="right") * 12.5
    kept = st.settle(running(steps), at + np.array([1, -1, 1]), NO_GAPS, noise_for(4000), 6.0, 1000, 0.0)
    np.testing.assert_allclose(kept, at, atol=1)
    # a low-pass of 30 samples
    edge = 40 * -np.expm1(-np.clip(k - 2000, 0, None) / 30) + rng.normal(0, 1, len(k))
    kept = st.settle(running(edge), np.array([2015]), NO_GAPS, noise_for(4000), 6.0, 1000, 30.0)
    assert len(kept) == 1


def test_a_change_is_kept_a_little_below_what_it_was_found_by() -> None:
    """z less KEEP_LESS, 5 of 6: exact steps of 4.9 and 5.1 deviations over 8 samples on either side."""
    for z, kept in ((4.9, 0), (5.1, 1)):
        value = np.repeat([0.0, z * np.sqrt(2 / 8)], 8)
        found = st.settle(running(value), np.array([8]), NO_GAPS, noise_for(16), 6.0, 8, 0.0)
        assert len(found) == kept

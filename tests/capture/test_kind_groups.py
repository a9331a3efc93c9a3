"""Kinds of pulses: groups, gaps and periods against naive loops and trains that are known."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from nightdraw.capture import kinds as kd
from nightdraw.capture.seen import Floats

NEVER = np.empty(0)


def kinds_of(
    start_s: Floats, duration_s: Floats, level: Floats, hidden_s: Floats = NEVER, u: float = 0.0
) -> tuple[kd.Kind, ...]:
    return kd.kinds(start_s, duration_s, level, np.full(len(level), u), hidden_s, 0.001)


def naive_levels(level: Floats, u: Floats) -> set[frozenset[int]]:
    """Chains: two levels next to each other are of one kind within a tenth, 3 mA, or 6 deviations."""
    order = sorted(range(len(level)), key=lambda k: level[k])
    groups: list[set[int]] = []
    for before, k in zip([-1, *order], order, strict=False):
        near = before >= 0 and level[k] - level[before] <= max(
            0.1 * abs(level[before]), 3.0, 6 * np.hypot(u[k], u[before])
        )
        if near:
            groups[-1].add(k)
        else:
            groups.append({k})
    return {frozenset(group) for group in groups}


def test_levels_are_of_one_kind_by_chains(seed: int) -> None:
    rng = np.random.default_rng(seed)
    for _ in range(100):
        count = int(rng.integers(1, 12))
        level = rng.choice([0, 3, 6, 6.5, 30, 33, 33.5, 50, 100, 110, 122, -40, -44, -49], count) * 1.0
        u = rng.choice([0, 0.1, 1.0, 5.0], count) if rng.random() < 0.5 else np.zeros(count)
        found = kd._by_level(level, u)
        assert {frozenset(group.tolist()) for group in found} == naive_levels(level, u)
        assert sum(map(len, found)) == count
    assert kd._by_level(NEVER, NEVER) == []


def naive_durations(duration: list[float]) -> list[list[float]]:
    """Split at the widest gap of the logarithms, where that is wide and thrice what either side spreads."""
    value = sorted(duration)
    ratios = [b / a for a, b in pairwise(value)]
    if not ratios:
        return [value]
    cut = ratios.index(max(ratios)) + 1
    left, right = value[:cut], value[cut:]
    spread = max(left[-1] / left[0], right[-1] / right[0])
    if max(ratios) < (1.5 if len(value) >= 8 else 3.0) or spread**3 > max(ratios):
        return [value]
    return naive_durations(left) + naive_durations(right)


def test_durations_split_where_they_are_far_apart_for_how_they_spread(seed: int) -> None:
    rng = np.random.default_rng(seed)
    splits = 0
    for _ in range(200):
        centres = rng.choice([0.1, 0.18, 0.35, 1.2, 5.0], rng.integers(1, 4), replace=False)
        duration = rng.choice(centres, rng.integers(1, 16)) * np.exp(rng.uniform(0, rng.choice([0.02, 0.3])))
        duration *= np.exp(rng.uniform(0, 0.1, len(duration)))
        rows = rng.permutation(len(duration) + 5)[: len(duration)]
        padded = np.zeros(len(duration) + 5)
        padded[rows] = duration
        found = [sorted(padded[group].tolist()) for group in kd._by_duration(rows, padded)]
        assert found == naive_durations(duration.tolist())
        splits += len(found) > 1
    assert splits > 20


@pytest.mark.parametrize(("count", "ratio", "groups"), [(7, 2.9, 1), (7, 3.1, 2), (8, 1.45, 1), (8, 1.55, 2)])
def test_few_pulses_need_a_wider_gap(count: int, ratio: float, groups: int) -> None:
    duration = np.where(np.arange(count) % 2, ratio, 1.0)
    found = kinds_of(np.arange(count) * 10.0 + np.arange(count) ** 2, duration, np.full(count, 100.0))
    assert len(found) == groups


def test_a_kind_tells_its_median_and_its_extremes() -> None:
    start = np.array([0.0, 10.0, 25.0, 31.0])
    lasting = np.array([1.0, 1.2, 1.1, 1.4])
    (kind,) = kinds_of(start, lasting, np.array([100.0, 104.0, 99.0, 101.0]))
    assert (kind.level, kind.law, kind.period_s) == (100.5, kd.RANDOM, None)
    assert kind.duration_s == pytest.approx((1.0, 1.15, 1.4))
    assert kind.gap_s == pytest.approx((4.9, 9.0, 13.8))
    assert kind.rows.tolist() == [0, 1, 2, 3]


def test_across_what_was_not_judged_no_distance_counts() -> None:
    """Instants given in any order; one right at a start belongs to what is before it."""
    start, lasting = np.array([0.0, 10.0, 25.0, 31.0]), np.ones(4)
    (kind,) = kinds_of(start, lasting, np.full(4, 100.0), np.array([27.0, 5.0]))
    assert kind.gap_s == pytest.approx((14.0, 14.0, 14.0))
    (kind,) = kinds_of(start, lasting, np.full(4, 100.0), np.array([27.0, 5.0, 12.0]))
    assert kind.gap_s is None
    (kind,) = kinds_of(start, lasting, np.full(4, 100.0), np.array([100.0, -1.0]))
    assert kind.gap_s == pytest.approx((5.0, 9.0, 14.0))


@pytest.mark.parametrize(("count", "law"), [(1, kd.SINGLE), (2, kd.SINGLE), (3, kd.PERIODIC)])
def test_fewer_than_three_pulses_have_no_law(count: int, law: str) -> None:
    (kind,) = kinds_of(np.arange(count) * 7.5, np.full(count, 0.5), np.full(count, 100.0))
    assert kind.law == law
    assert (kind.gap_s is None) == (count != 2)


def test_the_commonest_kind_comes_first() -> None:
    start = np.arange(9.0) ** 2
    level = np.array([10, 10, 50, 50, 50, 50, 200, 200, 200.0])
    found = kinds_of(start, np.full(9, 0.5), level)
    assert [kind.level for kind in found] == [50, 200, 10]
    assert [kind.rows.tolist() for kind in found] == [[2, 3, 4, 5], [6, 7, 8], [0, 1]]
    assert kinds_of(NEVER, NEVER, NEVER) == ()


def test_a_train_with_missing_pulses_has_its_period(seed: int) -> None:
    """Jitter well within 2 %; up to four periods in a row; the period is their sum over all periods."""
    rng = np.random.default_rng(seed)
    for _ in range(30):
        times = rng.choice([1, 1, 1, 2, 3, 4], 40)
        distances = times * 7.5 + rng.uniform(-0.02, 0.02, 40)
        assert kd._period(distances, 0.001) == pytest.approx(distances.sum() / times.sum())


@pytest.mark.parametrize(("strays", "periodic"), [(1, True), (2, False)])
def test_nine_in_ten_distances_are_whole_periods(strays: int, periodic: bool) -> None:
    """Of ten; those that aren't don't count in the period."""
    distances = np.full(10, 5.0)
    distances[:strays] = 7.4
    assert kd._period(distances, 0.001) == (pytest.approx(5.0) if periodic else None)


@pytest.mark.parametrize(
    ("last", "interval_s", "periodic"),
    [(10.19, 0.001, True), (10.21, 0.001, False), (10.21, 0.15, True), (10.31, 0.15, False),
     (40.0, 0.001, True), (50.0, 0.001, False), (10.4, 0.1, False)],
)  # fmt: skip
def test_a_whole_period_is_within_a_share_or_two_intervals(
    last: float, interval_s: float, periodic: bool
) -> None:
    """2 % of 10 s, or two sampling intervals; four periods, not five. Three distances: each must be good."""
    found = kd._period(np.array([10.0, 10.0, last]), interval_s)
    assert (found is not None) == periodic


def test_one_distance_tells_no_period() -> None:
    assert kd._period(np.array([5.0]), 0.001) is None
    assert kd._period(np.array([5.0, 5.0]), 0.001) == 5.0

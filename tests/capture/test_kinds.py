"""Kinds of pulses on tables made by hand: what is alike, and by what law it comes."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from nightdraw.capture.kinds import PERIODIC, RANDOM, SINGLE, Kind, kinds

from tests.capture.synthetic import Floats

INTERVAL_S = 1e-3
NONE = np.empty(0)


def kinds_of(
    start_s: Floats, duration_s: Floats | float, level_ma: Floats | float, hidden_s: Floats = NONE
) -> tuple[Kind, ...]:
    """The kinds of pulses that are known to a hundredth of a milliampere."""
    like = np.ones(len(start_s))
    return kinds(start_s, duration_s * like, level_ma * like, 0.01 * like, hidden_s, INTERVAL_S)


def apart(seed: int, count: int) -> Floats:
    """Starts without a period: gaps that differ by up to twenty times."""
    return np.cumsum(np.random.default_rng(seed).uniform(0.5, 10.0, count))


@given(
    seed=st.integers(0, 1 << 20),
    few=st.integers(1, 6),
    many=st.integers(7, 30),
    ratio=st.floats(1.6, 20.0),
    short_first=st.booleans(),
)
def test_two_lengths_are_two_kinds_whichever_is_commoner(
    seed: int, few: int, many: int, ratio: float, short_first: bool
) -> None:
    """Lengths that spread by less than a third of what lies between them, in any order of time."""
    rng = np.random.default_rng(seed)
    is_long = rng.permutation(np.arange(few + many) < few) ^ short_first
    within = rng.uniform(0, min(np.log(ratio) / 4, 0.35), few + many)
    shortest_s = 0.1
    duration_s = shortest_s * np.exp(within) * np.where(is_long, ratio * np.exp(within.max()), 1.0)
    found = kinds_of(apart(seed, few + many), duration_s, 200.0)
    rows = [np.flatnonzero(is_long == (short_first ^ commoner)).tolist() for commoner in (False, True)]
    assert [kind.rows.tolist() for kind in found] == rows
    for kind in found:
        some = np.sort(duration_s[kind.rows])
        assert kind.duration_s == (some[0], np.median(some), some[-1])


@pytest.mark.parametrize(("each", "ratio", "count"), [(3, 2.9, 1), (3, 3.1, 2), (4, 1.45, 1), (4, 1.55, 2)])
def test_few_pulses_are_two_kinds_by_a_wider_gap(each: int, ratio: float, count: int) -> None:
    """As the constants say it: three times with fewer than eight pulses, then one and a half."""
    duration_s = np.tile([0.2, 0.2 * ratio], each)
    assert len(kinds_of(apart(1, 2 * each), duration_s, 200.0)) == count


def test_two_pulses_may_be_two_kinds() -> None:
    found = kinds_of(np.array([1.0, 5.0]), np.array([0.1, 1.0]), 200.0)
    assert [(kind.law, kind.rows.tolist()) for kind in found] == [(SINGLE, [0]), (SINGLE, [1])]


def test_lengths_that_spread_evenly_are_one_kind() -> None:
    duration_s = np.geomspace(0.1, 10.0, 9)  # 1.8 times from one to the next
    assert len(kinds_of(apart(1, 9), duration_s, 200.0)) == 1


@pytest.mark.parametrize(
    ("levels_ma", "u_ma", "count"),
    [
        ((200.0, 219.0), 0.01, 1),  # nearer than a tenth
        ((200.0, 221.0), 0.01, 2),
        ((10.0, 12.9), 0.01, 1),  # nearer than 3 mA
        ((10.0, 13.1), 0.01, 2),
        ((200.0, 241.0), 5.0, 1),  # nearer than six standard uncertainties of a difference: 42.4 mA
        ((200.0, 244.0), 5.0, 2),
    ],
)
def test_levels_are_two_kinds_beyond_what_sags_or_is_unsure(
    levels_ma: tuple[float, float], u_ma: float, count: int
) -> None:
    level_ma = np.tile(levels_ma, 5)
    like = np.ones(10)
    found = kinds(apart(1, 10), 0.3 * like, level_ma, u_ma * like, NONE, INTERVAL_S)
    rows = [[0, 2, 4, 6, 8], [1, 3, 5, 7, 9]] if count == 2 else [list(range(10))]
    assert sorted(kind.rows.tolist() for kind in found) == rows
    assert sorted(kind.level for kind in found) == (sorted(levels_ma) if count == 2 else [np.mean(levels_ma)])


@given(seed=st.integers(0, 1 << 20), period_s=st.floats(0.5, 100.0), missed=st.integers(0, 3))
def test_a_train_keeps_its_period_where_pulses_in_a_row_are_missing(
    seed: int, period_s: float, missed: int
) -> None:
    """Starts off by 0.4 % of a period either way: less than what a periodic kind may be off by."""
    rng = np.random.default_rng(seed)
    number = np.delete(np.arange(40), 20 + np.arange(missed))
    start_s = period_s * (number + rng.uniform(-0.004, 0.004, len(number)))
    (kind,) = kinds_of(start_s, 0.1, 200.0)
    assert kind.law == PERIODIC
    assert kind.gap_s is None
    assert kind.period_s == pytest.approx(period_s, rel=0.008 / 39 + 1e-9)


@pytest.mark.parametrize(("periods", "law"), [(2, PERIODIC), (4, PERIODIC), (5, RANDOM)])
def test_a_train_hides_behind_another_for_four_periods_at_most(periods: int, law: str) -> None:
    """Every other distance is so many periods: more of them would be a period by chance."""
    start_s: Floats = np.cumsum([0.0, *[2.0, 2.0 * periods] * 10])
    (kind,) = kinds_of(start_s, 0.1, 200.0)
    assert (kind.law, kind.period_s) == (law, pytest.approx(2.0) if law == PERIODIC else None)


def test_a_law_takes_three_pulses() -> None:
    for count, law in ((1, SINGLE), (2, SINGLE), (3, PERIODIC)):
        (kind,) = kinds_of(5.0 * np.arange(count), 0.1, 200.0)
        assert kind.law == law
    start_s = np.array([0.0, 1.0, 4.7, 6.2, 13.9])
    (kind,) = kinds_of(start_s, 0.1, 200.0)
    assert (kind.law, kind.period_s) == (RANDOM, None)
    assert kind.gap_s == pytest.approx((0.9, 2.5, 7.6))  # of 0.9, 3.6, 1.4, 7.6 s: from an end to a start


def test_a_gap_with_something_hidden_in_it_is_no_gap() -> None:
    start_s = np.array([0.0, 1.0, 4.7, 6.2, 13.9])
    (kind,) = kinds_of(start_s, 0.1, 200.0, np.array([9.0, 3.0]))
    assert kind.gap_s == pytest.approx((0.9, 1.15, 1.4))
    (kind,) = kinds_of(start_s[:2], 0.1, 200.0, np.array([0.5]))
    assert kind.gap_s is None


def test_without_pulses_there_are_no_kinds() -> None:
    assert kinds_of(NONE, 0.1, 200.0) == ()

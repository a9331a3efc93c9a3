"""Level errors against plain sampling of supplies and corners, and against each other."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from nightdraw.bank.sizing.level_error import (
    REPICK,
    Spread,
    Sums,
    errors_of,
    level_error,
    monte_carlo,
)

ohms = st.lists(st.sampled_from([22, 47, 100, 180, 360, 750, 1500, 3300]), min_size=1, max_size=4)


def spread_of(
    values: list[int], tolerance: float, drift: float, low: float, high: float, own: float
) -> Spread:
    count = len(values)
    return Spread(
        1 / np.array(values, dtype=float), np.full(count, tolerance), np.full(count, drift), (low, high), own
    )


def sampled_worst(level_a: float, spread: Spread, steps: int = 400) -> float:
    """Every supply of a fine grid, the nearest pattern by trying all, every corner of the limits."""
    count = len(spread.siemens)
    patterns = [np.array(bits, dtype=float) for bits in product((0, 1), repeat=count)]
    corners = [np.array(signs) for signs in product((-1, 1), repeat=count)]
    worst = 0.0
    for volts in np.linspace(*spread.supply_v, steps):
        wanted = max(0.0, level_a - spread.own_a) / volts
        on = min(patterns, key=lambda bits: (abs(bits @ spread.siemens - wanted), bits @ spread.siemens))
        for signs in corners:
            true = spread.siemens / ((1 + signs * spread.tolerance) * (1 + signs * spread.drift))
            worst = max(worst, abs((on @ true * volts + spread.own_a) / level_a - 1))
    return worst


@settings(deadline=None, max_examples=40)
@given(
    ohms,
    st.floats(0.005, 1.2),
    st.floats(0, 0.05),
    st.floats(0, 0.02),
    st.floats(9, 14),
    st.floats(0.1, 4),
    st.floats(0, 0.004),
)
def test_worst_case_is_what_sampling_approaches_from_below(
    values: list[int], level_a: float, tolerance: float, drift: float, low: float, width: float, own: float
) -> None:
    spread = spread_of(values, tolerance, drift, low, low + width, own)
    worst, rss, held = level_error(level_a, spread, Sums(spread))
    sampled = sampled_worst(level_a, spread)
    assert sampled <= worst + 1e-9
    assert worst <= sampled + 0.02 * (1 + worst)  # the grid's own coarseness
    assert rss <= worst + 1e-9
    assert held >= worst


@settings(deadline=None, max_examples=20)
@given(ohms, st.floats(0.01, 1.0), st.floats(0.001, 0.05), st.integers(0, 1000))
def test_chance_stays_within_the_worst_case_and_repeats_by_its_seed(
    values: list[int], level_a: float, tolerance: float, seed: int
) -> None:
    spread = spread_of(values, tolerance, 0.01, 10.5, 16.0, 0.0)
    levels = np.array([level_a])
    first, again = errors_of(levels, spread, seed), errors_of(levels, spread, seed)
    assert first == again
    assert first[0].monte_carlo <= first[0].worst + 1e-9
    assert monte_carlo(levels, spread, seed)[0] == first[0].monte_carlo


def test_one_channel_at_one_supply_by_hand() -> None:
    """100 ohm at 12 V for 100 mA: nominal 120 mA, +20 %; resistor 5 % low: 120/0.95 = 126.3 mA, +26.3 %."""
    spread = spread_of([100], 0.05, 0.0, 12.0, 12.0, 0.0)
    worst, rss, held = level_error(0.1, spread, Sums(spread))
    assert worst == pytest.approx(0.12 / 0.95 / 0.1 - 1)
    assert rss == pytest.approx((0.2**2 + (0.05 * 1.2) ** 2) ** 0.5)
    assert held == pytest.approx((1 + worst) * (1 + REPICK) - 1)


@given(st.floats(0.02, 0.2))
def test_a_wider_range_is_never_better(level_a: float) -> None:
    narrow, wide = spread_of([100, 220], 0.01, 0, 12, 13, 0), spread_of([100, 220], 0.01, 0, 10, 15, 0)
    assume(level_a > 0)
    assert level_error(level_a, narrow, Sums(narrow))[0] <= level_error(level_a, wide, Sums(wide))[0] + 1e-12

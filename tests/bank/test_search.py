"""The choice of resistors against exhaustive search that shares no code with it."""

from fractions import Fraction
from itertools import combinations_with_replacement

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from nightdraw.bank.parts import preferred_values
from nightdraw.bank.patterns import Targets, best_patterns, largest_error, subset_sums
from nightdraw.bank.sizing import branch_and_bound, channel_search
from nightdraw.bank.sizing.branch_and_bound import Proof
from nightdraw.bank.sizing.supply_range import Spans
from nightdraw.errors import InputError

SUPPLY_V = 12.6


def targets_of(levels_ma, own_ma=0.0):
    levels = np.array(levels_ma, dtype=float)
    return Targets((levels - own_ma) / 1000 / SUPPLY_V, levels / 1000 / SUPPLY_V)


def points_of(levels_ma, own_ma=0.0):
    """The same levels as spans of one supply."""
    levels = np.array(levels_ma, dtype=float) / 1000
    return Spans.of(levels, own_ma / 1000, (SUPPLY_V, SUPPLY_V))


def exhaustive(ohms, levels_ma, channels, own_ma=0.0):
    """The least largest relative error over all multisets: every sum of every subset, nothing clever."""
    currents = SUPPLY_V / np.array(ohms, dtype=float) * 1000
    least = np.inf
    multisets = np.array(list(combinations_with_replacement(range(len(currents)), channels)))
    patterns = np.array([[k >> bit & 1 for bit in range(channels)] for k in range(2**channels)])
    for part in np.array_split(multisets, max(1, len(multisets) // 20_000)):
        sums = currents[part] @ patterns.T
        worst = np.zeros(len(part))
        for level in levels_ma:
            worst = np.maximum(worst, np.abs(sums - (level - own_ma)).min(axis=1) / level)
        least = min(least, worst.min())
    return least


def preferred(series, low, high):
    return [float(ohms) for ohms in preferred_values.series_values(series, Fraction(low), Fraction(high))]


levels = st.lists(st.integers(5, 800), min_size=1, max_size=8, unique=True)


@settings(deadline=None, max_examples=60)
@given(levels, st.integers(1, 3), st.integers(10, 200))
def test_the_choice_is_the_best_of_all_multisets(levels_ma, channels, low):
    ohms = preferred("E12", low, low * 60)
    choice = channel_search.choose(ohms, points_of(levels_ma), channels)
    assert choice.error == pytest.approx(exhaustive(ohms, levels_ma, channels), abs=1e-9)
    assert choice.gap == 0


@settings(deadline=None, max_examples=25)
@given(levels, st.integers(4, 6), st.floats(0, 4))
def test_more_channels_and_the_own_consumption_change_nothing_about_that(levels_ma, channels, own_ma):
    ohms = preferred("E6", 15, 1000)[: 14 - channels]
    choice = channel_search.choose(ohms, points_of(levels_ma, own_ma), channels)
    assert choice.error == pytest.approx(exhaustive(ohms, levels_ma, channels, own_ma), abs=1e-9)
    assert choice.gap == 0


@settings(deadline=None, max_examples=60)
@given(st.lists(st.integers(5, 800), min_size=6, max_size=30, unique=True), st.integers(2, 4))
def test_a_proof_that_starts_from_nothing_improves_until_it_holds_the_best(levels_ma, channels):
    """From nearly 100 % it meets many improvements, each of which tightens what is still on its stack."""
    ohms, targets = preferred("E12", 12, 1500), targets_of(levels_ma)
    proof = Proof(np.sort(1 / np.array(ohms)), targets, channels, 0.9999)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(branch_and_bound, "CHUNK_SUMS", 32)  # a stack as deep as one of a large search
        proof.run(float("inf"))
    assert proof.complete
    assert proof.error == pytest.approx(exhaustive(ohms, levels_ma, channels), abs=1e-9)


@pytest.mark.parametrize(
    ("series", "channels", "levels_ma"),
    [
        ("E12", 4, [15, 40, 110, 350]),
        ("E12", 4, [5, 10, 15, 20, 25, 30, 35, 40, 45, 50]),
        ("E24", 3, [12, 33, 250]),
        ("E24", 3, [100]),
        ("E24", 2, [15, 40]),
    ],
)
def test_the_whole_range_of_values_against_exhaustive_search(series, channels, levels_ma):
    ohms = preferred(series, 1, 1_000_000)
    choice = channel_search.choose(ohms, points_of(levels_ma), channels)
    assert choice.error == pytest.approx(exhaustive(ohms, levels_ma, channels), abs=1e-9)
    assert choice.gap == 0
    assert set(choice.ohms) <= set(ohms)


def test_a_span_of_two_hundred_levels_is_proven_best():
    ohms = preferred("E24", *preferred_values.OHMS_RANGE)
    targets = targets_of(range(5, 1001, 5))
    choice = channel_search.choose(ohms, points_of(range(5, 1001, 5)), 10)
    assert choice.gap == 0
    assert choice.error == pytest.approx(largest_error(1 / np.array(choice.ohms), targets))
    assert choice.error < 0.006


@settings(deadline=None, max_examples=40)
@given(st.lists(st.sampled_from(preferred("E12", 10, 10_000)), min_size=5, max_size=9), levels)
def test_no_random_bank_beats_the_choice_of_as_many_channels(bank, levels_ma):
    """Above four channels too: whoever draws a better bank has found a hole in the proof."""
    asked = [*levels_ma, *range(10, 400, 10)]
    targets = targets_of(asked)
    choice = channel_search.choose(preferred("E12", 10, 10_000), points_of(asked), len(bank))
    assert largest_error(1 / np.array(bank), targets) >= choice.proven - 1e-12
    assert choice.proven <= choice.error


def test_what_is_not_proven_is_bounded_and_the_same_again():
    """Few levels, many channels: the errors are tiny and the proof is given up, which the gap says."""
    ohms, spans = preferred("E24", *preferred_values.OHMS_RANGE), points_of([17, 31, 58, 97, 210, 433, 620])
    impatient = iter(range(0, 10**9, 1000))
    hurried = channel_search.choose(ohms, spans, 8, clock=lambda: float(next(impatient)))
    assert hurried.hurried
    assert 0 <= hurried.proven <= hurried.error < 0.005
    assert hurried.gap == hurried.error - hurried.proven


VOLTS = np.linspace(10.5, 16, 2001)


def exhaustive_over(ohms, levels_ma, channels, own_ma):
    """The least largest error over 2001 supplies, of all multisets: what a range asks for, without theory.
    Between two supplies the error can be larger by 0.03 % of the level at the most."""
    siemens = 1 / np.array(ohms, dtype=float)
    patterns = np.array([[k >> bit & 1 for bit in range(channels)] for k in range(2**channels)])
    least = np.inf
    for multiset in combinations_with_replacement(range(len(ohms)), channels):
        sums = np.sort(patterns @ siemens[list(multiset)])
        worst = 0.0
        for level in levels_ma:
            wanted = (level - own_ma) / 1000 / VOLTS
            above = np.minimum(np.searchsorted(sums, wanted), len(sums) - 1)
            off = np.minimum(np.abs(sums[above] - wanted), np.abs(sums[np.maximum(above - 1, 0)] - wanted))
            worst = max(worst, float((off * VOLTS * 1000 / level).max()))
            if worst >= least:
                break
        least = min(least, worst)
    return least


@settings(deadline=None, max_examples=8)
@given(
    st.lists(st.integers(12, 500), min_size=1, max_size=4, unique=True),
    st.integers(1, 3),
    st.sampled_from([0, 11]),
    st.integers(20, 60),
)
def test_over_a_range_the_choice_is_the_best_of_all_multisets(levels_ma, channels, own_ma, low):
    ohms = preferred("E6", low, low * 100)
    spans = Spans.of(np.array(levels_ma) / 1000, own_ma / 1000, (10.5, 16.0))
    choice = channel_search.choose(ohms, spans, channels)
    assert choice.gap <= 1e-9
    assert choice.error == pytest.approx(exhaustive_over(ohms, levels_ma, channels, own_ma), abs=4e-4)


def test_six_values_for_three_levels_are_proven_best_and_beat_a_ladder_by_hand():
    """43, 240, 390, 1100, 3300 and 7500 ohm, a choice by hand, leave 7.5 % over 10.5 to 16 V."""
    spans = Spans.of(np.array([0.015, 0.04, 0.35]), 0.0, (10.5, 16.0))
    choice = channel_search.choose(preferred("E24", *preferred_values.OHMS_RANGE), spans, 6)
    by_hand = spans.error(1 / np.array([43, 240, 390, 1100, 3300, 7500]))
    assert choice.gap == 0
    assert choice.error == pytest.approx(1 / 15)
    assert by_hand == pytest.approx(0.0753, abs=1e-4)


@given(st.lists(st.floats(1e-4, 1), min_size=1, max_size=6), st.floats(1e-4, 6))
def test_the_best_pattern_is_the_nearest_sum_and_the_lower_of_two(conductances, wanted):
    sums = subset_sums(conductances)
    pattern = int(best_patterns(conductances, np.array([wanted]))[0])
    by_bits = sum(g for bit, g in enumerate(conductances) if pattern >> bit & 1)
    assert sums[pattern] == pytest.approx(by_bits)
    assert abs(sums[pattern] - wanted) == pytest.approx(np.abs(sums - wanted).min(), abs=1e-12)
    assert best_patterns([1.0, 1.0], np.array([0.5]))[0] == 0


def test_series_are_exact_and_include_both_ends():
    assert preferred_values.series_values("E12", Fraction(1), Fraction(10)) == [
        Fraction(n, 10) for n in (10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82, 100)
    ]
    with pytest.raises(InputError, match="did you mean 'E24'"):
        preferred_values.series_values("e24 ", Fraction(1), Fraction(10))

"""Choosing patterns: always the nearest that exists, by trying every one."""

import itertools
from random import Random

import pytest
from boxcore import bank
from hypothesis import given
from hypothesis import strategies as some

from tests.boxcore import borders

CHANNELS = some.lists(some.integers(1, 10**8), min_size=1, max_size=9)
SUPPLIES = some.integers(1, 65_535)


def sums(channels):
    """The conductance of every pattern, by its number."""
    return [
        sum(g for k, g in enumerate(channels) if pattern >> k & 1) for pattern in range(1 << len(channels))
    ]


def check_nearest(channels, level_ua, supply_mv, all_ns):
    pattern = bank.Bank(channels).pattern(level_ua, supply_mv)
    wanted = level_ua * 10**6 // supply_mv
    errors = [abs(total - wanted) for total in all_ns]
    least = min(errors)
    assert abs(all_ns[pattern] - wanted) == least
    best = [total for total, error in zip(all_ns, errors, strict=True) if error == least]
    assert all_ns[pattern] == min(best)  # of two as near the lower


@given(CHANNELS, some.integers(0, 10**8), SUPPLIES)
def test_no_pattern_is_nearer(channels, level_ua, supply_mv):
    check_nearest(channels, level_ua, supply_mv, sums(channels))


def test_levels_midway_between_patterns_and_beside_the_middle():
    """Of two patterns as near the lower: steered to the middle of neighbours, and to either side of it."""
    met = borders.Borders("the lower nearer", "as near", "the higher nearer")

    @given(some.lists(some.integers(1, 10**5), min_size=1, max_size=9), some.data())
    def nearest(channels, data):
        channels = [2 * g for g in channels]  # then the middle of two sums is a whole number
        neighbours = list(itertools.pairwise(sorted(set(sums(channels)))))
        low, high = data.draw(some.sampled_from(neighbours))
        # at 1 V a level in microamperes is its conductance in thousands of nanosiemens: channels are scaled
        scaled = [1_000 * g for g in channels]
        for off, name in enumerate(met.counts, start=-1):
            check_nearest(scaled, (low + high) // 2 + off, 1_000, sums(scaled))
            met.met(name, low < (low + high) // 2 + off < high)

    nearest()
    met.enough(10)


@given(some.lists(some.integers(1, 2 * 10**8), min_size=11, max_size=13), some.data())
def test_more_channels_than_the_table_holds(channels, data):
    all_ns = sums(channels)
    for _ in range(3):
        level_ua = data.draw(some.integers(0, max(all_ns) * 12 // 10**3))
        check_nearest(channels, level_ua, 12_000, all_ns)


@pytest.mark.parametrize("ratio", [2, 3])
def test_sixteen_channels(ratio):
    channels = (
        [100 * ratio**k for k in range(16)] if ratio == 2 else [max(1, 40 * 3**k // 2) for k in range(16)]
    )
    all_ns = sums(channels)
    for level_ua in (0, 1, 777, 50_001, max(all_ns) // 100, max(all_ns) // 80 + 12_345, 10**8):
        check_nearest(channels, level_ua, 12_600, all_ns)


@given(CHANNELS)
def test_a_gap_is_the_widest_step(channels):
    all_ns = sorted(sums(channels))
    assert bank.Bank(channels).gap_ns == max(b - a for a, b in itertools.pairwise(all_ns))


@given(some.lists(some.integers(1, 10**8), min_size=11, max_size=12))
def test_with_many_channels_a_gap_is_a_bound(channels):
    all_ns = sorted(sums(channels))
    assert bank.Bank(channels).gap_ns >= max(b - a for a, b in itertools.pairwise(all_ns))


@given(CHANNELS, some.data(), SUPPLIES)
def test_a_current_is_ohms_law(channels, data, supply_mv):
    pattern = data.draw(some.integers(0, (1 << len(channels)) - 1))
    amperes = supply_mv / 1000 * sum(g * 1e-9 for k, g in enumerate(channels) if pattern >> k & 1)
    assert abs(bank.Bank(channels).current_ua(pattern, supply_mv) - amperes * 1e6) <= 1 + amperes * 1e-3
    assert bank.Bank(channels).full_ua(supply_mv) == sum(channels) * supply_mv // 10**6


def test_the_order_of_the_channels_is_the_boards():
    built = bank.Bank([50_000_000, 1_000_000, 10_000_000])
    assert built.pattern(120_000, 12_000) == 0b100
    assert built.pattern(12_000, 12_000) == 0b010
    assert built.pattern(600_000, 12_000) == 0b001


@pytest.mark.parametrize("channels", [[], [1] * 17, [0], [5, 0], [-1], [2**32], [2**31, 2**31], [2**28] * 16])
def test_a_bank_that_cannot_be_is_refused(channels):
    with pytest.raises(ValueError, match="channel"):
        bank.Bank(channels)


def test_the_largest_bank_that_can_be():
    channels = [(1 << 28) - 1] * 16
    check_nearest(channels, 10**8, 12_000, sums(channels))


def test_of_two_patterns_as_near_the_lower_is_taken(seed):
    """Ties to the nanosiemens, within the table and across its shifts: how many were met is asserted."""
    random, ties = Random(seed), {7: 0, 10: 0}
    for count in ties:
        for _ in range(12):
            channels = [2_000 * random.randint(1, 90) for _ in range(count)]
            one, all_ns = bank.Bank(channels), sums(channels)
            for _ in range(40):
                wanted = 1_000 * random.randint(1, sum(channels) // 1_000)
                errors = [abs(total - wanted) for total in all_ns]
                least = min(errors)
                near = {total for total, error in zip(all_ns, errors, strict=True) if error == least}
                ties[count] += len(near) > 1
                # a millivolt of supply: as many microamperes as thousandths of the nanosiemens
                assert all_ns[one.pattern(wanted // 1_000, 1_000)] == min(near)
    assert min(ties.values()) > 20, ties

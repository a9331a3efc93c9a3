"""Exponential gaps to the tick against the logarithm in 40 decimal places, and the ends of other draws."""

from decimal import Decimal, localcontext
from random import Random

import pytest
from boxcore import program as pg
from boxcore import schedule

from tests.boxcore import numbers

MEANS = (10, 3_600 * pg.TICKS_PER_S, pg.MAX_MEAN_TICKS)  # 1 ms, an hour, 14.9 h
TRIES = 700


def exact(state, mean):
    """mean * -ln((state + 0.5) / 2^32), cut at 8 means, in 40 places."""
    with localcontext() as context:
        context.prec = 40
        return min(-((Decimal(2 * state + 1) / 2**33).ln()), Decimal(8)) * mean


@pytest.mark.parametrize("mean", MEANS)
def test_a_gap_is_the_logarithm_to_the_tick(mean, seed):
    """40 bits of the logarithm come out right: of a mean of 2^29 ticks that leaves 2^-11 tick, and as much
    for the product's parts. So near to a half tick rounding may fall to the other side, nowhere else."""
    choose = Random(f"{seed} gaps {mean}")
    states = [choose.randrange(1, 2**32) for _ in range(TRIES)]
    states += [choose.randrange(1, 1 << choose.randrange(2, 33)) for _ in range(TRIES)]  # many leading zeros
    for state in states:
        off = numbers.exponential_ticks(state, mean) - exact(state, mean)
        assert abs(off) <= Decimal("0.5") + Decimal(2) ** -10, (state, mean)


def test_a_steady_level_is_renewed_for_as_long_as_it_lasted():
    steady = schedule.Steady(40_000)
    for _ in range(3):
        steady.left_ticks = -5
        steady.advance()
        assert (steady.level_ua, steady.left_ticks) == (40_000, schedule.NEVER_TICKS - 5)


def test_a_steady_run_goes_on_beyond_what_the_boards_small_integers_count():
    ahead = schedule.Schedule(pg.Program("p", [(pg.STEADY, 40_000)]), 1, 11_000)
    for _ in range(3):
        assert ahead.skip(20 * 3600 * pg.TICKS_PER_S)
        assert (ahead.level_ua, ahead.left_ticks > 0) == (40_000, True)


def test_a_share_is_the_whole_product_divided(seed):
    choose = Random(f"{seed} shares")
    for _ in range(2_000):
        state, span = choose.randrange(1, 2**32), choose.randrange(1, 1 << choose.randrange(1, 33))
        assert schedule.Xorshift32(state).share(span) == span * state >> 32

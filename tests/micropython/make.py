"""Random programs and random banks for the comparison of the two Pythons, all from one generator."""

from __future__ import annotations

from random import Random

from boxcore import bank
from boxcore import program as pg
from nightdraw import programs

MOST_LEVELS = 40  # replay levels a draw
SHORTEST_LOG, LONGEST_LOG = 4, 32  # durations spread over powers of two: 16 ticks to 2^32 ticks


def ticks(rng: Random, most: int = pg.MAX_TICKS) -> int:
    """A duration, short and long ones alike often."""
    return max(pg.MIN_TICKS, min(most, rng.randrange(1 << rng.randint(SHORTEST_LOG, LONGEST_LOG))))


def level_ua(rng: Random) -> int:
    """A level, small and large ones alike often."""
    return rng.randrange(min(pg.MAX_LEVEL_UA, 1 << rng.randint(1, 27)))


def draw(rng: Random, kind: int) -> tuple[object, ...]:
    """One draw of a kind, anywhere within what a program may hold."""
    if kind == pg.STEADY:
        return (kind, level_ua(rng))
    if kind == pg.PULSE:
        on = ticks(rng, pg.MAX_TICKS - 1)
        return (kind, level_ua(rng), on, min(pg.MAX_TICKS, on + ticks(rng)), rng.choice([0, ticks(rng)]))
    if kind == pg.RANDOM:
        on_ticks = sorted([ticks(rng), ticks(rng)])
        if rng.random() < 0.5:
            mean = ticks(rng, pg.MAX_MEAN_TICKS)
            return (kind, level_ua(rng), *on_ticks, pg.EXPONENTIAL, mean, mean)
        return (kind, level_ua(rng), *on_ticks, pg.UNIFORM, *sorted([ticks(rng), ticks(rng)]))
    levels = [(level_ua(rng), ticks(rng)) for _ in range(rng.randint(1, MOST_LEVELS))]
    return (kind, rng.choice([pg.FOREVER, 1, 2, rng.randint(1, pg.MAX_U32)]), programs.pack_levels(levels))


def program(rng: Random, name: str) -> pg.Program:
    """A random program of 1 to 8 draws of any kinds."""
    kinds = [pg.STEADY, pg.PULSE, pg.RANDOM, pg.REPLAY]
    draws = [draw(rng, rng.choice(kinds)) for _ in range(rng.randint(1, pg.MAX_DRAWS))]
    return pg.Program(name, draws, seed=rng.randrange(1 << 32))


def channels_ns(rng: Random) -> list[int]:
    """A bank of 1 to 16 channels, from 1 nS to 10 S, sometimes with equal channels."""
    channels = [rng.randint(1, 10 ** rng.randint(1, 10)) for _ in range(rng.randint(1, bank.MAX_CHANNELS))]
    return [min(channel, (1 << 32) // bank.MAX_CHANNELS - 1) for channel in channels]

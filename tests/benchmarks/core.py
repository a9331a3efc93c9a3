"""The core's arithmetic: the pattern search, the schedule, the exponential law."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from random import Random

from boxcore import program as pg
from boxcore import schedule
from nightdraw.board import load_board

from tests.benchmarks.measure import Ratio, compare

SUPPLY_MV = 12_600
LEVELS = 300
EDGES = 100_000
NUMBERS = 20_000


def run(folder: Path) -> Iterator[Ratio]:
    """All of them."""
    yield pattern_search()
    yield schedule_of_eight()
    yield exponential_law()


def pattern_search() -> Ratio:
    """The bank's search against trying every pattern; both must draw the same."""
    bank = load_board(None).bank()
    rng = Random(1)
    levels = [rng.randrange(bank.full_ua(SUPPLY_MV)) for _ in range(LEVELS)]
    everything = [(bank.conductance_ns(pattern), pattern) for pattern in range(1 << len(bank.channels_ns))]

    def brute(level_ua: int) -> int:
        wanted = level_ua * 1_000_000 // SUPPLY_MV
        return min((abs(total - wanted), total, pattern) for total, pattern in everything)[2]

    for level_ua in levels:
        found, best = bank.pattern(level_ua, SUPPLY_MV), brute(level_ua)
        assert bank.conductance_ns(found) == bank.conductance_ns(best)
    return compare(
        f"pattern search, {LEVELS} levels of a 10-channel bank",
        lambda: [bank.pattern(level_ua, SUPPLY_MV) for level_ua in levels],
        "every pattern tried",
        lambda: [brute(level_ua) for level_ua in levels],
    )


def schedule_of_eight() -> Ratio:
    """A schedule of eight pulse draws against the single draws on their own, as many segments of each."""
    plan = pg.Program("bench", [(pg.PULSE, 1000, 20 + k, 100 + 7 * k, k) for k in range(pg.MAX_DRAWS)])

    def summed() -> None:
        played = schedule.Schedule(plan, 1, 0)
        for _ in range(EDGES):
            played.take(pg.MAX_TICKS)

    def single() -> None:
        streams = [schedule.stream(draw, index, 0, 1) for index, draw in enumerate(plan.draws)]
        for _ in range(EDGES // len(streams)):
            for stream in streams:
                stream.left_ticks = 0
                stream.advance()

    return compare(f"schedule of 8 draws, {EDGES} segments", summed, "the draws alone, never summed", single)


def exponential_law() -> Ratio:
    """The integer logarithm against the machine's own."""
    rng = Random(1)
    states = [rng.randint(1, pg.MAX_U32) for _ in range(NUMBERS)]
    gaps = schedule.Exponential(1_000_000)
    return compare(
        f"exponential gaps in integers, {NUMBERS}",
        lambda: [gaps.ticks(state >> 16, state & schedule.MASK16) for state in states],
        "the same with math.log",
        lambda: [round(-math.log((state + 0.5) / 2**32) * 1_000_000) for state in states],
    )

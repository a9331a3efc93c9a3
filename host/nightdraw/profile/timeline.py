"""What a run will do, edge by edge: the firmware's own schedule, with times in seconds and levels for people.

Zero is the run's start, own consumption is included, limits are left out.
"""

from __future__ import annotations

import json
from collections.abc import Iterator

from boxcore import program as pg
from boxcore import schedule

from nightdraw import programs
from nightdraw.profile.model import Profile

MAX_FOR_TICKS = 366 * 86400 * pg.TICKS_PER_S  # a year: beyond any run; a slip of the unit is told


def edges(
    profile: Profile, for_ticks: int, seed: int | None = None, run: int = 1
) -> Iterator[tuple[int, int]]:
    """Yield (tick, level_ua): the level at tick 0, then each change in [0, for_ticks).

    seed: another seed than the profile's own; run: 1 .. 2^32 - 1, counts arms since the program was stored.
    """
    plan = schedule.Schedule(profile.program(seed), run, profile.board.own_ua)
    yield from programs.edges(plan, for_ticks)


def edge_json(tick: int, level_ua: int) -> str:
    """One edge as a JSON object with the contract's keys."""
    return json.dumps({"t_s": tick / pg.TICKS_PER_S, "level_ma": level_ua / 1000})


def edge_text(tick: int, level_ua: int) -> str:
    """One edge as a line for people."""
    return f"{tick / pg.TICKS_PER_S:14.4f} s {level_ua / 1000:11.3f} mA"

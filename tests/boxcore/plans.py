"""Programs for the box's tests, and what they must do by a calculation that knows nothing of the box."""

from __future__ import annotations

from boxcore import program as pg
from boxcore import schedule
from boxcore.bank import Bank
from nightdraw import programs

S = pg.TICKS_PER_S
STEADY = (pg.STEADY, 40_000)
PULSE = (pg.PULSE, 350_000, 7_000, 30_000, 0)
RANDOM = (pg.RANDOM, 250_000, 2_000, 9_000, pg.UNIFORM, 2_000, 30_000)


def plan(*draws, **fields):
    """A program of these draws (STEADY and PULSE without any)."""
    return pg.Program("plan", draws or (STEADY, PULSE), **fields)


def patterns(program, board, ticks, supply_mv=12_600, run=1, start=0):
    """[(tick, pattern)] that a run begun at tick `start` must play in the next `ticks`, changes only."""
    bank = Bank(board.channels_ns)
    found = []
    for tick, level_ua in programs.edges(schedule.Schedule(program, run, board.own_ua), ticks):
        pattern = bank.pattern(max(0, level_ua - board.own_ua), supply_mv)
        if not found or found[-1][1] != pattern:
            found.append((start + tick, pattern))
    return found


def mas(played, board, begin, end, supply_mv=12_600):
    """Charge in milliampere-seconds out of the supply between two ticks, by Ohm's law in floating point."""
    total = 0.0
    for n, (tick, pattern) in enumerate(played):
        stop = played[n + 1][0] if n + 1 < len(played) else end
        seconds = max(0, min(stop, end) - max(tick, begin)) / S
        siemens = sum(ns for k, ns in enumerate(board.channels_ns) if pattern >> k & 1) * 1e-9
        total += seconds * (board.own_ua / 1000 + supply_mv * siemens)
    return total


def open_between(played, begin, end):
    """True where every switch was open in [begin, end)."""
    pattern = 0
    for tick, after in played:
        if tick <= begin:
            pattern = after
        elif tick < end and after:
            return False
    return pattern == 0

"""The firmware's random numbers as plain functions of whole 32-bit states."""

from __future__ import annotations

from boxcore import schedule


def after(state: int) -> int:
    """The state that the generator goes to."""
    numbers = schedule.Xorshift32(state)
    numbers.step()
    return int(numbers.high << 16 | numbers.low)


def uniform_ticks(state: int, low: int, high: int) -> int:
    """A duration in low .. high."""
    return int(low + schedule.Xorshift32(state).share(high - low + 1))


def exponential_ticks(state: int, mean: int) -> int:
    """A duration with that mean."""
    return int(schedule.Exponential(mean).ticks(state >> 16, state & schedule.MASK16))

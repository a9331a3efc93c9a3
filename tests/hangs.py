"""A pytest plugin: a test that uses more than HANG_CPU_S seconds of the processor, or takes more than HANG_S
by the clock (both of the environment), fails, as a hang would not.

For tests/mutants.py alone; elsewhere nothing judges speed.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from types import FrameType

import pytest

# Of the two only the processor's time is near: how long a test waits for its turn says nothing of it.
TIMERS = (
    (signal.ITIMER_PROF, signal.SIGPROF, "HANG_CPU_S", "s of a processor"),
    (signal.ITIMER_REAL, signal.SIGALRM, "HANG_S", "s"),
)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Iterator[object]:
    """Give each test, with its fixtures, the times of the environment."""

    def hung(number: int, frame: FrameType | None) -> None:
        name, unit = next((name, unit) for _, one, name, unit in TIMERS if one == number)
        pytest.fail(f"{item.nodeid} took more than {os.environ[name]} {unit}", pytrace=False)

    for timer, number, name, _ in TIMERS:
        signal.signal(number, hung)
        signal.setitimer(timer, float(os.environ[name]))
    try:
        return (yield)  # type: ignore[return-value]
    finally:
        for timer, *_ in TIMERS:
            signal.setitimer(timer, 0)

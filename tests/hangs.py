"""A pytest plugin: a test that takes more than HANG_S seconds (of the environment) fails, as a hang would
not.

For tests/mutants.py alone; elsewhere nothing judges speed.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from types import FrameType

import pytest


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Iterator[object]:
    """Give each test, with its fixtures, the time of the environment's HANG_S."""

    def hung(number: int, frame: FrameType | None) -> None:
        pytest.fail(f"{item.nodeid} took more than {os.environ['HANG_S']} s", pytrace=False)

    signal.signal(signal.SIGALRM, hung)
    signal.setitimer(signal.ITIMER_REAL, float(os.environ["HANG_S"]))
    try:
        return (yield)  # type: ignore[return-value]
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)

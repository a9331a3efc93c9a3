"""A pytest plugin: tells coverage.py which test runs, and writes down what each took and which fixtures it
used.

For tests/reach.py alone, which starts coverage.py in every process.
"""

from __future__ import annotations

import json
import os
import resource
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import coverage
import pytest

RECORD = "REACH_RECORD"  # of the environment: the file that gets a line for each test
NOBODY = ""  # the context of what is reached while no test runs: on import
PHASES = (" (setup)", " (call)", " (teardown)")  # what pytest adds to PYTEST_CURRENT_TEST


def fixture_context(definition: Any) -> str:
    """The context of a fixture that more than one test may use."""
    return f"fixture {definition.baseid} {definition.argname}"


def test_of(context: str) -> str:
    """The test that a context belongs to, be it in a process that the test started."""
    name, bracket, phase = context.rpartition(" (")
    return name if bracket + phase in PHASES else context


_now = NOBODY


def _switch(name: str) -> str:
    """Let all that runs from here on be reached by that name; returns whose it was so far."""
    global _now
    running = coverage.Coverage.current()
    assert running is not None, "coverage.py was not started with the process"
    running.switch_context(name)
    before, _now = _now, name
    return before


def _used_s() -> float:
    """Seconds of the processor that this process and those that it has waited for have used."""
    return sum(
        usage.ru_utime + usage.ru_stime
        for usage in map(resource.getrusage, (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    )


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_runtest_protocol(item: pytest.Function) -> Iterator[object]:
    """What runs from here on is this test's, and so is what it takes."""
    shared = [
        fixture_context(definitions[-1])
        for definitions in item._fixtureinfo.name2fixturedefs.values()
        if definitions[-1].scope != "function"
    ]
    began_s = _used_s()
    _switch(item.nodeid)
    try:
        return (yield)  # type: ignore[return-value]
    finally:
        _switch(NOBODY)
        row = {"test": item.nodeid, "seconds": round(_used_s() - began_s, 3), "fixtures": shared}
        with Path(os.environ[RECORD]).open("a", encoding="utf-8") as file:
            file.write(json.dumps(row) + "\n")


@pytest.hookimpl(wrapper=True)
def pytest_fixture_setup(fixturedef: Any) -> Iterator[object]:
    """What makes a fixture for more than one test is none of theirs alone."""
    if fixturedef.scope == "function":
        return (yield)
    before = _switch(fixture_context(fixturedef))
    try:
        return (yield)
    finally:
        _switch(before)


def pytest_unconfigure() -> None:
    """A worker of a spread run may be ended without its last rites."""
    running = coverage.Coverage.current()
    if running is not None:
        running.stop()
        running.save()

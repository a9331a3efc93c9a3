"""What every test run shares: the one seed, what counts as skipped, and what real MicroPython ran.

No test and no test data live here.
"""

from __future__ import annotations

import gc
import os
import random
import zlib
from collections import Counter
from collections.abc import Generator
from typing import Any

import pytest
from boxcore import __version__
from hypothesis import HealthCheck, settings

from tests.emulated.board import IMAGES, images
from tests.micropython import runner

IN_CI = bool(os.environ.get("CI"))
COUNTS = pytest.StashKey[Counter[str]]()
LONGEST = ("tests/test_mutants.py", "tests/emulated/")  # each of some minutes in CI
GARBAGE = (20_000, 20, 20)  # gc.set_threshold: some ten megabytes at most wait to be looked through
FAILED_SHOWN = 10  # lines that repeat a failure; beyond these the first ones say enough

# Timing is never judged (a shared machine is slow at times), so nothing has a deadline.
COMMON: dict[str, Any] = {
    "deadline": None,
    "print_blob": True,
    "suppress_health_check": [HealthCheck.too_slow],
}
settings.register_profile("dev", max_examples=30, **COMMON)
settings.register_profile("ci", max_examples=60, **COMMON)  # what CI's 20 minutes allow
settings.load_profile("ci" if IN_CI else "dev")


def pytest_addoption(parser: pytest.Parser) -> None:
    """--seed N: every random choice of a run follows from it."""
    parser.addoption(
        "--seed",
        type=int,
        default=None,
        help="the run's seed, shown first; otherwise one is drawn (in CI: the version's)",
    )
    parser.addoption(
        "--campaigns", action="store_true", default=IN_CI, help="the long campaigns too, as CI does"
    )


@pytest.hookimpl(tryfirst=True)
def pytest_configure(config: pytest.Config) -> None:
    """Settle the seed before anything asks for it; the workers of a spread run are given it."""
    if hasattr(config, "workerinput"):  # pytest-xdist's: one of several workers
        config.option.seed = config.workerinput["seed"]
    if config.option.seed is None:
        config.option.seed = _of_the_version() if IN_CI else random.SystemRandom().randrange(2**32)
    if config.getoption("--hypothesis-seed", None) is None:
        config.option.hypothesis_seed = str(config.option.seed)
    config.stash[COUNTS] = Counter()
    # numpy's small matrices are no work for several threads: they wait for each other, and for other workers
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # nothing is kept in the folders of whoever runs the tests: below a file there can't be any
    os.environ["LOCALAPPDATA"] = os.environ["XDG_STATE_HOME"] = __file__


@pytest.hookimpl(optionalhook=True)
def pytest_configure_node(node: Any) -> None:
    """Hand a worker of a spread run the seed: of the options it has only those of the command line."""
    node.workerinput["seed"] = node.config.option.seed


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_collection() -> Generator[None, object, object]:
    """Modules and tests stay to the end: to look through them for garbage again and again took half of the
    time of collecting, and a part of each test's. Tests make much and throw it away: by Python's own
    thresholds a fifth of their time went into looking through it."""
    gc.disable()
    try:
        return (yield)
    finally:
        gc.freeze()
        gc.set_threshold(*GARBAGE)
        gc.enable()


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave the campaigns out unless they are asked for, by --campaigns, by -m, or by name."""
    if hasattr(config, "workerinput"):
        _longest_first(items)
    named = any("::" in word for word in config.args)
    if config.option.campaigns or config.option.markexpr or named:
        return
    left = [item for item in items if item.get_closest_marker("campaign")]
    config.hook.pytest_deselected(items=left)
    items[:] = [item for item in items if not item.get_closest_marker("campaign")]


def _longest_first(items: list[pytest.Item]) -> None:
    """Sort for a run that is spread by files, so that no worker is left with the longest of them."""
    campaigning = {item.path for item in items if item.get_closest_marker("campaign")}
    items.sort(key=lambda item: (not item.nodeid.startswith(LONGEST), item.path not in campaigning))


def _of_the_version() -> int:
    """A change is judged by what it changed: the draws of CI stay until the next version is named."""
    return zlib.crc32(__version__.encode())


def pytest_report_header(config: pytest.Config) -> str:
    """The seed, before the first test."""
    return f"seed {config.option.seed} (the same again: python run.py test --seed {config.option.seed})"


@pytest.fixture(scope="session")
def seed(pytestconfig: pytest.Config) -> int:
    """The run's seed; a test that draws at random starts its own random.Random from it."""
    return int(pytestconfig.option.seed)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """In CI a skipped test has failed: what nobody ran proves nothing."""
    report = yield
    if not hasattr(report, "wasxfail"):
        _refuse_skip(report)
    return report


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report() -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    """In CI a module that skips itself has failed too."""
    report = yield
    _refuse_skip(report)
    return report


def _refuse_skip(report: pytest.TestReport | pytest.CollectReport) -> None:
    if IN_CI and report.outcome == "skipped":
        report.outcome = "failed"
        reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else report.longrepr
        report.longrepr = f"{report.nodeid}: a skipped test is a failure in CI: {reason}"


def pytest_sessionfinish(session: pytest.Session) -> None:
    """A worker hands its counts to the process that prints them."""
    counts = session.config.stash[COUNTS]
    counts.update(runner.COUNTS)
    if hasattr(session.config, "workeroutput"):
        session.config.workeroutput["micropython"] = dict(counts)


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node: Any) -> None:
    """Add the counts of a worker that has finished (a hook of pytest-xdist)."""
    node.config.stash[COUNTS].update(getattr(node, "workeroutput", {}).get("micropython", {}))


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    """What real MicroPython ran, and the line that repeats each failure."""
    ran = config.stash[COUNTS]
    terminalreporter.write_line(_emulated(terminalreporter))
    terminalreporter.write_line(
        f"real MicroPython ran {ran['programs']} programs: {ran['edges']} edges, {ran['processes']} processes"
    )
    for report in terminalreporter.stats.get("failed", [])[:FAILED_SHOWN]:
        terminalreporter.write_line(
            f'repeat: python run.py test --seed {config.option.seed} "{report.nodeid}"'
        )


def _emulated(terminalreporter: pytest.TerminalReporter) -> str:
    """How many tests ran on the emulated board, or why none did."""
    if images() is None:
        return f"emulated board: no test was collected, for {IMAGES} is not set (see DEVELOPERS.md)"
    reports = [report for reports in terminalreporter.stats.values() for report in reports]
    calls = [
        r for r in reports if getattr(r, "when", "") == "call" and r.nodeid.startswith("tests/emulated/")
    ]
    return f"emulated board: {len(calls)} tests ran on it"

"""A copy of the project, pytest in it within limits, and what it says of one planted fault.

What is planted, and how the answers are counted, is tests/mutants.py; which tests are asked, tests/reach.py.
"""

from __future__ import annotations

import json
import os
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.tidy import TOP

COPIED = (
    "firmware", "host", "profiles", "hardware", "tests", "pyproject.toml", "run.py",
    "README.md", "DEVELOPERS.md", "CHANGELOG.md",
)  # fmt: skip
# Neither the emulated board nor CI's campaigns: the tests of each day are to notice a fault. The third is a
# test of this tool; without compiled files each start of pytest takes twice as long.
NOT_PASSED_ON = {"NIGHTDRAW_BOARD_IMAGES", "CI", "PYTEST_CURRENT_TEST", "PYTHONDONTWRITEBYTECODE"}
WHOLE_CPU_S = 3600.0  # of a processor, for one process with all tests
LIMIT_S = 3600  # by the clock, for tests that wait: no result, whatever the machine does besides
HANG_S = 300.0  # by the clock for one test, also on a machine with ten times its load
MOST_SICK = 3  # tests set aside for one fault because they fail without it too; more say that all is broken


@dataclass(frozen=True)
class Limits:
    """Seconds of the processor: for all tests of a run, for one of them. The first run in a copy compiles all
    of it that it imports, which takes some 20 s and more."""

    run_s: float = 300.0
    test_s: float = 60.0


@dataclass(frozen=True)
class Outcome:
    """Whether the tests passed (None: not in time), and those that failed."""

    passed: bool | None
    failed: tuple[str, ...] = ()


def files() -> Iterator[Path]:
    """Every file that a copy holds."""
    for name in COPIED:
        place = TOP / name
        inner = place.rglob("*") if place.is_dir() else iter([place])
        yield from (path for path in inner if path.is_file() and "__pycache__" not in path.parts)


def copy(folder: Path) -> Path:
    """The project as far as tests need it, in a folder of its own."""
    for name in COPIED:
        place = TOP / name
        if place.is_dir():
            shutil.copytree(place, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy(place, folder / name)
    return folder


def pytest(
    folder: Path,
    tests: Sequence[str],
    seed: int,
    limits: Limits,
    options: Sequence[str] = ("-x", "-p", "no:xdist", "-p", "tests.hangs"),
    environment: dict[str, str] | None = None,
) -> Outcome:
    """Run tests (files or names) of a copy, in their order."""
    paths = os.pathsep.join(str(folder / name) for name in ("host", "firmware", "."))
    known = {key: value for key, value in os.environ.items() if key not in NOT_PASSED_ON}
    known |= {"PYTHONPATH": paths, "HANG_CPU_S": str(limits.test_s), "HANG_S": str(HANG_S)}
    known |= environment or {}

    def limited() -> None:
        resource.setrlimit(resource.RLIMIT_CPU, (int(limits.run_s) + 1, int(limits.run_s) + 11))

    with tempfile.TemporaryDirectory() as name:
        asked = Path(name) / "asked"  # in a file, for there may be thousands
        asked.write_text("\n".join(tests), "utf-8")
        words = [sys.executable, "-m", "pytest", "-q", *options, "-o", f"cache_dir={name}/cache"]
        try:
            done = subprocess.run(
                [*words, "--seed", str(seed), f"@{asked}"],
                cwd=folder,
                env=known,
                capture_output=True,
                timeout=LIMIT_S,
                check=False,
                preexec_fn=limited,
            )
        except subprocess.TimeoutExpired:
            return Outcome(None)
        if done.returncode == -signal.SIGXCPU:
            return Outcome(None)
        # pytest's own record: what it prints can't be parted from the reason surely
        record = Path(name) / "cache" / "v" / "cache" / "lastfailed"
        failed = tuple(json.loads(record.read_text("utf-8"))) if record.exists() else ()
        return Outcome(done.returncode == 0, failed)


@dataclass(frozen=True)
class Verdict:
    """What became of a fault: killed (by which test), survived (why), or sick; and the tests that fail
    without it too."""

    said: str
    by: str
    sick: tuple[str, ...] = ()


KILLED, SURVIVED, SICK = "killed", "SURVIVED", "sick"
NONE_BEGINS = "no test begins with it"


def verdict(ask: Callable[[Sequence[str], bool], Outcome], tests: Sequence[str]) -> Verdict:
    """What tests say of a fault. ask(tests, with the fault?) runs them; those that fail without it too say
    nothing of it, so they are set aside and the others asked again."""
    sick: list[str] = []
    while len(sick) < MOST_SICK:
        outcome = ask([*tests, *(f"--deselect={one}" for one in sick)], True)
        if outcome.passed is None:
            return Verdict(SURVIVED, "no test noticed it in its time", tuple(sick))
        if outcome.passed:
            return Verdict(SURVIVED, ", ".join(tests), tuple(sick))
        if not outcome.failed:  # none began: what all tests import doesn't load, or they are none
            if ask(tests[:1], False).passed:
                return Verdict(KILLED, NONE_BEGINS, tuple(sick))
            return Verdict(SICK, "pytest itself failed", tuple(sick))
        if ask(outcome.failed[:1], False).passed:
            return Verdict(KILLED, outcome.failed[0], tuple(sick))
        sick.append(outcome.failed[0])
    return Verdict(SICK, "too many tests fail without it", tuple(sick))


def put(file: Path, source: str) -> None:
    """Change a source: Python knows compiled ones by length and second, so each has its own second."""
    second = int(file.stat().st_mtime) + 1
    file.write_text(source, "utf-8")
    os.utime(file, (second, second))


def planted(
    folder: Path, path: str, change: Callable[[str], str], tests: Sequence[str], seed: int, limits: Limits
) -> Verdict:
    """The verdict on a change of one file of a copy, which is as it was afterwards."""
    file = folder / path
    source = file.read_text("utf-8")

    def ask(names: Sequence[str], with_fault: bool) -> Outcome:
        put(file, change(source) if with_fault else source)
        try:
            return pytest(folder, names, seed, limits)
        finally:
            put(file, source)

    return verdict(ask, tests)

"""Which tests are asked about a planted fault: the nearest files by what they import, or, measured once for
many faults, the tests that reach its line.

The measured map comes from one run of the tests of each day under coverage.py, with the test that runs as
context; it is kept in the folder for temporary files, by a digest of all that it depends on. What a fixture
of more than one test reaches counts for all that use it.
"""

from __future__ import annotations

import ast
import hashlib
import json
import os
import shutil
import sys
import tempfile
from collections.abc import Iterable, Sequence
from functools import cache
from itertools import accumulate
from pathlib import Path

import coverage

from tests import contexts, trial
from tests.tidy import TOP

PARTS = {
    "boxcore": "firmware/boxcore",
    "profile": "host/nightdraw/profile",
    "capture": "host/nightdraw/capture",
    "bank": "host/nightdraw/bank",
    "vehicle": "host/nightdraw/vehicle",
    "link": "host/nightdraw/link",
}
# Tests that need another processor, another Python or a browser: too slow for each of many faults. Those of
# the sources themselves and of this tool say nothing of what a program does.
SLOW = ("tests.emulated", "tests.micropython", "tests.live.test_browser")
BLIND = ("tests.test_mutants", "tests.test_tidy", "tests.test_documents", "tests.test_run")
QUICK_S = 2.0  # of a processor: slower tests are asked after all quicker ones
MOST_ASKED_S = 90.0  # of a processor, for one fault: what takes longer in all isn't asked any more


def left_out(name: str) -> bool:
    """Whether no fault is ever shown to a module of tests."""
    return name.startswith(SLOW + BLIND)


# -- by what test files import


@cache
def direct_imports() -> dict[str, set[str]]:
    """The modules that each source below tests imports itself."""
    direct: dict[str, set[str]] = {}
    for path in (TOP / "tests").rglob("*.py"):
        names = set()
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.module and not node.level:
                names |= {node.module, *(f"{node.module}.{one.name}" for one in node.names)}
            elif isinstance(node, ast.Import):
                names |= {one.name for one in node.names}
        direct[".".join(path.relative_to(TOP).with_suffix("").parts)] = names
    return direct


@cache
def importers() -> dict[str, set[str]]:
    """The modules that each source below tests imports, itself or through other sources of tests."""
    direct = direct_imports()
    while True:
        grown = {
            name: seen.union(*(direct[one] for one in seen if one in direct)) for name, seen in direct.items()
        }
        if grown == direct:
            return direct
        direct = grown


def nearest(path: str) -> list[str]:
    """The test files for a module: those that import it, the nearest first, then its folder's. Of two as near
    the one that imports least comes first: it is about less, and done sooner."""
    parts = Path(path).with_suffix("").parts
    module = ".".join(parts[1:])
    part = parts[1] if parts[1] == "boxcore" else parts[2]

    def distance(name: str) -> tuple[bool, bool, bool, int, str]:
        direct = direct_imports()[name]
        return parts[-1] not in name, module not in direct, part not in name, len(direct), name

    near = [name for name, seen in importers().items() if module in seen and ".test_" in name]
    files = [f"{name.replace('.', '/')}.py" for name in sorted(near, key=distance) if not left_out(name)]
    folder = sorted(path.relative_to(TOP).as_posix() for path in (TOP / "tests" / part).glob("test_*.py"))
    return list(dict.fromkeys([*files, *folder]))


# -- by what was measured


class Map:
    """What one run of the tests without a fault reached, and the processor's seconds that each took."""

    def __init__(self, folder: Path) -> None:
        self._copied = folder / "copy"  # where it was when it was measured
        self._data = coverage.CoverageData(str(folder / "data"))
        self._data.read()
        rows = [json.loads(line) for line in (folder / "tests").read_text("utf-8").splitlines()]
        failed = set(json.loads((folder / "failed").read_text("utf-8")))
        self.seconds = {row["test"]: row["seconds"] for row in rows if row["test"] not in failed}
        self._users: dict[str, set[str]] = {}
        for row in rows:
            for fixture in row["fixtures"]:
                self._users.setdefault(fixture, set()).add(row["test"])

    def reaching(self, path: str, lines: Iterable[int]) -> set[str]:
        """The tests that reach any of these lines of a file below the top; what was reached while no test
        ran, on import, counts for every test of a file that imports the module."""
        measured = self._data.contexts_by_lineno(str(self._copied / path))
        found: set[str] = set()
        for context in {one for line in lines for one in measured.get(line, ())}:
            if context == contexts.NOBODY:
                files = set(nearest(path))
                found |= {test for test in self.seconds if test.partition("::")[0] in files}
            else:
                found |= self._users.get(context, {contexts.test_of(context)})
        return found & self.seconds.keys()

    def asked(self, path: str, lines: Iterable[int]) -> list[str]:
        """Those tests in the order in which they are asked: the quick ones first, of these the nearest
        file's, of these the quickest; so many as MOST_ASKED_S allows."""
        rank = {file: place for place, file in enumerate(nearest(path))}

        def order(test: str) -> tuple[bool, int, str, float]:
            file = test.partition("::")[0]
            return self.seconds[test] > QUICK_S, rank.get(file, len(rank)), file, self.seconds[test]

        tests = sorted(self.reaching(path, lines), key=order)
        spent = accumulate(self.seconds[test] for test in tests)
        return [test for test, s in zip(tests, spent, strict=True) if s <= MOST_ASKED_S]


def statement(source: str, line: int) -> range:
    """The lines of the simple statement, or of a compound one's head, that a line belongs to: of a long
    statement only some lines are ever told as reached. A constant of the module is reached by all lines: it
    is run once, in whichever test imports the module first, and used by the others."""
    tree = ast.parse(source)
    if any(
        isinstance(node, ast.Assign) and node.lineno <= line <= (node.end_lineno or 0) for node in tree.body
    ):
        return range(1, source.count("\n") + 2)
    inner = range(line, line + 1)
    for node in ast.walk(tree):  # the outer ones first
        if isinstance(node, ast.stmt):
            body = getattr(node, "body", None)
            last = max(node.lineno, body[0].lineno - 1 if body else node.end_lineno or node.lineno)
            if node.lineno <= line <= last:
                inner = range(node.lineno, last + 1)
    return inner


@cache
def measured(seed: int, jobs: int) -> Map:
    """The map of the sources as they are, made where it isn't kept yet (so long as all tests take)."""
    kept = Path(tempfile.gettempdir()) / f"nightdraw-reach-{os.getuid()}" / _digest()
    if not (kept / "failed").exists():  # written last
        shutil.rmtree(kept, ignore_errors=True)
        trial.copy(kept / "copy")
        files = [path.relative_to(TOP) for path in sorted((TOP / "tests").rglob("test_*.py"))]
        names = [path for path in files if not left_out(".".join(path.with_suffix("").parts))]
        measure(kept, [path.as_posix() for path in names], seed, jobs)
        shutil.rmtree(kept / "copy")
    return Map(kept)


def _digest() -> str:
    """What the map depends on: every file that the copy holds, and the Python."""
    seen = hashlib.sha256(sys.version.encode())
    for path in sorted(trial.files()):
        seen.update(path.relative_to(TOP).as_posix().encode() + path.read_bytes())
    return seen.hexdigest()[:20]


def measure(kept: Path, tests: Sequence[str], seed: int, jobs: int) -> None:
    """Run tests in the copy below `kept`, all processes under coverage.py; keeps what Map reads."""
    settings = kept / "settings"
    include = "".join(f"\n  {kept}/copy/{place}/*" for place in PARTS.values())
    settings.write_text(
        f"[run]\nparallel = true\ndata_file = {kept}/part\ncontext = ${{PYTEST_CURRENT_TEST-}}\n"
        f"include ={include}\n"
    )
    spread = (
        ["-n", str(jobs), "--dist", "loadfile", "--no-loadscope-reorder"] if jobs > 1 else ["-p", "no:xdist"]
    )
    outcome = trial.pytest(
        kept / "copy",
        tests,
        seed,
        trial.Limits(trial.WHOLE_CPU_S, trial.WHOLE_CPU_S),
        ["-p", "tests.contexts", *spread],
        {"COVERAGE_PROCESS_START": str(settings), contexts.RECORD: str(kept / "tests")},
    )
    whole = coverage.Coverage(config_file=str(settings), data_file=str(kept / "data"))
    whole.combine([str(one) for one in kept.glob("part.*")])
    whole.save()
    (kept / "failed").write_text(json.dumps(outcome.failed), "utf-8")

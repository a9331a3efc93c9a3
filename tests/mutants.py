"""Whether the tests bite: small faults planted in the sources, one at a time, and who notices.

`python -m tests.mutants 30` plants 30 random ones over boxcore, profile, capture, bank, vehicle and link,
runs the test files that import the module (then those of its folder), and prints what survived with the rate
of those that died. `python -m tests.mutants --named` plants the list of tests/hurtful.py instead. All of it
happens in a copy; nothing here touches the sources.
"""

from __future__ import annotations

import argparse
import ast
import json
import os
import random
import re
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from math import sqrt
from pathlib import Path

from scipy.stats import binom

from tests import hurtful, survivors
from tests.tidy import TOP

PARTS = {
    "boxcore": "firmware/boxcore",
    "profile": "host/nightdraw/profile",
    "capture": "host/nightdraw/capture",
    "bank": "host/nightdraw/bank",
    "vehicle": "host/nightdraw/vehicle",
    "link": "host/nightdraw/link",
}
# These are for the chip: what runs them is the emulated board, too slow for this.
LEFT_OUT = {"hal_rp2", "edgeplayer", "sensors", "usb", "commands_board"}
# Tests that need another processor, another Python or a browser: too slow for each of many faults.
SLOW = ("tests.emulated", "tests.micropython", "tests.live.test_browser")
COPIED = (
    "firmware", "host", "profiles", "hardware", "tests", "pyproject.toml", "run.py",
    "README.md", "DEVELOPERS.md", "CHANGELOG.md",
)  # fmt: skip
LIMIT_CPU_S = 300  # of a processor, for all tests of one mutant; what none has noticed by then has survived
LIMIT_S = 3600  # for those that wait: no result, whatever the machine does besides
HANG_S = 300  # for one test (tests/hangs.py makes it fail), also on a machine with ten times its load
KILLED, SURVIVED, SICK, EXPLAINED = "killed", "SURVIVED", "sick", "explained"
MOST_SICK = 3  # tests set aside for one mutant because they fail without it too; more say that all is broken
TARGET = 0.95  # of those that no row of tests/survivors.py explains
RARE = 0.001  # how often a sample may fail although TARGET is kept
LEAST = 4  # mutants in a sample that can fail: fewer than 2 of 4 come once in 2000 at TARGET

SWAPS: dict[type[ast.AST], str] = {
    ast.Lt: "<=", ast.LtE: "<", ast.Gt: ">=", ast.GtE: ">", ast.Eq: "!=", ast.NotEq: "==",
    ast.Add: "-", ast.Sub: "+", ast.Mult: "//", ast.FloorDiv: "*", ast.Div: "*", ast.Mod: "*",
    ast.LShift: ">>", ast.RShift: "<<", ast.BitAnd: "|", ast.BitOr: "&",
}  # fmt: skip


@dataclass(frozen=True)
class Mutant:
    """One planted fault: a file below the top, what stands there and what is put in its place, by offset."""

    path: str
    at: int
    before: str
    after: str
    name: str = ""
    tests: tuple[str, ...] = ()

    def line(self, source: str) -> int:
        return source.count("\n", 0, self.at) + 1

    def planted(self, source: str) -> str:
        """The source with the fault in it."""
        assert source[self.at : self.at + len(self.before)] == self.before
        return source[: self.at] + self.after + source[self.at + len(self.before) :]


def named() -> list[Mutant]:
    """The list of tests/hurtful.py as mutants: what is to be replaced stands once in its file."""
    found = []
    for name, path, before, after, tests in hurtful.FAULTS:
        source = (TOP / path).read_text("utf-8")
        times = source.count(before)
        assert times == 1, f"{name}: {before!r} stands {times} times in {path}"
        found.append(Mutant(path, source.index(before), before, after, name, (tests,)))
    return found


# -- random ones


def sources() -> list[Path]:
    """The modules that mutants are planted in."""
    found = [path for folder in PARTS.values() for path in sorted((TOP / folder).rglob("*.py"))]
    return [path for path in found if path.stem not in LEFT_OUT and path.stem != "__init__"]


def mutants_of(path: Path) -> Iterator[Mutant]:
    """Every single fault that can be planted in a module."""
    source = path.read_text("utf-8")
    starts = [0]
    for line in source.encode().splitlines(keepends=True):
        starts.append(starts[-1] + len(line))
    raw, name = source.encode(), path.relative_to(TOP).as_posix()

    def span(node: ast.AST) -> tuple[int, int]:
        first = starts[node.lineno - 1] + node.col_offset  # type: ignore[attr-defined]
        last = starts[node.end_lineno - 1] + node.end_col_offset  # type: ignore[attr-defined]
        return first, last

    def mutant(first: int, last: int, after: str) -> Mutant:
        return Mutant(name, len(raw[:first].decode()), raw[first:last].decode(), after)

    tree = ast.parse(source)
    # zip's strict checks what holds anyway: planting it proves nothing
    checks = {
        keyword.value
        for keyword in ast.walk(tree)
        if isinstance(keyword, ast.keyword) and keyword.arg == "strict"
    }
    for node in _inside_functions(tree):
        if node in checks:
            continue
        if isinstance(node, ast.Compare | ast.BinOp | ast.BoolOp):
            yield from _of_operator(node, span, mutant, raw)
        elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
            yield mutant(span(node)[0], span(node.operand)[0], "")
        elif isinstance(node, ast.Constant) and type(node.value) in (int, float):
            yield mutant(*span(node), repr(node.value + 1))
        elif isinstance(node, ast.Constant) and type(node.value) is bool:
            yield mutant(*span(node), repr(not node.value))
        elif (isinstance(node, ast.Expr) and isinstance(node.value, ast.Call)) or isinstance(
            node, ast.AugAssign
        ):
            yield mutant(*span(node), "pass")
        elif isinstance(node, ast.If | ast.While):
            yield mutant(*span(node.test), "False")
            if isinstance(node, ast.If):
                yield mutant(*span(node.test), "True")


def _inside_functions(tree: ast.Module) -> Iterator[ast.AST]:
    """Every node of a function's body, and numbers given to constants of the module; no annotations."""
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef):
            for statement in node.body:
                yield from ast.walk(statement)
    for statement in tree.body:
        if isinstance(statement, ast.Assign) and isinstance(statement.value, ast.Constant | ast.BinOp):
            yield from ast.walk(statement.value)


def _of_operator(node: ast.AST, span, mutant, raw: bytes) -> Iterator[Mutant]:  # type: ignore[no-untyped-def]
    if isinstance(node, ast.Compare):
        pairs = zip([node.left, *node.comparators], node.comparators, node.ops, strict=False)
        gaps = [(span(one)[1], span(other)[0], SWAPS.get(type(op))) for one, other, op in pairs]
    elif isinstance(node, ast.BinOp):
        gaps = [(span(node.left)[1], span(node.right)[0], SWAPS.get(type(node.op)))]
    else:
        assert isinstance(node, ast.BoolOp)
        word = "or" if isinstance(node.op, ast.And) else "and"
        gaps = [(span(a)[1], span(b)[0], word) for a, b in zip(node.values, node.values[1:], strict=False)]
    for first, last, after in gaps:
        # brackets and line ends stand between the operands, too: only the operator is replaced
        found = re.search(rb"and|or|[<>=!]=|<<|>>|//|[-+*/%<>&|]", raw[first:last])
        if after is not None and found is not None and b"**" not in raw[first:last]:
            yield mutant(first + found.start(), first + found.end(), after)


# -- which tests


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


def tests_of(path: str) -> list[str]:
    """The test files for a module: those that import it, the nearest first, then its folder's. Of two as near
    the one that imports least comes first: it is about less, and done sooner."""
    parts = Path(path).with_suffix("").parts
    module = ".".join(parts[1:])
    part = parts[1] if parts[1] == "boxcore" else parts[2]

    def distance(name: str) -> tuple[bool, bool, bool, int, str]:
        direct = direct_imports()[name]
        return parts[-1] not in name, module not in direct, part not in name, len(direct), name

    near = [name for name, seen in importers().items() if module in seen and ".test_" in name]
    near = [name for name in near if not name.startswith(SLOW)]
    files = [f"{name.replace('.', '/')}.py" for name in sorted(near, key=distance)]
    folder = sorted(path.relative_to(TOP).as_posix() for path in (TOP / "tests" / part).glob("test_*.py"))
    return list(dict.fromkeys([*files, *folder]))


# -- running them


def copy(folder: Path) -> Path:
    """The project as far as tests need it, in a folder of its own."""
    for name in COPIED:
        place = TOP / name
        ignore = shutil.ignore_patterns("__pycache__")
        if place.is_dir():
            shutil.copytree(place, folder / name, ignore=ignore)
        else:
            shutil.copy(place, folder / name)
    return folder


def pytest(folder: Path, tests: Sequence[str], seed: int) -> tuple[bool | None, str | None]:
    """Whether the tests pass in a copy (None: not in time), and which failed first."""
    paths = os.pathsep.join(str(folder / name) for name in ("host", "firmware", "."))
    # Neither the emulated board nor CI's campaigns: the tests of each day are to notice a fault.
    known = {key: value for key, value in os.environ.items() if key not in ("NIGHTDRAW_BOARD_IMAGES", "CI")}
    environment = {**known, "PYTHONPATH": paths, "PYTHONDONTWRITEBYTECODE": "1", "HANG_S": str(HANG_S)}
    with tempfile.TemporaryDirectory() as cache:
        options = ["-xq", "-p", "no:xdist", "-p", "tests.hangs", "-o", f"cache_dir={cache}"]
        try:
            done = subprocess.run(
                [sys.executable, "-m", "pytest", *options, "--seed", str(seed), *tests],
                cwd=folder,
                env=environment,
                capture_output=True,
                timeout=LIMIT_S,
                check=False,
                preexec_fn=_limited,
            )
        except subprocess.TimeoutExpired:
            return None, None
        if done.returncode == -signal.SIGXCPU:
            return None, None
        return done.returncode == 0, _failed(Path(cache))


def _failed(cache: Path) -> str | None:
    """The test that failed, by pytest's own record: what it prints can't be parted from the reason surely."""
    record = cache / "v" / "cache" / "lastfailed"
    return next(iter(json.loads(record.read_text("utf-8"))), None) if record.exists() else None


def _limited() -> None:
    """Before the tests of a mutant begin: no more than their share of the processor."""
    resource.setrlimit(resource.RLIMIT_CPU, (LIMIT_CPU_S, LIMIT_CPU_S + 10))


def explained(mutant: Mutant) -> bool:
    """Whether tests/survivors.py gives the reason why nothing can notice this one."""
    source = (TOP / mutant.path).read_text("utf-8")
    line = source.splitlines()[mutant.line(source) - 1].strip()
    row = (mutant.path, line, mutant.before, mutant.after)
    return any(row == known[:4] for known in survivors.EXPLAINED)


def verdict(folder: Path, mutant: Mutant, seed: int) -> tuple[str, str, list[str]]:
    """What the tests say of one mutant, which said it, and those that fail without it too: they say nothing
    of it, so they are set aside and the others asked again."""
    tests = list(mutant.tests) or tests_of(mutant.path)
    sick: list[str] = []
    while len(sick) < MOST_SICK:
        passed, failed = _with_fault(folder, mutant, [*tests, *(f"--deselect={one}" for one in sick)], seed)
        if passed is None:
            return SURVIVED, f"no test noticed it within {LIMIT_CPU_S} s of a processor", sick
        if passed:
            return SURVIVED, ", ".join(tests), sick
        if failed is None:
            return SICK, "pytest itself failed", sick
        if pytest(folder, [failed], seed)[0]:
            return KILLED, failed, sick
        sick.append(failed)
    return SICK, "too many tests fail without it", sick


def _with_fault(
    folder: Path, mutant: Mutant, tests: Sequence[str], seed: int
) -> tuple[bool | None, str | None]:
    """pytest's answer while the fault is planted; the source is as it was afterwards."""
    file = folder / mutant.path
    source = file.read_text("utf-8")
    file.write_text(mutant.planted(source), "utf-8")
    try:
        return pytest(folder, tests, seed)
    finally:
        file.write_text(source, "utf-8")


def main(words: Sequence[str] | None = None) -> int:
    """Plant, run and print; returns 0 where every named mutant died, or where as few deaths of random ones as
    these are no rarer than RARE at TARGET."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutants", description=__doc__)
    parser.add_argument("count", nargs="?", type=int, default=20, help="how many random ones")
    parser.add_argument("--seed", type=int, default=None)
    parser.add_argument("--part", choices=sorted(PARTS), action="append", help="only in these; repeatable")
    parser.add_argument("--named", action="store_true", help="the list of hurtful ones instead")
    call = parser.parse_args(words)
    seed = random.SystemRandom().randrange(2**32) if call.seed is None else call.seed
    print(f"seed {seed}")
    chosen = named() if call.named else drawn(call.count, seed, call.part)
    results, sick = [], set()
    with tempfile.TemporaryDirectory() as name:
        folder = copy(Path(name))
        for mutant in chosen:
            said, by, failing = (EXPLAINED, "", []) if explained(mutant) else verdict(folder, mutant, seed)
            results.append(said)
            sick.update(failing)
            line = mutant.line((TOP / mutant.path).read_text("utf-8"))
            what = mutant.name or f"{mutant.before!r} -> {mutant.after!r}"
            print(f"{said:9}{mutant.path}:{line}: {what}   [{by[:150]}]", flush=True)
    killed, counted = results.count(KILLED), results.count(KILLED) + results.count(SURVIVED)
    print(rate(killed, counted), f"; {results.count(EXPLAINED)} more explained, {results.count(SICK)} sick")
    for test in sorted(sick):
        print(f"fails without any fault, here and now: pytest '{test}' --seed {seed}")
    return int(killed < len(results) if call.named else by_chance(killed, counted) < RARE)


def drawn(count: int, seed: int, parts: Sequence[str] | None = None) -> list[Mutant]:
    """Random mutants, each module as likely as it has places for one."""
    folders = tuple(PARTS[part] for part in parts or PARTS)
    every = [
        mutant
        for path in sources()
        if path.relative_to(TOP).as_posix().startswith(folders)
        for mutant in mutants_of(path)
    ]
    return random.Random(seed).sample(every, count)


def by_chance(killed: int, count: int) -> float:
    """How often so few or fewer of `count` die where each dies with a chance of TARGET: the binomial law."""
    return float(binom.cdf(killed, count, TARGET)) if count else 1.0


USUALLY = 1.96  # standard deviations either way: 95 %


def bounds(killed: int, count: int, z: float) -> tuple[float, float]:
    """The interval of a share by Wilson (1927)."""
    share = killed / count
    middle = (share + z * z / 2 / count) / (1 + z * z / count)
    half = z * sqrt(share * (1 - share) / count + z * z / 4 / count**2) / (1 + z * z / count)
    return middle - half, middle + half


def rate(killed: int, count: int) -> str:
    """The share that died with its 95 % interval."""
    if not count:
        return "none was counted"
    low, high = bounds(killed, count, USUALLY)
    return f"{killed} of {count} died: {killed / count:.1%} (95 % interval {low:.1%} .. {high:.1%})"


if __name__ == "__main__":
    sys.exit(main())

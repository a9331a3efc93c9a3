"""Whether the tests bite: small faults planted in the sources, one at a time, and who notices.

`python -m tests.mutants 30` plants 30 random ones over boxcore, profile, capture, bank, vehicle and link,
asks the tests that reach the line (tests/reach.py measures that first, once for a state of the sources), and
prints what survived with the rate of those that died. `--nearest` measures nothing and asks the nearest test
files, whole: for a few. `--named` plants the list of tests/hurtful.py instead. All of it happens in copies
(tests/trial.py); nothing here touches the sources.
"""

from __future__ import annotations

import argparse
import ast
import random
import re
import sys
import tempfile
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass
from functools import cache
from math import sqrt
from pathlib import Path
from queue import SimpleQueue

from scipy.stats import binom

from tests import hurtful, reach, survivors, trial
from tests.tidy import TOP
from tests.trial import KILLED, SICK, SURVIVED

PARTS = reach.PARTS
# These are for the chip: what runs them is the emulated board, too slow for this.
LEFT_OUT = {"hal_rp2", "edgeplayer", "sensors", "usb"}
EXPLAINED = "explained"
TARGET = 0.95  # of those that no row of tests/survivors.py explains
RARE = 0.001  # how often a sample may fail although TARGET is kept
LEAST = 4  # mutants in a sample that can fail: fewer than 2 of 4 come once in 2000 at TARGET
# Of what was measured with nothing planted, under coverage.py: more than that is a hang, or a fault's doing.
TIMES_RUN, TIMES_TEST, LEAST_RUN_S, LEAST_TEST_S = 2, 5, 150.0, 20.0

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
            yield mutant(span(node)[0], span(node)[0] + len("not"), "")
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


def explained(mutant: Mutant) -> bool:
    """Whether tests/survivors.py gives the reason why nothing can notice this one."""
    source = (TOP / mutant.path).read_text("utf-8")
    line = source.splitlines()[mutant.line(source) - 1].strip()
    row = (mutant.path, line, mutant.before, mutant.after)
    return any(row == known[:4] for known in survivors.EXPLAINED)


# -- asking the tests


@dataclass(frozen=True)
class Question:
    """A fault, the tests (files or names) that are asked about it, and their limits."""

    mutant: Mutant
    tests: Sequence[str]
    limits: trial.Limits


def question(mutant: Mutant, seed: int, jobs: int, measure: bool) -> Question:
    """Whom to ask: the tests that are named with a fault, those that reach it, or the nearest files."""
    if mutant.tests or not measure:
        return Question(mutant, mutant.tests or reach.nearest(mutant.path), trial.Limits())
    source = (TOP / mutant.path).read_text("utf-8")
    known = reach.measured(seed, jobs)
    tests = known.asked(mutant.path, reach.statement(source, mutant.line(source)))
    seconds = [known.seconds[test] for test in tests]
    test_s = LEAST_TEST_S + TIMES_TEST * max(seconds, default=0)
    return Question(mutant, tests, trial.Limits(LEAST_RUN_S + TIMES_RUN * sum(seconds) + test_s, test_s))


def answer(folder: Path, asked: Question, seed: int) -> trial.Verdict:
    """What the tests say of one mutant in a copy."""
    mutant = asked.mutant
    if explained(mutant):
        return trial.Verdict(EXPLAINED, "")
    if not asked.tests:
        return trial.Verdict(SURVIVED, "no test reaches it")
    return trial.planted(folder, mutant.path, mutant.planted, asked.tests, seed, asked.limits)


def answers(asked: Sequence[Question], seed: int, jobs: int) -> Iterator[tuple[Mutant, trial.Verdict]]:
    """Every mutant's verdict as it comes, so many asked at once, each of those in a copy of its own."""
    with tempfile.TemporaryDirectory() as name, ThreadPoolExecutor(jobs) as pool:
        copies: SimpleQueue[Path] = SimpleQueue()
        for number in range(jobs):
            copies.put(trial.copy(Path(name) / str(number)))

        def one(question: Question) -> trial.Verdict:
            folder = copies.get()
            try:
                return answer(folder, question, seed)
            finally:
                copies.put(folder)

        waiting = {pool.submit(one, question): question.mutant for question in asked}
        for done in as_completed(waiting):
            yield waiting[done], done.result()


def main(words: Sequence[str] | None = None) -> int:
    """Plant, run and print; returns 0 where every named mutant died, or where as few deaths of random ones as
    these are no rarer than RARE at TARGET."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutants", description=__doc__)
    parser.add_argument("count", nargs="?", type=int, default=20, help="how many random ones")
    parser.add_argument("--seed", type=int, default=None)
    parser.add_argument("--part", choices=sorted(PARTS), action="append", help="only in these; repeatable")
    parser.add_argument("--named", action="store_true", help="the list of hurtful ones instead")
    parser.add_argument("--nearest", action="store_true", help="ask the nearest test files, measure nothing")
    parser.add_argument("--jobs", type=int, default=1, help="so many at once")
    call = parser.parse_args(words)
    seed = random.SystemRandom().randrange(2**32) if call.seed is None else call.seed
    print(f"seed {seed}", flush=True)
    chosen = named() if call.named else drawn(call.count, seed, call.part)
    asked = [question(mutant, seed, call.jobs, not call.nearest) for mutant in chosen]
    results, sick = [], set()
    for mutant, verdict in answers(asked, seed, call.jobs):
        results.append(verdict.said)
        sick.update(verdict.sick)
        line = mutant.line((TOP / mutant.path).read_text("utf-8"))
        what = mutant.name or f"{mutant.before!r} -> {mutant.after!r}"
        print(f"{verdict.said:9}{mutant.path}:{line}: {what}   [{verdict.by[:150]}]", flush=True)
    killed, counted = results.count(KILLED), results.count(KILLED) + results.count(SURVIVED)
    print(rate(killed, counted), f"; {results.count(EXPLAINED)} more explained, {results.count(SICK)} sick")
    for test in sorted(sick):
        print(f"fails without any fault, here and now: pytest '{test}' --seed {seed}")
    return int(killed < len(results) if call.named else by_chance(killed, counted) < RARE)


def drawn(count: int, seed: int, parts: Sequence[str] | None = None) -> list[Mutant]:
    """Random mutants, each module as likely as it has places for one."""
    folders = tuple(PARTS[part] for part in parts or PARTS)
    return random.Random(seed).sample([one for one in every() if one.path.startswith(folders)], count)


@cache
def every() -> tuple[Mutant, ...]:
    """All that can be planted."""
    return tuple(mutant for path in sources() for mutant in mutants_of(path))


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

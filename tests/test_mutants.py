"""The planting of faults itself: each is a valid source, hits what it says, and none is planted twice."""

from __future__ import annotations

import ast
import shutil
from pathlib import Path

import pytest

from tests import contexts, mutants, reach, survivors, trial
from tests.tidy import TOP


def test_what_the_list_replaces_stands_once_in_its_file_and_its_tests_exist() -> None:
    for mutant in mutants.named():
        assert all((TOP / name).exists() for name in mutant.tests), mutant.name
        source = (TOP / mutant.path).read_text("utf-8")
        assert mutant.planted(source) != source


def test_random_ones_are_sources_that_differ(seed: int) -> None:
    for mutant in mutants.drawn(60, seed):
        source = (TOP / mutant.path).read_text("utf-8")
        planted = mutant.planted(source)
        assert ast.dump(ast.parse(planted)) != ast.dump(ast.parse(source)), mutant


def test_each_kind_of_fault_is_planted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mutants, "TOP", tmp_path)
    path = tmp_path / "module.py"
    path.write_text(
        "LIMIT = 3\n\n"
        "def judge(a, b):\n    if not (a) and b < LIMIT:\n        stop(b)\n    return (a + b) * 2\n"
    )
    source = path.read_text()
    lines = {mutant.planted(source) for mutant in mutants.mutants_of(path)}
    for changed in (
        ("LIMIT = 3", "LIMIT = 4"),
        ("not (a) and", " (a) and"),
        ("(a) and b", "(a) or b"),
        ("b < LIMIT", "b <= LIMIT"),
        ("stop(b)", "pass"),
        ("a + b", "a - b"),
        (") * 2", ") // 2"),
        ("* 2", "* 3"),
        ("not (a) and b < LIMIT", "True"),
        ("not (a) and b < LIMIT", "False"),
    ):
        assert source.replace(*changed) in lines, changed
    assert len(lines) == len(list(mutants.mutants_of(path))) == 10


SUM = ("host/planted_sum.py", "a + b", "a - b")
COUNT = ("host/planted_count.py", "n -= 1", "pass")


@pytest.fixture
def project(tmp_path: Path) -> Path:
    """The smallest project that faults are planted in: a sum, a count, no test yet."""
    (tmp_path / "conftest.py").write_text('def pytest_addoption(parser):\n    parser.addoption("--seed")\n')
    (tmp_path / "tests").mkdir()
    for plugin in ("hangs.py", "contexts.py"):
        shutil.copy(TOP / "tests" / plugin, tmp_path / "tests" / plugin)
    (tmp_path / "host").mkdir()
    (tmp_path / "host" / "planted_sum.py").write_text("def total(a, b):\n    return a + b\n")
    (tmp_path / "host" / "planted_count.py").write_text(
        "def count(n):\n    while n > 0:\n        n -= 1\n    return n\n"
    )
    return tmp_path


PATIENT = trial.Limits(50, 50)


def verdict(project: Path, fault: tuple[str, str, str], limits: trial.Limits = PATIENT) -> trial.Verdict:
    path, before, after = fault
    return trial.planted(
        project, path, lambda source: source.replace(before, after), ["test_it.py"], 1, limits
    )


@pytest.mark.parametrize(("body", "said"), [("== 3", trial.KILLED), (">= 0", trial.SURVIVED)])
def test_a_fault_is_killed_by_tests_that_look_and_survives_others(
    project: Path, body: str, said: str
) -> None:
    (project / "test_it.py").write_text(
        f"from planted_sum import total\n\ndef test_it():\n    assert total(2, 1) {body}\n"
    )
    assert verdict(project, SUM).said == said
    assert "a + b" in (project / "host" / "planted_sum.py").read_text(), "all is as it was"


def test_a_fault_that_hangs_a_test_is_killed_by_it_and_slow_tests_kill_nothing(project: Path) -> None:
    (project / "test_it.py").write_text(
        "from planted_count import count\n\ndef test_it():\n    assert count(2) == 0\n"
    )
    hangs = verdict(project, COUNT, trial.Limits(50, 0.5))
    assert hangs == trial.Verdict(trial.KILLED, "test_it.py::test_it")
    assert verdict(project, COUNT, trial.Limits(1, 50)).said == trial.SURVIVED


@pytest.mark.parametrize(("noticed", "said"), [(True, trial.KILLED), (False, trial.SURVIVED)])
def test_a_test_that_fails_anyway_is_told_and_the_others_are_asked(
    project: Path, noticed: bool, said: str
) -> None:
    (project / "test_it.py").write_text(
        "import pytest\nfrom planted_sum import total\n\n"
        "@pytest.mark.parametrize('text', ['a - b\\n'])\ndef test_anyway(text):\n    assert False\n\n"
        f"def test_sum():\n    assert total(2, 1) {'== 3' if noticed else '> 0'}\n"
    )
    assert verdict(project, SUM) == trial.Verdict(
        said, "test_it.py::test_sum" if noticed else "test_it.py", (r"test_it.py::test_anyway[a - b\n]",)
    )


@pytest.mark.parametrize(
    ("loads", "expected"),
    [
        ("import planted_sum\nassert planted_sum.total(2, 1) == 3\n", (trial.KILLED, trial.NONE_BEGINS)),
        ("import nowhere\n", (trial.SICK, "pytest itself failed")),
    ],
)
def test_a_fault_with_which_no_test_begins_is_killed(
    project: Path, loads: str, expected: tuple[str, str]
) -> None:
    known = (project / "conftest.py").read_text()
    (project / "conftest.py").write_text(loads + known)
    (project / "test_it.py").write_text("def test_it():\n    pass\n")
    found = verdict(project, SUM)
    assert (found.said, found.by) == expected


def test_where_all_tests_fail_anyway_nothing_is_counted(
    project: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(trial, "MOST_SICK", 1)
    (project / "test_it.py").write_text(
        "def test_it():\n    assert False\n\ndef test_too():\n    assert False\n"
    )
    found = verdict(project, SUM)
    assert (found.said, found.sick) == (trial.SICK, ("test_it.py::test_it",))


def test_the_nearest_tests_come_first_and_the_folders_follow() -> None:
    files = reach.nearest("firmware/boxcore/guard.py")
    assert "tests/boxcore/test_guard.py" in files
    assert {path.relative_to(TOP).as_posix() for path in (TOP / "tests/boxcore").glob("test_*.py")} <= set(
        files
    )
    assert all((TOP / name).exists() for name in files)


REACHING = """
import subprocess, sys
import pytest
from planted_sum import total
from planted_count import count

@pytest.fixture(scope="module")
def three():
    return total(2, 1)

def test_first(three):
    pass

def test_second(three):
    assert count(3) == 0

def test_other_process():
    subprocess.run([sys.executable, "-c", "import planted_count; planted_count.count(1)"], check=True)

def test_neither():
    pass

def test_failing():
    assert total(1, 1) == 3
"""


def test_a_line_is_reached_by_its_tests_by_all_users_of_a_fixture_and_by_other_processes(
    project: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(reach, "PARTS", {"planted": "host"})
    kept = project / "kept"
    for name in ("host", "tests", "conftest.py"):
        place = project / name
        (shutil.copytree if place.is_dir() else shutil.copy)(place, kept / "copy" / name)
    (kept / "copy" / "test_it.py").write_text(REACHING)
    reach.measure(kept, ["test_it.py"], 1, 1)
    known = reach.Map(kept)
    assert {test.partition("::")[2] for test in known.seconds} == {
        "test_first", "test_second", "test_other_process", "test_neither",
    }  # fmt: skip

    def reaching(path: str, line: int) -> set[str]:
        return {test.partition("::")[2] for test in known.reaching(path, [line])}

    assert reaching("host/planted_sum.py", 2) == {"test_first", "test_second"}
    assert reaching("host/planted_count.py", 3) == {"test_second", "test_other_process"}
    assert reaching("host/planted_count.py", 99) == set()


def test_a_place_in_a_long_statement_is_the_statements() -> None:
    source = (
        "def f(a):\n    if (a >\n        3):\n        return g(\n            a,\n            4)\n    return\n"
    )
    found = [reach.statement(source, line) for line in range(1, 8)]
    assert found == [range(1, 2), range(2, 4), range(2, 4), *[range(4, 7)] * 3, range(7, 8)]


def test_whoever_runs_a_module_is_asked_about_its_constants() -> None:
    source = "A = 3\nB = (\n    4 + A\n)\n\n\ndef f():\n    return A\n"
    assert [reach.statement(source, line) for line in (1, 2, 3, 4)] == [range(1, 10)] * 4
    assert reach.statement(source, 8) == range(8, 9)


def test_quick_tests_are_asked_first_and_no_more_than_the_time_allows(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    known = object.__new__(reach.Map)
    near, far = "tests/boxcore/test_guard.py", "tests/profile/test_units.py"
    known.seconds = {
        f"{near}::slow": 50.0,
        f"{near}::b": 0.2,
        f"{near}::a": 0.3,
        f"{far}::c": 0.1,
        f"{far}::slow": 60.0,
    }
    monkeypatch.setattr(known, "reaching", lambda path, lines: set(known.seconds))
    asked = known.asked("firmware/boxcore/guard.py", [1])
    assert asked == [f"{near}::b", f"{near}::a", f"{far}::c", f"{near}::slow"]


@pytest.mark.parametrize("phase", ["setup", "call", "teardown"])
def test_a_process_that_a_test_started_is_the_tests(phase: str) -> None:
    assert contexts.test_of(f"tests/test_x.py::test_y[a (b)] ({phase})") == "tests/test_x.py::test_y[a (b)]"
    assert contexts.test_of("tests/test_x.py::test_y[a (b)]") == "tests/test_x.py::test_y[a (b)]"


def test_the_rate_is_published_with_its_interval() -> None:
    # Newcombe (1998), Statistics in Medicine 17, 857, table I, method 3: 81 of 263 gives 0.2553 .. 0.3662
    assert mutants.rate(81, 263) == "81 of 263 died: 30.8% (95 % interval 25.5% .. 36.6%)"
    assert mutants.rate(0, 0) == "none was counted"


@pytest.mark.campaign
def test_every_fault_of_the_list_is_killed(seed: int) -> None:
    assert mutants.main(["--named", "--seed", str(seed)]) == 0


@pytest.mark.parametrize(
    ("said", "status"),
    [
        ([trial.KILLED] * 2, 0),
        ([trial.SURVIVED], 0),  # too few to say: one in 20
        ([trial.SURVIVED] * 2, 0),  # one in 400
        ([trial.SURVIVED] * 3, 1),  # one in 8000
        ([trial.KILLED] * 2 + [trial.SURVIVED] * 2, 0),
        ([trial.KILLED] + [trial.SURVIVED] * 3, 1),
        ([trial.KILLED] + [trial.SURVIVED] * 2 + [trial.SICK], 0),
        ([trial.KILLED] * 86 + [trial.SURVIVED] * 14, 1),
        ([trial.KILLED] * 88 + [trial.SURVIVED] * 12, 0),
        ([mutants.EXPLAINED] * 2 + [trial.SICK], 0),
    ],
)
def test_a_sample_fails_where_so_few_deaths_are_rare_and_sick_tests_are_told(
    said: list[str], status: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    answers = iter(said)
    monkeypatch.setattr(trial, "copy", lambda folder: folder)
    monkeypatch.setattr(
        mutants, "answer", lambda *asked: trial.Verdict(next(answers), "", ("test_x.py::test_y",))
    )
    assert mutants.main([str(len(said)), "--seed", "1", "--nearest"]) == status
    told = "fails without any fault, here and now: pytest 'test_x.py::test_y' --seed 1\n"
    assert capsys.readouterr().out.count(told) == 1


def test_how_rare_a_sample_is_follows_the_binomial_law() -> None:
    # By hand, with 0.05 = 1/20: none of n dies once in 20^n; at most one of 4: (1 + 4 * 19) / 20^4.
    assert mutants.by_chance(0, 1) == pytest.approx(1 / 20)
    assert mutants.by_chance(0, 3) == pytest.approx(1 / 20**3)
    assert mutants.by_chance(1, 4) == pytest.approx(77 / 20**4)
    assert mutants.by_chance(0, 0) == mutants.by_chance(4, 4) == 1
    assert mutants.by_chance(1, mutants.LEAST) < mutants.RARE < mutants.by_chance(1, mutants.LEAST - 1)


def test_what_is_explained_can_be_planted_and_the_budget_is_kept() -> None:
    planted: dict[str, list[mutants.Mutant]] = {}
    for path, line, before, after, reason in survivors.EXPLAINED:
        found = planted.setdefault(path, list(mutants.mutants_of(TOP / path)))
        assert any((one.before, one.after) == (before, after) and mutants.explained(one) for one in found), (
            line
        )
        assert reason
    assert len(survivors.EXPLAINED) <= survivors.MOST_EXPLAINED


@pytest.mark.campaign
def test_of_a_sample_of_random_faults_not_too_few_die(capsys: pytest.CaptureFixture[str], seed: int) -> None:
    assert mutants.main([str(mutants.LEAST), "--seed", str(seed), "--nearest"]) == 0
    with capsys.disabled():
        print(capsys.readouterr().out)

"""The planting of faults itself: each is a valid source, hits what it says, and none is planted twice."""

from __future__ import annotations

import ast
import shutil
from pathlib import Path

import pytest

from tests import mutants, survivors
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
        "def judge(a, b):\n    if not a and b < LIMIT:\n        stop(b)\n    return (a + b) * 2\n"
    )
    source = path.read_text()
    lines = {mutant.planted(source) for mutant in mutants.mutants_of(path)}
    for changed in (
        ("LIMIT = 3", "LIMIT = 4"),
        ("not a and", "a and"),
        ("a and b", "a or b"),
        ("b < LIMIT", "b <= LIMIT"),
        ("stop(b)", "pass"),
        ("a + b", "a - b"),
        (") * 2", ") // 2"),
        ("* 2", "* 3"),
        ("not a and b < LIMIT", "True"),
        ("not a and b < LIMIT", "False"),
    ):
        assert source.replace(*changed) in lines, changed
    assert len(lines) == len(list(mutants.mutants_of(path))) == 10


SUM = mutants.Mutant("host/planted_sum.py", 30, "+", "-", tests=("test_it.py",))


@pytest.fixture
def project(tmp_path: Path) -> Path:
    """The smallest project that faults are planted in: a sum, no test yet."""
    (tmp_path / "conftest.py").write_text('def pytest_addoption(parser):\n    parser.addoption("--seed")\n')
    (tmp_path / "tests").mkdir()
    shutil.copy(TOP / "tests" / "hangs.py", tmp_path / "tests" / "hangs.py")
    (tmp_path / "host").mkdir()
    (tmp_path / "host" / "planted_sum.py").write_text("def total(a, b):\n    return a + b\n")
    return tmp_path


@pytest.mark.parametrize(("body", "said"), [("== 3", mutants.KILLED), (">= 0", mutants.SURVIVED)])
def test_a_fault_is_killed_by_tests_that_look_and_survives_others(
    project: Path, body: str, said: str
) -> None:
    (project / "test_it.py").write_text(
        f"from planted_sum import total\n\ndef test_it():\n    assert total(2, 1) {body}\n"
    )
    assert mutants.verdict(project, SUM, 1)[0] == said
    assert "a + b" in (project / "host" / "planted_sum.py").read_text(), "all is as it was"


def test_a_fault_that_hangs_a_test_is_killed_by_it_and_slow_tests_kill_nothing(
    project: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    source = "def count(n):\n    while n > 0:\n        n -= 1\n    return n\n"
    (project / "host" / "planted_count.py").write_text(source)
    (project / "test_it.py").write_text(
        "from planted_count import count\n\ndef test_it():\n    assert count(2) == 0\n"
    )
    mutant = mutants.Mutant(
        "host/planted_count.py", source.index("n -= 1"), "n -= 1", "pass", "", ("test_it.py",)
    )
    monkeypatch.setattr(mutants, "HANG_S", 0.5)
    assert mutants.verdict(project, mutant, 1) == (mutants.KILLED, "test_it.py::test_it", [])
    monkeypatch.setattr(mutants, "HANG_S", 100)
    monkeypatch.setattr(mutants, "LIMIT_CPU_S", 2)
    assert mutants.verdict(project, mutant, 1)[0] == mutants.SURVIVED


@pytest.mark.parametrize(("noticed", "said"), [(True, mutants.KILLED), (False, mutants.SURVIVED)])
def test_a_test_that_fails_anyway_is_told_and_the_others_are_asked(
    project: Path, noticed: bool, said: str
) -> None:
    (project / "test_it.py").write_text(
        "import pytest\nfrom planted_sum import total\n\n"
        "@pytest.mark.parametrize('text', ['a - b\\n'])\ndef test_anyway(text):\n    assert False\n\n"
        f"def test_sum():\n    assert total(2, 1) {'== 3' if noticed else '> 0'}\n"
    )
    found, by, sick = mutants.verdict(project, SUM, 1)
    assert found == said
    assert by == ("test_it.py::test_sum" if noticed else "test_it.py")
    assert sick == [r"test_it.py::test_anyway[a - b\n]"]


def test_where_all_tests_fail_anyway_nothing_is_counted(
    project: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mutants, "MOST_SICK", 1)
    (project / "test_it.py").write_text(
        "def test_it():\n    assert False\n\ndef test_too():\n    assert False\n"
    )
    assert mutants.verdict(project, SUM, 1)[0::2] == (mutants.SICK, ["test_it.py::test_it"])


def test_the_nearest_tests_come_first_and_the_folders_follow() -> None:
    files = mutants.tests_of("firmware/boxcore/guard.py")
    assert "tests/boxcore/test_guard.py" in files
    assert {path.relative_to(TOP).as_posix() for path in (TOP / "tests/boxcore").glob("test_*.py")} <= set(
        files
    )
    assert all((TOP / name).exists() for name in files)


def test_the_rate_is_published_with_its_interval() -> None:
    # Newcombe (1998), Statistics in Medicine 17, 857, table I, method 3: 81 of 263 gives 0.2553 .. 0.3662
    assert mutants.rate(81, 263) == "81 of 263 died: 30.8% (95 % interval 25.5% .. 36.6%)"
    assert mutants.rate(0, 0) == "none was counted"


@pytest.mark.campaign
def test_every_fault_of_the_list_is_killed() -> None:
    assert mutants.main(["--named"]) == 0


@pytest.mark.parametrize(
    ("said", "status"),
    [
        ([mutants.KILLED] * 2, 0),
        ([mutants.SURVIVED], 0),  # too few to say: one in 20
        ([mutants.SURVIVED] * 2, 0),  # one in 400
        ([mutants.SURVIVED] * 3, 1),  # one in 8000
        ([mutants.KILLED] * 2 + [mutants.SURVIVED] * 2, 0),
        ([mutants.KILLED] + [mutants.SURVIVED] * 3, 1),
        ([mutants.KILLED] + [mutants.SURVIVED] * 2 + [mutants.SICK], 0),
        ([mutants.KILLED] * 86 + [mutants.SURVIVED] * 14, 1),
        ([mutants.KILLED] * 88 + [mutants.SURVIVED] * 12, 0),
        ([mutants.EXPLAINED] * 2 + [mutants.SICK], 0),
    ],
)
def test_a_sample_fails_where_so_few_deaths_are_rare_and_sick_tests_are_told(
    said: list[str], status: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    answers = iter(said)
    monkeypatch.setattr(mutants, "copy", lambda folder: folder)
    monkeypatch.setattr(mutants, "explained", lambda mutant: False)
    monkeypatch.setattr(
        mutants, "verdict", lambda folder, mutant, seed: (next(answers), "", ["test_x.py::test_y"])
    )
    assert mutants.main([str(len(said)), "--seed", "1"]) == status
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
    assert mutants.main([str(mutants.LEAST), "--seed", str(seed)]) == 0
    with capsys.disabled():
        print(capsys.readouterr().out)

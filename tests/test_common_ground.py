"""conftest.py keeps its promises: in CI a skip is a failure; a run's seed is shown and repeats it."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests import tidy

SKIPPING = {
    "a test": "import pytest\n\ndef test_x():\n    pytest.skip('no such machine')\n",
    "a mark": "import pytest\n\n@pytest.mark.skip(reason='no such machine')\ndef test_x():\n    pass\n",
    "a module": "import pytest\n\npytest.skip('no such machine', allow_module_level=True)\n",
}
FAILING = "def test_x(seed):\n    assert seed == 0, seed\n"
XFAILING = "import pytest\n\n@pytest.mark.xfail(strict=True)\ndef test_x():\n    assert False\n"


def run(folder: Path, text: str, *arguments: str, ci: bool = False) -> tuple[int, str]:
    """Run one test file under the project's conftest; returns the status and all that was printed."""
    path = folder / "test_x.py"
    path.write_text(text)
    environment = {name: value for name, value in os.environ.items() if name != "CI"}
    options = ["-p", "tests.conftest", "-p", "no:cacheprovider", "--rootdir", str(folder), "-q", *arguments]
    done = subprocess.run(
        [sys.executable, "-m", "pytest", *options, str(path)],
        cwd=tidy.TOP,
        env=environment | ({"CI": "true"} if ci else {}),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    return done.returncode, done.stdout + done.stderr


@pytest.mark.parametrize("kind", SKIPPING)
def test_a_skip_fails_in_ci_and_says_why(tmp_path: Path, kind: str) -> None:
    spread = () if kind == "a test" else ("-n", "1")
    status, told = run(tmp_path, SKIPPING[kind], *spread, ci=True)
    assert status not in (0, 5)
    assert "a skipped test is a failure in CI" in told
    assert "no such machine" in told


def test_elsewhere_a_skip_is_a_skip(tmp_path: Path) -> None:
    assert run(tmp_path, SKIPPING["a test"])[0] == 0


def test_an_expected_failure_is_no_skip(tmp_path: Path) -> None:
    assert run(tmp_path, XFAILING, ci=True)[0] == 0


@pytest.mark.parametrize("spread", [(), ("-n", "1")], ids=["alone", "spread"])
def test_the_seed_is_passed_on_and_a_failure_says_how_to_repeat_it(
    tmp_path: Path, spread: tuple[str, ...]
) -> None:
    status, told = run(tmp_path, FAILING, "--seed", "1234", *spread)
    assert status == 1
    assert "assert 1234 == 0" in told
    assert 'repeat: python run.py test --seed 1234 "test_x.py::test_x"' in told
    assert run(tmp_path, FAILING, "--seed", "0", *spread)[0] == 0
    drawn = run(tmp_path, FAILING, *spread)[1]
    (shown,) = set(re.findall(r"--seed (\d+)", drawn))
    assert f"assert {shown} == 0" in drawn


@pytest.mark.parametrize(("ci", "different"), [(True, 1), (False, 2)])
def test_in_ci_a_version_has_one_seed_elsewhere_each_run_its_own(
    tmp_path: Path, ci: bool, different: int
) -> None:
    told = [run(tmp_path, FAILING, *spread, ci=ci)[1] for spread in ((), ("-n", "1"))]
    assert len({re.findall(r"--seed (\d+)", text)[0] for text in told}) == different

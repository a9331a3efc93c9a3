"""The frame of the command line: what each kind of trouble looks like, and with which exit status."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from types import ModuleType
from typing import Any

import click
import pytest
from nightdraw.cli import main, output
from nightdraw.errors import CannotTellError, Finding, InputError, LinkError

FINDINGS = (Finding("unknown key 'x'", "a.yaml", 3, 5, "did you mean 'y'?"), Finding("no draws"))
Run = Callable[..., int]


@pytest.fixture
def act(monkeypatch: pytest.MonkeyPatch) -> Callable[[Callable[[bool], None]], None]:
    """Put a noun `act` into the program whose command does what the test says."""

    def put(action: Callable[[bool], None]) -> None:
        @click.command()
        @output.json_option
        def command(as_json: bool) -> None:
            action(as_json)

        module = ModuleType("nightdraw_test_noun")
        module.command = command
        monkeypatch.setitem(sys.modules, module.__name__, module)
        monkeypatch.setitem(main.NOUNS, "act", (module.__name__, "command", "For this test."))

    return put


def raising(error: BaseException) -> Callable[[bool], None]:
    """An action that fails with `error`."""

    def action(as_json: bool) -> None:
        raise error

    return action


TROUBLE = [
    (InputError(*FINDINGS), 2, "a.yaml:3:5: unknown key 'x' (did you mean 'y'?)\nno draws\n"),
    (LinkError("no box answers"), 2, "no box answers\n"),
    (CannotTellError("too noisy"), 3, "too noisy\n"),
    (KeyboardInterrupt(), 130, "interrupted\n"),
    (FileNotFoundError(2, "No such file or directory", "x.yaml"), 2, "x.yaml: No such file or directory\n"),
    (click.UsageError("one of the two"), 2, "one of the two (see: nightdraw act --help)\n"),
]


@pytest.mark.parametrize(("error", "status", "shown"), TROUBLE)
def test_trouble_is_told_on_standard_error(
    act: Any, capsys: pytest.CaptureFixture[str], error: BaseException, status: int, shown: str
) -> None:
    act(raising(error))
    assert main.run(["act"]) == status
    told = capsys.readouterr()
    assert told.out == ""
    assert told.err.lstrip("\n") == shown


@pytest.mark.parametrize(("error", "status", "shown"), TROUBLE)
def test_with_json_trouble_is_one_document_and_nothing_else(
    act: Any, capsys: pytest.CaptureFixture[str], error: BaseException, status: int, shown: str
) -> None:
    act(raising(error))
    assert main.run(["act", "--json"]) == status
    told = capsys.readouterr()
    assert told.err.strip() == ""
    document = json.loads(told.out)
    assert list(document) == ["errors"]
    assert [set(each) for each in document["errors"]] == [
        {"file", "line", "column", "message", "hint"} for _ in shown.splitlines()
    ]
    assert document["errors"][0]["message"] in shown


def test_a_defect_of_our_own_shows_no_traceback_and_claims_no_answer(
    act: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    act(raising(ZeroDivisionError("division by zero")))
    assert main.run(["act"]) == 3
    told = capsys.readouterr()
    assert "Traceback" not in told.err
    assert "a defect of Nightdraw itself" in told.err
    assert "ZeroDivisionError: division by zero" in told.err


def test_whoever_looks_for_the_defect_gets_the_traceback(
    act: Any, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(main.TRACEBACK_VARIABLE, "1")
    act(raising(ZeroDivisionError("division by zero")))
    assert main.run(["act"]) == 3
    assert "Traceback" in capsys.readouterr().err


@pytest.mark.parametrize("as_json", [False, True])
@pytest.mark.parametrize("status", [0, 1, 3])
def test_an_answer_is_printed_and_its_status_passed_on(
    act: Any, capsys: pytest.CaptureFixture[str], status: int, as_json: bool
) -> None:
    act(lambda as_json: output.finish({"ok": status == 0}, "told", as_json, status))
    assert main.run(["act", "--json"] if as_json else ["act"]) == status
    told = capsys.readouterr()
    assert told.err == ""
    assert json.loads(told.out) == {"ok": status == 0} if as_json else told.out == "told\n"


@pytest.mark.parametrize(
    ("words", "hint"),
    [
        (["profle"], "Did you mean 'profile'?"),
        (["--nope"], "--nope"),
        (["act", "--jsn"], "--json"),
        (["act", "too", "many"], "too many"),
        ([], "needs a command"),
    ],
)
def test_misuse_has_status_2_and_says_what_to_do(
    act: Any, capsys: pytest.CaptureFixture[str], words: list[str], hint: str
) -> None:
    act(raising(AssertionError("must not run")))
    assert main.run(words) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert hint in told.err
    assert "help" in told.err


def test_misuse_with_json_is_a_document(capsys: pytest.CaptureFixture[str]) -> None:
    assert main.run(["profle", "--json"]) == 2
    (error,) = json.loads(capsys.readouterr().out)["errors"]
    assert "profle" in error["message"]
    assert error["line"] is None


def test_help_and_version_have_status_0(capsys: pytest.CaptureFixture[str]) -> None:
    assert main.run(["--help"]) == 0
    told = capsys.readouterr().out
    assert [noun for noun in main.NOUNS if noun not in told] == []
    assert main.run(["--version"]) == 0
    assert capsys.readouterr().out.startswith("nightdraw ")


@pytest.mark.parametrize("noun", main.NOUNS)
def test_every_noun_is_there_and_explains_itself(capsys: pytest.CaptureFixture[str], noun: str) -> None:
    assert main.run([noun, "--help"]) == 0
    assert f"nightdraw {noun}" in capsys.readouterr().out


def in_a_fresh_python(code: str, **options: Any) -> subprocess.CompletedProcess[str]:
    """Run code in a Python that has imported nothing yet."""
    return subprocess.run([sys.executable, "-c", code], text=True, timeout=60, check=False, **options)


def test_help_loads_nothing_heavy() -> None:
    code = (
        "import sys; from nightdraw.cli import main; main.run(['--help'])\n"
        "heavy = {'numpy', 'pyarrow', 'matplotlib', 'serial', 'scipy', 'yaml', 'nightdraw.profile',"
        " 'nightdraw.bench', 'nightdraw.capture', 'nightdraw.link'}\n"
        "print(sorted(heavy & set(sys.modules)), file=sys.stderr)"
    )
    assert in_a_fresh_python(code, capture_output=True).stderr == "[]\n"


@pytest.mark.skipif(os.name == "nt", reason="Windows has no pipe that fails a write like this")
@pytest.mark.parametrize("status", [0, 1])
def test_a_reader_that_has_gone_changes_no_status(status: int) -> None:
    code = (
        "import sys; from nightdraw.cli import output; import click\n"
        "@click.command()\n"
        f"def c(): output.finish({{}}, 'x' * 1000000, False, {status})\n"
        "sys.exit(c.main([], standalone_mode=False))"
    )
    reader, writer = os.pipe()
    os.close(reader)
    ended = in_a_fresh_python(code, stdout=writer, stderr=subprocess.PIPE)
    os.close(writer)
    assert (ended.returncode, ended.stderr) == (status, "")

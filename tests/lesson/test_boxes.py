"""Loading, halting and collecting: boxes with identities of their own, some wrong, some gone, twice over."""

from __future__ import annotations

import contextlib
import json
import stat
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from nightdraw.bench.serve import Server
from nightdraw.bench.setup import build
from nightdraw.cli import main
from nightdraw.lesson.classfile import load_class
from nightdraw.lesson.model import Assignment, Plan
from nightdraw.lesson.planfile import write_plan
from nightdraw.link.find import Found
from nightdraw.link.replies import Identity

from tests.lesson.classes import small, write

GONE = "socket://127.0.0.1:9"  # the discard port: nobody listens
Call = Callable[..., tuple[int, Any, str]]


@contextlib.contextmanager
def serving(serial: str, faults: tuple[str, ...] = ()) -> Iterator[str]:
    """A simulated box with a serial number, in a thread of its own."""
    world = build(faults=faults).world()
    world.rename(serial)
    with Server(world, speed=20).running() as server:  # a lock takes seconds of the box's own time
        yield server.address


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    """A plan for two boxes with identities."""
    boxes = [{"box": x, "identity": f"box-{x}", "board": "bench-12v"} for x in "AB"]
    of = load_class(write(tmp_path, small(boxes=boxes)))
    rows = (
        Assignment("a", "one", "radio", "F2", "A", 0, "radio-keepalive", 5, "K1"),
        Assignment("b", "two", "gateway", "F11", "B", 3, "glovebox-lamp", 6, "K2"),
    )
    path = tmp_path / "plan.yaml"
    write_plan(path, Plan("two", of, 7, rows, ""))
    return path


@pytest.fixture
def call(plan: Path, capsys: pytest.CaptureFixture[str]) -> Call:
    """A command of `lesson` on the plan with --json: status, document, standard error."""

    def run(name: str, *words: str) -> tuple[int, Any, str]:
        status = main.run(["lesson", name, str(plan), *words, "--json"])
        seen = capsys.readouterr()
        return status, json.loads(seen.out), seen.err

    return run


def test_loaded_taken_up_again_halted_and_collected(call: Call, plan: Path, tmp_path: Path) -> None:
    with serving("box-A") as one, serving("box-B") as two:
        both = ("--box", f"A={one}", "--box", f"B={two}")
        status, said, _ = call("load", "--box", f"A={one}", "--box", f"B={GONE}")
        assert (status, said["ok"], [row["ready"] for row in said["boxes"]]) == (1, False, [True, False])
        status, said, _ = call("load", *both)
        assert (status, said["ok"]) == (0, True)
        assert [(row["box"], row["group"], row["ready"]) for row in said["boxes"]] == [
            ("A", "a", True),
            ("B", "b", True),
        ]
        assert "already" in said["boxes"][0]["message"]
        assert "self-test" in said["boxes"][1]["message"]
        secret = Path(f"{plan}.passcode")
        assert stat.S_IMODE(secret.stat().st_mode) == 0o600
        status, said, _ = call("collect", "--out", str(tmp_path / "home"), *both)
        assert (status, said["ok"]) == (0, True)
        files = sorted(path.name for path in (tmp_path / "home").iterdir())
        assert [name.split(".")[0] for name in files] == ["A", "B"]
        heads = [json.loads((tmp_path / "home" / name).read_text().splitlines()[0]) for name in files]
        assert [head["serial"] for head in heads] == ["box-A", "box-B"]
        # It waits for a supply at rest; the box's time passes with the machine's, so it may have begun.
        assert heads[0].get("profile") in (None, "radio-keepalive")
        assert (heads[1]["profile"], heads[1]["slot"], heads[1]["seed"]) == ("glovebox-lamp", 3, 6)
        status, said, _ = call("halt", *both)
        assert (status, said["ok"]) == (0, True)


def test_halt_opens_what_it_can_and_names_the_rest(call: Call) -> None:
    with serving("box-A") as one:
        status, said, err = call("halt", "--box", f"A={one}", "--box", f"B={GONE}")
    assert status == 1
    assert [row["ready"] for row in said["boxes"]] == [True, False]
    assert "box B (group b)" in err
    assert GONE in said["boxes"][1]["message"]
    status, said, _ = call("halt")
    assert (status, [row["ready"] for row in said["boxes"]]) == (1, [False, False])
    assert "--box A=ADDRESS" in said["boxes"][0]["message"]


def test_a_box_of_another_identity_is_refused_and_not_touched(call: Call) -> None:
    with serving("box-B") as one:
        status, said, _ = call("load", "--box", f"A={one}")
        assert status == 1
        assert "box A of the class is box-A" in said["boxes"][0]["message"]
        assert main.run(["box", "slots", "--box", one]) == 0


def test_a_box_that_fails_its_test_is_not_ready(call: Call) -> None:
    with serving("box-A", ("open:3",)) as one:
        status, said, _ = call("load", "--box", f"A={one}", "--open")
    assert status == 1
    assert "channel 3 fails" in said["boxes"][0]["message"]


def test_a_locked_box_without_its_passcode_is_named(
    call: Call, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "theirs").write_text("another one\n")
    with serving("box-A") as one:
        assert main.run(["box", "lock", "--box", one, "--passcode-file", str(tmp_path / "theirs")]) == 0
        capsys.readouterr()
        status, said, _ = call("collect", "--out", str(tmp_path / "home"), "--box", f"A={one}")
    assert status == 1
    assert "--passcode-file" in said["boxes"][0]["message"]
    assert list((tmp_path / "home").iterdir()) == []


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--box", "A"), "LABEL=ADDRESS"),
        (("--box", "=x"), "LABEL=ADDRESS"),
        (("--box", f"C={GONE}"), "the plan has no box C"),
        (("--box", f"A={GONE}", "--box", f"A={GONE}"), "twice"),
        (("--box", f"A={GONE}", "--box", f"B={GONE}"), "twice"),
    ],
)
def test_a_wrong_call_is_refused(call: Call, words: tuple[str, ...], said: str) -> None:
    status, document, _ = call("halt", *words)
    assert status == 2
    error = document["errors"][0]
    assert said in error["message"] + (error["hint"] or "")


def test_labels_tell_nothing_of_the_answer(plan: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with serving("box-A") as one, serving("box-B") as two:
        assert (
            main.run(["lesson", "load", str(plan), "--box", f"A={one}", "--box", f"B={two}", "--open"]) == 0
        )
    out = capsys.readouterr().out
    assert "TRAINING LOAD FITTED" in out
    assert [word for word in ("radio-keepalive", "glovebox", "F2", "gateway", "mA") if word in out] == []


@pytest.mark.parametrize("known", [True, False])
def test_a_person_plugs_boxes_in_one_after_the_other(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], known: bool
) -> None:
    """Nothing is there at first; a box of no lesson; then A, then B: by identity, or as the person says."""
    boxes = [{"box": x, "board": "bench-12v"} | ({"identity": f"box-{x}"} if known else {}) for x in "AB"]
    path = tmp_path / "plan.yaml"
    rows = (
        Assignment("a", "one", "radio", "F2", "A", 0, "radio-keepalive", 5, "K1"),
        Assignment("b", "two", "gateway", "F11", "B", 3, "glovebox-lamp", 6, "K2"),
    )
    write_plan(path, Plan("two", load_class(write(tmp_path, small(boxes=boxes))), 7, rows, ""))
    there: list[Found] = []
    monkeypatch.setattr("nightdraw.link.find.find", lambda: (list(there), []))
    monkeypatch.setattr("sys.stdin", Terminal())
    asked: list[str] = []

    def person(question: str, **more: object) -> str:
        asked.append(question)
        if not question.startswith("plug in"):  # which box is it?
            return {"box-A": "A", "box-B": "B"}.get(question.split()[0], "")
        plugged = len([q for q in asked if q.startswith("plug in")])
        there[:] = [[found[0]], [found[1]], [found[1], found[2]]][plugged - 1] if plugged < 4 else []
        return "" if plugged < 4 else "q"

    monkeypatch.setattr("click.prompt", person)
    with serving("other") as other, serving("box-A") as one, serving("box-B") as two:
        found = [
            Found(address, Identity("Nightdraw", "box", serial, "0"), False)
            for address, serial in ((other, "other"), (one, "box-A"), (two, "box-B"))
        ]
        assert main.run(["lesson", "load", str(path), "--open"]) == 0
        seen = capsys.readouterr()
        assert "all 2 boxes are ready" in seen.out
        assert "none of these boxes answers" in seen.err
        assert ("write `identity: box-A` to box A" in seen.err) is not known
        assert len([q for q in asked if "is new" in q]) == (0 if known else 3)
        assert main.run(["box", "status", "--box", other, "--json"]) == 0
        assert json.loads(capsys.readouterr().out)["state"] == "idle"
        there.clear()
        asked[:] = ["plug in"] * 3
        assert main.run(["lesson", "load", str(path), "--open", "--json"]) == 1  # q: nothing is plugged in
        assert [row["ready"] for row in json.loads(capsys.readouterr().out)["boxes"]] == [False, False]


class Terminal:
    """Standard input that a person sits at."""

    def isatty(self) -> bool:
        """As a terminal."""
        return True

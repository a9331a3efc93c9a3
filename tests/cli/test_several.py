"""`nightdraw box` with several boxes: all are reached, each that fails is named, none delays the others."""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from nightdraw.bench.serve import Server
from nightdraw.bench.setup import build
from nightdraw.cli import main, several
from nightdraw.errors import Finding, LinkError
from nightdraw.link import open_box
from nightdraw.link.ports import USB_NUMBER, Port

from tests.link import liar

PROFILE = """\
profile: both-boxes
start: {when: power}
draws:
  - steady: 40 mA
"""
GONE = "socket://127.0.0.1:9"  # the discard port: nobody listens
PATIENCE_S = 20
Call = Callable[..., tuple[int, Any, str]]


@contextlib.contextmanager
def serving() -> Iterator[str]:
    """A served bench in a thread of its own."""
    with Server(build().world(), speed=20).running() as server:  # a lock takes seconds of the box's own time
        yield server.address


@pytest.fixture
def two() -> Iterator[tuple[str, str]]:
    with serving() as one, serving() as other:
        yield one, other


@pytest.fixture
def call(capsys: pytest.CaptureFixture[str], tmp_path, monkeypatch) -> Call:
    """Run a command with --json; returns status, document, standard error."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "case.yaml").write_text(PROFILE)
    (tmp_path / "code").write_text("blue tractor seven windows\n")

    def run(*words: str) -> tuple[int, Any, str]:
        status = main.run(["box", *words, "--json"])
        seen = capsys.readouterr()
        return status, json.loads(seen.out), seen.err

    return run


@pytest.fixture
def plugged(monkeypatch) -> Callable[..., None]:
    """Has these addresses plugged in."""

    def plug(*addresses: str) -> None:
        found = [Port(address, USB_NUMBER, None) for address in addresses]
        monkeypatch.setattr("nightdraw.link.ports.serial_ports", lambda: found)
        monkeypatch.setattr("nightdraw.link.find.Surroundings.candidates", lambda self: found)

    return plug


def boxes(*addresses: str) -> list[str]:
    return [word for address in addresses for word in ("--box", address)]


def test_every_command_reaches_both(call, two, tmp_path):
    for words, keys in [
        (("send", "case.yaml", "--slot", "3"), {"slot", "crc32", "bytes"}),
        (("slots",), {"slots"}),
        (("selftest",), {"channels", "ok", "message"}),
        (("arm", "--slot", "3"), {"state"}),
        (("status",), {"state", "slot", "run", "supply_v", "current_ma", "temp_c", "locked", "questionable"}),
        (("halt",), {"state"}),
        (("journal", "--out", "did.jsonl"), {"file", "records", "boots", "lost"}),
        (("lock", "--passcode-file", "code"), {"locked"}),
        (("unlock", "--passcode-file", "code"), {"locked"}),
    ]:
        status, document, err = call(*words, *boxes(*two))
        assert status == 0, (words, document, err)
        assert set(document) == {"boxes"}
        assert [box["address"] for box in document["boxes"]] == list(two)
        assert all(set(box) >= {"address", *keys} for box in document["boxes"]), words
    for address in two:
        with open_box(address) as box:
            assert [stored.profile for stored in box.slots()] == ["both-boxes"]


def test_halt_opens_both_boxes_switches(call, two):
    for address in two:
        with open_box(address) as box:
            box.level(200_000)
    status, document, _ = call("halt", *boxes(*two))
    assert (status, [box["state"] for box in document["boxes"]]) == (0, ["idle", "idle"])
    for address in two:
        with open_box(address) as box:
            assert box.run().state == "idle"


def test_one_that_is_gone_is_named_and_the_other_halted(call, two):
    with open_box(two[0]) as box:
        box.level(200_000)
    status, document, err = call("halt", *boxes(GONE, two[0]))
    assert status == 2
    gone, halted = document["boxes"]
    assert (gone["address"], halted) == (GONE, {"address": two[0], "state": "idle"})
    assert "can't connect" in gone["errors"][0]["message"]
    assert f"1 of 2 boxes didn't do what was asked: {GONE}" in err


def test_one_that_is_silent_delays_nobody():
    others_done = threading.Event()

    def attempt(address: str) -> several.Answer:
        if address == "silent":
            assert others_done.wait(PATIENCE_S)
        return several.Answer({}, address)

    ended = []
    for address, _ in several.together(["silent", "a", "b"], attempt):
        ended.append(address)
        if len(ended) == 2:
            others_done.set()
    assert set(ended[:2]) == {"a", "b"}
    assert ended[2] == "silent"


def test_a_defect_in_one_of_them_is_no_success():
    def attempt(address: str) -> several.Answer:
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        list(several.together(["a"], attempt))


def test_all_are_those_that_are_plugged_in(call, two, plugged):
    plugged(*two)
    status, document, _ = call("halt", "--all")
    assert (status, [box["address"] for box in document["boxes"]]) == (0, list(two))
    plugged(two[1])
    status, document, _ = call("status", "--all")
    assert (status, [box["address"] for box in document["boxes"]]) == (0, [two[1]])
    plugged()
    status, document, _ = call("halt", "--all")
    assert (status, document["errors"][0]["message"]) == (2, "no box is plugged in")


def prompt(connection) -> None:
    """A bare board: MicroPython's prompt echoes."""
    while data := connection.recv(100):
        connection.sendall(data.replace(b"\n", b"\r\n") + b"SyntaxError: invalid syntax\r\n>>> ")


def test_all_leaves_a_bare_board_out_and_names_one_that_is_silent(call, two, plugged, monkeypatch):
    monkeypatch.setattr("nightdraw.link.probe.LISTEN_S", 0.1)
    for name in ("ANSWER_S", "SETTLE_S", "SILENCE_S"):
        monkeypatch.setattr(f"nightdraw.link.session.{name}", 0.1)
    with liar.serving(prompt) as bare, liar.serving(liar.FLOODS["silence"]) as silent:
        plugged(bare, two[0])
        status, document, err = call("halt", "--all")
        assert (status, document["boxes"]) == (0, [{"address": two[0], "state": "idle"}])
        assert f"{bare}: left out" in err
        plugged(silent)
        status, document, err = call("halt", "--all")
        assert (status, document["boxes"][0]["address"]) == (2, silent)
        assert silent in err


def test_the_worst_status_is_the_commands(call, two, monkeypatch):
    def run(client, progress):
        from nightdraw.link.tested import SelfTest

        if client.address == two[0]:
            return SelfTest(None, 1, "it can't be told", ())
        raise LinkError(Finding(f"{two[1]}: gone"))

    monkeypatch.setattr("nightdraw.link.tested.run", run)
    status, document, err = call("selftest", *boxes(*two))
    assert status == 2
    assert document["boxes"][0]["ok"] is None
    assert err.splitlines()[-1] == f"2 of 2 boxes didn't do what was asked: {two[0]}, {two[1]}"


ONE_BOX = [
    ("check",),
    ("level", "50 mA"),
    ("install",),
    ("trim", "--reading", "3=5.21mA@12.63V"),
]


@pytest.mark.parametrize("words", ONE_BOX)
def test_a_second_box_is_never_ignored(call, words):
    status, document, _ = call(*words, *boxes(GONE, GONE))
    assert status == 2
    assert "takes one box: --box was given 2 times" in document["errors"][0]["message"]


@pytest.mark.parametrize("given", [boxes("/dev/null", "/dev/./null"), boxes(GONE, GONE)])
def test_a_box_given_twice_is_refused(call, given):
    status, document, _ = call("halt", *given)
    assert (status, "given twice" in document["errors"][0]["message"]) == (2, True)


def test_all_and_box_together_are_refused(call):
    assert call("halt", "--all", "--box", GONE)[0] == 2


def test_each_box_has_its_own_journal_file(call, two, tmp_path):
    status, document, _ = call("journal", "--out", "did.jsonl", *boxes(*two))
    assert status == 0
    names = [Path(box["file"]).name for box in document["boxes"]]
    ports = [address.rpartition(":")[2] for address in two]
    assert names == [f"did.BENCH-{port}.jsonl" for port in ports]
    for name, port in zip(names, ports, strict=True):
        head = json.loads((tmp_path / name).read_text().splitlines()[0])
        assert head["serial"] == f"BENCH-{port}"
    assert not (tmp_path / "did.jsonl").exists()
    status, document, _ = call("journal", *boxes(*two))
    assert (status, "--out" in document["errors"][0]["message"]) == (2, True)


def test_boxes_of_one_serial_number_do_not_share_a_file(call, two, monkeypatch):
    monkeypatch.setattr("nightdraw.bench.world.World.rename", lambda self, serial: None)
    with serving() as one, serving() as other:
        status, document, _ = call("journal", "--out", "did.jsonl", *boxes(one, other))
    assert status == 2
    assert sorted("errors" in box for box in document["boxes"]) == [False, True]


def test_two_are_watched_a_line_each(two, monkeypatch, capsys):
    naps: list[float] = []

    def sleep(seconds: float) -> None:
        naps.append(seconds)
        if len(naps) == 2:
            raise KeyboardInterrupt

    monkeypatch.setattr(several.time, "sleep", sleep)
    assert main.run(["box", "status", "--watch", *boxes(GONE, *two)]) == 130
    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [line["address"] for line in lines] == [GONE, *two, *two]
    assert "errors" in lines[0]


def test_words_for_people_name_each_box(two, capsys):
    assert main.run(["box", "halt", *boxes(*two)]) == 0
    said = capsys.readouterr().out.splitlines()
    assert sorted(said) == sorted(f"{address}: every switch is open: idle" for address in two)


def test_watching_ends_with_its_reader() -> None:
    with serving() as address:
        command = [sys.executable, "-m", "nightdraw", "box", "status", "--watch", "--box", address]
        with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
            assert process.stdout is not None
            assert process.stderr is not None
            assert json.loads(process.stdout.readline())["state"] == "idle"
            process.stdout.close()
            assert process.stderr.read() == b""
        assert process.returncode == 0

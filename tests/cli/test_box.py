"""`nightdraw box` as people and scripts call it, on a served bench: keys, exit statuses, words, files."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from nightdraw import __version__
from nightdraw.bench.serve import Server
from nightdraw.bench.setup import build
from nightdraw.bench.world import World
from nightdraw.cli import main, several
from nightdraw.link import open_box

PROFILE = """\
profile: box-case
start: {when: power}
draws:
  - steady: 40 mA
  - pulse: {draw: 350 mA, on: 700 ms, every: 3 s}
limits: {run: 30 h, charge: 30 Ah}
"""
Call = Callable[..., tuple[int, Any, str]]


@contextlib.contextmanager
def serving(
    faults: tuple[str, ...] = (), board: str | None = None, world: World | None = None
) -> Iterator[str]:
    """A served bench in a thread of its own."""
    with Server(world or build(board, None, faults).world()).running() as server:
        yield server.address


@pytest.fixture
def address() -> Iterator[str]:
    with serving() as where:
        yield where


@pytest.fixture
def call(capsys: pytest.CaptureFixture[str]) -> Call:
    """Run a command with --json; returns status, document, standard error."""

    def run(*words: str) -> tuple[int, Any, str]:
        status = main.run(["box", *words, "--json"])
        seen = capsys.readouterr()
        return status, json.loads(seen.out), seen.err

    return run


@pytest.fixture
def profile(tmp_path) -> str:
    path = tmp_path / "case.yaml"
    path.write_text(PROFILE, encoding="utf-8")
    return str(path)


def advance(address: str, seconds: int) -> None:
    with open_box(address) as box:
        box.advance(seconds)


def test_a_program_goes_in_runs_and_is_read_back(call, address, profile, tmp_path, capsys):
    status, sent, _ = call("send", profile, "--slot", "4", "--box", address)
    assert status == 0
    assert set(sent) == {"slot", "crc32", "bytes"}
    status, listed, _ = call("slots", "--box", address)
    assert (status, listed) == (0, {"slots": [{"slot": 4, "profile": "box-case", "crc32": sent["crc32"]}]})
    status, armed, said = call("arm", "--slot", "4", "--box", address)
    assert (status, armed) == (0, {"state": "running"})
    assert "caution" in said
    advance(address, 61)  # halfway between two pulses: a halt cuts none
    status, now, _ = call("status", "--box", address)
    assert status == 0
    assert set(now) == {
        *("state", "slot", "run", "supply_v", "current_ma", "temp_c", "locked", "questionable"),
        *("waits_for", "left_s"),
    }
    assert now["waits_for"] is None
    assert now["left_s"] == pytest.approx(30 * 3600 - 61, abs=20)
    assert (now["state"], now["slot"], now["run"], now["locked"], now["questionable"]) == (
        *("running", 4, 1, False, 0),
    )
    assert now["supply_v"] == pytest.approx(12.6, abs=0.1)
    assert now["current_ma"] == pytest.approx(40, abs=3)
    assert call("halt", "--box", address)[:2] == (0, {"state": "idle"})
    out = tmp_path / "did.jsonl"
    status, account, _ = call("journal", "--out", str(out), "--box", address)
    assert status == 0
    assert {"records", "boots", "lost"} <= set(account)
    lines = [json.loads(line) for line in out.read_text().splitlines()]
    assert lines[0]["kind"] == "box"
    assert len(lines) == account["records"] + 1
    assert (account["boots"], account["lost"]) == (1, 0)
    assert all(line["utc"] for line in lines[1:])
    compared = main.run(["capture", "compare", "--profile", profile, "--journal", str(out), "--json"])
    assert (compared, json.loads(capsys.readouterr().out)["agree"]) == (0, True)


def test_a_level_ends_by_itself(call, address):
    status, said, caution = call("level", "120 mA", "--for", "30 s", "--box", address)
    assert (status, said) == (0, {"state": "level"})
    assert "caution" in caution
    assert call("status", "--box", address)[1]["current_ma"] == pytest.approx(120, abs=3)
    advance(address, 20)
    assert call("status", "--box", address)[1]["state"] == "level"
    advance(address, 15)
    assert call("status", "--box", address)[1]["state"] == "idle"
    assert call("level", "120 mA", "--box", address)[0] == 0
    advance(address, 3600)
    assert call("status", "--box", address)[1]["state"] == "level"


RESTS = """\
profile: rests
start: {when: supply-rest, below: BELOW, steady: 60 s, after: 15 min}
draws:
  - steady: 40 mA
"""


def test_status_says_what_it_waits_for_and_for_how_long(call, address, tmp_path, capsys):
    path = tmp_path / "rests.yaml"
    for below, text in (
        ("12.0 V", "the supply to rest below 12.00 V"),
        ("13.0 V", "the start rule's time to pass"),
    ):
        path.write_text(RESTS.replace("BELOW", below))
        assert call("send", str(path), "--box", address)[0] == 0
        assert call("arm", "--box", address)[1] == {"state": "waiting"}
        advance(address, 300)
        now = call("status", "--box", address)[1]
        assert (now["state"], now["waits_for"]) == ("waiting", text)
        assert now["left_s"] == (None if below == "12.0 V" else pytest.approx(660, abs=10))
        if below == "12.0 V":
            call("halt", "--box", address)
    assert main.run(["box", "status", "--box", address]) == 0
    assert "waits for the start rule's time to pass" in capsys.readouterr().out
    with open_box(address) as box:
        box.set_passcode("blue tractor", 1 << 10)
        box.lock()
    now = call("status", "--box", address)[1]
    assert (now["waits_for"], now["left_s"]) == (None, None)


def test_a_damaged_slot_is_named_with_its_remedy(call, profile):
    bench = build()
    world = bench.world()
    with serving(world=world) as address:
        assert call("send", profile, "--slot", "3", "--box", address)[0] == 0
        assert call("send", profile, "--slot", "5", "--box", address)[0] == 0
        (name,) = [name for name in world.store.names() if name.endswith("3") and "slot" in name]
        world.store.write(name, b"garbage")
        world.store.sync()
        world.cut_power()
        world.restore_power()
        status, document, _ = call("check", "--box", address)
        assert (status, document["ok"]) == (1, False)
        step = document["steps"][-1]
        assert (step["name"], step["message"]) == ("programs", "the program in slot 3 can't be read")
        assert step["remedy"] == "send the program again: nightdraw box send FILE --slot 3"
        listed = call("slots", "--box", address)[1]["slots"]
        assert [(slot["slot"], slot["profile"]) for slot in listed] == [(3, None), (5, "box-case")]
        assert call("send", profile, "--slot", "3", "--box", address)[0] == 0
        assert call("check", "--box", address)[0] == 0


def test_every_step_of_a_check(call, address):
    status, document, _ = call("check", "--box", address)
    assert (status, document["ok"]) == (0, True)
    assert all(set(step) == {"name", "ok", "message", "remedy"} for step in document["steps"])
    status, document, _ = call("check", "--box", "socket://127.0.0.1:9")
    assert (status, document["ok"]) == (1, False)
    assert document["steps"][-1]["remedy"]


def test_what_is_wrong_has_a_remedy(call, address, profile, tmp_path):
    wrong = [
        (("arm", "--slot", "7"), "slot 7 is empty", "nightdraw box slots"),
        (("level", "5 A"), "Data out of range", None),
        (("install",), "carries no files", "nothing needs"),
        (("trim", "--reading", "11=5mA@12V"), "there is no channel 11", None),
        (("trim", "--reading", "eleven"), "is no reading", "like 3=5.21mA@12.63V"),
        (("trim", "--reading", "3=5@12V"), "needs a unit|bare|unit", None),
        (("send", str(tmp_path / "none.yaml")), "no such file", None),
    ]
    for words, message, hint in wrong:
        status, document, _ = call(*words, "--box", address)
        assert status == 2, words
        (error, *_) = document["errors"]
        assert any(part in error["message"] for part in message.split("|")), error
        if hint:
            assert hint in error["hint"], error
    assert call("send", profile, "--box", address)[0] == 0
    assert call("arm", "--box", address)[0] == 0
    status, document, _ = call("level", "50 mA", "--box", address)
    assert (status, "nightdraw box halt" in document["errors"][0]["hint"]) == (2, True)


@pytest.mark.parametrize(
    "words", [("arm", "--slot", "10"), ("level", "100"), ("level",), ("files",), ("image",)]
)
def test_misuse(call, words):
    assert call(*words)[0] == 2


def test_a_profile_for_another_bank_is_not_sent(call, address, profile, tmp_path):
    from nightdraw import data

    text = data.board_path().read_text("utf-8")
    for change in (("board: bench-12v", "board: other-12v"), ("ohms: 9.1 kohm", "ohms: 8.2 kohm")):
        other = tmp_path / "other.yaml"
        other.write_text(text.replace(*change), "utf-8")
        status, document, _ = call("send", profile, "--board", str(other), "--box", address)
        assert status == 2
        assert "nightdraw box install --board FILE" in document["errors"][0]["hint"]
    assert call("slots", "--box", address)[1] == {"slots": []}


def test_status_is_watched_a_line_each_second(address, monkeypatch, capsys):
    naps: list[float] = []

    def sleep(seconds: float) -> None:
        naps.append(seconds)
        if len(naps) == 3:
            raise KeyboardInterrupt

    monkeypatch.setattr(several.time, "sleep", sleep)
    assert main.run(["box", "status", "--watch", "--box", address]) == 130
    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [line["state"] for line in lines] == ["idle"] * 3
    assert naps == [1.0] * 3


@pytest.mark.parametrize(
    ("faults", "bad"),
    [
        ((), []),
        (("open:3",), [3]),
        (("stuck-on:5",), [5]),
        (("open:2", "open:9"), [2, 9]),
        (("stuck-on:10",), [10]),
    ],
)
def test_the_self_test_names_every_bad_channel(call, faults, bad):
    with serving(faults) as address:
        advance(address, 1)
        status, document, _ = call("selftest", "--box", address)
    assert status == (1 if bad else 0)
    assert [c["channel"] for c in document["channels"] if c["ok"] is False] == bad
    assert len(document["channels"]) == 10
    assert all(set(c) == {"channel", "ok", "ohms", "message"} for c in document["channels"])
    for channel in bad:
        said = document["channels"][channel - 1]["message"]
        assert ("never closes" in said) == any(f == f"open:{channel}" for f in faults)
        assert ("doesn't open" in said) == any(f == f"stuck-on:{channel}" for f in faults)


def test_without_a_monitor_the_self_test_can_not_tell(call, tmp_path):
    from nightdraw import data

    board = tmp_path / "board.yaml"
    text = data.board_path().read_text("utf-8")
    changed = text.replace("current: monitor", "current: none")
    assert changed != text
    board.write_text(changed, "utf-8")
    with serving(board=str(board)) as address:
        status, document, _ = call("selftest", "--box", address)
    assert status == 3
    assert all(channel["ok"] is None for channel in document["channels"])


def test_a_locked_box_says_how_to_go_on(call, address, profile):
    with open_box(address) as box:
        box.set_passcode("blue tractor", 1 << 10)
        box.lock()
    assert call("status", "--box", address)[1]["locked"] is True
    for words in (("send", profile), ("slots",), ("arm",), ("level", "50 mA"), ("journal",), ("selftest",)):
        status, document, _ = call(*words, "--box", address)
        assert status == 2, words
        assert "nightdraw box unlock" in document["errors"][0]["hint"], words
    assert call("halt", "--box", address)[0] == 0
    status, document, _ = call("check", "--box", address)
    assert status == 0, document


def test_another_version_is_refused_with_the_command_that_mends_it(call, address, monkeypatch):
    monkeypatch.setattr("nightdraw.link.client.__version__", "9.9.9")
    status, document, _ = call("status", "--box", address)
    assert status == 2
    (error,) = document["errors"]
    assert __version__ in error["message"]
    assert error["hint"] == "run `nightdraw box install`"


def test_finding_nothing_is_an_empty_list(call, monkeypatch):
    monkeypatch.setattr("nightdraw.link.ports.serial_ports", list)
    monkeypatch.setattr("nightdraw.link.find.Surroundings.candidates", lambda self: [])
    status, document, said = call("find")
    assert (status, document) == (0, {"boxes": []})
    assert "nightdraw box check" in said


def test_words_for_people(address, profile, capsys):
    assert main.run(["box", "send", profile, "--box", address]) == 0
    assert main.run(["box", "arm", "--box", address]) == 0
    advance(address, 10)
    assert main.run(["box", "status", "--box", address]) == 0
    told = capsys.readouterr().out
    for words in ("slot 0 holds box-case", "slot 0 is armed, run 1: running", "supply 12.6", "current "):
        assert words in told
    assert main.run(["box", "journal", "--box", address]) == 0
    seen = capsys.readouterr()
    kinds = [json.loads(line)["kind"] for line in seen.out.splitlines()]
    assert kinds[0] == "box"
    assert {"boot", "arm", "start", "edge"} <= set(kinds)
    assert "records of 1 power-up, " in seen.err

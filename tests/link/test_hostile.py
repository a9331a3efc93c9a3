"""Whatever is at the other end of the line, a command ends in time, with a clear word and nothing that steers
a terminal."""

from __future__ import annotations

import json
import re
import time
import tracemalloc
from collections.abc import Callable
from random import Random
from typing import Any

import pytest
from nightdraw.cli import main
from nightdraw.link import deadline, probe, transport

from tests.link import liar

PROFILE = """\
profile: hostile-case
start: {when: power}
draws:
  - steady: 40 mA
"""
COMMANDS: dict[str, tuple[str, ...]] = {
    "status": ("status",),
    "slots": ("slots",),
    "send": ("send", "case.yaml", "--slot", "2"),
    "arm": ("arm", "--slot", "2"),
    "halt": ("halt",),
    "level": ("level", "50 mA", "--for", "1 s"),
    "journal": ("journal",),
    "journal --out": ("journal", "--out", "did.jsonl"),
    "selftest": ("selftest",),
    "check": ("check",),
    "trim": ("trim", "--reading", "3=5.21mA@12.63V", "--supply", "12.6V"),
    "lock": ("lock", "--passcode-file", "code"),
    "unlock": ("unlock", "--passcode-file", "code"),
}
SLACK_S = 5.0  # a machine under load; the deadline below is a tenth of it
NEVER_SAID = ("Traceback", "defect of Nightdraw")
NO_NUMBER = re.compile(r"\b(nan|inf|infinity)\b", re.IGNORECASE)

Call = Callable[..., tuple[int, str, str]]
Behind = Callable[[liar.Liar], str]


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every patience of the link, a tenth and less; none of them is what is tested."""
    for name, value in {
        "session.ANSWER_S": 0.1,
        "session.SETTLE_S": 0.1,
        "session.SILENCE_S": 0.1,
        "session.QUIET_S": 0.005,
        "probe.LISTEN_S": 0.1,
        "reach.ASK_S": 0.1,
        "deadline.COMMAND_S": 0.5,
        "latch.SHARE_S": 0.5,
        "latch.POLL_S": 0.01,
    }.items():
        monkeypatch.setattr(f"nightdraw.link.{name}", value)


@pytest.fixture
def call(capsys: pytest.CaptureFixture[str], tmp_path, monkeypatch: pytest.MonkeyPatch) -> Call:
    """Run `nightdraw box`; returns status, output and errors, after looking that they are fit to be seen."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "case.yaml").write_text(PROFILE)
    (tmp_path / "code").write_text("blue tractor seven windows\n")

    def run(*words: str) -> tuple[int, str, str]:
        status = main.run(["box", *words])
        seen = capsys.readouterr()
        for text in (seen.out, seen.err):
            assert text.replace("\n", "").replace("\t", "").isprintable(), text
            assert not any(word in text for word in NEVER_SAID), text
        if "--json" in words:
            json.loads(seen.out, parse_constant=_refuse)
        return status, seen.out, seen.err

    return run


@pytest.fixture
def behind(quick: None, monkeypatch: pytest.MonkeyPatch) -> Behind:
    """Put a liar at the end of every line; returns its address. Waiting for it takes no time of ours."""
    clock = liar.Clock()
    for name in ("session", "latch", "check", "prompt"):
        monkeypatch.setattr(f"nightdraw.link.{name}.time", clock)
    for timed in (deadline.Timed.__init__, probe.probe):
        defaults = (clock.monotonic if one is time.monotonic else one for one in timed.__defaults__ or ())
        monkeypatch.setattr(timed, "__defaults__", tuple(defaults))

    def put(box: liar.Liar) -> str:
        monkeypatch.setattr(transport, "SocketTransport", lambda name, *_: liar.Line(name, box, clock))
        return "socket://127.0.0.1:5025"

    return put


def _refuse(name: str) -> Any:
    raise AssertionError(f"{name} in a document")


def told_lies(call: Call, behind: Behind, rng: Random, words: tuple[str, ...], rate: float) -> None:
    address = behind(liar.Liar(liar.liar(rng, rate)))
    status, out, err = call(*words, *rng.choice([(), ("--json",)]), "--box", address)
    assert status in ((0, 1) if words == ("check",) else (0, 1, 2, 3)), (out, err)
    said = out.replace("information", "")
    assert rate < 1 or status == (1 if words == ("check",) else 2), (out, err)
    if status == 0:
        assert not NO_NUMBER.search(said), out
    elif status == 2:
        assert address in out + err, (out, err)


@pytest.mark.parametrize("name", COMMANDS)
def test_lies_are_refused_by_name(call: Call, behind: Behind, seed: int, name: str) -> None:
    rng = Random(f"{seed} {name}")
    for rate in (0.05, 0.2, 1.0):
        told_lies(call, behind, rng, COMMANDS[name], rate)


@pytest.mark.campaign
@pytest.mark.parametrize("name", COMMANDS)
def test_many_lies(call: Call, behind: Behind, seed: int, name: str) -> None:
    rng = Random(f"{seed} many {name}")
    for _ in range(40):
        told_lies(call, behind, rng, COMMANDS[name], rng.choice([0.02, 0.1, 0.5]))


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize("kind", liar.FLOODS)
def test_whatever_comes_without_end_ends(call: Call, seed: int, kind: str) -> None:
    name, words = Random(f"{seed} {kind}").choice(list(COMMANDS.items()))
    with liar.serving(liar.FLOODS[kind]) as address:
        began_s = time.monotonic()
        status, out, err = call(*words, "--box", address)
        took_s = time.monotonic() - began_s
    assert status == (1 if name == "check" else 2), (name, out, err)
    assert took_s < SLACK_S, (name, took_s)
    assert name == "check" or address in err


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize("kind", ["lines", "no line end", "greeting, then bytes"])
def test_a_flood_takes_no_memory(call: Call, kind: str) -> None:
    with liar.serving(liar.FLOODS[kind]) as address:
        tracemalloc.start()
        assert call("status", "--box", address)[0] == 2
        _, most = tracemalloc.get_traced_memory()
        tracemalloc.stop()
    assert most < 32 << 20


BOUNDS = [b"0,1000000000000000", b"5,3", b"-160,0", b"0,1048576", b"1000000000000000,1000000000000160"]


@pytest.mark.parametrize("bounds", BOUNDS)
def test_a_journal_has_bounds(call: Call, behind: Behind, bounds: bytes) -> None:
    address = behind(liar.Liar(lambda header, true: bounds if header == b":DIAG:JOUR?" else true))
    status, _, err = call("journal", "--box", address)
    assert status == 2
    assert address in err


@pytest.mark.parametrize("answer", [b"nan", b"inf", b"1e5", b"-3.0", b"twelve", b"\x1b[2J"])
def test_what_is_no_voltage_is_said_to_be_none(call: Call, behind: Behind, answer: bytes) -> None:
    address = behind(liar.Liar(lambda header, true: answer if header == b":MEAS:VOLT?" else true))
    status, out, err = call("status", "--box", address)
    assert (status, out) == (2, "")
    assert "to :MEAS:VOLT?, not a decimal number from 0 to 100" in err
    assert "nightdraw box check" in err


def test_an_honest_box_behind_the_same_line_is_believed(
    call: Call, behind: Behind, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else the tests above would show nothing."""
    monkeypatch.setattr("nightdraw.link.deadline.COMMAND_S", 30.0)
    monkeypatch.setattr("nightdraw.link.session.ANSWER_S", 3.0)
    monkeypatch.setattr("nightdraw.link.latch.SHARE_S", 30.0)
    box = liar.Liar(lambda header, true: true)
    address = behind(box)
    for words in COMMANDS.values():
        call("halt", "--box", address)
        status, out, err = call(*words, "--box", address)
        assert status == 0, (words, out, err)
    assert box.told == 0


def test_an_honest_block_may_end_in_any_byte(monkeypatch: pytest.MonkeyPatch) -> None:
    """A journal's piece ends in a checksum, one in 256 of them in the byte of a line end."""
    box = liar.Liar(lambda header, true: true)
    monkeypatch.setattr(box._link, "feed", lambda data: b"#15hell\n\n")
    assert box.feed(b":MMEM:DATA? 'JOURNAL',0,5\n") == b"#15hell\n\n"

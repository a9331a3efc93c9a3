"""`nightdraw box trim`, `lock` and `unlock` on a bench behind its socket, as people and scripts call them."""

from __future__ import annotations

import io
import json
import sys
from collections.abc import Iterator

import pytest
from boxcore import lock
from nightdraw.bench.serve import Server
from nightdraw.bench.world import World
from nightdraw.cli import box_settings, main
from nightdraw.link import passcode

from tests.bench import support

TRUE_NS = tuple(ns * (100 + (7 * k) % 17 - 8) // 100 for k, ns in enumerate(support.CHANNELS_NS))
PATIENCE_S = 20


@pytest.fixture
def world() -> World:
    """An untrimmed box, whose channels lie up to 8 % off."""
    return support.world(true_ns=TRUE_NS, source_uohm=1_000)


@pytest.fixture
def server(world: World) -> Iterator[Server]:
    """That box, served."""
    with Server(world).running() as server:
        yield server


class Called:
    """`nightdraw box` at one bench."""

    def __init__(self, server: Server, capsys: pytest.CaptureFixture[str], monkeypatch) -> None:
        self._server = server
        self._capsys = capsys
        self._monkeypatch = monkeypatch

    def __call__(self, *words: str, said: str = "") -> tuple[int, str, str]:
        self._monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(said.encode())))
        status = main.run(["box", *words, "--box", self._server.address])
        seen = self._capsys.readouterr()
        return status, seen.out, seen.err

    def json(self, *words: str, said: str = "") -> tuple[int, dict]:
        status, out, _ = self(*words, "--json", said=said)
        return status, json.loads(out)


@pytest.fixture
def box(server, capsys, monkeypatch) -> Called:
    return Called(server, capsys, monkeypatch)


@pytest.fixture
def code(tmp_path, monkeypatch) -> str:
    """A file with a passcode; its numbers take a tenth of the time, and no box waits with its share."""
    monkeypatch.setattr("nightdraw.link.latch.Latch.set_passcode.__defaults__", (passcode.LEAST_COST,))
    monkeypatch.setattr(lock, "TELL_TICKS", 0)
    path = tmp_path / "code"
    path.write_text("grey heron 7\n")
    return str(path)


def test_lock_and_unlock_by_a_file(box, code, tmp_path):
    wrong = tmp_path / "wrong"
    wrong.write_text("grey heron 8\n")
    assert box.json("lock", "--passcode-file", code) == (0, {"locked": True})
    status, found = box.json("status")
    assert (status, found["locked"], found["slot"], found["current_ma"]) == (0, True, None, None)
    assert (found["supply_v"], found["temp_c"]) == (12.6, None)
    status, found = box.json("slots")
    assert (status, found["errors"][0]["hint"]) == (2, "the box is locked: run `nightdraw box unlock`")
    status, found = box.json("unlock", "--passcode-file", str(wrong))
    assert status == 2
    assert "isn't its passcode" in found["errors"][0]["message"]
    assert box.json("status")[1]["locked"] is True
    status, out, err = box("unlock", "--passcode-file", code)
    assert (status, out, err) == (0, "the box is open\n", "wrong passcodes tried before: 1\n")
    assert box.json("slots") == (0, {"slots": []})
    assert box.json("lock") == (0, {"locked": True})  # with the passcode it has
    assert box.json("unlock", "--passcode-file", code, "--clear") == (0, {"locked": False})
    assert box.json("unlock") == (0, {"locked": False})  # nothing is asked where nothing is locked


def test_a_pipe_may_say_the_passcode(box, code):
    assert box.json("lock", said="barn owl\n") == (0, {"locked": True})
    assert box.json("unlock", said="barn owl\n") == (0, {"locked": False})
    status, found = box.json("lock", "--new")
    assert (status, found["errors"][0]["message"]) == (
        2,
        "the passcode's file holds nothing, it must be one line",
    )


def test_another_passcode_needs_an_open_box(box, code, tmp_path):
    other = tmp_path / "other"
    other.write_text("barn owl\n")
    box("lock", "--passcode-file", code)
    status, _, err = box("lock", "--passcode-file", str(other))
    assert status == 0
    assert "it was locked already" in err
    assert box.json("unlock", "--passcode-file", code) == (0, {"locked": False})
    assert box.json("lock", "--passcode-file", str(other)) == (0, {"locked": True})
    assert box.json("unlock", "--passcode-file", code)[0] == 2
    assert box.json("unlock", "--passcode-file", str(other)) == (0, {"locked": False})


def test_no_passcode_is_ever_an_argument(box, capsys):
    for command in ("lock", "unlock"):
        status, _, err = box(command, "grey heron 7")
        assert status == 2
        assert "heron" in err  # click names the unexpected argument, nothing takes it


def current_ma(channel: int) -> float:
    return TRUE_NS[channel - 1] * 12.6e-6


def test_readings_on_the_command_line(box):
    status, found = box.json(
        "trim", "--reading", f"3={current_ma(3):.4f}mA@12.6V", "--reading", "4=1A @ 12.6 V"
    )
    assert status == 1
    channels = {channel["channel"]: channel for channel in found["channels"]}
    assert sorted(channels) == list(range(1, 11))
    assert set(channels[3]) == {"channel", "ok", "ohms", "message"}
    assert channels[3]["ok"] is True
    assert channels[3]["ohms"] == pytest.approx(1e9 / TRUE_NS[2], rel=1e-3)
    assert channels[4]["ok"] is False
    assert "check channel, range, lead, resistor" in channels[4]["message"]
    assert channels[4]["ohms"] == pytest.approx(1e9 / support.CHANNELS_NS[3], rel=1e-3)
    assert channels[5]["ok"] is None
    assert box.json("trim", "--clear")[1]["channels"][2]["ohms"] == pytest.approx(
        1e9 / support.CHANNELS_NS[2]
    )


@pytest.mark.parametrize(
    "words", [["3"], ["3=5mA"], ["3=5V@12.6V"], ["3=5mA@12.6A"], ["11=5mA@12.6V"], ["=@"]]
)
def test_what_is_no_reading_changes_nothing(box, words):
    good = ["--reading", f"3={current_ma(3):.4f}mA@12.6V"]
    status, found = box.json("trim", *good, "--reading", *words)
    assert status == 2
    assert found["errors"]
    assert box.json("trim", "--supply", "12.6V")[1]["channels"][2]["message"].endswith(
        "as its board file says"
    )


def test_the_supply_by_a_meter(box):
    status, _, err = box("trim", "--supply", "12.663V")
    assert status == 0
    assert "+0.50 %" in err
    assert box.json("status")[1]["supply_v"] == pytest.approx(12.663, abs=0.006)
    assert box.json("trim", "--supply", "11V")[0] == 2


def test_guided_every_channel_is_closed_alone_and_read(box, world, monkeypatch):
    """Who reads the meter is simulated: each answer is what the true plant shows at that moment."""
    asked = []

    def meter(question: str, **options: object) -> str:
        asked.append(question)
        point = world.plant.point(world.hal.pattern)
        if question.startswith("channel 2"):
            return ""  # left as it is
        return f"{point.supply_v:.4f} V" if "volts" in question else f"{point.current_a * 1e3:.4f} mA"

    monkeypatch.setattr(box_settings.click, "prompt", meter)
    status, _, err = box("trim")
    assert status == 0, err
    assert "caution" in err
    assert "highest range" in err
    assert sum("is closed" in question for question in asked) == 10
    believed = world.box.bank.channels_ns
    for k in range(10):
        wanted = support.CHANNELS_NS[k] if k == 1 else TRUE_NS[k]
        assert believed[k] == pytest.approx(wanted, rel=2e-3)
    assert world.hal.pattern == 0


def test_who_leaves_in_the_middle_leaves_every_switch_open(box, world, monkeypatch):
    answers = iter(["11 mA", "", "12.26 mA"])

    def meter(question: str, **options: object) -> str:
        try:
            return next(answers)
        except StopIteration:
            raise KeyboardInterrupt from None

    monkeypatch.setattr(box_settings.click, "prompt", meter)
    assert box("trim")[0] == 130
    assert world.hal.pattern == 0
    assert world.box.state == "idle"

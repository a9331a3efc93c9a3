"""A vehicle served live: boxes on sockets, doors and fuses by the control channel, faults by splice."""

from __future__ import annotations

import json
import signal
import socket
import subprocess
import sys

import pytest
from nightdraw.bench.control import Control
from nightdraw.bench.rig import Rig
from nightdraw.bench.serve import VehicleServer
from nightdraw.bench.setup import build
from nightdraw.link import open_box

from tests.bench.test_cli_vehicle import call
from tests.vehicle.circuits import vehicle

BOXES = ("--box", "hung-door-module@tailgate", "--box", "chattering-relay@siren")


def rig() -> Rig:
    made = Rig(vehicle(), [("a", build(seed=1)), ("b", build(seed=2))], ())
    for world in made.worlds:
        world.passes = made.pass_ticks
    return made


def test_each_action_does_what_a_script_does() -> None:
    one = rig()
    talk = Control(one)
    assert talk.answer("state")["pulled"] == []
    assert talk.answer("pull F2")["pulled"] == ["F2"]
    assert one.worlds[0].box is None  # box a hangs on F2
    assert talk.answer("back F2")["pulled"] == []
    assert talk.answer("wait 1 s")["boxes"][0]["state"] == "idle"
    assert talk.answer("door opens")["asleep"] is False
    charging = talk.answer("charger on")
    assert charging["charger"] is True
    assert charging["battery_ma"] < 0
    running = talk.answer("engine 5 min")
    assert running["engine"] is True
    later = talk.answer("wait 1 h")
    assert later["engine"] is False
    assert later["t_s"] == pytest.approx(3601)


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("", "nothing that can be done"),
        ("pul F2", "did you mean 'pull'"),
        ("pull F9", "there is no fuse"),
        ("back F2", "is in already"),
        ("door ajar", "must be one of opens, closes"),
        ("engine", "no"),
        ("engine 11 h", "at most 10 h"),
        ("wait 2 d", "at most 1 d"),
        ("wait -1 s", ""),
        ("charger", "must be one of on, off"),
        ("pull " + "x" * 9, "there is no fuse"),
    ],
)
def test_what_can_not_be_is_refused_and_changes_nothing(line: str, words: str) -> None:
    one = rig()
    talk = Control(one)
    before = talk.state()
    answer = talk.answer(line)
    assert answer["ok"] is False
    assert words in answer["error"]
    assert talk.state() == before


def asked(address: str, *lines: str) -> list[dict]:
    host, _, port = address.removeprefix("socket://").rpartition(":")
    with socket.create_connection((host, int(port))) as link, link.makefile("rw") as stream:
        found = []
        for line in lines:
            stream.write(line + "\n")
            stream.flush()
            found.append(json.loads(stream.readline()))
        return found


def test_boxes_and_vehicle_share_one_time() -> None:
    """A level set on one box's socket is seen in the battery's cable; time jumped by a box is the
    vehicle's."""
    with VehicleServer(rig()).running() as server:
        where = server.where()
        quiet = asked(where["control"], "state")[0]
        with open_box(where["boxes"][0]["socket"]) as box:
            box.level(300_000)
            loud = asked(where["control"], "state")[0]
            before_s = loud["t_s"]
            box.advance(100)
            assert asked(where["control"], "state")[0]["t_s"] >= before_s + 100
        assert loud["battery_ma"] - quiet["battery_ma"] == pytest.approx(300 - 11, abs=8)
        assert [box["state"] for box in loud["boxes"]] == ["level", "idle"]


def test_a_flood_or_a_long_line_is_answered_once() -> None:
    with VehicleServer(rig()).running() as server:
        answer = asked(server.where()["control"], "x" * 5000)[0]
        assert "at most 256 bytes" in answer["error"]


def test_the_command_serves_armed_boxes_and_ends_well() -> None:
    command = [sys.executable, "-m", "nightdraw", "bench", "serve", "--vehicle", "vehicle-1", *BOXES]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        where = json.loads(process.stdout.readline())
        assert [box["splice"] for box in where["boxes"]] == ["tailgate", "siren"]
        state = asked(where["control"], "wait 1 h")[0]
        assert {box["state"] for box in state["boxes"]} <= {"waiting", "running"}
        process.send_signal(signal.SIGTERM)
        assert process.wait(30) == 0


def test_faults_go_by_splice(capsys) -> None:
    words = ("bench", "record", "--vehicle", "vehicle-1", *BOXES, "--for", "1s")
    assert call(capsys, *words, "--fault", "siren:open:3", "--fault", "tailgate:stuck-on:1")[0] == 0
    status, _, err = call(capsys, *words, "--fault", "open:3")
    assert status == 2
    assert "tailgate:open:3" in err
    status, _, err = call(capsys, *words, "--fault", "siern:open:3")
    assert status == 2
    assert "'siren'" in err
    assert call(capsys, *words, "--fault", "siren:open:99")[0] == 2


def test_options_that_do_not_go_together_are_refused(capsys) -> None:
    assert call(capsys, "bench", "serve", "--box", "hung-door-module@siren")[0] == 2
    assert call(capsys, "bench", "serve", "--vehicle", "vehicle-1", "--pty")[0] == 2


# -- a run that never began --------------------------------------------------------------------------------

NEVER = "profile: never\nstart: {when: supply-rest, below: 11.9 V, steady: 5 s}\ndraws: [{steady: 40 mA}]\n"


@pytest.mark.parametrize("command", ["record", "meter"])
def test_a_run_that_never_began_is_said(capsys, tmp_path, command: str) -> None:
    path = tmp_path / "never.yaml"
    path.write_text(NEVER + "limits: {supply_min: 11.0 V}\n")
    words = ("bench", command, "--vehicle", "vehicle-1", "--box", f"{path}@tailgate", "--for", "20s")
    status, text, err = call(capsys, *words, "--json")
    assert status == 0
    assert "its run never started: it waits for less than 11.9 V, there are 12.5" in err
    box = json.loads(text)["boxes"][0]
    assert box == {"splice": "tailgate", "state": "waiting", "began": False, "began_s": None}


def test_a_run_that_began_says_when(capsys) -> None:
    words = ("bench", "meter", "--vehicle", "vehicle-1", "--box", "sleepless-module@tailgate", "--for", "20s")
    status, text, _ = call(capsys, *words, "--json")
    box = json.loads(text)["boxes"][0]
    assert status == 0
    assert box["began"] == (box["began_s"] is not None)

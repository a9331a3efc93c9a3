"""Hostile vehicle, script and assumptions files, and hostile lines on a served vehicle's control channel:
each is refused in words with the file's name and place, and nothing is left behind."""

from __future__ import annotations

import random
import re
from pathlib import Path

import pytest
from nightdraw import data
from nightdraw.bench.control import Control
from nightdraw.bench.rig import Rig
from nightdraw.cli import main
from nightdraw.vehicle import load_vehicle

ONE, FIVE, SIX = (data.shipped("vehicles", f"vehicle-{n}").read_text() for n in (1, 5, 6))
MOST_SAID = 4000  # characters: whoever sends nonsense isn't answered with a book


def changed(text: str, old: str, new: str) -> bytes:
    assert old in text
    return text.replace(old, new, 1).encode()


def script(event: str) -> bytes:
    return f"script: a\nevents:\n  - {{at: 1 s, {event}}}\n".encode()


def assumed(line: str) -> bytes:
    return f"assumptions: a\n{line}\n".encode()


VEHICLES = {
    "empty": b"",
    "nul": b"\0\0",
    "not utf-8": ONE.encode().replace(b"small", b"sm\xe4ll"),
    "utf-16": ONE.encode("utf-16"),
    "tab": changed(ONE, "  type", "\ttype"),
    "refers to itself": b"a: &a [*a]\n",
    "two documents": (ONE + "---\n" + ONE).encode(),
    "a text": b"hello\n",
    "deep lists": b"[" * 5000,
    "deep mappings": b"vehicle: " + b"{a: " * 2000,
    "infinite": changed(ONE, "60 Ah", "inf Ah"),
    "not a number": changed(ONE, "60 Ah", "nan Ah"),
    "too large": changed(ONE, "60 Ah", "1e400 Ah"),
    "very long number": changed(ONE, "60 Ah", "1" + "0" * 5000 + " Ah"),
    "no resistance": changed(ONE, "0.007 ohm", "0 ohm"),
    "key twice": changed(ONE, "  capacity: 60 Ah", "  capacity: 60 Ah\n  capacity: 61 Ah"),
    "no fuses": ONE[: ONE.index("fuses:")].encode(),
    "master elsewhere": changed(FIVE, "master: body", "master: radio"),
    "two relays of a name": changed(SIX, "relay: joint", "relay: fan"),
    "defect of a relay that isn't": changed(SIX, "  relay: joint\n", ""),
    "escape": changed(ONE, "module: body", 'module: "\\e[31mred"'),
    "surrogate": changed(ONE, "module: body", 'module: "\\uD800"'),
    "more than 1 MB": ONE.encode() + b"#" + b"x" * 1_100_000,
    "3000 splices": ONE.encode() + b"".join(b"  - {splice: s%d, fuse: F1}\n" % k for k in range(3000)),
    "more than its fuse bears": changed(ONE, "draw: 1.1 A", "draw: 90 A"),
}
SCRIPTS = {
    "no events": b"script: a\n",
    "events as text": b"script: a\nevents: none\n",
    "unknown": script("explode: yes"),
    "two at once": script("door: opens, car: locked"),
    "no such fuse": script("pull: F99"),
    "no such defect": script("defect: none"),
    "closed already": script("latch: closes"),
    "backwards": script("engine: -3 s"),
    "in already": script("back: F1"),
    "too many": b"script: a\nevents:\n" + b"  - {at: 1 s, key: near}\n" * 10_001,
}
ASSUMED = {
    "unknown": assumed("lok: 5 s"),
    "more than all": assumed("notices: 180 %"),
    "none": assumed("weak: 0 %"),
    "negative": assumed("look: -5 s"),
    "not a number": assumed("look: nan s"),
    "the wrong way round": assumed("healthy: 200 mA\nconspicuous: 100 mA"),
    "half a pulse": assumed("pulses: 1.5"),
}
RECORD = ("bench", "record", "--for", "1 s", "--out", "r.csv", "--vehicle")
FIND = ("bench", "findable", "--profile", "hung-door-module", "--vehicle", "vehicle-1", "--assumptions")


@pytest.mark.parametrize(
    ("words", "content"),
    [pytest.param(RECORD, content, id=f"vehicle {name}") for name, content in VEHICLES.items()]
    + [
        pytest.param((*RECORD, "vehicle-1", "--script"), content, id=f"script {name}")
        for name, content in SCRIPTS.items()
    ]
    + [pytest.param(FIND, content, id=f"assumptions {name}") for name, content in ASSUMED.items()],
)
def test_a_hostile_file_is_refused_by_name_and_place(
    words: tuple[str, ...], content: bytes, tmp_path: Path, monkeypatch, capsys
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("hostile.yaml").write_bytes(content)
    assert main.run([*words, "hostile.yaml"]) == 2
    said = capsys.readouterr()
    assert re.match(r"hostile\.yaml:[0-9]+:[0-9]+: \S", said.err)
    assert said.out == ""
    assert "Traceback" not in said.err
    assert "\x1b" not in said.err
    assert len(said.err) < MOST_SAID
    assert [path.name for path in tmp_path.iterdir()] == ["hostile.yaml"]


LINE = [
    "door", "car", "pull", "back", "charger", "engine", "wait", "state", "defect", "mended", "ignition",
    "key", "latch", "opens", "closes", "on", "off", "near", "away", "F1", "F99", "joint", "welded-joint",
    "dead-posts", "-1 s", "1e9 s", "nan s", "0 s", "\u00e4", "\x1b[31m", "\u202e", "{}", "'", '"', "\\",
]  # fmt: skip


def test_hostile_lines_are_answered_and_what_is_refused_changes_nothing(seed: int) -> None:
    source = random.Random(f"lines {seed}")
    talk = Control(Rig(load_vehicle(data.shipped("vehicles", "vehicle-6")), [], ()))
    refused = 0
    for _ in range(300):
        line = " ".join(source.choices(LINE, k=source.randint(0, 3)))
        before = talk.state()
        answer = talk.answer(line)
        if not answer["ok"]:
            refused += 1
            assert answer["error"].isprintable(), line
            assert talk.state() == before, line
    assert refused > 100

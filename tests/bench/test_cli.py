"""`nightdraw bench` as people and scripts call it: documents, exit statuses, files, signals."""

from __future__ import annotations

import json
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from nightdraw.cli import main

PROFILE = """\
profile: bench-case
start: {when: power}
draws:
  - steady: 40 mA
  - random: {draw: 250 mA, on: 50 ms .. 900 ms, gap: 1 s .. 3 s, law: uniform}
limits: {run: 30 h, charge: 30 Ah}
seed: 7
"""
PATIENCE_S = 20


@pytest.fixture
def profile(tmp_path: Path) -> str:
    path = tmp_path / "case.yaml"
    path.write_text(PROFILE, encoding="utf-8")
    return str(path)


def call(capsys, *words: str) -> tuple[int, str, str]:
    status = main.run(["bench", *words])
    seen = capsys.readouterr()
    return status, seen.out, seen.err


def test_record_answers_with_the_documented_keys_alone(capsys, profile, tmp_path):
    out = tmp_path / "run.csv"
    status, text, _ = call(
        capsys, "record", profile, "--for", "2 s", "--rate", "500 Hz", "--out", str(out), "--json"
    )
    assert status == 0
    assert json.loads(text) == {
        "recording": str(out),
        "journal": str(tmp_path / "run.journal.jsonl"),
        "samples": 1000,
        "simulated_s": 2.0,
    }
    lines = out.read_text().splitlines()
    assert lines[0] == "time_s,current_a"
    assert len(lines) == 1001


def test_record_without_out_only_runs(capsys, profile, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    status, text, _ = call(capsys, "record", profile, "--for", "1h", "--json")
    assert status == 0
    assert json.loads(text) == {"recording": None, "journal": None, "samples": 0, "simulated_s": 3600.0}
    assert [path.name for path in tmp_path.iterdir()] == ["case.yaml"]


def test_seed_and_run_choose_the_schedule(capsys, profile, tmp_path):
    def edges(*words: str) -> list[float]:
        out = tmp_path / "r.csv"
        assert (
            call(capsys, "record", profile, "--for", "60s", "--rate", "1Hz", "--out", str(out), *words)[0]
            == 0
        )
        lines = map(json.loads, out.with_suffix(".journal.jsonl").read_text().splitlines())
        return [line["t_s"] for line in lines if line["kind"] == "edge"]

    def asked(*words: str) -> list[float]:
        main.run(["profile", "edges", profile, "--for", "60s", "--json", *words])
        return [edge["t_s"] for edge in json.loads(capsys.readouterr().out)["edges"]]

    choices = [(), ("--seed", "8"), ("--run", "2"), ("--seed", "8", "--run", "2")]
    assert [edges(*words) for words in choices] == [asked(*words) for words in choices]
    assert len({tuple(asked(*words)) for words in choices}) == 4


def test_the_same_command_twice_gives_the_same_bytes(capsys, profile, tmp_path):
    for name in ("a.csv", "b.csv"):
        call(capsys, "record", profile, "--for", "5s", "--out", str(tmp_path / name))
    assert (tmp_path / "a.csv").read_bytes() == (tmp_path / "b.csv").read_bytes()
    assert (tmp_path / "a.journal.jsonl").read_bytes() == (tmp_path / "b.journal.jsonl").read_bytes()


def test_a_run_that_ends_early_is_said(capsys, tmp_path):
    path = tmp_path / "short.yaml"
    path.write_text(PROFILE.replace("run: 30 h", "run: 10 s"), encoding="utf-8")
    status, _, said = call(capsys, "record", str(path), "--for", "20s")
    assert status == 0
    assert "at the end the box is ended (time-used)" in said


@pytest.mark.parametrize(
    ("words", "what"),
    [
        (("--fault", "stuck:3"), "must be stuck-on:CHANNEL"),
        (("--fault", "open:11"), "channels 1 to 10"),
        (("--for", "10"), "unit"),
        (("--for", "0.1 us"), "--for"),
        (("--rate", "1 MHz"), "--rate"),
        (("--rate", "900 kHz"), "--rate"),
        (("--run", "0"), "--run"),
        (("--plant", "nowhere.yaml"), "nowhere.yaml"),
        (("--out", "nowhere/r.csv"), "nowhere"),
    ],
)
def test_misuse_is_status_2_and_one_document(capsys, profile, words, what):
    status, text, _ = call(capsys, "record", profile, "--for", "1s", *words, "--json")
    assert status == 2
    (error,) = json.loads(text)["errors"]
    assert what in f"{error['file']} {error['message']}"


def test_a_recording_never_replaces_its_profile(capsys, profile):
    status, _, said = call(capsys, "record", profile, "--for", "1s", "--out", profile)
    assert status == 2
    assert "one of the inputs" in said
    assert Path(profile).read_text(encoding="utf-8") == PROFILE


@contextmanager
def served(*words: str) -> Iterator[tuple[subprocess.Popen, dict]]:
    command = [sys.executable, "-m", "nightdraw", "bench", "serve", *words]
    with subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),  # a job in the background ignores it
    ) as process:
        try:
            yield process, json.loads(process.stdout.readline())
        finally:
            process.kill()


def identify(address: str) -> bytes:
    host, port = address.removeprefix("socket://").split(":")
    with socket.create_connection((host, int(port)), timeout=PATIENCE_S) as client:
        client.sendall(b"*IDN?\n")
        return client.recv(200)


@pytest.mark.skipif(sys.platform == "win32", reason="this system has no SIGTERM")
def test_serve_says_where_and_ends_well_on_sigterm():
    with served("--pty") as (process, where):
        assert set(where) == {"socket", "pty"}
        assert Path(where["pty"]).exists()
        assert identify(where["socket"]).startswith(b"NIGHTDRAW,bench-12v,")
        process.send_signal(signal.SIGTERM)
        out, err = process.communicate(timeout=PATIENCE_S)
        assert (process.returncode, out, err) == (0, "", "")


@pytest.mark.skipif(sys.platform == "win32", reason="this system has no SIGINT for one process")
def test_serve_without_a_terminal_and_interrupted():
    with served("--speed", "100", "--serial", "GROUP-B") as (process, where):
        assert where["pty"] is None
        assert b",GROUP-B," in identify(where["socket"])
        process.send_signal(signal.SIGINT)
        process.communicate(timeout=PATIENCE_S)
        assert process.returncode == 130


@pytest.mark.parametrize(
    "words", ["--speed 0", "--speed 1e9", "--speed nan", "--port 70000", "--fault x", "--serial a,b"]
)
def test_serve_refuses_what_it_cannot_do(capsys, words):
    assert call(capsys, "serve", *words.split())[0] == 2

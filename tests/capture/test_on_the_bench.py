"""The whole way with the firmware's own box: bench record, then capture, through the command line."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from boxcore import program
from nightdraw import data, programs
from nightdraw.bench.instrument import BenchLink
from nightdraw.bench.record import POWER_UP_TICKS, SLOT, JournalReader
from nightdraw.bench.recorder import Sampler
from nightdraw.bench.setup import build
from nightdraw.capture import compare, journal, read
from nightdraw.cli import main
from nightdraw.link import LoopTransport, open_box
from nightdraw.profile import load

PROFILE = """\
profile: two-habits
about: A test's own fault.
start: {when: power}
draws:
  - steady: 33 mA
  - pulse: {draw: 210 mA, on: 130 ms, every: 2.7 s, first: 400 ms}
  - random: {draw: 77 mA, on: 50 ms .. 400 ms, gap: 1 s .. 4 s, law: uniform}
seed: 9
"""


@pytest.fixture
def profile(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "two-habits.yaml"
    path.write_text(PROFILE, encoding="utf-8")
    return path


@pytest.fixture
def nightdraw(capsys: pytest.CaptureFixture[str]) -> Any:
    """Run a command with --json: exit status and document."""

    def run(*words: object) -> tuple[int, Any]:
        status = main.run([*(str(word) for word in words), "--json"])
        return status, json.loads(capsys.readouterr().out)

    return run


def plant(folder: Path, channel_line: str, instead: str) -> Path:
    text = data.board_path().read_text(encoding="utf-8")
    assert channel_line in text
    path = folder / "plant.yaml"
    path.write_text(text.replace(channel_line, instead), encoding="utf-8")
    return path


def test_an_honest_box_agrees_and_its_pulses_are_measured(nightdraw: Any, profile: Path) -> None:
    status, made = nightdraw("bench", "record", profile, "--for", "60s", "--out", "r.csv")
    assert status == 0
    status, edges = nightdraw("profile", "edges", profile, "--for", "60s")
    rises = [e["t_s"] for e in edges["edges"] if e["level_ma"] > 40]
    status, found = nightdraw("capture", "pulses", made["recording"])
    assert status == 0
    assert found["base_ma"] == pytest.approx(33, abs=2)
    for pulse in found["pulses"]:
        assert min(abs(pulse["start_s"] - t_s) for t_s in rises) <= 1e-3
    words = ("--profile", profile, "--journal", made["journal"], "--recording", made["recording"])
    status, found = nightdraw("capture", "compare", *words)
    assert (status, found["agree"], found["differences"]) == (0, True, [])
    assert found["clock"]["offset_s"] == pytest.approx(0, abs=6e-4)
    assert found["clock"]["rate_ppm"] == pytest.approx(0, abs=1)
    for left_out in (0, 2, 4):
        status, found = nightdraw("capture", "compare", *words[:left_out], *words[left_out + 2 :])
        assert (status, found["agree"]) == (0, True)


@pytest.mark.parametrize(("fault", "kind"), [("stuck-on:7", "stuck-on"), ("open:8", "open")])
def test_a_broken_switch_is_named(nightdraw: Any, profile: Path, fault: str, kind: str) -> None:
    nightdraw("bench", "record", profile, "--for", "60s", "--out", "r.csv", "--fault", fault)
    status, found = nightdraw(
        "capture", "compare", "--profile", profile, "--journal", "r.journal.jsonl", "--recording", "r.csv"
    )
    assert (status, found["agree"]) == (1, False)
    assert found["differences"][0]["kind"] == kind
    assert f"channel {fault[-1]} is " in found["differences"][0]["message"]


def test_a_resistor_a_fifth_off_is_named(nightdraw: Any, profile: Path, tmp_path: Path) -> None:
    real = plant(tmp_path, "ohms: 82 ohm", "ohms: 98.4 ohm")
    nightdraw("bench", "record", profile, "--for", "60s", "--out", "r.csv", "--plant", real)
    status, found = nightdraw(
        "capture", "compare", "--profile", profile, "--journal", "r.journal.jsonl", "--recording", "r.csv"
    )
    assert (status, found["agree"]) == (1, False)
    assert found["differences"][0]["kind"] == "level"
    assert "channel 8 draws 17 % less" in found["differences"][0]["message"]


def test_seed_and_run_come_from_the_journal_or_the_call(nightdraw: Any, profile: Path) -> None:
    nightdraw("bench", "record", profile, "--for", "60s", "--out", "r.csv", "--seed", "77", "--run", "4")
    words = ("capture", "compare", "--profile", profile, "--recording", "r.csv")
    assert nightdraw(*words, "--journal", "r.journal.jsonl")[0] == 0
    assert nightdraw(*words, "--seed", "77", "--run", "4")[0] == 0
    status, found = nightdraw(*words)
    assert status == 1
    assert {"missing", "extra"} & {row["kind"] for row in found["differences"]}


def test_statuses_and_documents_of_bad_calls(nightdraw: Any, profile: Path, tmp_path: Path) -> None:
    status, found = nightdraw("capture", "compare", "--profile", profile)
    assert status == 2
    assert "two of" in found["errors"][0]["message"]
    status, found = nightdraw("capture", "pulses", "none.csv")
    assert status == 2
    assert found["errors"][0]["file"] == "none.csv"
    (tmp_path / "short.csv").write_text(
        "time_s,current_a\n0,0.04\n0.001,0.04\n0.002,0.04\n", encoding="utf-8"
    )
    assert nightdraw("capture", "pulses", "short.csv")[0] == 3
    nightdraw("bench", "record", profile, "--for", "5s", "--out", "r.csv")
    status, found = nightdraw("capture", "compare", "--profile", profile, "--recording", "short.csv")
    assert (status, found["agree"], found["differences"]) == (3, None, [])
    status, found = nightdraw("capture", "compare", "--journal", "r.csv", "--recording", "r.csv")
    assert status == 2
    assert found["errors"][0]["file"] == "r.csv"


def test_text_for_people(profile: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main.run(["bench", "record", str(profile), "--for", "20s", "--out", "r.csv"]) == 0
    assert main.run(["capture", "pulses", "r.csv"]) == 0
    assert main.run(["capture", "compare", "--journal", "r.journal.jsonl", "--recording", "r.csv"]) == 0
    out = capsys.readouterr().out
    assert "above base" in out
    assert out.rstrip().endswith("the accounts agree")


def test_a_hold_is_why_pulses_are_missing(profile: Path) -> None:
    """The supply sags for some seconds of a run: the box's own journal says so, and the recording agrees with
    the journal."""
    plan = load(profile).program()
    world = build(seed=plan.seed).world()
    world.record()
    world.advance(POWER_UP_TICKS)
    with open_box(LoopTransport(BenchLink(world).feed)) as box:
        box.send(SLOT, programs.pack(plan))
        started = box.arm(SLOT).started_tick
        assert started is not None
        for voc_mv, seconds in ((12_600, 20), (11_500, 8), (12_600, 32)):
            world.supply_to(voc_mv)
            world.advance(seconds * program.TICKS_PER_S)
        reader = JournalReader(box, started)
        did = journal.did_of(reader.head(plan.name, plan.seed), reader.news())
    sampler = Sampler(Fraction(1000), world.world_tick(started), 59_000, 1)
    seen = read.from_arrays(*sampler.feed(world.seen()))
    asked = compare.Asked(plan, 1, 11_000)
    assert [spell.why.kind for spell in did.spells] == ["hold"]
    found = compare.compare(None, did, seen)
    assert found.agree is True, found.text()
    found = compare.compare(asked, did, seen)
    assert found.agree is False
    missing = [row for row in found.differences if row.kind == "missing"]
    assert len(missing) == 1
    assert "hold at 20.0" in missing[0].message
    assert "supply-low" in missing[0].message
    assert all("hold" in row.message for row in found.differences)

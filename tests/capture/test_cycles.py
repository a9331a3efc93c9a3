"""Power losses: what the box played before and after them is one account, what is between is in none."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from nightdraw.capture import journal
from nightdraw.capture.cycles import split

from tests.capture import bench_runs as runs


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def lose_power(name: str, resume: str, *more: object) -> Path:
    """A run on fuse F7 that loses its power from 70 s to 100 s of 180 s."""
    asked = runs.profile(name, resume)
    events = runs.script("at: 70 s, pull: F7", "at: 100 s, back: F7")
    channels = ["--channel", "battery", "--channel", "F7"]
    runs.record("vehicle-1", f"{asked}@tailgate", 180, *channels, "--script", events, *more)
    return asked


@pytest.mark.parametrize("resume", ["restart", "continue"])
@pytest.mark.parametrize("name", ["even", "two", "high"])
def test_a_run_that_lost_its_power_agrees_with_its_journal(
    name: str, resume: str, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = lose_power(name, resume)
    for channel in ("battery", "F7"):
        status, found = runs.compare(capsys, "--profile", asked, *runs.JOURNAL, "--channel", channel)
        assert found["differences"] == [], runs.told(found)
        assert (status, found["agree"]) == (0, True)
        assert any("power off" in note and "100.000 s" in note for note in found["notes"])
        assert found["clock"]["offset_s"] == pytest.approx(5.0005, abs=1e-3)
    assert runs.compare(capsys, "--profile", asked, *runs.JOURNAL, "--channel", "battery")[0] == 0


def test_the_journal_alone_agrees_with_what_was_asked(capsys: pytest.CaptureFixture[str]) -> None:
    from nightdraw.cli import main

    for resume in ("restart", "continue"):
        asked = lose_power("two", resume)
        capsys.readouterr()
        words = ["capture", "compare", "--profile", str(asked), *runs.JOURNAL, "--json"]
        assert main.run(words) == 0, capsys.readouterr().out


def test_what_is_missing_after_a_power_loss_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    """A pulse of the second power-up is cut out of the recording, the fifth of the run begun anew."""
    lose_power("even", "restart")
    rows = Path("r.csv").read_text().splitlines()
    start_s = 105.0 + 4 * 7.5
    kept = [rows[0]]
    for row in rows[1:]:
        t_s, battery, drop = row.split(",")
        if start_s < float(t_s) <= start_s + 0.7:
            battery, drop = f"{float(battery) - 0.35:.6f}", f"{float(drop) - 0.35 * 7.7:.6f}"
        kept.append(f"{t_s},{battery},{drop}")
    Path("r.csv").write_text("\n".join(kept) + "\n")
    for channel in ("battery", "F7"):
        status, found = runs.compare(capsys, *runs.JOURNAL, "--channel", channel)
        assert status == 1
        assert [(row["kind"], row["pulse"]) for row in found["differences"]] == [("missing", 5)]


def test_a_broken_switch_is_told_once(capsys: pytest.CaptureFixture[str]) -> None:
    """Before steps of several heights: of one, leads of some ohms would explain the same."""
    asked = lose_power("high", "restart", "--fault", "open:7")
    status, found = runs.compare(capsys, "--profile", asked, *runs.JOURNAL, "--channel", "battery")
    assert status == 1
    assert [row["kind"] for row in found["differences"]] == ["open"]
    assert "channel 7 is open" in runs.told(found)


def test_power_that_never_comes_back(capsys: pytest.CaptureFixture[str]) -> None:
    """The journal ends some time before the fuse was pulled; nothing of the box is missing or extra."""
    asked = runs.profile("even")
    events = runs.script("at: 70 s, pull: F7")
    runs.record("vehicle-1", f"{asked}@tailgate", 120, "--channel", "battery", "--script", events)
    status, found = runs.compare(capsys, *runs.JOURNAL)
    assert found["differences"] == []
    assert status in (0, 3)
    status, found = runs.compare(capsys, "--profile", asked, *runs.JOURNAL)
    assert not {"stuck-on", "open", "level"} & runs.kinds(found)


@pytest.mark.parametrize("resume", ["restart", "continue"])
@pytest.mark.parametrize("name", ["even", "two"])
def test_without_a_journal_the_instant_is_named_and_no_channel(
    name: str, resume: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nobody can know of a new start by the recording alone."""
    asked = lose_power(name, resume)
    for channel in ("battery", "F7"):
        status, found = runs.compare(capsys, "--profile", asked, "--channel", channel)
        assert status in (1, 3)
        assert runs.kinds(found) <= {"missing", "extra", "time"}
        if found["differences"]:
            assert "of the recording" in runs.told(found)
            assert "channel" not in runs.told(found)


def as_read_over_the_link() -> None:
    """Make the bench's journal what `box journal` writes: the last start is the zero, and no recording's
    clock is in it."""
    head, *records = [json.loads(line) for line in Path("r.journal.jsonl").read_text().splitlines()]
    last = [said for said in records if said["kind"] == "start"][-1]
    zero = last["tick"] - last["position"]
    head = {name: value for name, value in head.items() if name not in ("start_at_s", "splice")}
    head |= {"run_start_boot": last["boot"], "run_start_tick": zero}
    for said in records:
        del said["at_s"]
        said["t_s"] = (said["tick"] - zero) / 1e4 if said["boot"] == last["boot"] else None
    lines = [json.dumps(said) for said in (head, *records)]
    Path("r.journal.jsonl").write_text("\n".join(lines) + "\n")


@pytest.mark.parametrize("name", ["two", "high"])
def test_power_ups_without_a_place_are_found_by_their_edges(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = lose_power(name, "restart")
    as_read_over_the_link()
    status, found = runs.compare(capsys, "--profile", asked, *runs.JOURNAL, "--channel", "battery")
    assert found["differences"] == [], runs.told(found)
    assert status == 0
    assert found["clock"]["offset_s"] == pytest.approx(105.0005, abs=2e-3), "the last start's"
    rows = Path("r.csv").read_text().splitlines()
    Path("r.csv").write_text("\n".join([rows[0], *rows[90_000:]]) + "\n")
    status, found = runs.compare(capsys, "--profile", asked, *runs.JOURNAL, "--channel", "battery")
    assert found["differences"] == [], runs.told(found)
    assert status in (0, 3)


HEAD = {"own_ma": 11.0, "channels_ns": [1000], "profile": "p", "seed": 0, "run": 1}


def said(kind: str, boot: int, tick: int, **more: Any) -> dict[str, Any]:
    return {"kind": kind, "boot": boot, "tick": tick, "t_s": None, "supply_mv": 12_600, **more}


def edge(boot: int, tick: int, level: float) -> dict[str, Any]:
    return said("edge", boot, tick, level_ma=level, pattern=1)


RECORDS = [
    said("boot", 1, 0),
    said("arm", 1, 5_000, by="link"),
    said("start", 1, 10_000, position=0),
    edge(1, 10_000, 40.0),
    edge(1, 30_000, 90.0),
    said("boot", 2, 0),
    said("arm", 2, 0, by="resume"),
    said("start", 2, 20_000, position=25_000),
    edge(2, 20_000, 60.0),
    edge(2, 40_000, 40.0),
    said("arm", 2, 60_000, by="link"),
    said("start", 2, 70_000, position=0),
    edge(2, 70_000, 500.0),
]


def test_cycles_count_each_from_the_runs_zero() -> None:
    head = {**HEAD, "run_start_boot": 1, "run_start_tick": 10_000, "start_at_s": 7.0}
    did = journal.did_of(head, RECORDS)
    assert did.account.t_s.tolist() == [0.0, 2.0]
    assert did.cycle.cut
    (other,) = did.others
    assert other.cycle.from_s == 2.5
    np.testing.assert_allclose(other.account.t_s, [2.5, 4.5])
    assert (other.cycle.boot, other.cycle.zero_at_s, other.cycle.cut) == (2, None, False)
    assert did.cycle.zero_at_s == 7.0


def test_another_arm_is_another_run() -> None:
    head = {**HEAD, "run_start_boot": 2, "run_start_tick": 70_000}
    did = journal.did_of(head, RECORDS)
    assert did.account.level_ma.tolist() == [500.0]
    assert did.others == ()
    cycles, own = split({**HEAD, "run_start_boot": 2, "run_start_tick": -5_000}, RECORDS)
    assert (len(cycles), own) == (2, 1)


def test_a_start_that_is_nowhere_leaves_one_stint() -> None:
    cycles, own = split({**HEAD, "run_start_boot": 5, "run_start_tick": 1}, RECORDS)
    assert (len(cycles), own) == (1, 0)

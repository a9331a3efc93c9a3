"""Boxes in a vehicle: recording and journals tell one story, power losses included; same call, same bytes."""

from __future__ import annotations

import json
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
from boxcore import program as pg
from boxcore import schedule
from nightdraw import programs
from nightdraw.bench import drive
from nightdraw.bench.rig import Rig
from nightdraw.bench.setup import build
from nightdraw.vehicle.script import EMPTY, Event, Script
from pyarrow import csv

from tests.bench.support import program
from tests.vehicle.circuits import S, vehicle

PULSED = program((pg.STEADY, 40_000), (pg.PULSE, 350_000, 7_000, 30_000, 12_345))
OTHER = program((pg.STEADY, 25_000), (pg.RANDOM, 120_000, 2_000, 9_000, pg.UNIFORM, 20_000, 50_000))
PULLED = Script("pulled", False, (Event(20 * S, "pull", "F2"), Event(35 * S, "back", "F2")))
QUIET = vehicle(modules=())


def boxes(*plans: pg.Program) -> list[drive.Placed]:
    return [
        drive.Placed(splice, plan, build(seed=k), k)
        for k, (splice, plan) in enumerate(zip("ab", plans, strict=False))
    ]


def lines(path: Path) -> list[dict]:
    return [json.loads(line) for line in path.read_text().splitlines()]


def recorded(path: Path) -> dict[str, np.ndarray]:
    table = pq.read_table(path) if path.suffix == ".parquet" else csv.read_csv(path)
    return {name: table[name].to_numpy() for name in table.column_names}


def run(tmp_path: Path, plans, script=EMPTY, seconds=60, name="r.csv", **changes):
    wanted = drive.Drive(seconds * S, drive.chosen(QUIET, ["all"]), out=tmp_path / name, fronts=drive.ideal)
    done = drive.drive(QUIET, boxes(*plans), replace(wanted, **changes), script)
    return recorded(done.recording), [lines(path) for path in done.journals]


def test_a_box_in_a_vehicle_draws_what_its_schedule_says(tmp_path: Path) -> None:
    seen, (log,) = run(tmp_path, [PULSED], rate_hz=Fraction(10_000))
    asked = list(programs.edges(schedule.Schedule(PULSED, 1, 11_000), 60 * S))
    battery = seen["battery_a"]
    for (tick, level_ua), (end, _) in zip(asked, [*asked[1:], (60 * S, 0)], strict=True):
        inside = battery[tick + 1 : end]  # sample k is the tick before k: every one of them
        tolerance_a = max(0.002, 0.02 * level_ua / 1e6)
        assert abs(inside - level_ua / 1e6).max() < tolerance_a
    said = [(r["at_s"], r["level_ma"]) for r in log if r["kind"] == "edge"]
    jumps = np.flatnonzero(abs(np.diff(battery)) > 0.1) / 10_000
    assert [at for at, _ in said if at > 0] == pytest.approx(jumps.tolist(), abs=1e-9)


def test_pulling_its_own_fuse_kills_a_box_and_it_comes_back_by_its_rule(tmp_path: Path) -> None:
    seen, (log, other) = run(tmp_path, [PULSED, OTHER], PULLED)
    time_s = seen["time_s"]
    out = (time_s > 20.0005) & (time_s < 35.0005)  # a sample is of the millisecond before it
    assert abs(seen["F2_mv"][out] - 12_500).max() < 100  # across an empty socket stands the battery
    assert seen["F2_mv"][~out].max() < 10
    # the other box and nothing else draws while the fuse is out
    assert np.allclose(seen["battery_a"][out], seen["F3_mv"][out] / 1000 / 0.01785, rtol=1e-3)
    boots = [r for r in log if r["kind"] == "boot"]
    assert [r["at_s"] for r in boots] == [-1.0, 35.0]
    starts = [r for r in log if r["kind"] == "start"]
    assert [r["at_s"] for r in starts] == [0.0, 35.0]  # resume: restart, from the schedule's zero
    assert [r["kind"] for r in other].count("boot") == 1
    edges = [r["at_s"] for r in log if r["kind"] == "edge" and r.get("boot") == 2]
    asked = [tick / S for tick, _ in programs.edges(schedule.Schedule(PULSED, 1, 11_000), 25 * S)]
    assert edges[: len(asked)] == pytest.approx([35 + at for at in asked])
    assert not [r for r in log if r["kind"] == "edge" and 20 < r["at_s"] < 35]
    after = np.interp([35 + asked[1] + 0.1, 35 + asked[1] - 0.1], time_s, seen["F2_mv"])
    assert after[0] - after[1] > 1.0  # 350 mA through 4.8 mohm: the first pulse of the run begun anew


def test_a_box_that_stays_off_stays_off(tmp_path: Path) -> None:
    plan = program((pg.STEADY, 40_000), resume=pg.RESUME_STAY_OFF)
    seen, (log,) = run(tmp_path, [plan], PULLED)
    assert [r["kind"] for r in log if r.get("boot") == 2] == ["boot", "halt"]
    assert seen["battery_a"][-1] == pytest.approx(0.011, abs=1e-4)  # its own consumption alone


def test_one_box_sags_the_other(tmp_path: Path) -> None:
    rig = Rig(QUIET, [("a", build()), ("b", build())], ("battery",))
    before = rig.worlds[1].outlet.supply_v
    rig.worlds[0].outlet.play(0b1111111111)
    assert before - rig.worlds[1].outlet.supply_v > 0.01  # both hang on the rear feed


@pytest.mark.parametrize("name", ["r.csv", "r.parquet"])
def test_the_same_call_writes_the_same_bytes(tmp_path: Path, name: str) -> None:
    found = []
    for k in (1, 2):
        folder = tmp_path / str(k)
        folder.mkdir()
        form = name.split(".")[1]
        run(folder, [PULSED, OTHER], PULLED, name=name, form=form, fronts=drive.usual)
        found.append({path.name: path.read_bytes() for path in sorted(folder.iterdir())})
    assert found[0] == found[1]
    assert list(found[0]) == sorted([name, "r.a.journal.jsonl", "r.b.journal.jsonl"])
    run(tmp_path, [PULSED, OTHER], PULLED, name=name, form=form, fronts=drive.usual, seed=1)
    assert (tmp_path / name).read_bytes() != found[0][name]


def test_csv_and_parquet_hold_the_same_numbers(tmp_path: Path) -> None:
    text, _ = run(tmp_path, [PULSED], name="r.csv")
    table, _ = run(tmp_path, [PULSED], name="r.parquet", form="parquet")
    for name, column in text.items():
        assert np.array_equal(column, table[name])


def test_a_fuse_is_recorded_as_its_branch_current_times_its_resistance(tmp_path: Path) -> None:
    seen, _ = run(tmp_path, [PULSED, OTHER])
    # cold by the sheet; 0.36 A warms a 5 A fuse by (0.36 / 5)^2 of its 43 % at most
    assert np.allclose(seen["rear_a"], seen["F2_mv"] / 4.58 + seen["F3_mv"] / 17.85, rtol=0.43 * 0.072**2)
    assert np.allclose(seen["battery_a"], seen["front_a"] + seen["rear_a"], rtol=0, atol=1e-13)


def test_samples_and_chunks_do_not_depend_on_each_other(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    one, _ = run(tmp_path, [PULSED], PULLED, fronts=drive.usual)
    monkeypatch.setattr(drive, "CHUNK_TICKS", 77_777)
    two, _ = run(tmp_path, [PULSED], PULLED, fronts=drive.usual)
    assert all(np.array_equal(one[name], two[name]) for name in one)


def kinds(log: list[dict], boot: int) -> list[str]:
    return [r["kind"] for r in log if r.get("boot") == boot and r["kind"] != "edge"]


@pytest.mark.parametrize("at", [0, 50_000, 59 * S, 60 * S - 1, 60 * S, 70 * S - 1])
def test_a_fuse_that_stays_out_leaves_what_the_flash_holds(tmp_path: Path, at: int) -> None:
    """The journal of a box without power is read as over USB: what was written down in time, no more."""
    said: list[str] = []
    wanted = drive.Drive(70 * S, ("battery",), out=tmp_path / "r.csv", fronts=drive.ideal)
    done = drive.drive(
        QUIET, boxes(PULSED), wanted, Script("s", False, (Event(at, "pull", "F2"),)), said.append
    )
    log = lines(done.journals[0])
    assert kinds(log, 1) == ["boot", "arm", "start"]
    assert said == ["at the end the box at a is without power"]
    edges = [r["at_s"] for r in log if r["kind"] == "edge"]
    asked = [tick / S for tick, _ in programs.edges(schedule.Schedule(PULSED, 1, 11_000), at)]
    assert edges == asked[: len(edges)]  # no edge that wasn't, and at most 10 s and a batch of them lost
    assert len(asked) - len(edges) <= 256
    if at >= 59 * S:
        assert edges[-1] > 40


@pytest.mark.parametrize("out", [0.5, 3.0])
def test_a_power_loss_within_a_minute_loses_no_record_of_the_next_boot(tmp_path: Path, out: float) -> None:
    """Records that were read before they were in the flash must not hide those that stand there now."""
    pulls = [61.0, 62.0, 119.9]
    events = [Event(round((t + k * out) * S), ("pull", "back")[k], "F2") for t in pulls for k in (0, 1)]
    wanted = drive.Drive(150 * S, ("battery",), out=tmp_path / "r.csv", fronts=drive.ideal)
    if out > 1:
        events = events[2:]
    done = drive.drive(QUIET, boxes(PULSED), wanted, Script("s", False, tuple(events)))
    log = lines(done.journals[0])
    backs = [event.at_ticks / S for event in events if event.action == "back"]
    assert [r["at_s"] for r in log if r["kind"] == "boot"] == [-1.0, *backs]
    assert [r["at_s"] for r in log if r["kind"] == "start"] == [0.0, *backs]
    assert [r["at_s"] for r in log if r["kind"] == "edge" and r["at_s"] >= backs[-1]] == pytest.approx(
        [
            backs[-1] + t / S
            for t, _ in programs.edges(schedule.Schedule(PULSED, 1, 11_000), 150 * S)
            if backs[-1] + t / S < 150
        ]
    )

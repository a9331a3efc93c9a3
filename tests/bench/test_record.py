"""`bench record` as a function: the recording and the journal tell the same run as the schedule alone."""

from __future__ import annotations

import itertools
import json
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from boxcore import program as pg
from boxcore.program import TICKS_PER_S as S
from nightdraw.bench import plant as pl
from nightdraw.bench.record import RecordingRequest, record
from nightdraw.bench.setup import Bench
from nightdraw.errors import InputError

from tests.bench import support

RANDOM = support.program(
    (pg.STEADY, 40_000), (pg.RANDOM, 250_000, 500, 9_000, pg.EXPONENTIAL, 30_000, 30_000), seed=11
)
MILLI = 0.002  # the job's tolerance: 2 mA


def bench(*faults: pl.SwitchDefect, true_ns=support.CHANNELS_NS, monitor=True) -> Bench:
    plant = pl.Plant(true_ns, support.OWN_UA, monitor, faults)
    return Bench(support.board(monitor=monitor), plant)


def recorded(out: Path, plan=RANDOM, seconds=30, at=None, say=lambda text: None, **wanted) -> SimpleNamespace:
    fields = {"seed": 11, "out": out, **wanted}
    done = record(plan, at or bench(), RecordingRequest(round(seconds * S), **fields), say)
    lines = [json.loads(line) for line in done.journal.read_text().splitlines()]
    times, amps = np.loadtxt(done.recording, delimiter=",", skiprows=1, ndmin=2).T
    return SimpleNamespace(done=done, head=lines[0], journal=lines[1:], times=times, amps=amps)


def test_the_recording_begins_at_the_runs_zero(tmp_path):
    take = recorded(tmp_path / "r.csv", seconds=20)
    assert take.done.samples == len(take.times) == 20_000
    assert take.times == pytest.approx(np.arange(20_000) / 1000, abs=0)
    assert take.done.simulated_s == 20.0
    assert take.done.journal == tmp_path / "r.journal.jsonl"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["r.csv", "r.journal.jsonl"]


@pytest.mark.parametrize("run", [1, 2, 4_000_000_000])
def test_every_level_is_recorded_where_the_schedule_has_it(tmp_path, run):
    """Averaged over each level's own time, and to the sample at its ends."""
    take = recorded(tmp_path / "r.csv", run=run)
    asked = [*support.levels(RANDOM, 30 * S, run), (30 * S, None)]
    assert len(asked) > 10
    assert take.head["run"] == run
    for (start, level_ua), (stop, _) in itertools.pairwise(asked):
        inside = take.amps[-(-start // 10) + 1 : stop // 10 + 1]  # sample k covers the millisecond before k
        noise = 4 * 0.001 / len(inside) ** 0.5
        assert inside.mean() == pytest.approx(level_ua / 1e6, abs=MILLI / 2 + noise + 0.005 * level_ua / 1e6)
        assert inside[0] == pytest.approx(level_ua / 1e6, abs=0.01)
        assert inside[-1] == pytest.approx(level_ua / 1e6, abs=0.01)


def test_the_journal_holds_every_edge_with_its_own_tick(tmp_path):
    take = recorded(tmp_path / "r.csv")
    edges = [line for line in take.journal if line["kind"] == "edge"]
    asked = support.levels(RANDOM, 30 * S)
    assert [round(line["t_s"] * S) for line in edges] == [tick for tick, _ in asked]
    assert [line["tick"] - take.head["run_start_tick"] for line in edges] == [tick for tick, _ in asked]
    for line, (_, level_ua) in zip(edges, asked, strict=True):
        assert line["level_ma"] == pytest.approx(level_ua / 1000, abs=1.0)
    assert {line["boot"] for line in take.journal} == {1}


def test_the_journals_head_says_what_the_box_believes(tmp_path):
    head = recorded(tmp_path / "r.csv", seconds=1).head
    assert head.pop("run_start_tick") >= 0
    assert head == {
        "kind": "box",
        "board": "bench-test",
        "own_ma": 11.0,
        "channels_ns": list(support.CHANNELS_NS),
        "monitor": True,
        "profile": "bench-test",
        "slot": 0,
        "run": 1,
        "seed": 11,
    }


def test_a_journal_longer_than_the_boxs_ring_is_whole(tmp_path):
    """The box holds 32 768 records; 40 000 edges went by and none is missing."""
    plan = support.program((pg.STEADY, 40_000), (pg.PULSE, 100_000, 500, 1_000, 0))
    take = recorded(tmp_path / "r.csv", plan, seconds=2000, rate_hz=Fraction(1))
    edges = [round(line["t_s"] * S) for line in take.journal if line["kind"] == "edge"]
    assert edges == list(range(0, 2000 * S, 500))
    assert not [line for line in take.journal if line["kind"] in ("lost", "starved")]


def test_same_seed_same_bytes(tmp_path):
    first, again = (recorded(tmp_path / name, seconds=5) for name in ("a.csv", "b.csv"))
    other = recorded(tmp_path / "c.csv", seconds=5, seed=12)
    assert first.done.recording.read_bytes() == again.done.recording.read_bytes()
    assert first.done.journal.read_bytes() == again.done.journal.read_bytes()
    assert first.done.recording.read_bytes() != other.done.recording.read_bytes()


@pytest.mark.parametrize("rate", [Fraction(100), Fraction(3), Fraction(44_100), Fraction(1, 7)])
def test_any_rate_has_its_number_of_samples(tmp_path, rate):
    take = recorded(tmp_path / "r.csv", seconds=8, rate_hz=rate)
    assert take.done.samples == len(take.times) == int(8 * rate)
    assert take.times[-1] == pytest.approx((take.done.samples - 1) / float(rate))


def test_without_out_it_only_runs(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    done = record(RANDOM, bench(), RecordingRequest(60 * S, 11))
    assert (done.recording, done.journal, done.samples, done.simulated_s) == (None, None, 0, 60.0)
    assert list(tmp_path.iterdir()) == []


def test_what_the_start_rule_waits_for_is_skipped_and_said(tmp_path):
    plan = support.program(
        (pg.STEADY, 300_000),
        start=pg.START_REST,
        start_below_mv=13_000,
        start_steady_ticks=60 * S,
        start_after_ticks=900 * S,
    )
    said = []
    take = recorded(tmp_path / "r.csv", plan, seconds=1, say=said.append)
    assert take.amps[0] == pytest.approx(0.011, abs=0.005)  # the instant before
    assert take.amps[1:].mean() == pytest.approx(0.3, abs=0.002)
    assert len(said) == 1
    assert "960 s" in said[0] or "959 s" in said[0]


def test_the_bench_flips_the_arm_switch_of_a_panel_start(tmp_path):
    plan = support.program((pg.STEADY, 300_000), start=pg.START_PANEL)
    said = []
    take = recorded(tmp_path / "r.csv", plan, seconds=1, say=said.append)
    assert take.amps[1:].mean() == pytest.approx(0.3, abs=0.002)
    assert said == ["the arm switch is flipped"]


@pytest.mark.parametrize(
    ("fields", "what"),
    [
        ({"start": pg.START_REST, "start_below_mv": 12_000}, "less than 12 V, the supply rests at 12.6 V"),
        (
            {"start": pg.START_REST, "start_below_mv": 12_600, "start_steady_ticks": 10 * S},
            "less than 12.6 V",
        ),
    ],
)
def test_a_start_that_never_comes_is_an_error(tmp_path, fields, what):
    plan = support.program((pg.STEADY, 40_000), **fields)
    with pytest.raises(InputError, match=what):
        record(plan, bench(), RecordingRequest(S, 0, out=tmp_path / "r.csv"))
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("wanted", "what"),
    [
        (RecordingRequest(0, 0), "--for"),
        (RecordingRequest(S, 0, Fraction(0)), "--rate"),
        (RecordingRequest(S, 0, Fraction(200_000)), "--rate"),
        (RecordingRequest(S, 0, Fraction(1, 2), out=Path("r.csv")), "shorter than one sample"),
    ],
)
def test_what_cannot_be_recorded_is_refused(wanted, what):
    with pytest.raises(InputError, match=what):
        record(RANDOM, bench(), wanted)


CHANNEL_5_A = 12.6 * support.CHANNELS_NS[4] / 1e9  # 20 mA


def steady(tmp_path, *faults, **options):
    """A level whose pattern has channel 5 closed, recorded for a second."""
    plan = support.program((pg.STEADY, 11_000 + round(CHANNEL_5_A * 1e6)))
    return recorded(tmp_path / "r.csv", plan, seconds=3, at=bench(*faults, **options))


def test_a_stuck_switch_shows_before_and_during_the_run(tmp_path):
    take = steady(tmp_path, pl.SwitchDefect(pl.STUCK_ON, 8))
    extra = 12.6 * support.CHANNELS_NS[7] / 1e9
    assert take.amps[0] == pytest.approx(0.011 + extra, abs=0.006)
    assert take.amps[10:].mean() == pytest.approx(0.011 + CHANNEL_5_A + extra, abs=0.001)
    assert [line["fault"] for line in take.journal if line["kind"] == "flag"] == ["switch-on"]


def test_an_open_resistor_leaves_its_current_out(tmp_path):
    take = steady(tmp_path, pl.SwitchDefect(pl.OPEN, 5))
    assert take.amps[10:].mean() == pytest.approx(0.011, abs=0.001)
    assert [line["fault"] for line in take.journal if line["kind"] == "flag"] == ["switch-open"]


def test_without_a_monitor_the_fault_shows_in_the_recording_alone(tmp_path):
    take = steady(tmp_path, pl.SwitchDefect(pl.OPEN, 5), monitor=False)
    assert take.amps[10:].mean() == pytest.approx(0.011, abs=0.001)
    assert not [line for line in take.journal if line["kind"] == "flag"]


def test_a_plant_that_is_off_is_recorded_as_it_is(tmp_path):
    """Resistor 5 is 20 % too small; the box, untrimmed, knows nothing of it."""
    true_ns = list(support.CHANNELS_NS)
    true_ns[4] = true_ns[4] * 5 // 4
    take = steady(tmp_path, true_ns=true_ns)
    assert take.amps[10:].mean() == pytest.approx(0.011 + 1.25 * CHANNEL_5_A, abs=0.0005)
    edge = next(line for line in take.journal if line["kind"] == "edge")
    assert edge["level_ma"] == pytest.approx(11 + 1000 * CHANNEL_5_A, abs=0.1)

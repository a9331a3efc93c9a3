"""Recordings from vehicles: other loads are no fault of the box, and don't hide one either."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from nightdraw.capture.compare import Comparison, Place, compare
from nightdraw.capture.read import from_arrays

from tests.capture import bench_runs as runs
from tests.capture import cases
from tests.capture.synthetic import (
    CHANNELS_NS,
    SUPPLY_MV,
    Clamp,
    Floats,
    Run,
    Truth,
    pulse,
    random_draw,
    run_of,
    steady,
)

CULPRITS = {"stuck-on", "open", "level"}
FEEDS = {"vehicle-1": "cabin", "vehicle-2": "dash", "vehicle-3": "load"}
SPLICES = {"vehicle-1": "tailgate", "vehicle-2": "head-unit", "vehicle-3": "rear-doors"}


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


@pytest.mark.parametrize("door", [False, True])
@pytest.mark.parametrize("name", runs.PROFILES)
@pytest.mark.parametrize("vehicle", SPLICES)
def test_a_sound_box_in_a_vehicle_is_accused_of_nothing(
    vehicle: str, name: str, door: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    """Asleep, and with a door that wakes the vehicle; at the battery and at the feed."""
    asked = runs.profile(name)
    more = ["--script", runs.script("at: 60 s, door: opens", "at: 70 s, door: closes")] if door else []
    channels = ["--channel", "battery", "--channel", FEEDS[vehicle]]
    runs.record(vehicle, f"{asked}@{SPLICES[vehicle]}", 120, *channels, *more)
    for channel in ("battery", FEEDS[vehicle]):
        status, found = runs.compare(capsys, "--profile", asked, *runs.JOURNAL, "--channel", channel)
        assert found["differences"] == []
        assert status in (0, 3)
        if not door:
            assert (status, found["agree"]) == (0, True)
        assert runs.compare(capsys, "--profile", asked, "--channel", channel)[0] in (0, 3)


FAULTS = [
    ("vehicle-1", "even", "open:9"),
    ("vehicle-1", "two", "stuck-on:7"),
    ("vehicle-2", "high", "open:9"),
    ("vehicle-2", "two", "stuck-on:9"),
    ("vehicle-3", "even", "open:7"),
    ("vehicle-3", "high", "stuck-on:9"),
]


@pytest.mark.parametrize(("vehicle", "name", "fault"), FAULTS)
def test_a_broken_switch_is_named_among_other_loads(
    vehicle: str, name: str, fault: str, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = runs.profile(name)
    runs.record(vehicle, f"{asked}@{SPLICES[vehicle]}", 150, "--channel", "battery", "--fault", fault)
    kind, channel = fault.split(":")
    journal = Path("r.journal.jsonl")
    bits = [
        json.loads(line)["pattern"] >> (int(channel) - 1) & 1
        for line in journal.read_text().splitlines()
        if '"pattern"' in line
    ]
    assert any(bits), "a channel that this run uses"
    assert not all(bits)
    status, found = runs.compare(capsys, "--profile", asked, *runs.JOURNAL)
    assert status == 1
    assert found["differences"][0]["kind"] == kind
    said = {"open": "open", "stuck-on": "stuck on"}[kind]
    assert re.search(f"channel {channel} (is|may be) {said}", runs.told(found))


def beside(run: Run, other_ma: Any, clamp: Clamp | None = None) -> tuple[Floats, Floats]:
    """The run's recording with another load's current, a function of time, on top."""
    t_s, ma = (clamp or Clamp()).samples(run.truth)
    return t_s, (ma + other_ma(t_s)) / 1000


def in_company(run: Run, other_ma: Any, monitored: bool = False) -> Comparison:
    place = Place(shared=True, monitored=monitored)
    return compare(run.asked, run.did, from_arrays(*beside(run, other_ma)), place)


def sleeping(t_s: Floats) -> Floats:
    """15 mA, a lamp every 2 s, a radio's look-round every minute, 9 s of a module awake."""
    lamp = 8.0 * (t_s % 2.03 < 0.06) + 35.0 * ((t_s + 17) % 61 < 0.08)
    return 15.0 + lamp + 420.0 * ((t_s > 91) & (t_s < 100))


EVEN = ([steady(40), pulse(350, 0.7, 7.5)], 200.0)
OWN_BASE = ([pulse(150, 0.4, 3.0)], 100.0)  # no channel is closed between the pulses


@pytest.mark.parametrize("draws", [EVEN, OWN_BASE])
@pytest.mark.parametrize("other_ma", [30.0, 200.0])
def test_a_load_that_may_be_a_stuck_switch_is_not_told_from_one(draws: Any, other_ma: float) -> None:
    """The run leaves a channel unused that draws less than what the base is too high by."""
    run = run_of(*draws)
    used = int(np.bitwise_or.reduce(run.did.pattern))
    unused_ma = [ns * SUPPLY_MV * 1e-9 for k, ns in enumerate(CHANNELS_NS) if not used >> k & 1]
    assert any(5 < ma < other_ma for ma in unused_ma)
    found = in_company(run, lambda t_s: np.full(len(t_s), other_ma))
    assert (found.agree, found.differences) == (None, ())
    assert "stuck switch" in " ".join(found.notes)
    assert in_company(run, np.zeros_like).agree is True


def test_a_base_that_others_may_have_lifted_accuses_nobody() -> None:
    """Neither a channel of 562 mA nor one that the pulses switch; whether one of about the excess is stuck,
    or one that is always closed is open, only a monitor knows."""
    run = run_of([steady(31), pulse(350, 0.7, 7.5)], 200.0)
    found = in_company(run, lambda t_s: 70.0 + sleeping(t_s))
    assert found.agree is None
    assert found.differences == ()
    text = found.text()
    assert (
        "another load on this circuit, or a stuck switch of about that current: channel 7 (78.7 mA)" in text
    )
    assert "a switch that is open may hide in it: channel 3 (5.2 mA) or 4 (10.5 mA)" in text
    assert in_company(run, lambda t_s: 70.0 + sleeping(t_s), monitored=True).agree is True
    assert "a vehicle asleep draws some 10 .. 50 mA" in in_company(run, sleeping).text()


def test_a_base_that_is_too_low_is_no_other_load() -> None:
    found = in_company(run_of(*EVEN), lambda t_s: np.full(len(t_s), -27.0))
    assert [row.kind for row in found.differences] == ["base"]
    assert "which no other load can do" in found.text()


@pytest.mark.parametrize("seed", range(6))
def test_what_others_do_at_the_instants_of_a_few_edges_is_no_level(seed: int) -> None:
    """Random moves of other loads of hundreds of mA, some within a window's reach of the box's edges, two at
    the very instants of edges."""
    draws = [steady(40), pulse(333, 0.6, 5.0), random_draw(120, (0.2, 0.6), (2.0, 6.0))]
    run = run_of(draws, 200.0, seed)
    rng = np.random.default_rng(seed)
    at_s = np.concatenate((rng.uniform(0, 200, 12), run.truth.t_s[[9, 30]]))
    high, lasting = rng.uniform(-300, 600, len(at_s)), rng.uniform(0.5, 30, len(at_s))

    def others(t_s: Floats) -> Floats:
        return 700.0 + sum(
            h * ((t_s > a) & (t_s <= a + w)) for h, a, w in zip(high, at_s, lasting, strict=True)
        )

    found = in_company(run, others, monitored=True)
    assert [row.message for row in found.differences] == []


@pytest.mark.parametrize("channel", range(4, 11))
@pytest.mark.parametrize("way", ["stuck", "opened"])
def test_a_broken_switch_is_named_though_others_move(way: str, channel: int) -> None:
    """Where edges switch it; where none does it is at least not agreed to."""
    draws = [steady(40), pulse(350, 0.7, 7.5), random_draw(77, (0.5, 1.5), (1.0, 9.0))]
    run = run_of(draws, 200.0)
    bits = run.did.pattern >> (channel - 1) & 1
    found = in_company(run.with_channels(**{way: channel}), sleeping)
    if np.count_nonzero(np.diff(bits)) >= 6:
        assert found.agree is False
        assert found.differences[0].kind == {"stuck": "stuck-on", "opened": "open"}[way]
        assert f"channel {channel} " in found.differences[0].message
    elif way == "stuck" and not bits.all():
        assert found.agree is not True
    else:
        assert found.differences == ()


SAG_OHM = 0.11  # of a battery and its wires: 50 mV at 450 mA
AHEAD_S = 0.8  # a box reads its supply so long before the edge that it stamps with it


def sagging(run: Run) -> Run:
    """The same run on a supply that the box's own current pulls down, each edge stamped with what was read
    some time before it: the journal knows the patterns, and the levels only as well as those stamps."""
    did = run.did
    siemens = (did.pattern[:, None] >> np.arange(len(CHANNELS_NS)) & 1) @ np.array(CHANNELS_NS) * 1e-9
    real_mv = SUPPLY_MV / (1 + SAG_OHM * siemens)
    read = np.searchsorted(did.account.t_s, did.account.t_s - AHEAD_S, side="right") - 1
    stamp_mv = np.where(read >= 0, np.round(real_mv[read] / 5) * 5, SUPPLY_MV)
    said = replace(did.account, level_ma=did.own_ma + siemens * stamp_mv)
    truth = Truth(did.account.t_s, did.own_ma + siemens * real_mv, run.truth.end_s)
    return replace(run, did=replace(did, account=said, supply_mv=stamp_mv), truth=truth)


@pytest.mark.parametrize("seed", range(6))
def test_a_supply_read_ahead_of_its_edge_raises_no_doubt(seed: int) -> None:
    """Small pulses upon large ones that lie less than a second apart: their steps are off by 2 mA or more by
    the stamps alone, again and again."""
    draws = [steady(30), pulse(60, 0.25, 4.0), random_draw(450, (0.3, 2.5), (0.4, 9.0))]
    run = sagging(run_of(draws, 800.0, seed))
    off_ma = np.diff(run.did.account.level_ma) - np.diff(run.truth.level_ma)
    small = np.abs(np.diff(run.did.account.level_ma)) < 100
    assert np.count_nonzero(np.abs(off_ma[small]) > 2.0) >= 3
    found = in_company(run, lambda t_s: np.full(len(t_s), 3.0), monitored=True)
    assert (found.agree, found.differences) == (True, ())
    # ten times as much is not the stamps'
    broken = replace(run.truth, level_ma=run.truth.level_ma - 20.0 * (run.truth.level_ma > 500))
    assert in_company(replace(run, truth=broken), lambda t_s: np.full(len(t_s), 3.0)).agree is not True


@pytest.mark.parametrize("seed", [8, 16])
def test_a_weak_supply_accuses_no_part_of_a_box_alone(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nearly twice the resistance: two of 70 runs had a switch or a step accused for the stamps alone."""
    monkeypatch.setattr("tests.capture.test_shared.SAG_OHM", 0.2)
    run = sagging(cases.a_run(np.random.default_rng(seed)))
    found = compare(None, run.did, from_arrays(*beside(run, np.zeros_like, Clamp(sigma_ma=0.5))))
    assert (found.agree, found.differences) == (True, ()), found.text()


@pytest.mark.parametrize("late_s", [0.0, 0.05])
def test_an_end_speaks_alone_where_another_edge_hides_the_start(late_s: float) -> None:
    """One layer ends 2 ms before the pulse of another begins, which comes later as a whole."""
    layers = [steady(40), pulse(90, 1.0, 8.0, 1.0), pulse(160, 0.3, 10.0, 2.002), pulse(55, 0.4, 3.7, 0.55)]
    run = run_of(layers, 120.0)
    t_s = run.truth.t_s
    once = (t_s > 42.001) & (t_s < 42.4)
    assert np.count_nonzero(once) == 2
    run = replace(run, truth=replace(run.truth, t_s=np.where(once, t_s + late_s, t_s)))
    found = in_company(run, sleeping, monitored=True)
    assert found.agree is (not late_s), found.text()
    assert [row.kind for row in found.differences] == (["time"] if late_s else [])


@pytest.mark.parametrize("other_ma", [-20.0, 25.0])
def test_a_small_load_at_the_place_of_an_edge_that_moved_hides_it_not(other_ma: float) -> None:
    """Something stays where the edge should be, and an edge of its height comes 0.19 s later."""
    run = run_of([steady(40), pulse(280, 2.0, 9.0, 1.0)], 120.0)
    t_s = run.truth.t_s.copy()
    k = int(np.flatnonzero(run.truth.level_ma < 100)[5])
    at_s = float(t_s[k])
    t_s[k] += 0.19
    run = replace(run, truth=replace(run.truth, t_s=t_s))
    found = in_company(run, lambda t: 30.0 + other_ma * (t > at_s + 0.002), monitored=True)
    assert [(row.kind, row.message[:4]) for row in found.differences] == [("duration", "seen")]


def test_the_charge_around_an_edge_that_another_load_spoils_tells_no_instant() -> None:
    """Behind a low-pass of 24 ms, with a load of 520 mA that falls a tenth of a second before an edge, and
    with a motor whose current still fades when one comes."""
    run = run_of([steady(40), pulse(70, 0.46, 7.0, 1.0)], 150.0)
    edges_s = run.truth.t_s[3:]
    for fades_s in (0.0, 0.15):
        t_s = np.arange(150_000) / 1000.0
        ma = run.truth.level_ma[np.maximum(np.searchsorted(run.truth.t_s, t_s, side="right") - 1, 0)] + 25.0
        for at_s in edges_s[4::9]:
            since_s = t_s - (at_s - 0.13)
            gone = np.exp(-np.maximum(since_s, 0) / fades_s) if fades_s else (since_s < 0)
            ma += 520.0 * gone * (since_s > -1.5)
        slow = np.empty_like(ma)
        level, keep = ma[0], float(np.exp(-1 / 24))
        for k, value in enumerate(ma):
            level = value + (level - value) * keep
            slow[k] = level
        slow += np.random.default_rng(4).normal(0, 0.3, len(slow))
        found = compare(run.asked, run.did, from_arrays(t_s, slow / 1000), Place(shared=True, monitored=True))
        assert found.agree is not False, found.text()


def test_more_than_any_channel_draws_is_another_loads() -> None:
    """A load of 800 mA meets four of the box's edges: no part of a bank of 572 mA channels does so much."""
    run = run_of([steady(31), *EVEN[0][1:]], EVEN[1])
    meets_s = run.truth.t_s[[3, 7, 13, 21]]

    def others(t_s: Floats) -> Floats:
        on = [800.0 * ((t_s > at_s) & (t_s < at_s + 2.2)) for at_s in meets_s]
        return 20.0 + np.sum(on, axis=0)

    found = in_company(run, others, monitored=True)
    assert (found.agree, found.differences) == (True, ()), found.text()


@pytest.mark.parametrize(("ma", "base_ma", "channel"), [(125, 48, 8), (89, 83, 5), (94, 45, 5)])
def test_one_height_tells_an_open_switch_by_what_a_sleeping_vehicle_draws(
    ma: float, base_ma: float, channel: int
) -> None:
    """25 mA are left in the base: no clamp the wrong way round, no stuck switch that leaves others 5 mA."""
    run = run_of([steady(base_ma), pulse(ma, 0.7, 7.5)], 200.0).with_channels(opened=channel)
    found = in_company(run, lambda t_s: np.full(len(t_s), 25.0))
    assert found.agree is False
    assert found.differences[0].kind == "open", found.text()
    assert f"channel {channel} is open" in found.differences[0].message


def test_missing_late_and_strange_pulses_are_still_told() -> None:
    run = run_of(*EVEN)

    def without(t_s: Floats) -> Floats:
        gone = (t_s > 22.8) & (t_s <= 23.5)
        like_ours = (t_s > 26.0) & (t_s <= 26.7)
        return sleeping(t_s) - 350.0 * gone + 350.0 * like_ours

    found = in_company(run, without)
    assert [(row.kind, row.pulse) for row in found.differences] == [("missing", 4), ("extra", None)]
    assert found.agree is False


def test_another_run_is_not_agreed_to_in_company() -> None:
    draws = [random_draw(100, (0.1, 0.4), (0.5, 8.0))]
    run = run_of(draws, 60.0, seed=2)
    others = from_arrays(*beside(run_of(draws, 60.0, seed=3), sleeping))
    assert compare(run.asked, run.did, others, Place(shared=True)).agree is not True
    assert compare(run.asked, None, others, Place(shared=True)).agree is not True


def test_whether_a_circuit_is_shared_is_known_by_names() -> None:
    recording = from_arrays(np.arange(3.0), np.ones(3))
    assert not Place().is_shared(recording, None)
    assert Place().is_shared(recording, "tailgate")
    assert Place(channels=2).is_shared(recording, None)
    recording.channel = "battery"
    assert Place().is_shared(recording, None)
    assert not Place(shared=False).is_shared(recording, "tailgate")


def test_no_impossible_resistor_is_ever_named() -> None:
    """Whatever moves: a share below -1 would be a resistor of less than nothing."""
    run = run_of(*EVEN)
    for seed in range(8):
        rng = np.random.default_rng(seed)
        at_s, high = rng.uniform(0, 200, 30), rng.uniform(-900, 900, 30)
        t_s, a = beside(run, lambda t, at=at_s, h=high: (h[:, None] * (t > at[:, None])).sum(0))
        found = compare(run.asked, run.did, from_arrays(t_s, a))
        told = " ".join(row.message for row in found.differences if "ohm" in row.message)
        assert not re.search(r"-[\d.]+ k?ohm", told)
        assert not CULPRITS - {"level"} & {row.kind for row in found.differences}

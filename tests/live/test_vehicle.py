"""A live vehicle: numbers as the bench's own, limits of instruments, what a wrong move leads to."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from boxcore.program import TICKS_PER_S
from nightdraw.bench import drive
from nightdraw.bench.control import RefusedError
from nightdraw.bench.metering import across, in_line
from nightdraw.instruments import setup as fronts
from nightdraw.instruments.front import Front
from nightdraw.live.scene import snapshot
from nightdraw.live.vehicle import LiveVehicle
from nightdraw.vehicle.model import DROP
from nightdraw.vehicle.script import EMPTY, Script

from tests.live.made import case, do, live, said

BOXES = (("telematics-search", "tailgate"), ("ticking-valve", "blower"))
AWAKE = Script("just locked", True, ())


def passes(one: LiveVehicle, seconds: float, seed: int = 0) -> None:
    """Let time pass in turns of random length, as a page's clock gives them."""
    random = np.random.default_rng(seed)
    left = round(seconds * TICKS_PER_S)
    while left:
        ticks = min(left, int(random.integers(1, 30_000)))
        one.pass_ticks(ticks)
        left -= ticks


def truth(channels: tuple[str, ...], seconds: float, plan: Script, rate: int = 1000) -> np.ndarray:
    """What `bench record --ideal` has, a row a channel."""
    made = case(*BOXES, plan=plan)
    wanted = drive.Drive(
        round(seconds * TICKS_PER_S), channels, Fraction(rate), made.seed, fronts=drive.ideal
    )
    run = drive.VehicleRecording(made.vehicle, made.boxes, wanted, plan, lambda text: None)
    pieces = [np.array(samples) for _, samples in run.samples()]
    return np.concatenate(pieces, axis=1)


def test_a_recording_is_the_benchs_truth_through_the_schools_instruments(seed: int) -> None:
    one = live(*BOXES, plan=AWAKE)
    kit = one.case.kit
    do(one, "clamp", clamp=1, at="battery")
    do(one, "inputs", inputs=[{"at": "clamp 1"}, {"at": "F7"}, {"at": "F10"}])
    do(one, "record", rate=1000)
    passes(one, 120, seed)
    assert one.recording is not None
    ideal = truth(("battery", "F7", "F10"), 120, AWAKE)
    count = one.recording.count
    assert abs(count - ideal.shape[1]) <= 1
    assert kit.clamp is not None
    assert kit.recorder is not None
    traits = [fronts.clamp_front(kit.clamp, kit.recorder), *[fronts.drop_front(kit.recorder)] * 2]
    for k, one_of in enumerate(traits):
        expected = Front(one_of, 1000.0, (one.case.seed, drive.BESIDE, k))
        pieces = expected(ideal[k])
        got = one.recording.trace.read(0, count)[k]
        least = min(len(pieces), count)
        # Noise and drift come in pieces of the same random numbers, whatever the pieces' lengths. The first
        # sample is of before zero, of which a recorder that begins there knows nothing.
        assert np.allclose(got[1:least], pieces[1:least], atol=1.01 * one_of.step)


def test_displays_show_what_bench_meter_shows(seed: int) -> None:
    made = case(*BOXES, plan=AWAKE)
    one = LiveVehicle(made, live().words)
    do(one, "meter in", range=2, bridged=True)
    do(one, "leads", fuse="F7")
    passes(one, 90, seed)
    assert made.kit.meter is not None
    assert made.kit.fuse_meter is not None
    wanted = drive.Drive(90 * TICKS_PER_S, ("battery",), seed=made.seed, fronts=drive.ideal)
    shown = in_line(made.vehicle, made.boxes, wanted, AWAKE, made.kit.meter, made.kit.meter.ranges[2])
    assert one.displays["meter"].shown == shown.readings[-1][1]
    assert one.displays["meter"].count == len(shown.readings)
    assert one.displays["meter"].extremes() == (shown.min_shown, shown.max_shown)
    # the meter's burden stands in the circuit of `one`, so its fuse drops are compared without it
    other = LiveVehicle(made, one.words)
    do(other, "leads", fuse="F7")
    passes(other, 90, seed + 1)
    wanted = drive.Drive(90 * TICKS_PER_S, ("F7",), seed=made.seed, fronts=drive.ideal)
    shown = across(made.vehicle, made.boxes, wanted, AWAKE, made.kit.fuse_meter)
    assert other.displays["leads"].shown == shown.readings[-1][1]
    assert other.displays["leads"].extremes() == (shown.min_shown, shown.max_shown)


def test_a_meter_in_line_while_cranking_loses_its_fuse_and_the_vehicle_its_power() -> None:
    one = live(*BOXES)
    do(one, "meter in", range=2, bridged=True)
    passes(one, 5)
    do(one, "engine", for_s=60)
    passes(one, 0.1)
    assert one.meter_blown
    assert "starter" in said(one)
    passes(one, 5)
    now = snapshot(one)
    assert now["volts"] == 0
    assert not now["engine"]
    assert [box["state"] for box in now["boxes"]] == [None, None]
    with pytest.raises(RefusedError, match="open"):
        do(one, "engine", for_s=60)
    with pytest.raises(RefusedError, match="out of the cable"):
        do(one, "meter mend")
    do(one, "meter out")
    passes(one, 5)
    assert snapshot(one)["volts"] > 12
    assert None not in [box["state"] for box in snapshot(one)["boxes"]]
    do(one, "meter mend")
    assert not one.meter_blown


def test_a_low_range_loses_its_fuse_when_a_door_wakes_the_vehicle_the_high_one_does_not() -> None:
    for number, blown in ((0, True), (1, True), (2, False)):
        one = live()
        do(one, "meter in", range=number, bridged=True)
        passes(one, 2)
        do(one, "door", word="opens")
        passes(one, 2)
        assert one.meter_blown is blown, number


def test_a_cable_taken_off_without_a_bridge_wakes_everything() -> None:
    bridged, bare = live(plan=EMPTY), live(plan=EMPTY)
    do(bridged, "meter in", range=2, bridged=True)
    do(bare, "meter in", range=2, bridged=False)
    for one in (bridged, bare):
        passes(one, 20)
    assert bridged.rig.simulated.asleep()
    assert not bare.rig.simulated.asleep()
    assert "without a bridge" in said(bare)


def test_a_single_ended_input_across_a_fuse_shorts_it() -> None:
    one = live(kit="earthed-scope")
    do(one, "inputs", inputs=[{"at": "F2"}])
    assert one.rig.network.fused_paths["F2"].pulled
    assert snapshot(one)["blown"] == ["F2"]
    assert "shorted" in said(one)
    with pytest.raises(RefusedError, match="burnt"):
        do(one, "inputs", inputs=[{"at": "F2"}])
    do(one, "back", fuse="F2")
    assert snapshot(one)["blown"] == []


def test_a_door_keeps_the_vehicle_awake_as_long_as_the_bench_says() -> None:
    one = live()
    do(one, "door", word="opens")
    do(one, "door", word="closes")
    do(one, "car", word="locked")
    passes(one, 389)
    assert not one.rig.simulated.asleep()
    passes(one, 2)  # body: 30 s, 2 min and 4 min
    assert one.rig.simulated.asleep()


def test_waiting_ends_at_the_clock_time_or_with_a_change() -> None:
    one = live(("ticking-valve", "blower"))
    do(one, "wait", until="21:30")
    while one.wait:
        one.turn(0.05)
    assert snapshot(one)["clock"] == "1 21:30:00"
    with pytest.raises(RefusedError, match="Nothing would show"):
        do(one, "wait", until="change")
    do(one, "clamp", clamp=1, at="bonnet")
    passes(one, 1)
    before = one.now_s
    do(one, "wait", until="change")
    with pytest.raises(RefusedError, match="stop waiting"):
        do(one, "door", word="opens")
    while one.wait:
        one.turn(0.05)
    assert one.now_s - before < 30  # the valve ticks every five seconds
    do(one, "wait", until="06:00")
    do(one, "cancel")
    assert one.wait is None


def test_a_trigger_finds_each_rise(seed: int) -> None:
    one = live(("ticking-valve", "blower"))
    passes(one, 1800, seed)
    do(one, "inputs", inputs=[{"at": "F10"}])
    do(one, "record", rate=1000, trigger={"input": 0, "turn": "rises", "level": 0.2})
    passes(one, 60, seed)
    recording = one.recording
    assert recording is not None
    ideal = recording.trace.read(0, recording.count)[0]
    assert len(recording.triggers) >= 10
    assert all(ideal[k] >= 0.2 > ideal[k - 1] for k in recording.triggers)


@pytest.mark.parametrize(
    ("kit", "moves", "why"),
    [
        ("basic", [("clamp", {"clamp": 1, "at": "battery"})], "no clamp"),
        ("basic", [("record", {"rate": 1000})], "no recorder"),
        ("earthed-scope", [("meter in", {"range": 0})], "no meter"),
        ("earthed-scope", [("leads", {"fuse": "F1"})], "no millivolt"),
        ("workshop", [("record", {"rate": 1000})], "Connect an input"),
        ("workshop", [("inputs", {"inputs": [{"at": "clamp 1"}]})], "around nothing"),
        ("workshop", [("inputs", {"inputs": [{"at": "F1"}] * 5})], "at most 4"),
        ("workshop", [("inputs", {"inputs": [{"at": "F1"}] * 2})], "same place"),
        ("workshop", [("inputs", {"inputs": [{"at": "F1"}]}), ("record", {"rate": 30_000})], "rate"),
        ("workshop", [("inputs", {"inputs": [{"at": "F1"}]}), ("record", {"rate": 3})], "rate"),
        ("workshop", [("clamp", {"clamp": 2, "at": "battery"})], "clamp"),
        ("workshop", [("clamp", {"clamp": 1, "at": "F1"})], "at must be"),
        ("workshop", [("pull", {"fuse": "F1"}), ("pull", {"fuse": "F1"})], "out already"),
        ("workshop", [("back", {"fuse": "F1"})], "in already"),
        ("workshop", [("door", {"word": "closes"})], "already"),
        ("workshop", [("engine", {"for_s": float("nan")})], "number"),
        ("workshop", [("speed", {"speed": True})], "number"),
        ("workshop", [("wait", {"until": "25:00"})], "clock"),
        ("workshop", [("wait", {"for_s": 1e9})], "number"),
        ("workshop", [("meter in", {"range": 7})], "number"),
        ("workshop", [("fly", {})], "no move"),
    ],
)  # fmt: skip
def test_what_cannot_be_done_is_refused_and_changes_nothing(kit: str, moves: list, why: str) -> None:
    one = live(kit=kit)
    for name, words in moves[:-1]:
        do(one, name, **words)
    before = {key: value for key, value in snapshot(one).items() if key != "messages"}
    name, words = moves[-1]
    with pytest.raises(RefusedError, match=why):
        do(one, name, **words)
    assert {key: value for key, value in snapshot(one).items() if key != "messages"} == before


def test_a_recording_that_is_full_ends_and_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    from nightdraw.live import recorder

    monkeypatch.setattr(recorder, "MOST_NUMBERS", 5000)
    one = live()
    do(one, "inputs", inputs=[{"at": "F1"}, {"at": "F2"}])
    do(one, "record", rate=1000)
    passes(one, 10)
    assert one.recording is not None
    assert one.recording.full
    assert one.recording.count == 2500
    assert "full" in said(one)


def test_every_channel_of_every_vehicle_can_be_looked_at() -> None:
    for vehicle in (f"vehicle-{k}" for k in range(1, 7)):
        one = live(vehicle=vehicle)
        for name, kind in one.case.vehicle.channels().items():
            if kind == DROP:
                do(one, "leads", fuse=name)
            else:
                do(one, "clamp", clamp=1, at=name)
            one.pass_ticks(10_000)
        assert set(one.displays) == {"leads", "clamp 1"}
        assert all(display.count for display in one.displays.values())


def test_a_clamp_is_zeroed_around_nothing_and_around_a_cable_it_loses_that_current() -> None:
    made = case(*BOXES)
    assert made.kit.clamp is not None
    clamp = replace(made.kit.clamp, noise_a=0.0, drift_a=0.0)
    texts = live().words
    sound, off = (
        LiveVehicle(replace(made, kit=replace(made.kit, clamp=replace(clamp, offset_mv=mv))), texts)
        for mv in (0.0, 20.0)
    )

    def excess() -> float:
        for one in (sound, off):
            passes(one, 2)
        return off.displays["clamp 1"].shown - sound.displays["clamp 1"].shown

    for one in (sound, off):
        do(one, "clamp", clamp=1, at="battery")
    assert excess() == pytest.approx(200, abs=1)  # 20 mV by 100 mV an ampere
    do(off, "clamp", clamp=1, at=None)
    do(off, "zero", clamp=1)
    assert snapshot(off)["zeroed"] == ["clamp 1"]
    assert not said(off)
    for one in (sound, off):
        do(one, "clamp", clamp=1, at="battery")
    assert excess() == 0
    for one in (sound, off):
        do(one, "inputs", inputs=[{"at": "clamp 1"}])
        do(one, "record", rate=10)
        passes(one, 3)
    lost = off.rig.level(off.index["battery"])
    do(off, "zero", clamp=1)
    assert "Clamp 1 was zeroed around a cable" in said(off)
    assert excess() == pytest.approx(-1000 * lost, abs=1)
    assert sound.recording is not None
    assert off.recording is not None
    differ = off.recording.trace.read(0, 50)[0] - sound.recording.trace.read(0, 50)[0]
    assert np.all(differ[:29] == 0)
    assert np.allclose(differ[31:], -lost, atol=off.inputs[0].traits.step)
    with pytest.raises(RefusedError):
        do(off, "zero", clamp=2)

"""Doors and locks: how long lamps stay lit, reckoned anew second by second; both edges wake modules."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from nightdraw import data
from nightdraw.bench.rig import Rig
from nightdraw.errors import InputError
from nightdraw.vehicle import load_vehicle
from nightdraw.vehicle.model import Lamp, Module, Stage
from nightdraw.vehicle.script import Event, Script, load_script

from tests.vehicle.circuits import S, vehicle

LAMP = Lamp("l", "F1", 0.07, ("door", "unlock"), 20 * S, 90 * S)
LIT = vehicle(modules=(), lamps=(LAMP,))
WORDS = {"opens": "door", "closes": "door", "unlocked": "car", "locked": "car"}
moves = st.lists(st.tuples(st.integers(1, 400), st.sampled_from(sorted(WORDS))), max_size=12)


def planned(pairs: list[tuple[int, str]]) -> Script:
    events = [Event(at * S, WORDS[word], word) for at, word in sorted(pairs)]
    return Script("s", False, tuple(events))


def lit_seconds(pairs: list[tuple[int, str]], lamp: Lamp, length: int) -> list[bool]:
    """Whether it is lit in each second, by counters that run down."""
    by_hand = {at: [word for when, word in sorted(pairs) if when == at] for at, _ in pairs}
    time_s, saver_s = lamp.ticks // S, lamp.saver_ticks // S
    left, saver, is_open, found = 0, 0, False, []
    for second in range(length):
        for word in by_hand.get(second, ()):
            was_open, is_open = is_open, {"opens": True, "closes": False}.get(word, is_open)
            if word == "closes" and was_open and saver and left and "door" in lamp.lit:
                left = time_s
            elif WORDS[word] in ("door", "car") and word in ("opens", "unlocked"):
                lights = ("door" if word == "opens" else "unlock") in lamp.lit
                left, saver = (time_s, saver_s) if lights else (left, saver)
            elif word == "locked" and not is_open:
                left = saver = 0
        held = is_open and "door" in lamp.lit
        found.append(left > 0 and saver > 0)
        left = left if held else max(0, left - 1)
        saver = max(0, saver - 1)
        left = left if saver else 0
    return found


@settings(max_examples=300, deadline=None)
@given(moves, st.sampled_from([("door", "unlock"), ("door",), ("unlock",)]))
def test_a_lamp_is_lit_as_a_second_reckoning_says(pairs: list[tuple[int, str]], lit: tuple[str, ...]) -> None:
    made = replace(LIT, lamps=(replace(LAMP, lit=lit),))
    rig = Rig(made, [], ("F1",), planned(pairs))
    expected = lit_seconds(pairs, made.lamps[0], 600)
    for second, wanted in enumerate(expected):
        rig.advance(second * S + 1)
        assert (rig.network.drop_v(0) > 0) == wanted, second


def lit_from_to(*pairs: tuple[int, str]) -> list[tuple[float, float]]:
    rig = Rig(LIT, [], ("F1",), planned(list(pairs)))
    rig.advance(1000 * S)
    truth = rig.take()
    times = [*truth.ticks.tolist(), truth.stop]
    bright = (truth.levels[:, 0] > 0.01).tolist()
    found: list[tuple[float, float]] = []
    for begin, end, on in zip(times, times[1:], bright, strict=False):
        if on and found and found[-1][1] == begin / S:
            found[-1] = (found[-1][0], end / S)
        elif on:
            found.append((begin / S, end / S))
    return found


def test_a_lamp_stays_lit_until_the_door_is_closed_and_its_time_is_over() -> None:
    assert lit_from_to((10, "opens"), (50, "closes")) == [(10, 70)]


def test_a_saver_darkens_what_is_left_open() -> None:
    assert lit_from_to((10, "opens")) == [(10, 100)]
    assert lit_from_to((10, "opens"), (95, "closes")) == [(10, 100)]
    assert lit_from_to((10, "opens"), (300, "closes")) == [(10, 100)]  # closing lights nothing
    assert lit_from_to((10, "opens"), (60, "unlocked")) == [(10, 150)]  # an event counts it anew


def test_locking_darkens_with_closed_doors_only() -> None:
    assert lit_from_to((10, "unlocked"), (15, "locked")) == [(10, 15)]
    assert lit_from_to((10, "opens"), (20, "locked"), (30, "closes")) == [(10, 50)]
    assert lit_from_to((10, "opens"), (20, "closes"), (25, "locked")) == [(10, 25)]


@pytest.mark.parametrize("word", sorted(WORDS))
def test_both_edges_wake_modules(word: str) -> None:
    wakes = ("door",) if WORDS[word] == "door" else ("unlock",)
    modules = (
        Module("m", "F1", (Stage(0.5, 5 * S),), 0.01, wakes, False),
        Module("n", "F2", (Stage(0.5, 5 * S),), 0.01, ("fuse",), False),
    )
    rig = Rig(vehicle(modules=modules), [], ("battery",), planned([(10, word)]))
    for second, amps in ((9, 0.02), (11, 0.51), (16, 0.02)):
        rig.advance(second * S)
        assert rig.network.battery_a == pytest.approx(amps, rel=1e-9)


VEHICLE = load_vehicle(data.shipped("vehicles", "vehicle-1"))


@pytest.mark.parametrize(
    ("events", "said", "line"),
    [
        (["door: opens", "door: opens"], "the door is open already", 4),
        (["door: closes"], "the door is closed already", 3),
        (["door: opens", "door: closes", "door: closes"], "the door is closed already", 5),
        (["engine: 2 min", "engine: 1 min"], "the engine runs already, until 120.9 s", 4),
    ],
)
def test_doors_and_engines_out_of_turn_are_found(
    events: list[str], said: str, line: int, tmp_path: Path
) -> None:
    path = tmp_path / "s.yaml"
    rows = [f"  - {{at: {k} min, {event}}}" for k, event in enumerate(events)]
    path.write_text("\n".join(["script: s", "events:", *rows]) + "\n")
    with pytest.raises(InputError) as raised:
        load_script(path, VEHICLE)
    (finding,) = raised.value.findings
    assert said in finding.text()
    assert (finding.line, finding.column) == (line, 5)


def test_a_door_may_stay_open(tmp_path: Path) -> None:
    path = tmp_path / "s.yaml"
    path.write_text("script: s\nevents: [{at: 2 min, door: opens}, {at: 1 min, door: opens}]\n")
    with pytest.raises(InputError):
        load_script(path, VEHICLE)
    path.write_text("script: s\nevents: [{at: 2 min, door: closes}, {at: 1 min, door: opens}]\n")
    assert [event.word for event in load_script(path, VEHICLE).events] == ["opens", "closes"]
    path.write_text("script: s\nevents: [{at: 1 min, door: opens}]\n")
    assert load_script(path, VEHICLE)


@pytest.mark.parametrize(("text", "seconds"), [("", 1800), (", saver: 10 min", 600)])
def test_the_saver_is_read(text: str, seconds: int, tmp_path: Path) -> None:
    source = data.shipped("vehicles", "vehicle-1").read_text()
    path = tmp_path / "v.yaml"
    path.write_text(source.replace("for: 20 s}\nsplices", f"for: 20 s{text}}}\nsplices"))
    assert load_vehicle(path).lamps[0].saver_ticks == seconds * S

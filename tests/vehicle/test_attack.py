"""Vehicle and script files under attack: whatever is written in them is read or refused, never a crash.

What the reader takes the schema takes too, and it runs: Kirchhoff's laws hold, no voltage is below zero.
"""

from __future__ import annotations

import copy
import json
import math
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import yaml
from hypothesis import HealthCheck, event, given, settings
from hypothesis import strategies as st
from nightdraw import data
from nightdraw.errors import InputError
from nightdraw.vehicle import load_vehicle
from nightdraw.vehicle.loading import overloads
from nightdraw.vehicle.model import Vehicle
from nightdraw.vehicle.script import Script, load_script

from tests.vehicle.circuits import S, scripts
from tests.vehicle.test_circuit import Watched
from tests.vehicle.test_files import schema

NASTY = [
    "nan", "nan A", "inf V", "1e30 A", "1e31 A", "1e-30 s", "-5 A", "-0 A", "0 A", "0 ohm", "1e-30 ohm",
    "10 ohm", "100 A", "30 d", "31 d", "1 ms", "100 us", "", "~", "yes", "no", "1", "2", "F1", "battery",
    "all", "cabin", "door", "asleep", "flooded", "0 %", "100 %", "100.0001 %", "500 Ah", "12:30",
    "1 s .. 2 s",
    "2 s .. 1 s", "x" * 30, "x" * 5000, "\u0664 A", "1_000 A", "0x10 A", "1,5 A", "true", "null", "-40 C",
    "16 V", "5 V",
]  # fmt: skip
SHAPES: list[Any] = [[], {}, [[]], {"a": "b"}, ["door", "door"], ["nothing"]]
VEHICLES = [yaml.load(path.read_text(), yaml.BaseLoader) for path in data.shipped_paths("vehicles")]
FIRST = load_vehicle(data.shipped("vehicles", "vehicle-1"))
FIFTH = load_vehicle(data.shipped("vehicles", "vehicle-5"))
SCRIPTS = [yaml.load(path.read_text(), yaml.BaseLoader) for path in data.shipped_paths("scripts")]


def spots(content: Any) -> list[tuple[Any, Any]]:
    """Every container in a document with each of its keys."""
    found: list[tuple[Any, Any]] = []
    pairs = content.items() if isinstance(content, dict) else enumerate(content)
    for key, value in pairs:
        found.append((content, key))
        if isinstance(value, dict | list):
            found += spots(value)
    return found


@st.composite
def attacked(draw: st.DrawFn, documents: list[Any]) -> Any:
    """A document with some values replaced, keys renamed, items doubled or gone."""
    content = copy.deepcopy(draw(st.sampled_from(documents)))
    for _ in range(draw(st.integers(1, 3))):
        places = spots(content)
        if not places:
            break
        box, key = places[draw(st.integers(0, len(places) - 1))]
        deed = draw(st.sampled_from(["value", "value", "value", "shape", "gone", "double", "rename", "swap"]))
        other_box, other_key = places[draw(st.integers(0, len(places) - 1))]
        if deed == "value":
            box[key] = draw(st.sampled_from(NASTY))
        elif deed == "shape":
            box[key] = copy.deepcopy(draw(st.sampled_from(SHAPES)))
        elif deed == "gone":
            del box[key]
        elif deed == "double" and isinstance(box, list):
            box.append(copy.deepcopy(box[key]))
        elif deed == "rename" and isinstance(box, dict):
            box[draw(st.sampled_from(["fuse", "feed", "on", "name", "saver", "in_series"]))] = box.pop(key)
        elif deed == "swap":
            box[key] = copy.deepcopy(other_box[other_key])
    return content


def written(content: Any, path: Path) -> Path:
    # JSON is YAML, with every text in quotes: what is attacked is the reader, not the parser
    path.write_text(json.dumps(content))
    return path


def placed(error: InputError) -> None:
    """A refusal says where."""
    event("refused")
    assert all(finding.line and finding.message for finding in error.findings)


NO_WAIT = settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


@NO_WAIT
@given(data=st.data())
def test_a_vehicle_is_read_or_refused(data: st.DataObject, tmp_path: Path) -> None:
    content = data.draw(attacked(VEHICLES))
    try:
        made = load_vehicle(written(content, tmp_path / "v.yaml"))
    except InputError as error:
        placed(error)
        return
    event("taken")
    schema("vehicles").validate(content)
    runs(made, data.draw(scripts(made, 20 * S)))


def runs(made: Vehicle, plan: Script) -> None:
    rig = Watched(made, [], tuple(made.channels()), plan)
    rig.advance(30 * S)
    truth = rig.take()
    assert math.isfinite(float(abs(truth.levels).max()))
    assert all(rig.network.feed_v(k) >= -1e-9 for k in range(len(made.feeds)))
    assert all(branch.end_v >= -1e-9 for branch in rig.network.branches)


@NO_WAIT
@given(data=st.data())
def test_a_script_is_read_or_refused(data: st.DataObject, tmp_path: Path) -> None:
    content = data.draw(attacked(SCRIPTS))
    made = data.draw(st.sampled_from([FIRST, FIFTH]))
    try:
        plan = load_script(written(content, tmp_path / "s.yaml"), made)
    except InputError as error:
        placed(error)
        return
    event("taken")
    schema("scripts").validate(content)
    rig = Watched(made, [], ("battery",), plan)
    rig.advance(20 * S)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (
            "draw: 50 mA, for: 30 s",
            "draw: 11 A, for: 30 s",
            "the loads on fuse F7 may draw 11 A together, its fuse",
        ),
        (
            "power: 10 W",
            "power: 150 W",
            "the loads on fuse F4 may draw 12.5 A together, its fuse is for 10 A",
        ),
        ("draw: 1.1 A, for: 30 s", "draw: 61 A, for: 30 s", "the loads on feed cabin may draw"),
        ("rating: 10 A, ohms: 0.05 ohm}   # tail", "rating: 10 A, ohms: 9 ohm}   # tail", None),
        ("rating: 10 A, ohms: 0.03 ohm}   # body", "rating: 10 A, ohms: 9 ohm}   # body", "F1 may drop 9."),
        ("for: 900 ms}", "for: 61 s}", "for must be 1 ms .. 1 min"),
        ("every: 50 s .. 70 s", "every: 50 s .. 31 d", "is too long"),
        ("most: 70 A}", "most: 70 A, on: yes}", "unknown key 'on' in alternator"),
    ],
)
def test_what_no_vehicle_could_be_is_refused(old: str, new: str, said: str | None, tmp_path: Path) -> None:
    source = data.shipped("vehicles", "vehicle-1").read_text()
    assert old in source
    (tmp_path / "v.yaml").write_text(source.replace(old, new, 1))
    if said is None:
        assert load_vehicle(tmp_path / "v.yaml")
        return
    with pytest.raises(InputError) as raised:
        load_vehicle(tmp_path / "v.yaml")
    assert any(said in finding.text() for finding in raised.value.findings)
    assert all(finding.line and finding.column for finding in raised.value.findings)


@pytest.mark.parametrize("path", data.shipped_paths("vehicles"), ids=lambda path: path.stem)
def test_what_ships_has_room(path: Path) -> None:
    assert not list(overloads(load_vehicle(path)))


def test_an_empty_vehicle_is_refused_by_the_schema() -> None:
    with pytest.raises(jsonschema.ValidationError):
        schema("vehicles").validate({})

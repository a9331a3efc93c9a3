"""Vehicle, script and instruments files: what ships passes checker and schema, mistakes have their places."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest
import yaml
from nightdraw import data, places
from nightdraw.errors import InputError
from nightdraw.instruments.read import load_instruments
from nightdraw.vehicle import load_vehicle
from nightdraw.vehicle.script import load_script

from tests.profile.made import plain

KINDS = {"vehicles": "vehicle", "scripts": "script", "instruments": "instruments"}
VEHICLE = data.shipped("vehicles", "vehicle-1")
SCRIPT = data.shipped("scripts", "class-morning")
KIT = data.shipped("instruments", "workshop")
FITS = {"restless-bus": data.shipped("vehicles", "vehicle-5")}  # scripts for one vehicle's own names


def schema(kind: str) -> jsonschema.Draft202012Validator:
    content = json.loads((data.folder("profiles") / kind / f"{KINDS[kind]}.schema.json").read_text())
    jsonschema.Draft202012Validator.check_schema(content)
    return jsonschema.Draft202012Validator(content)


def read(kind: str, path: Path) -> object:
    if kind == "vehicles":
        return load_vehicle(path)
    if kind == "scripts":
        return load_script(path, load_vehicle(FITS.get(path.stem, VEHICLE)))
    return load_instruments(path)


@pytest.mark.parametrize("kind", KINDS)
def test_what_ships_passes_schema_and_checker(kind: str) -> None:
    paths = data.shipped_paths(kind)
    assert paths
    for path in paths:
        schema(kind).validate(plain(places.read(path)[0]))
        assert read(kind, path)


def test_three_vehicles_ship_and_differ() -> None:
    vehicles = [load_vehicle(path) for path in data.shipped_paths("vehicles")]
    assert len(vehicles) >= 3
    assert len({vehicle.battery for vehicle in vehicles}) == len(vehicles)
    for vehicle in vehicles:
        assert 0.010 < vehicle.asleep_a() < 0.050  # common practice: what a healthy sleeping vehicle draws


# kind, what is written in the shipped file, what instead, words of the message
MISTAKES = [
    ("vehicles", "capacity: 60 Ah", "capacity: 60", "no unit"),
    ("vehicles", "type: flooded", "type: floded", "did you mean 'flooded'"),
    ("vehicles", "capacity:", "capasity:", "unknown key 'capasity'"),
    ("vehicles", "rating: 60 A", "rating: 61 A", "no such rating"),
    ("vehicles", "{fuse: F2, feed: cabin,", "{fuse: F2, feed: cabbin,", "did you mean 'cabin'"),
    ("vehicles", "{fuse: F2, feed", "{fuse: F1, feed", "the name 'F1' is taken"),
    ("vehicles", "on: 60 ms, every: 2 s", "on: 3 s, every: 2 s", "shorter than every"),
    ("vehicles", "wakes: [unlock]", "wakes: [unlok]", "did you mean 'unlock'"),
    ("vehicles", "vehicle: vehicle-1\n", "vehicle: Vehicle 1\n", "is not a name"),
    ("scripts", "at: 12:30", "at: 12:60", "more than 59 seconds"),
    ("scripts", "at: 12:30", "at: 1:61:30", "more than 59 minutes"),
    ("scripts", "at: 12:30", "at: 12:3", "is no time"),
    ("scripts", "at: 12:30", "at: '12:30 min'", "is no time"),
    ("scripts", "at: 12:30", "at: -12:30", "is no time"),
    ("scripts", "at: 12:30", "at: 12.5 mn", "unknown unit 'mn'"),
    ("scripts", "at: 12:30", "at: 12.5", "has no unit"),
    ("scripts", "at: 12:30", "at: 45000:00", "at must be 0 s .. 31 d"),
    ("scripts", "pull: F7", "pull: F77", "no fuse 'F77'"),
    ("scripts", "door: opens", "door: open", "did you mean 'opens'"),
    ("scripts", "at: 5 min, door: opens", "at: 5 min, door: opens, charger: on", "not 2"),
    ("scripts", "at: 14 min, back: F7", "at: 14 min, back: F6", "fuse F6 is in already"),
    ("scripts", "at: 14 min, back: F7", "at: 14 min, pull: F7", "fuse F7 is out already"),
    ("instruments", "bits: 14", "bits: 14.5", "whole number"),
    ("instruments", "inputs: differential", "inputs: difrential", "did you mean 'differential'"),
    ("instruments", "update: 300 ms\n  capture", "updat: 300 ms\n  capture", "unknown key 'updat'"),
]


@pytest.mark.parametrize(("kind", "old", "new", "words"), MISTAKES)
def test_a_mistake_is_found_where_it_stands(
    kind: str, old: str, new: str, words: str, tmp_path: Path
) -> None:
    source = {"vehicles": VEHICLE, "scripts": SCRIPT, "instruments": KIT}[kind].read_text()
    assert old in source
    path = tmp_path / "case.yaml"
    path.write_text(source.replace(old, new, 1))
    with pytest.raises(InputError) as raised:
        read(kind, path)
    hit = [f for f in raised.value.findings if words in f.text()]
    assert hit, [f.text() for f in raised.value.findings]
    line = source[: source.index(old)].count("\n") + 1
    assert line <= (hit[0].line or 0) <= line + 2
    assert hit[0].column


def test_all_findings_come_at_once(tmp_path: Path) -> None:
    source = VEHICLE.read_text().replace("60 Ah", "60").replace("rating: 5 A", "rating: 6 A")
    path = tmp_path / "case.yaml"
    path.write_text(source)
    with pytest.raises(InputError) as raised:
        load_vehicle(path)
    assert len(raised.value.findings) == 2


@pytest.mark.parametrize(("kind", "old", "new", "words"), MISTAKES)
def test_the_schema_finds_what_a_schema_can(kind: str, old: str, new: str, words: str) -> None:
    beyond = (
        "0 s .. 31 d",
        "no such rating",
        "cabin",
        "is taken",
        "shorter than",
        "no fuse",
        "already",
        "F7 is out",
    )
    source = {"vehicles": VEHICLE, "scripts": SCRIPT, "instruments": KIT}[kind].read_text()
    content = yaml.load(source.replace(old, new, 1), yaml.BaseLoader)
    valid = schema(kind).is_valid(content)
    assert valid == any(word in words for word in beyond)

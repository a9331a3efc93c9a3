"""Findable where pulses melt into their mean, and where nothing tells that a pulse has come."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest
from nightdraw import data
from nightdraw.bench import drive, findable, metering
from nightdraw.bench.setup import build
from nightdraw.instruments.model import Instruments
from nightdraw.instruments.read import load_instruments
from nightdraw.profile.model import Profile
from nightdraw.vehicle.script import EMPTY

from tests.bench.finding import by_name, profile, vehicle

KITS = {path.stem: load_instruments(path) for path in data.shipped_paths("instruments")}
MAX, DROPS = "MAX on a meter", "voltage drops across fuses"


def test_pulses_too_dense_to_be_told_apart_show_as_their_mean(tmp_path: Path) -> None:
    """300 mA for 9 ms in 10: no meter shows pulses, each shows 270 mA more and the box's own 11 (D)."""
    made = profile(tmp_path, "  - pulse: {draw: 300 mA, on: 9 ms, every: 10 ms}\n")
    rows = by_name(made, "basic")
    assert rows[MAX].why.startswith("270 mA of 300 mA shown")
    assert rows[DROPS].shows
    meter = KITS["basic"].meter
    assert meter is not None
    wanted = drive.Drive(20 * 10_000, ("battery",), fronts=drive.ideal)
    box = drive.Placed("tailgate", made.program(1), build(), 1)
    seen = metering.in_line(vehicle(), [box], wanted, EMPTY, meter, meter.ranges[-1])
    readings = sorted(shown for _, shown in seen.readings if shown is not None)
    own_ma = 1000 * vehicle().asleep_a()
    assert readings[len(readings) // 2] == pytest.approx(281 + own_ma, abs=0.015 * 300 + 10)


def test_without_clamp_and_meter_nobody_knows_that_a_pulse_has_come(tmp_path: Path) -> None:
    made = profile(tmp_path, "  - pulse: {draw: 500 mA, on: 2 s, every: 5 min}\n")
    alone = dataclasses.replace(KITS["basic"], meter=None)
    rows = {m.method: m for m in _with(made, alone).methods()}
    assert not rows[DROPS].shows
    assert "nothing tells at a wrong fuse that a pulse has come" in rows[DROPS].why
    steady = profile(tmp_path, "  - steady: 500 mA\n")
    assert {m.method: m for m in _with(steady, alone).methods()}[DROPS].shows
    recorder = dataclasses.replace(KITS["workshop"], meter=None, clamp=None, fuse_meter=None)
    by_mains = {m.method: m for m in _with(made, recorder).methods()}[DROPS]
    assert by_mains.shows
    assert by_mains.settings["fuses_at_once"] == 2  # four channels, two of them across the main fuses
    bare = dataclasses.replace(
        vehicle(), feeds=tuple(dataclasses.replace(feed, main=None) for feed in vehicle().feeds)
    )
    rows = {m.method: m for m in findable.Search(made, bare, recorder, "tailgate", 1).methods()}
    assert not rows[DROPS].shows
    assert "not each feed has a main fuse" in rows[DROPS].why


def _with(made: Profile, kit: Instruments) -> findable.Search:
    return findable.Search(made, vehicle(), kit, "tailgate", 1)

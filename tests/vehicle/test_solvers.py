"""The circuit against two other solvers, at instants of random scripts in random vehicles: with defects,
relays, buses, a second battery, a meter in the cable, charger and engine."""

from __future__ import annotations

import random
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from nightdraw.bench.rig import Rig
from nightdraw.bench.setup import build
from nightdraw.vehicle import model
from nightdraw.vehicle.model import Bus, Defect, Module, Relay, Second, Stage, Vehicle
from nightdraw.vehicle.script import Event, Script

from tests.vehicle import nodal
from tests.vehicle.circuits import BATTERY, S, vehicle

INSTANTS = 6


def at_random(source: random.Random) -> tuple[Vehicle, Script, float]:
    """A vehicle with every new part somewhere, a script of two minutes, and a meter's ohms."""
    base = vehicle()
    modules = tuple(
        Module(
            f"m{k}", source.choice(("F1", "F2", "F3")),
            (Stage(source.uniform(0.1, 1.2), source.randint(5, 40) * S),), source.uniform(0.001, 0.02),
            tuple(source.sample(model.MODULE_WAKES, 3)), False, buses=source.choice(((), ("a",), ("a", "b"))),
            waits_a=source.uniform(0.02, 0.3), holds=tuple(source.sample(model.HOLDS, 1)),
        )
        for k in range(4)
    )  # fmt: skip
    defects = (
        Defect(
            "wire", model.GROUND_FAULT, source.random() < 0.5, fuse="F2", siemens=1 / source.uniform(8, 200)
        ),
        Defect(
            "plug", model.CORROSION, source.random() < 0.5, fuse="F3", siemens=1 / source.uniform(50, 900)
        ),
        Defect("posts", model.CORROSION, source.random() < 0.5, siemens=1 / source.uniform(20, 900)),
        Defect("diode", model.DIODE, source.random() < 0.5, siemens=1 / source.uniform(20, 400)),
        Defect("welded", model.STUCK_CONTACT, source.random() < 0.3, relay="fan"),
        Defect("burnt", model.OPEN_CONTACT, source.random() < 0.3, relay="fan"),
        Defect("node", model.NO_SLEEP, source.random() < 0.3, module="m1"),
    )
    small = replace(BATTERY, type=model.AGM, capacity_ah=12.0, ohms=0.015, charge_pct=source.uniform(20, 99))
    joint = Second(small, source.uniform(0.002, 0.02), source.choice(model.JOINED), "joint")
    second = source.choice((None, joint))
    if second is not None:
        failed = (model.STUCK_CONTACT, model.OPEN_CONTACT)
        defects += tuple(Defect(kind, kind, source.random() < 0.3, relay="joint") for kind in failed)
    made = replace(
        base,
        battery=replace(BATTERY, charge_pct=source.uniform(15, 99), temp_c=source.uniform(-20, 40)),
        modules=modules, defects=defects, buses=(Bus("a", 2 * S), Bus("b", 3 * S)),
        relays=(Relay("fan", "F2", 1 / 20, ("engine", "ignition"), "m0"),),
        second=second,
    )  # fmt: skip
    words = [("door", "opens"), ("charger", "on"), ("ignition", "on"), ("key", "near"), ("pull", "F3")]
    words += [("door", "closes"), ("charger", "off"), ("ignition", "off"), ("key", "away"), ("back", "F3")]
    events = [Event(source.randint(5, 60) * S, *word) for word in words[:5]]
    events += [Event(source.randint(61, 110) * S, *word) for word in words[5:]]
    if source.random() < 0.6:
        events.append(Event(source.randint(20, 90) * S, "engine", "", 15 * S))
    events.sort(key=lambda event: event.at_ticks)
    return made, Script("made", source.random() < 0.5, tuple(events)), source.choice((0.0, 0.03, 0.4))


def compare(turn: int, seed: int, folder: Path | None) -> int:
    source = random.Random(f"{seed} {turn}")
    made, plan, meter_ohms = at_random(source)
    bench = build(seed=turn)
    rig = Rig(made, [("a", bench), ("b", bench)], (), plan, 0, turn, meter_ohms)
    compared = 0
    for at_s in sorted(source.uniform(0, 130) for _ in range(INSTANTS)):
        rig.advance(round(at_s * S))
        rig.settle()
        net = rig.network
        own = {"root": net.bus_v, "battery": net.battery_a, "second": net.second_a()}
        own.update({feed.name: net.feed_a(k) for k, feed in enumerate(made.feeds)})
        own.update({fuse.name: net.branches[k].current_a for k, fuse in enumerate(made.fuses)})
        others = [(nodal.solve(rig, made), 1e-6)]
        if folder is not None:
            others.append((nodal.spice(rig, made, folder), 2e-5))
        for other, allowed in others:
            for name, value in other.items():
                size = max(1.0, abs(net.battery_a), net.starter_a, *map(abs, net.source_a))
                assert own[name] == pytest.approx(value, abs=allowed * size), (turn, at_s, name)
                compared += 1
    return compared


@pytest.mark.parametrize("turn", range(6))
def test_a_dense_nodal_solver_finds_the_same(turn: int, seed: int) -> None:
    assert compare(turn, seed, None) > 5 * INSTANTS


@pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice isn't installed")
@pytest.mark.parametrize("turn", range(3))
def test_ngspice_finds_the_same(turn: int, seed: int, tmp_path: Path) -> None:
    assert compare(100 + turn, seed, tmp_path) > 10 * INSTANTS


@pytest.mark.campaign
@pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice isn't installed")
def test_both_find_the_same_in_many(seed: int, tmp_path: Path) -> None:
    compared = sum(compare(1000 + turn, seed, tmp_path) for turn in range(25))
    print(f"{compared} currents and voltages compared in 25 vehicles")

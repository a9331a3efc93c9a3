"""Findable where the battery isn't the only source: currents against a nodal solution of their own and
against recordings, verdicts, the state of a script."""

from __future__ import annotations

import dataclasses
import json
import math
import random
from itertools import product
from pathlib import Path

import numpy as np
import pytest
from nightdraw import data
from nightdraw.bank.parts import blade_fuses as blades
from nightdraw.bench import drive, findable
from nightdraw.bench.finding import train
from nightdraw.bench.finding.circuit import State
from nightdraw.bench.finding.place import Site
from nightdraw.bench.rig import Rig
from nightdraw.bench.setup import build
from nightdraw.instruments.read import load_instruments
from nightdraw.profile.model import Profile
from nightdraw.vehicle import battery
from nightdraw.vehicle.model import BATTERY, Second, Source, Stage, Vehicle
from nightdraw.vehicle.script import CHARGER, ENGINE, PULL, Event, Script

from tests.bench.finding import DEEP, profile, vehicle
from tests.bench.test_cli_vehicle import call
from tests.vehicle import circuits

S = 10_000
ISSUE = "  - steady: 40 mA\n  - pulse: {draw: 350 mA, on: 700 ms, every: 75 s}\n"
CHARGING = State(Script("charging", False, (Event(0, CHARGER, "on"),)), 0)
RUNNING = State(Script("running", False, (Event(0, ENGINE, "", 3600 * S),)), 3 * S)
DROVE = State(Script("drove", False, (Event(0, ENGINE, "", 60 * S),)), 3600 * S)


def nodal(
    car: Vehicle, box_a: float, splice: str, sources: list[Source], meter_ohms: float
) -> dict[str, float]:
    """Every place's current by nodal analysis: each way in which battery and sources can stand is solved as a
    linear system and the one that is consistent is the answer. Modules asleep, fuses cold."""
    cell = car.battery
    voc = battery.rest_v(cell, cell.charge_pct)
    nodes = {"root": 0}
    for name in [*(feed.name for feed in car.feeds), *(fuse.name for fuse in car.fuses)]:
        nodes[name] = len(nodes)
    found = []
    for charges, *modes in product((False, True), *[("off", "held", "full")] * len(sources)):
        matrix, into = np.zeros((len(nodes), len(nodes))), np.zeros(len(nodes))

        def wire(a: str, b: str, ohms: float, matrix=matrix) -> None:
            i, j = nodes[a], nodes[b]
            matrix[[i, j], [i, j]] += 1 / ohms
            matrix[[i, j], [j, i]] -= 1 / ohms

        inner = battery.charge_ohms(cell, cell.charge_pct) if charges else battery.ohms(cell, cell.charge_pct)
        inner += meter_ohms
        matrix[0, 0] += 1 / inner
        into[0] += voc / inner
        for source, mode in zip(sources, modes, strict=True):
            if mode == "held":
                matrix[0, 0] += 1 / source.ohms
                into[0] += source.volts / source.ohms
            into[0] += source.most_a if mode == "full" else 0.0
        for feed in car.feeds:
            main = (
                0.0 if feed.main is None else blades.cold_mohm(feed.main.type, feed.main.rating_a)[0] / 1000
            )
            wire("root", feed.name, feed.ohms + main)
        ohms = {}
        for fuse in car.fuses:
            ohms[fuse.name] = fuse.wire_ohms + blades.cold_mohm(fuse.type, fuse.rating_a)[0] / 1000
            wire(fuse.feed, fuse.name, ohms[fuse.name])
        for module in car.modules:
            into[nodes[module.fuse]] -= module.asleep_a
        into[nodes[car.splice(splice).fuse]] -= box_a
        volts = np.linalg.solve(matrix, into)
        root = volts[0]
        sound = [(root > voc) == charges]
        for source, mode in zip(sources, modes, strict=True):
            given = (source.volts - root) / source.ohms
            sound.append(
                {"off": given <= 0, "held": 0 < given < source.most_a, "full": given >= source.most_a}[mode]
            )
        if all(sound):
            amps = {
                fuse.name: (volts[nodes[fuse.feed]] - volts[nodes[fuse.name]]) / ohms[fuse.name]
                for fuse in car.fuses
            }
            feeds = {
                feed.name: sum(amps[f.name] for f in car.fuses if f.feed == feed.name) for feed in car.feeds
            }
            found.append({BATTERY: (voc - root) / inner, **feeds, **amps})
    assert len(found) == 1
    return found[0]


@pytest.mark.parametrize("state", [State(), CHARGING], ids=["battery", "charger"])
def test_currents_are_those_of_a_nodal_solution(state: State, seed: int) -> None:
    source = random.Random(f"sources {seed}")
    for _ in range(40):
        charger = Source(source.uniform(12.4, 15), source.uniform(0.005, 0.5), source.uniform(0.1, 20))
        cell = dataclasses.replace(
            circuits.BATTERY, charge_pct=source.uniform(60, 100), temp_c=source.uniform(-15, 40)
        )
        car = circuits.vehicle(battery=cell, charger=charger)
        site = Site(None, car, car.splices[source.randrange(2)], state)
        sources = [charger] if state is CHARGING else []
        for box_a, meter_ohms in product((0.0, 0.04, source.uniform(0.1, 2)), (0.0, source.uniform(0.01, 2))):
            own = nodal(car, box_a, site.splice.name, sources, meter_ohms)
            for where, amps in own.items():
                assert site.circuit.amps(where, box_a, meter_ohms) == pytest.approx(amps, abs=1e-9), where


def test_currents_with_the_engine_are_those_of_a_nodal_solution() -> None:
    """All modules awake and the alternator on: the module's first stage stands in for its asleep draw."""
    car = circuits.vehicle()
    site = Site(None, car, car.splices[0], RUNNING)
    assert site.circuit.engine
    awake = dataclasses.replace(
        car, modules=tuple(dataclasses.replace(m, asleep_a=m.stages[0].draw_a) for m in car.modules)
    )
    for box_a in (0.0, 0.3):
        own = nodal(awake, box_a, "a", [car.alternator], 0.0)
        for where, amps in own.items():
            assert site.circuit.amps(where, box_a) == pytest.approx(amps, abs=1e-9), where


def recorded(
    made: Profile, car: Vehicle, splice: str, state: State, where: str, tmp_path: Path, at_s: float
) -> float:
    """By how much a pulse that begins at `at_s` moves a channel's true current in the real firmware's run,
    amperes (of a fuse: volts by its cold resistance)."""
    import pyarrow.parquet as pq

    box = drive.Placed(splice, made.program(1), build(seed=3), 1)
    wanted = drive.Drive(
        round((at_s + 0.4) * S),
        (where,),
        seed=3,
        out=tmp_path / "r.parquet",
        form="parquet",
        fronts=drive.ideal,
    )
    done = drive.drive(dataclasses.replace(car, twitches=()), [box], wanted, state.plan)
    values = pq.read_table(done.recording)[1].to_numpy()
    cut = round(at_s * 1000)
    return float(np.median(values[cut + 50 : cut + 350]) - np.median(values[cut - 300 : cut - 50]))


@pytest.mark.parametrize("case", range(12))
def test_what_a_fault_moves_is_what_a_recording_of_it_shows(tmp_path: Path, case: int) -> None:
    """Twelve faults in all vehicles, the charger on in two of three: battery, feed and fuse."""
    source = random.Random(f"moves {case}")
    car = vehicle(["vehicle-1", "vehicle-2", "vehicle-3"][case % 3])
    splice = source.choice(car.splices)
    draw_ma = round(math.exp(source.uniform(math.log(60), math.log(900))))
    made = profile(
        tmp_path, f"  - steady: 40 mA\n  - pulse: {{draw: {draw_ma} mA, on: 3 s, every: 20 s, first: 6 s}}\n"
    )
    state = State() if case % 3 == 1 else CHARGING
    site = Site(made, car, splice, state)
    signature = site.made(train.pulses(made, 1)[0])
    where = (BATTERY, site.feed, site.fuse)[case // 4]
    seen = recorded(made, car, splice.name, state, where, tmp_path, 6.0)
    seen /= 1000 * site.fuse_ohms(site.fuse) if where == site.fuse else 1.0
    # the bank's resistors are off by up to 1 %, its levels by a step of some milliamperes
    said = site.currents(signature, where).size
    assert seen == pytest.approx(said, rel=0.02, abs=0.004 * said / signature.amps + 1e-4)


@pytest.mark.parametrize("joined", [None, "always"])
@pytest.mark.parametrize("state", [State(), CHARGING, RUNNING], ids=["battery", "charger", "engine"])
def test_what_creeps_is_what_the_vehicles_own_minute_does(
    joined: str | None, state: State, seed: int
) -> None:
    """Charges, surface charge and a second battery that evens out, as a run of the bench has them."""
    source = random.Random(f"creeps {joined} {seed}")
    small = dataclasses.replace(circuits.BATTERY, capacity_ah=12.0, charge_pct=source.uniform(40, 70))
    cell = dataclasses.replace(circuits.BATTERY, charge_pct=source.uniform(70, 90))
    second = None if joined is None else Second(small, 0.01, joined)
    module = dataclasses.replace(circuits.vehicle().modules[0], stages=(Stage(0.5, 9 * 3600 * S),))
    car = circuits.vehicle(battery=cell, second=second, modules=(module,))
    begun = 10 * S if state.given else 0  # where a slow step ends
    life, amps = Rig(car, [], (), state.plan), []
    for tick in (begun, begun + 60 * S):
        life.advance(tick)
        amps.append(life.network.battery_a)
    circuit = Site(None, car, car.splices[0], dataclasses.replace(state, at_ticks=begun)).circuit
    assert circuit.engine == (state is RUNNING)
    assert circuit.creeps(BATTERY, 0.0) == pytest.approx(abs(amps[1] - amps[0]) / 60, rel=1e-3, abs=1e-9)


def rows(made: Profile, kit: str, state: State, car: Vehicle | None = None) -> dict[str, findable.Method]:
    tools = load_instruments(data.shipped("instruments", kit))
    return {
        m.method: m for m in findable.Search(made, car or vehicle(), tools, "tailgate", 1, state).methods()
    }


def test_a_charger_takes_the_fault_past_the_batterys_cable(tmp_path: Path) -> None:
    made = profile(tmp_path, ISSUE)
    with_it, without = rows(made, "workshop", CHARGING), rows(made, "workshop", State())
    assert "support charger gives the rest past the battery's cable" in with_it["MAX on a meter"].why
    assert "mA of 350 mA shown" in with_it["MAX on a meter"].why
    assert "trigger_a" not in with_it["clamp and recorder"].settings  # the charge moves the level by more
    assert with_it["MAX on a meter"].settings["range_a"] == 10  # what charges flows through the meter too
    assert "past" not in without["MAX on a meter"].why
    second = dataclasses.replace(vehicle(), second=Second(circuits.BATTERY, 0.01, "always"))
    shared = rows(made, "workshop", State(), second)
    assert "the second battery gives the rest past the battery's cable" in shared["MAX on a meter"].why
    assert (
        "charger and the second battery give"
        in rows(made, "workshop", CHARGING, second)["MAX on a meter"].why
    )


def test_a_charger_that_gives_all_it_can_hides_nothing(tmp_path: Path) -> None:
    """At its limit a source gives no more: each milliampere comes from the battery."""
    car = dataclasses.replace(vehicle(), charger=Source(13.6, 0.05, 1.0))
    site = Site(profile(tmp_path, ISSUE), car, car.splice("tailgate"), CHARGING)
    pulses = site.made(train.pulses(site.profile, 1)[0])
    assert site.currents(pulses, BATTERY).size == pytest.approx(pulses.amps, rel=1e-6)


def test_a_steady_draw_beside_a_charger_is_read_at_its_fuse_alone(tmp_path: Path) -> None:
    made = profile(tmp_path, "  - steady: 300 mA\n")
    found = rows(made, "workshop", CHARGING)
    assert not found["MAX on a meter"].shows
    assert "one reading doesn't tell" in found["MAX on a meter"].why
    assert not found["clamp and recorder"].shows
    assert found["voltage drops across fuses"].shows


def test_nobody_puts_a_meter_in_line_or_pulls_a_fuse_while_the_engine_runs(tmp_path: Path) -> None:
    found = rows(profile(tmp_path, ISSUE), "laboratory", RUNNING)
    assert "never in line while the engine runs" in found["MAX on a meter"].why
    assert "while the engine runs" in found["pulling fuses"].why
    assert found["voltage drops across fuses"].shows


def test_a_state_behind_a_drive_sleeps_on_its_battery_again(tmp_path: Path) -> None:
    made = profile(tmp_path, ISSUE)
    site = Site(made, vehicle(), vehicle().splice("tailgate"), DROVE)
    assert site.circuit.asleep
    assert not site.circuit.fed
    assert {m: row.shows for m, row in rows(made, "workshop", DROVE).items()} == {
        m: row.shows for m, row in rows(made, "workshop", State()).items()
    }


def test_a_run_begins_only_where_the_supply_has_rested(tmp_path: Path) -> None:
    """The rule asks for a minute below 13 V: the charger comes at once, or after two minutes."""
    path = tmp_path / "case.yaml"
    start = "start: {when: supply-rest, below: 13.0 V, steady: 60 s}\n"
    path.write_text(f"profile: case\n{start}draws:\n{ISSUE}{DEEP}")
    from nightdraw.profile import load

    made = load(path)
    late = State(Script("late", False, (Event(120 * S, CHARGER, "on"),)), 180 * S)
    soon = State(Script("soon", False, (Event(0, CHARGER, "on"),)), 180 * S)
    assert Site(made, vehicle(), vehicle().splice("tailgate"), late).held() is None
    assert "never begins" in str(Site(made, vehicle(), vehicle().splice("tailgate"), soon).held())


def test_a_pulled_fuse_leaves_nothing_to_find(tmp_path: Path) -> None:
    made = profile(tmp_path, ISSUE)
    pulled = State(Script("pulled", False, (Event(0, PULL, "F7"),)), 60 * S)
    assert "holds its loads open" in str(Site(made, vehicle(), vehicle().splice("tailgate"), pulled).held())


FIND = (
    "bench",
    "findable",
    "--profile",
    "hung-door-module",
    "--vehicle",
    "vehicle-1",
    "--splice",
    "tailgate",
)


def test_the_state_of_a_script_is_told(capsys) -> None:
    status, text, _ = call(capsys, *FIND, "--script", "class-morning", "--at", "28min", "--json")
    assert status == 0
    state = json.loads(text)["state"]
    assert state["engine"] is True
    assert state["fed_by"] == ["alternator"]
    assert state["battery_ma"] < 0
    status, text, _ = call(capsys, *FIND, "--script", "class-morning", "--at", "28min")
    assert "weighed as if it stayed so: 28.0 min into script class-morning, awake, the engine runs" in text


def test_an_instant_needs_a_script(capsys) -> None:
    assert call(capsys, *FIND, "--at", "5min")[0] == 2
    assert call(capsys, *FIND, "--script", "class-morning", "--at", "40d")[0] == 2

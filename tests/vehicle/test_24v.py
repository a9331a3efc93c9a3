"""Two batteries in series: what follows from that, and a box that is built for 24 V in a lorry."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from boxcore import program as pg
from nightdraw import data
from nightdraw.bench import drive
from nightdraw.bench.rig import Rig
from nightdraw.bench.setup import build
from nightdraw.cli import main
from nightdraw.errors import InputError
from nightdraw.vehicle import battery, load_vehicle
from nightdraw.vehicle.drain_effect import drain_effect
from nightdraw.vehicle.script import Event, Script

from tests.bench.support import program
from tests.bench.test_drive import lines, recorded
from tests.vehicle.circuits import BATTERY, S, days_to_no_start

LORRY = load_vehicle(data.shipped("vehicles", "vehicle-4"))
BOARD = data.folder("hardware") / "workshop-24v.yaml"

PROFILE = """profile: lorry-fault
draws: [{steady: 280 mA}]
limits: {supply_min: 20 V, supply_max: 30 V, run: 3 h, charge: 2 Ah}
"""


def test_all_of_the_battery_doubles_but_its_charge() -> None:
    two = replace(BATTERY, in_series=2)
    for pct in (0, 40, 85, 100):
        assert battery.rest_v(two, pct) == 2 * battery.rest_v(BATTERY, pct)
        assert battery.ohms(two, pct) == 2 * battery.ohms(BATTERY, pct)
        assert battery.charge_ohms(two, pct) == pytest.approx(2 * battery.charge_ohms(BATTERY, pct))
        assert battery.after(two, pct, 0.3, 5) == battery.after(BATTERY, pct, 0.3, 5)
    days = [
        days_to_no_start(cell, 85, 0.1, 150)
        for cell in (BATTERY, replace(two, crank_min_v=2 * BATTERY.crank_min_v))
    ]
    assert days[0] == pytest.approx(days[1])


def test_the_lorry_is_a_24_v_vehicle() -> None:
    assert LORRY.battery.in_series == 2
    assert LORRY.battery.crank_min_v == pytest.approx(19.2)
    assert LORRY.lamps[0].siemens == pytest.approx(20 / 24**2)
    said = drain_effect(LORRY, 0.5, 3)
    assert said.starts_after
    assert said.charge_start_pct == 80
    rig = Rig(LORRY, [], ("battery",), Script("s", False, (Event(S, "engine", "", 60 * S),)))
    rig.network.solve()
    assert 24.5 < rig.network.bus_v < 25.3
    rig.advance(S + 1000)
    assert 19.2 < rig.network.bus_v < 23
    rig.advance(20 * S)
    assert 27 < rig.network.bus_v <= 28.4


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("in_series: 2", "in_series: 3", "must be one of"),
        ("in_series: 2", "in_series: 2 V", "must be one of"),
        ("voltage: 28.4 V", "voltage: 14.4 V", "voltage must be 24 V .. 32 V"),
        ("in_series: 2", "in_series: 1", "voltage must be 12 V .. 16 V"),
        ("in_series: 2", "in_series: 2\n  crank_min: 9.6 V", "crank_min must be 10 V .. 24 V"),
    ],
)
def test_bounds_follow(old: str, new: str, said: str, tmp_path: Path) -> None:
    source = data.shipped("vehicles", "vehicle-4").read_text()
    path = tmp_path / "v.yaml"
    path.write_text(source.replace(old, new, 1))
    with pytest.raises(InputError) as raised:
        load_vehicle(path)
    assert said in raised.value.findings[0].text()


def test_a_24_v_box_plays_in_the_lorry(tmp_path: Path) -> None:
    plan = program((pg.STEADY, 40_000), (pg.PULSE, 350_000, 7_000, 30_000, 12_345))
    plan.supply_max_mv, plan.supply_min_mv = 32_000, 18_000
    wanted = drive.Drive(60 * S, ("battery", "load", "F22"), out=tmp_path / "r.csv", fronts=drive.ideal)
    made = replace(LORRY, twitches=(), modules=())
    done = drive.drive(made, [drive.Placed("body-lamps", plan, build(BOARD, seed=1), 1)], wanted)
    seen, log = recorded(tmp_path / "r.csv"), lines(done.journals[0])
    assert [r["kind"] for r in log].count("start") == 1
    assert not [r for r in log if r["kind"] in ("hold", "trip")]
    edges = [(r["at_s"], r["level_ma"] / 1000) for r in log if r["kind"] == "edge" and r["at_s"] > 0]
    assert len(edges) > 20
    for at_s, amps in edges:
        place = np.searchsorted(seen["time_s"], at_s + 0.05)
        assert seen["load_a"][place] == pytest.approx(amps, rel=0.02, abs=0.003)


def test_a_12_v_box_holds_in_the_lorry() -> None:
    plan = program((pg.STEADY, 40_000))
    wanted = drive.Drive(20 * S, ("battery",))
    made = replace(LORRY, twitches=(), modules=())
    run = drive.VehicleRecording(
        made, [drive.Placed("lift", plan, build(seed=1), 1)], wanted, Script("s", False, ()), print
    )
    run.rig.advance(20 * S)
    assert run.rig.worlds[0].outlet.supply_v > 24
    assert run.rig.network.battery_a == pytest.approx(0.011, abs=1e-4)  # its own consumption alone


def test_the_command_takes_both(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    out, profile = tmp_path / "r.csv", tmp_path / "p.yaml"
    profile.write_text(PROFILE)
    words = ["bench", "record", "--vehicle", "vehicle-4", "--board", str(BOARD)]
    words += ["--box", f"{profile}@lift", "--channel", "M3", "--for", "2 min", "--rate", "100Hz"]
    status = main.run([*words, "--out", str(out), "--json"])
    seen = capsys.readouterr()
    assert status == 0, seen.err
    journal = [json.loads(line) for line in Path(json.loads(seen.out)["journal"]).read_text().splitlines()]
    assert journal[0]["board"] == "workshop-24v"
    assert "start" in [record["kind"] for record in journal[1:]]
    assert out.read_text().startswith("time_s,M3_mv\n")

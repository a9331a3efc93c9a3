"""Vehicles and scripts made at random: recorded by the command, and solved from their files alone."""

from __future__ import annotations

import csv
import random
import shutil
from pathlib import Path

import pytest

from tests.bench.test_cli_vehicle import call
from tests.reference import hidden_circuits
from tests.reference import hidden_vehicles as hidden

RATE_HZ = 1000


def recorded(capsys, said: hidden.Hidden, folder: Path) -> list[dict[str, float]]:
    """Every channel's true current (of fuses the millivolts across them)."""
    (folder / "vehicle.yaml").write_text(said.vehicle())
    (folder / "script.yaml").write_text(said.script())
    words = ["--vehicle", str(folder / "vehicle.yaml"), "--script", str(folder / "script.yaml"), "--ideal"]
    words += ["--channel", "all", "--for", f"{hidden.LASTS_S} s", "--rate", f"{RATE_HZ} Hz"]
    status, _, told = call(capsys, "bench", "record", *words, "--out", str(folder / "r.csv"))
    assert status == 0, told + said.vehicle() + said.script()
    with (folder / "r.csv").open() as file:
        return [{key: float(value) for key, value in row.items()} for row in csv.DictReader(file)]


def compare(capsys, seed: str, folder: Path, by_spice: bool) -> int:
    """Instants between changes: how many figures were compared."""
    said = hidden.make(seed)
    rows, compared = recorded(capsys, said, folder), 0
    for at in said.quiet(random.Random(seed)):
        row = rows[round(at * RATE_HZ)]
        life = hidden.Life(said, at)
        nodal, root_v = hidden_circuits.solve(life)
        found = [nodal, *([hidden_circuits.spice(life, folder, root_v)] if by_spice else [])]
        for flows in found:
            size = max(1.0, *(abs(amps) for amps in flows.values()))
            for name, amps in flows.items():
                kind = next((one["kind"] for one in said.fuses if one["name"] == name), None)
                if kind is None:
                    own = row[f"{name}_a"]
                elif name in life.out:
                    continue  # across an empty socket lies all there is
                else:
                    own = row[f"{name}_mv"] / hidden.FUSES[kind]
                # a recording has six decimals, of volts across milliohms so many fewer
                with_file = f"{seed}, {at:.4f} s, {name}\n{said.vehicle()}{said.script()}"
                assert own == pytest.approx(amps, abs=2e-6 * size + 2e-6), with_file
                compared += 1
    return compared


@pytest.mark.parametrize("number", range(6))
def test_hidden_vehicles_flow_as_their_files_say(number: int, capsys, tmp_path: Path, seed: int) -> None:
    assert compare(capsys, f"{seed} {number}", tmp_path, shutil.which("ngspice") is not None) > 10


@pytest.mark.campaign
@pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice isn't installed")
def test_forty_hidden_vehicles(capsys, tmp_path: Path, seed: int) -> None:
    compared = sum(compare(capsys, f"{seed} long {number}", tmp_path, True) for number in range(40))
    print(f"{compared} currents compared in 40 vehicles, each by nodal analysis and by ngspice")

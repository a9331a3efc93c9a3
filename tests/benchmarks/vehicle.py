"""A vehicle-day: two boxes, three channels at 1 kHz, against writing as many such numbers alone."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from nightdraw import data
from nightdraw.bench import drive
from nightdraw.bench.setup import build
from nightdraw.bench.tables import FORMATS, TableFile
from nightdraw.profile import load
from nightdraw.vehicle import load_vehicle
from nightdraw.vehicle.script import EMPTY

from tests.benchmarks.measure import Ratio

LENGTH_S = 86_400
PIECE_S = 3_600  # of the peer's numbers: they are made once and written over and over, their times moved on
CHANNELS = ("battery", "cabin", "F7")
PLACES = (("tailgate", "tailgate-latch"), ("radio", "radio-keepalive"))


def run(folder: Path) -> Iterator[Ratio]:
    """All of them."""
    vehicle = load_vehicle(data.shipped("vehicles", "vehicle-1"))
    simulated_s, _ = _timed(lambda: drive.drive(vehicle, _boxes(), _wanted(LENGTH_S)))
    sampled_s, _ = _timed(lambda: _sampled(vehicle))
    for form in FORMATS:
        out = folder / f"day.{form}"
        ours_s, _ = _timed(
            lambda out=out, form=form: drive.drive(vehicle, _boxes(), _wanted(LENGTH_S, out, form))
        )
        out.unlink()
        peer_s = _peer(vehicle, folder / f"peer.{form}", form)
        yield Ratio(f"vehicle-day, two boxes, written as {form}", ours_s, peer_s, "the same numbers written")
        yield Ratio("of it simulated", simulated_s, peer_s, "the same numbers written")
        yield Ratio(
            "of it sampled, noise and all", sampled_s - simulated_s, peer_s, "the same numbers written"
        )


def _boxes() -> list[drive.Placed]:
    """Two shipped faults whose limits are lifted: they run all day."""
    placed = []
    for k, (splice, name) in enumerate(PLACES):
        plan = load(data.profile_path(name)).program()
        plan.run_ticks, plan.charge_mas = 2 * LENGTH_S * 10_000, 100_000_000
        placed.append(drive.Placed(splice, plan, build(seed=k), k))
    return placed


def _wanted(length_s: int, out: Path | None = None, form: str = "csv") -> drive.Drive:
    return drive.Drive(length_s * 10_000, CHANNELS, out=out, form=form)


def _sampled(vehicle) -> None:
    for _ in drive.VehicleRecording(vehicle, _boxes(), _wanted(LENGTH_S), EMPTY, lambda text: None).samples():
        pass


def _peer(vehicle, path: Path, form: str) -> float:
    """Seconds to write a day's numbers that are there already, by the same writer."""
    made = drive.VehicleRecording(vehicle, _boxes(), _wanted(PIECE_S), EMPTY, lambda text: None)
    groups = list(made.gathered())
    taken_s = 0.0
    with TableFile(path, drive.header(vehicle, CHANNELS), form) as table:
        for turn in range(LENGTH_S // PIECE_S):
            for group in groups:
                moved = [(times_s + np.float64(turn * PIECE_S), rows) for times_s, rows in group]
                taken_s += _timed(lambda moved=moved: table.write_pieces(moved))[0]
        taken_s += _timed(table.keep)[0]
    path.unlink()
    return taken_s


def _timed(work) -> tuple[float, object]:
    begun = time.perf_counter()
    result = work()
    return time.perf_counter() - begun, result

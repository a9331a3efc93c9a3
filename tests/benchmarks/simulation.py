"""The bench: a day of a busy profile, and writing a recording."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import numpy as np
from boxcore import program as pg
from boxcore import schedule
from nightdraw import programs
from nightdraw.bench import record as bench_record
from nightdraw.bench import recorder, setup

from tests.benchmarks.measure import Ratio, compare

DAY_TICKS = 86_400 * pg.TICKS_PER_S
RATE_HZ = 1000
SAMPLES = 1_000_000

# A pulse every three seconds and another at random every four: busier than any lesson.
BUSY = pg.Program(
    "busy",
    [
        (pg.STEADY, 40_000),
        (pg.PULSE, 350_000, 7_000, 30_000, 0),
        (pg.RANDOM, 120_000, 2_000, 9_000, pg.UNIFORM, 20_000, 50_000),
    ],
    run_ticks=4 * DAY_TICKS,
    charge_mas=400_000_000,
)


def run(folder: Path) -> Iterator[Ratio]:
    """All of them."""
    yield simulated_day()
    yield written_recording(folder)


def simulated_day() -> Ratio:
    """A day on the bench, guards, journal and all, against walking through the bare schedule."""
    edges = sum(1 for _ in programs.edges(schedule.Schedule(BUSY, 1, 11_000), DAY_TICKS))

    def simulate() -> None:
        bench_record.record(BUSY, setup.build(), bench_record.RecordingRequest(DAY_TICKS, seed=0))

    def walk() -> None:
        for _ in programs.edges(schedule.Schedule(BUSY, 1, 11_000), DAY_TICKS):
            pass

    return compare(
        f"simulated day, {edges} edges", simulate, "the bare schedule walked through", walk, rounds=1
    )


def written_recording(folder: Path) -> Ratio:
    """Averaging, noise and CSV against numpy writing the same numbers."""
    changes = np.arange(0, SAMPLES * 10, 5000, dtype=float)
    amps = np.where(np.arange(len(changes)) % 2, 0.39, 0.04)
    span = recorder.TruthSpan(0, SAMPLES * 10, changes, amps)
    table = np.column_stack((np.arange(SAMPLES) / RATE_HZ, np.full(SAMPLES, 0.123456)))

    def ours() -> None:
        with recorder.CsvFile(folder / "ours.csv") as file:
            sampler = recorder.Sampler(Fraction(RATE_HZ), 0, SAMPLES, seed=1)
            file.write(*sampler.feed(span))
            file.keep()

    def theirs() -> None:
        np.savetxt(folder / "peer.csv", table, fmt="%.6g", delimiter=",")

    return compare(
        f"recording of {SAMPLES} samples written", ours, "numpy.savetxt of the same numbers", theirs, rounds=1
    )

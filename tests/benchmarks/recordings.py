"""Capture: reading and measuring a long recording."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import numpy as np
from nightdraw.bench import recorder
from nightdraw.capture.pulses import measure
from nightdraw.capture.read import from_arrays, open_recording
from pyarrow import csv
from scipy.signal import find_peaks, peak_widths

from tests.benchmarks.measure import Ratio, compare

SAMPLES = 2_000_000  # 33 minutes at 1 kHz
RATE_HZ = 1000
PULSE_TICKS, PERIOD_TICKS = 7_000, 30_000
LOW_A, HIGH_A = 0.04, 0.39


def run(folder: Path) -> Iterator[Ratio]:
    """All of them."""
    path = folder / "long.csv"
    times, amps = _recorded(path)
    yield reading(path)
    yield measuring(path)
    yield against_scipy(times, amps)


def _recorded(path: Path) -> tuple[np.ndarray, np.ndarray]:
    """A recording of a plain pulse train, with the clamp's noise, in memory and on disk."""
    ticks = SAMPLES * 10
    starts = np.arange(0, ticks, PERIOD_TICKS, dtype=float)
    changes = np.column_stack((starts, starts + PULSE_TICKS)).ravel()
    levels = np.tile([HIGH_A, LOW_A], len(starts))
    with recorder.CsvFile(path) as file:
        sampler = recorder.Sampler(Fraction(RATE_HZ), 0, SAMPLES, seed=1)
        samples = sampler.feed(recorder.TruthSpan(0, ticks, changes, levels))
        file.write(*samples)
        file.keep()
    return samples


def reading(path: Path) -> Ratio:
    """Our reader, which checks order, gaps and units in blocks, against one plain read of the same file."""
    return compare(
        f"recording of {SAMPLES} samples read",
        lambda: sum(len(times) for times, _ in open_recording(path).blocks()),
        "pyarrow's CSV reader alone",
        lambda: csv.read_csv(path),
    )


def measuring(path: Path) -> Ratio:
    """From the file to all pulses against only reading it."""
    return compare(
        "the same, read and all pulses measured",
        lambda: measure(open_recording(path)),
        "pyarrow's CSV reader alone",
        lambda: csv.read_csv(path),
    )


def against_scipy(times: np.ndarray, amps: np.ndarray) -> Ratio:
    """Measuring in memory against scipy, which is told the height and the base that we have to find."""
    recording = from_arrays(times, amps)
    expected = -(-SAMPLES * 10 // PERIOD_TICKS)

    def theirs() -> None:
        middle = (LOW_A + HIGH_A) / 2
        smooth = np.convolve(amps, np.ones(5) / 5, mode="same")
        peaks, _ = find_peaks(smooth, height=middle, distance=PERIOD_TICKS // 20)
        peak_widths(smooth, peaks, rel_height=0.5)

    assert abs(len(measure(recording)) - expected) <= 2
    return compare(
        "the same samples measured, in memory", lambda: measure(recording), "scipy's peak widths", theirs
    )

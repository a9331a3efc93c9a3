"""Capture on recordings of days: pulses of a hundred million samples, a minute of a day, text.

Each side runs in a process of its own, so that what it holds in memory at most can be told too.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pyarrow as pa
from pyarrow import csv, parquet

from tests.benchmarks.measure import Ratio

SAMPLES = 100_000_000  # 28 hours at 1 kHz
TEXT_SAMPLES = 20_000_000  # half a gigabyte of text
RATE_HZ = 1000
AWAY_S, MINUTE_S = 23 * 3600, 60  # the minute that is wanted
LOW_A, HIGH_A, NOISE_A = 0.04, 0.39, 0.001
PIECE = 1 << 20
ROUNDS = 2  # the best of them

OURS = "from nightdraw.capture.read import *; file = sys.argv[1]; "
BARE = "import pyarrow.parquet as pq; from pyarrow import csv; file = sys.argv[1]; "
READ = OURS + "sum(len(t) for t, _ in open_recording(file).blocks())"
MEASURE = OURS + "from nightdraw.capture.pulses import measure; measure(open_recording(file))"
BARE_TABLE = (
    BARE + f"[0 for _ in pq.ParquetFile(file).iter_batches({PIECE}, columns=['time_s', 'current_a'])]"
)
BARE_TEXT = BARE + "csv.read_csv(file)"
VIEW = (
    "from nightdraw.cli import main; "
    "file, begin, length, out = sys.argv[1:]; "
    "main.run(['bench', 'view', file, '--from', begin, '--for', length, '--out', out])"
)
PART = (
    OURS
    + "b, n = map(float, sys.argv[2:4]); list(open_recording(file, None, Options(part=Part(b, n))).blocks())"
)
BARE_PART = BARE + (
    "b, n = map(float, sys.argv[2:4]); pq.read_table(file, columns=['time_s', 'current_a'], "
    "filters=[('time_s', '>=', b), ('time_s', '<', b + n)])"
)
TIMED = "import sys, time; begun = time.perf_counter(); {}; print(time.perf_counter() - begun, {})"
HELD = "open('/proc/self/status').read().split('VmHWM:')[1].split()[0]"  # kB; of this process alone


def run(folder: Path) -> Iterator[Ratio]:
    """All of them."""
    day, text = folder / "day.parquet", folder / "day.csv"
    _write(day, text)
    away_s = min(AWAY_S, SAMPLES // RATE_HZ - 2 * MINUTE_S)
    part = (f"{max(away_s, 0)}", f"{MINUTE_S}")
    shown = (f"{part[0]}s", f"{part[1]}s", str(folder / "minute.png"))
    millions = f"{SAMPLES / 1e6:g} million samples"
    yield _ratio(f"Parquet, {millions}, read", READ, BARE_TABLE, day, "bare read of both columns")
    yield _ratio(f"capture pulses, {millions}", MEASURE, BARE_TABLE, day, "bare read of both columns")
    yield _ratio(
        f"CSV, {TEXT_SAMPLES / 1e6:g} million samples, read", READ, BARE_TEXT, text, "Arrow's parser alone"
    )
    yield _ratio(
        "a minute of it (Parquet) read", PART, BARE_PART, day, "the same by Arrow's filters", part, part
    )
    yield _ratio("bench view of that minute", VIEW, BARE_PART, day, "that minute read", shown, part)


def _write(day: Path, text: Path) -> None:
    """The same plain pulse train, a pulse every three seconds, in both forms."""
    rng = np.random.default_rng(1)
    left = TEXT_SAMPLES
    schema = pa.schema([("time_s", pa.float64()), ("current_a", pa.float64())])
    with parquet.ParquetWriter(day, schema) as table, csv.CSVWriter(text, schema) as lines:
        for begin in range(0, SAMPLES, PIECE):
            time_s = np.arange(begin, min(begin + PIECE, SAMPLES)) / RATE_HZ
            current_a = np.where(time_s % 3 < 0.7, HIGH_A, LOW_A) + rng.normal(0, NOISE_A, len(time_s))
            piece = pa.table({"time_s": time_s, "current_a": current_a.round(6)})
            table.write_table(piece)
            if left > 0:
                lines.write_table(piece.slice(0, left))
                left -= len(time_s)


def _ratio(
    what: str,
    ours: str,
    bare: str,
    file: Path,
    peer: str,
    our_words: tuple[str, ...] = (),
    words: tuple[str, ...] = (),
) -> Ratio:
    ours_s, held_mb = min(_timed(ours, file, our_words) for _ in range(ROUNDS))
    bare_s, bare_mb = min(_timed(bare, file, words) for _ in range(ROUNDS))
    return Ratio(what, ours_s, bare_s, f"{peer}; {held_mb:.0f} MB held, the peer {bare_mb:.0f}")


def _timed(work: str, file: Path, words: tuple[str, ...]) -> tuple[float, float]:
    """Seconds of a piece of Python in a process of its own, and the megabytes that it held at most."""
    code = TIMED.format(work, HELD)
    done = subprocess.run(
        [sys.executable, "-c", code, str(file), *words], capture_output=True, text=True, check=True
    )
    seconds, kilobytes = done.stdout.split()[-2:]
    return float(seconds), float(kilobytes) / 1000

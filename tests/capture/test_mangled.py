"""Recordings mangled at random: a right answer or a clear error, and nothing else."""

from __future__ import annotations

import gzip
import io
import random
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from nightdraw.capture.read import channels, open_recording
from nightdraw.errors import CannotTellError, InputError
from pyarrow import parquet

from tests.counts import tries

FILES = 250  # of the quick test; the campaign mangles more
CAMPAIGN_FILES = tries(12_000, 2_500)
ROWS = 300
TIME_S = np.arange(ROWS) / 100
VALUE_MA = np.random.default_rng(1).normal(340, 3, ROWS)
LINES = [f"{t:.3f},{v:.3f},{v * 0.0077:.4f}" for t, v in zip(TIME_S, VALUE_MA, strict=True)]
CLOCKS = [f"09:12:{t:06.3f},{v:.3f}" for t, v in zip(TIME_S, VALUE_MA, strict=True)]


def _lines(head: list[str], rows: list[str]) -> bytes:
    return "\n".join([*head, *rows, ""]).encode()


def _plain(_rng: random.Random) -> bytes:
    return _lines(["Recorder 7", "", "time_s,current_ma,F7_mv"], LINES)


def _packed(rng: random.Random) -> bytes:
    return gzip.compress(_plain(rng))


def _commas(_rng: random.Random) -> bytes:
    rows = [line.rsplit(",", 1)[0].replace(",", ";").replace(".", ",") for line in LINES]
    return _lines(["Zeit;Strom", "s;mA"], rows)


def _two_columns(_rng: random.Random) -> bytes:
    return _lines(["Date,Time,Current (mA)"], ["2027-03-24," + row for row in CLOCKS])


def _stamps(_rng: random.Random) -> bytes:
    return _lines(["Timestamp,Current (mA)"], ["24/03/2027 " + row for row in CLOCKS])


def _blanks(_rng: random.Random) -> bytes:
    return _lines(["# time_s current_ma"], [line.rsplit(",", 1)[0].replace(",", "   ") for line in LINES])


def _table(rng: random.Random) -> bytes:
    out = io.BytesIO()
    table = pa.table({"time_s": TIME_S, "current_ma": VALUE_MA})
    packing = rng.choice(("snappy", "none", "zstd"))
    parquet.write_table(table, out, row_group_size=100, compression=packing, write_page_checksum=True)
    return out.getvalue()


def _wide(rng: random.Random) -> bytes:
    return _tabbed(rng).decode().encode("utf-16")


def _tabbed(rng: random.Random) -> bytes:
    """Marks of over-range, a mark of the byte order, ends of lines of every kind, rows without numbers."""
    rows = [line.rsplit(",", 1)[0].replace(",", "\t") for line in LINES]
    for _ in range(rng.randrange(3)):
        rows[rng.randrange(len(rows))] = rng.choice(("\t", "2.5\tOL", "", "\t-inf"))
    lines = ["\ufeffTime (s)\tCurrent (mA)", *rows]
    return "".join(line + rng.choice(("\n", "\r\n")) for line in lines).encode()


def _long(rng: random.Random) -> bytes:
    return b"Recorder 7\n" * rng.choice((100, 3000)) + _plain(rng)


def _headless(rng: random.Random) -> bytes:
    """No header, in amperes; in milliamperes it can't be told."""
    size = rng.choice((1e3, 1.0))
    values = [f"{v / size:.6f}" for v in VALUE_MA]
    clocks = [f"09:12:{t:06.3f}" for t in TIME_S]
    times = rng.choice(([f"{t:.3f}" for t in TIME_S], clocks, [f"24.03.2027 {clock}" for clock in clocks]))
    sign = rng.choice((",", ";", "\t"))
    rows = [f"{t}{sign}{v}" for t, v in zip(times, values, strict=True)]
    return _lines([], [row.replace(".", ",") if sign == ";" and times[0][2] != "." else row for row in rows])


KINDS: tuple[Callable[[random.Random], bytes], ...] = (
    _plain, _packed, _commas, _two_columns, _stamps, _blanks, _table, _wide, _tabbed, _long, _headless,
)  # fmt: skip
NAMES = (".bin", ".csv", ".parquet", ".csv.gz", ".txt", "")


def mangled(data: bytes, rng: random.Random) -> bytes:
    """Some bytes lost, doubled, flipped, overwritten or put in, or the end cut off."""
    out = bytearray(data)
    for _ in range(rng.choice((1, 1, 1, 2, 5, 20))):
        at = rng.randrange(len(out) + 1)
        to = min(len(out), at + rng.choice((1, 1, 2, 8, 100, 3000)))
        how = rng.randrange(7)
        if how == 0:
            del out[at:to]
        elif how == 1:
            out[at:at] = rng.randbytes(rng.choice((1, 3, 50)))
        elif how == 2:
            out[at:at] = out[at:to]
        elif how == 3 and at < len(out):
            out[at] ^= 1 << rng.randrange(8)
        elif how == 4:
            out[at:to] = bytes(rng.choices(b'0123456789.,;-+eE "\n\r\t:/\0', k=to - at))
        elif how == 5:
            out[at:to] = bytes(to - at)
        elif rng.random() < 0.2:
            del out[at:]
    return bytes(out)


def outcome(path: Path, seed: int) -> str:
    """Mangle one file and read it; AssertionError for anything but a right answer or a clear error."""
    rng = random.Random(seed)
    make = rng.choice(KINDS)
    whole = make(rng)
    path = path.with_name(path.stem + rng.choice(NAMES))
    path.write_bytes(mangled(whole, rng) if rng.random() < 0.8 else whole)
    try:
        assert channels(path)
        recording = open_recording(path)
        pieces = list(recording.blocks())
    except (InputError, CannotTellError) as error:
        finding = error.findings[0]
        assert finding.file == str(path), f"file {seed}: {finding}"
        assert finding.message.isprintable(), f"file {seed}: {finding}"
        return "refused"
    time_s = np.concatenate([t for t, _ in pieces]) if pieces else np.empty(0)
    value = np.concatenate([v for _, v in pieces]) if pieces else np.empty(0)
    assert np.all(np.diff(time_s) > 0), f"file {seed}"
    if len(value) >= 20 and recording.unit == "mA":
        # Whatever was lost, most of what is left is near the truth: a unit or a decimal sign taken for
        # another would be off by ten or more. Words of the header can be mangled into others that are sound.
        right = 300 < float(np.median(value)) < 380
        steady = 0.0099 < float(np.median(np.diff(time_s))) < 0.0201
        head_lost = make is not _headless and path.read_bytes()[:40] != whole[:40]
        assert (right and steady) or head_lost, f"file {seed}: {recording.notes}"
        return "answered" if right and steady else "answered for another header"
    return "answered" if recording.unit == "mA" else "answered for another channel"


def test_mangled_files_are_read_or_refused(tmp_path: Path, seed: int) -> None:
    counts = Counter(outcome(tmp_path / "m.bin", seed * 1_000_003 + k) for k in range(FILES))
    assert counts["answered"]
    assert counts["refused"]


@pytest.mark.campaign
def test_many_mangled_files(tmp_path: Path, seed: int, capsys: pytest.CaptureFixture[str]) -> None:
    counts = Counter(outcome(tmp_path / "m.bin", seed * 7_000_003 + k) for k in range(CAMPAIGN_FILES))
    with capsys.disabled():
        print(f"\nmangled recordings: {CAMPAIGN_FILES}, a traceback or a wrong unit in 0,", dict(counts))

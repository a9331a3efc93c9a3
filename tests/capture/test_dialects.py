"""Files of random dialects with known truth, and files that other programs write: the same numbers."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pyarrow as pa
import pytest
from nightdraw.capture.read import Options, open_recording
from nightdraw.errors import InputError
from pyarrow import csv as arrow_csv
from pyarrow import parquet

from tests.capture.dialects import Writer, Written
from tests.capture.test_reading import whole
from tests.counts import tries

FILES = 150  # of the quick test; the campaign writes more
CAMPAIGN_FILES = tries(4000, 1000)


def check(path: Path, seed: int) -> Written:
    """Write the file of that seed and hold what is read against the truth."""
    written = Writer(seed).write()
    path.write_bytes(written.data)
    try:
        recording = open_recording(path, None, Options(**written.tell))
        time_s, value = whole(recording)
    except InputError as error:
        raise AssertionError(f"dialect {seed} is refused: {error}") from error
    assert recording.unit == "mA", f"dialect {seed}"
    np.testing.assert_allclose(time_s, written.time_s, rtol=1e-12, atol=1e-6, err_msg=f"dialect {seed}")
    np.testing.assert_allclose(value, written.value_ma, rtol=1e-9, atol=1e-9, err_msg=f"dialect {seed}")
    said = [int(note.split()[0]) for note in recording.notes if "left out" in note]
    assert sum(said) == written.left_out, f"dialect {seed}: {recording.notes}"
    return written


def test_random_dialects_are_read(tmp_path: Path, seed: int) -> None:
    for k in range(FILES):
        check(tmp_path / "r.csv", seed * 1_000_003 + k)


@pytest.mark.campaign
def test_many_random_dialects_are_read(tmp_path: Path, seed: int, capsys: pytest.CaptureFixture[str]) -> None:
    told = [check(tmp_path / "r.csv", seed * 7_000_003 + k).tell for k in range(CAMPAIGN_FILES)]
    with capsys.disabled():
        print(
            f"\n{len(told)} files of random dialects read right, {sum(map(bool, told))} with an option told"
        )


def test_without_the_option_nothing_is_guessed(tmp_path: Path, seed: int) -> None:
    """What a person had to tell is asked for, never assumed (by the same files as above)."""
    asked = 0
    for k in range(FILES):
        written = Writer(seed * 1_000_003 + k).write()
        if "rate_hz" in written.tell or written.tell.get("dates"):
            path = tmp_path / "r.csv"
            path.write_bytes(written.data)
            said = ""
            try:
                time_s, value = whole(open_recording(path))
            except InputError as error:
                said = str(error)
            asked += bool(said)
            if said:
                assert "--rate" in said or "--dates" in said
            else:  # a date of 13 or more told which is the day
                np.testing.assert_allclose(time_s, written.time_s, atol=1e-6)
                np.testing.assert_allclose(value, written.value_ma, rtol=1e-9, atol=1e-9)
    assert asked > 5


TIME_S = np.arange(500) / 50
VALUE_MA = np.where(TIME_S % 1 < 0.3, 350.0, 40.0) + np.arange(500) % 7
BEGUN = dt.datetime(2031, 5, 1, 23, 59, 55)
STAMPS = [BEGUN + dt.timedelta(seconds=float(t)) for t in TIME_S]


@pytest.mark.parametrize("sign", [",", ";", "\t"])
def test_what_polars_and_arrow_write_as_text_is_read(tmp_path: Path, sign: str) -> None:
    frame = pl.DataFrame({"time_s": TIME_S, "current_ma": VALUE_MA})
    frame.write_csv(tmp_path / "p.csv", separator=sign, decimal_comma=sign == ";", include_bom=sign == "\t")
    arrow_csv.write_csv(frame.to_arrow(), tmp_path / "a.csv", arrow_csv.WriteOptions(delimiter=sign))
    pl.DataFrame({"when": STAMPS, "current_ma": VALUE_MA}).write_csv(tmp_path / "s.csv", separator=sign)
    np.savetxt(tmp_path / "n.csv", np.column_stack((TIME_S, VALUE_MA)), header="time_s current_ma")
    for name in ("p.csv", "a.csv", "s.csv", "n.csv"):
        time_s, value = whole(open_recording(tmp_path / name))
        np.testing.assert_allclose(time_s, TIME_S, atol=1e-6)
        np.testing.assert_allclose(value, VALUE_MA)


NANOS = (TIME_S * 1e9).astype(np.int64)
COLUMNS: dict[str, tuple[str, Any]] = {
    "float32": ("time_s", pa.array(TIME_S.astype(np.float32))),
    "whole milliseconds": ("time_ms", pa.array((TIME_S * 1000).round().astype(np.int32))),
    "decimals": ("time_s", pa.array([round(float(t), 3) for t in TIME_S]).cast(pa.decimal128(12, 3))),
    "stamps": ("when", pa.array(STAMPS, pa.timestamp("us"))),
    "stamps with a zone": ("when", pa.array(STAMPS, pa.timestamp("ns", "UTC"))),
    "stamps in ms": ("when", pa.array(STAMPS, pa.timestamp("ms"))),
    "durations": ("elapsed", pa.array(NANOS, pa.duration("ns"))),
    "times of day": ("time", pa.array([one.time() for one in STAMPS], pa.time64("us"))),
}


@pytest.mark.parametrize("kind", COLUMNS)
def test_what_arrow_and_polars_write_as_parquet_is_read(tmp_path: Path, kind: str) -> None:
    name, column = COLUMNS[kind]
    table = pa.table({name: column, "current_ma": VALUE_MA})
    parquet.write_table(table, tmp_path / "a.parquet", row_group_size=64)
    pl.from_arrow(table).write_parquet(tmp_path / "p.parquet")  # type: ignore[union-attr]
    for file in ("a.parquet", "p.parquet"):
        time_s, value = whole(open_recording(tmp_path / file))
        np.testing.assert_allclose(time_s, TIME_S, atol=2e-6)
        np.testing.assert_allclose(value, VALUE_MA)

"""Files that were made to hurt, and paths that are no files: a clear error, in bounded memory and time."""

from __future__ import annotations

import gzip
import json
import os
import tracemalloc
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from nightdraw.capture.events import see
from nightdraw.capture.read import from_arrays, open_recording
from nightdraw.cli import main
from nightdraw.errors import CannotTellError, InputError
from pyarrow import parquet

from tests.capture.test_reading import whole, write

HEAD = "time_s,current_a\n"
MOST_BYTES = 200 << 20  # of Python's memory and numpy's: a few pieces of a file, however long it is


def refused(path: Path | str, message: str) -> None:
    """Opening and reading ends in an error that says so, with the file's name."""
    with pytest.raises((InputError, CannotTellError), match=message) as caught:
        whole(open_recording(path))
    assert caught.value.findings[0].file == str(path)


def test_what_is_no_file_is_refused_unopened(tmp_path: Path) -> None:
    """A pipe that nobody writes to would never let go of its reader."""
    os.mkfifo(tmp_path / "pipe.csv")
    refused(tmp_path / "pipe.csv", "a pipe or a device")
    refused(Path("/dev/zero"), "a pipe or a device")
    refused(tmp_path, "a folder")
    refused(tmp_path / ("x" * 5000), "can't be read")
    refused(tmp_path / "a\0b", "can't be read")


BOMBS = {
    "one line": (b"1", 100, "a line of more than 1 MB"),
    "rows of one time": (b"0,0\n", 8, "more than a million rows have the same time"),
    "empty lines": (b"\n", 100, "no rows of numbers|no samples"),
    "zeros": (b"\0", 100, "not text"),
}


@pytest.mark.parametrize("name", BOMBS)
def test_a_small_file_that_unpacks_to_a_huge_one(tmp_path: Path, name: str) -> None:
    unit, megabytes, message = BOMBS[name]
    head = HEAD.encode() if name == "rows of one time" else b""
    with gzip.open(tmp_path / "b.csv", "wb") as file:
        file.write(head)
        for _ in range(megabytes):
            file.write(unit * ((1 << 20) // len(unit)))
    assert (tmp_path / "b.csv").stat().st_size < 1_000_000
    tracemalloc.start()
    try:
        refused(tmp_path / "b.csv", message)
        assert tracemalloc.get_traced_memory()[1] < MOST_BYTES
    finally:
        tracemalloc.stop()


def test_a_small_parquet_file_of_millions_of_equal_times(tmp_path: Path) -> None:
    rows = 4_000_000
    table = pa.table({"time_s": np.zeros(rows), "current_a": np.full(rows, 0.04)})
    parquet.write_table(table, tmp_path / "b.parquet", compression="zstd")
    assert (tmp_path / "b.parquet").stat().st_size < 1_000_000
    refused(tmp_path / "b.parquet", "more than a million rows have the same time")


@pytest.mark.parametrize("group", [1 << 18, 1 << 23])
def test_a_table_is_never_in_memory_whole(tmp_path: Path, group: int) -> None:
    rows = 4 << 20
    value_a = np.random.default_rng(1).random(rows)  # nothing that packs well
    table = pa.table({"time_s": np.arange(rows) / 1e3, "current_a": value_a})
    parquet.write_table(table, tmp_path / "t.parquet", row_group_size=group)
    size, before = (tmp_path / "t.parquet").stat().st_size, pa.total_allocated_bytes()
    held = [pa.total_allocated_bytes() - before for _ in open_recording(tmp_path / "t.parquet").blocks()]
    assert len(held) == 4
    assert max(held) < size


@pytest.mark.parametrize("line", ["a comment, and more of it\n", "12 comments and more\n", "\n"])
def test_a_preamble_of_megabytes_is_read_or_refused(tmp_path: Path, line: str) -> None:
    for size, fits in ((1 << 17, True), (1 << 25, False)):
        preamble = line * (size // len(line))
        path = write(tmp_path, preamble + HEAD + "0,0.04\n1,0.05\n")
        if fits:
            np.testing.assert_allclose(whole(open_recording(path))[1], [40, 50])
        else:
            refused(path, "no rows of numbers in its first")


def test_a_preamble_of_several_megabytes_is_read(tmp_path: Path) -> None:
    preamble = "".join(f"setting {k} of the recorder: {3 * k}\n" for k in range(100_000))
    path = write(tmp_path, preamble + HEAD + "0,0.04\n1,0.05\n")
    assert path.stat().st_size > 3_000_000
    np.testing.assert_allclose(whole(open_recording(path))[1], [40, 50])


def test_cut_and_changed_gzip(tmp_path: Path) -> None:
    rows = "".join(f"{k / 1000},{k % 7 / 100}\n" for k in range(5000))
    packed = gzip.compress((HEAD + rows).encode())
    for data in (packed[:-500], packed[:200], packed[:-6] + b"\1" + packed[-5:]):
        refused(write(tmp_path, data), "damaged gzip file")


@pytest.mark.parametrize("magic", [b"PK\x03\x04", b"BZh9", b"\xfd7zXZ\0", b"\x28\xb5\x2f\xfd"])
def test_other_packers_are_named(tmp_path: Path, magic: bytes) -> None:
    refused(write(tmp_path, magic + bytes(range(200))), "this is ")


def test_numbers_beyond_everything(tmp_path: Path) -> None:
    path = write(tmp_path, HEAD + "0,1e308\n1,-1e308\n2,0.04\n3,1e-320\n4,0.05\n")
    recording = open_recording(path)
    np.testing.assert_allclose(whole(recording)[1], [40, 0, 50], atol=1e-9)
    assert recording.notes == ["2 samples beyond the recorder's range left out"]
    refused(write(tmp_path, HEAD + "0,0.04\n1e308,0.04\n"), "a time of")
    refused(
        write(tmp_path, "timestamp,current_a\n1800000000000,1\n1800000000001,2\n"), "is the column's unit"
    )


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("values", [(1e308, 0.04, 1e308), (1e308, 0.04, -1e308), (1e308,) * 3, (0.04,)])
def test_a_sample_by_itself_is_too_few(tmp_path: Path, values: tuple[float, ...]) -> None:
    """What is left where the others are beyond the recorder's range; counted as it is, without a warning."""
    rows = "".join(f"{k},{value!r}\n" for k, value in enumerate(values))
    in_memory = from_arrays(np.arange(len(values)) / 1e3, np.array(values))
    for recording in (open_recording(write(tmp_path, HEAD + rows)), in_memory):
        with pytest.raises(CannotTellError, match=f"{values.count(0.04)} samples are too few: at least 10"):
            see(recording)


def test_zeros_after_the_last_row_are_a_pulled_plug_s(tmp_path: Path) -> None:
    rows = "".join(f"{k},0.04\n" for k in range(30))
    assert len(whole(open_recording(write(tmp_path, (HEAD + rows).encode() + bytes(3_000_000))))[0]) == 30
    refused(write(tmp_path, (HEAD + rows).encode() + bytes(20_000_000) + b"31,0.05\n"), "zero bytes")


def test_names_can_t_steer_a_terminal(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    name = "\x1b]0;owned\x07\u202eevil"
    path = write(tmp_path, f"time_s,{name}_a,{name}2_a\n0,0.04,1\n1,0.05,1\n")
    for words in (["capture", "pulses", str(path)], ["capture", "pulses", str(path), "--channel", "\x1b[2J"]):
        assert main.run(words) == 2
        said = capsys.readouterr()
        assert (said.out + said.err).replace("\n", "").isprintable()
    recording = open_recording(path, open_recording(path, f"{name}_a").channel)
    assert recording.channel.isprintable()


@pytest.mark.parametrize(
    "content", [b"", b"PAR1", b"PAR1" + bytes(100) + b"PAR1", b"\x1f\x8b", b"\x1f\x8b\x08\0", b"\xff\xfe"]
)
def test_the_command_ends_with_a_status_and_a_document(
    tmp_path: Path, content: bytes, capsys: pytest.CaptureFixture[str]
) -> None:
    path = write(tmp_path, content)
    assert main.run(["capture", "pulses", str(path), "--json"]) in (2, 3)
    (error,) = json.loads(capsys.readouterr().out)["errors"]
    assert error["file"] == str(path)


def test_a_packed_file_of_nothing_is_empty(tmp_path: Path) -> None:
    refused(write(tmp_path, gzip.compress(b"")), "the recording is empty")

"""Recordings as recorders write them, and clear errors with file and line for what is none."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st
from nightdraw.capture.read import Recording, blocks, open_recording, source
from nightdraw.errors import CannotTellError, InputError
from numpy.typing import NDArray
from pyarrow import parquet

Floats = NDArray[np.float64]


def write(folder: Path, content: str | bytes) -> Path:
    path = folder / "r.csv"
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


def whole(recording: Recording) -> tuple[Floats, Floats]:
    blocks = list(recording.blocks())
    return np.concatenate([t for t, _ in blocks]), np.concatenate([v for _, v in blocks])


GOOD = {
    "our own": ("time_s,current_a\n0.0,0.04\n0.001,0.05\n", [0, 0.001], [40, 50]),
    "other units": ("Time (ms),Current (mA)\n0,40\n1,50\n", [0, 0.001], [40, 50]),
    "brackets": ("t [us]\tI [uA]\n0\t40000\n1000\t50000\n", [0, 0.001], [40, 50]),
    "comma decimals": ("time_s;current_a\n0,000;0,04\n0,001;0,05\n", [0, 0.001], [40, 50]),
    "semicolons, points": ("time_s;current_a\n0.000;0.04\n0.001;0.05\n", [0, 0.001], [40, 50]),
    "quotes": ('"time_s","current_a"\n"0","0.04"\n"0.001","0.05"\n', [0, 0.001], [40, 50]),
    "byte order mark, CRLF": ("\ufefftime_s,current_ma\r\n0,40\r\n0.001,50\r\n", [0, 0.001], [40, 50]),
    "no header": ("0,0.04\n0.001,0.05\n", [0, 0.001], [40, 50]),
    "preamble": ("Recorder 7\nstarted,today\n\ntime_s,current_a\n0,0.04\n0.001,0.05\n", [0, 0.001], [40, 50]),
    "footer": ("time_s,current_a\n0,0.04\n0.001,0.05\n\nEnd of file\nsamples: 2\n", [0, 0.001], [40, 50]),
    "cut last line": ("time_s,current_a\n0,0.04\n0.001,0.05\n0.0", [0, 0.001], [40, 50]),
    "blanks": ("time_s,current_a\n0,0.04\n0.001,\n0.002,nan\n0.003,--\n0.004,0.05\n", [0, 0.004], [40, 50]),
    "blank lines": ("time_s,current_a\n\n0,0.04\n\n0.001,0.05\n", [0, 0.001], [40, 50]),
    "unsorted": ("time_s,current_a\n0.002,0.06\n0,0.04\n0.001,0.05\n", [0, 0.001, 0.002], [40, 50, 60]),
    "doubled times": ("time_s,current_a\n0,0.04\n0.001,0.05\n0.001,0.07\n", [0, 0.001], [40, 60]),
    "stamps": (
        "when,current_a\n2031-05-01T12:00:00.25Z,0.04\n2031-05-01T12:00:01.5Z,0.05\n",
        [0, 1.25],
        [40, 50],
    ),
    "stamps without zone": (
        "date time,current_a\n2031-05-01 12:00:00,0.04\n2031-05-01 12:00:01,0.05\n",
        [0, 1],
        [40, 50],
    ),
    "more columns": ("no,time_s,state,clamp_a\n1,0,ok,0.04\n2,0.001,ok,0.05\n", [0, 0.001], [40, 50]),
    "separator at the end": ("time_s;current_a;\n0;0.04;\n0.001;0.05;\n", [0, 0.001], [40, 50]),
    "spaces and signs": ("time_s,current_a\n 0 , +0.04\n0.001 , 5e-2 \n", [0, 0.001], [40, 50]),
}


@pytest.mark.parametrize("name", GOOD)
def test_what_recorders_write_is_read(tmp_path: Path, name: str) -> None:
    content, times, values = GOOD[name]
    for encoded in (content.encode(), content.replace("\ufeff", "").encode("utf-16")):
        time_s, value = whole(open_recording(write(tmp_path, encoded)))
        np.testing.assert_allclose(time_s, times, atol=1e-9)
        np.testing.assert_allclose(value, values, atol=1e-9)


def test_what_was_assumed_or_mended_is_said(tmp_path: Path) -> None:
    recording = open_recording(write(tmp_path, GOOD["no header"][0]))
    assert [note.split(": ")[-1] for note in recording.notes] == [
        "no header line", "taken as seconds", "taken as amperes",
    ]  # fmt: skip
    recording = open_recording(write(tmp_path, GOOD["blanks"][0]))
    whole(recording)
    whole(recording)
    assert recording.notes == ["3 rows without a number left out"], "counted once a pass"
    recording = open_recording(write(tmp_path, "time,current\n0,0.04\n1,0.05\n"))
    assert len(recording.notes) == 2


@pytest.mark.parametrize("head", ["", "time,current\n", "time_s,i\n"])
def test_a_current_without_a_unit_that_may_be_milliamperes_is_asked_for(tmp_path: Path, head: str) -> None:
    """10 mA and more sleep in a vehicle: what nobody named is amperes only where it can't be that."""
    rows = "".join(f"{k},{{}}\n" for k in range(20))
    for value, taken in ((0.35, True), (-0.35, True), (2.5, True), (12, False), (-340, False)):
        recording = open_recording(write(tmp_path, head + rows.replace("{}", str(value))))
        if taken:
            np.testing.assert_allclose(whole(recording)[1], value * 1000)
        else:
            with pytest.raises(InputError, match="amperes or milliamperes"):
                whole(recording)


def test_a_latin_letter_in_the_header(tmp_path: Path) -> None:
    content = "time (\u00b5s),current (\u00b5A)\n0,40000\n1000,50000\n".encode("latin-1")
    time_s, value = whole(open_recording(write(tmp_path, content)))
    np.testing.assert_allclose(value, [40, 50])
    np.testing.assert_allclose(time_s, [0, 0.001])


def test_channels_are_chosen_by_name(tmp_path: Path) -> None:
    path = write(tmp_path, "time_s,feed_a,fuse5_mv,fuse7_mv\n0,0.04,1,2\n1,0.05,3,4\n")
    assert whole(open_recording(path))[1].tolist() == [40, 50]
    fuse = open_recording(path, "fuse7")
    assert whole(fuse)[1].tolist() == [2, 4]
    assert (fuse.unit, fuse.channel) == ("mV", "fuse7")
    assert whole(open_recording(path, "fuse5_mv"))[1].tolist() == [1, 3]
    with pytest.raises(InputError, match="did you mean 'fuse5'"):
        open_recording(path, "fuse55")


BAD = {
    "text": ("hello\nworld\n", 1, "no rows of numbers"),
    "a word among numbers": (
        "time_s,current_a\n0,0.04\n1,0.05\n2,oops\n3,0.04\n",
        4,
        "'oops' is not a number",
    ),
    "a cell too many": ("time_s,current_a\n0,0.04\n1,0.05,7\n2,0.05\n", 3, "3 cells"),
    "a cell too few": ("time_s,current_a\n0,0.04\n1\n2,0.05\n", 3, "1 cells"),
    "a second header": ("time_s,current_a\n0,0.04\ntime_s,current_a\n2,0.05\n", 3, "is not a number"),
    "a day that no month has": (
        "time;current_a\n2024-02-28 10:00:00;0.04\n2023-02-29 10:00:00;0.05\n",
        3,
        "'2023-02-29 10:00:00': day is out of range",
    ),
    "several currents": ("time_s,left_a,right_a\n0,1,2\n1,2,3\n", 1, "several columns"),
    "no current": ("time_s,temp_c\n0,1\n1,2\n", 1, "no column is a current"),
    "no names": ("0,1,2\n1,2,3\n", 1, "no header line"),
}


@pytest.mark.parametrize("name", BAD)
def test_what_is_wrong_is_named_with_its_line(tmp_path: Path, name: str) -> None:
    content, line, message = BAD[name]
    path = write(tmp_path, content)
    with pytest.raises(InputError, match=message) as caught:
        whole(open_recording(path))
    finding = caught.value.findings[0]
    assert (finding.file, finding.line) == (str(path), line)


def test_two_recordings_in_one_file_are_refused_with_the_line(tmp_path: Path) -> None:
    rows = [f"{k / 1000},0.04" for k in range(3000)]
    path = write(tmp_path, "\n".join(["time_s,current_a", *rows, *rows]) + "\n")
    with pytest.raises(InputError, match="runs backwards") as caught:
        whole(open_recording(path))
    assert caught.value.findings[0].line == 3002


def test_no_file_a_binary_file_and_an_empty_one(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="can't be read"):
        open_recording(tmp_path / "none.csv")
    with pytest.raises(InputError, match="can't be read"):
        open_recording(tmp_path)
    with pytest.raises(InputError, match="not text"):
        open_recording(write(tmp_path, b"\x00\x01" * 100))
    for content in ("", "time_s,current_a\n", "\n\n"):
        with pytest.raises(CannotTellError):
            open_recording(write(tmp_path, content))


CSV_LIKE = st.text('0123456789.,;-+e \t\n\r"abmst_nan\ufeff', max_size=200).map(str.encode)


@given(data=st.one_of(st.binary(max_size=300), CSV_LIKE))
def test_any_bytes_are_read_or_refused(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    """Nothing but the family's own errors, each naming the file, ever comes out."""
    path = write(tmp_path_factory.mktemp("any"), data)
    refused = None
    try:
        for time_s, value in open_recording(path).blocks():
            assert len(time_s) == len(value)
            assert np.all(np.diff(time_s) > 0)
    except (InputError, CannotTellError) as error:
        refused = error
    assert refused is None or refused.findings[0].file == str(path)


def test_parquet(tmp_path: Path) -> None:
    path = tmp_path / "r.parquet"
    table = pa.table(
        {"time_s": [0.0, 0.001, 0.002], "clamp_a": [0.04, None, 0.05], "fuse_mv": [1.0, 2.0, 3.0]}
    )
    parquet.write_table(table, path)
    time_s, value = whole(open_recording(path))
    assert time_s.tolist() == [0, 0.002]
    np.testing.assert_allclose(value, [40, 50])
    assert whole(open_recording(path, "fuse"))[1].tolist() == [1, 2, 3]
    path.write_bytes(path.read_bytes()[:-20])
    with pytest.raises(InputError, match="damaged"):
        open_recording(path)


def test_blocks_are_even_and_memory_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(source, "READ_BYTES", 10_000)
    monkeypatch.setattr(blocks, "BLOCK_SAMPLES", 4096)
    rows = 20_000
    path = write(tmp_path, "time_s,current_a\n" + "".join(f"{k / 1000},{k % 7}\n" for k in range(rows)))
    shares: list[float] = []
    recording = open_recording(path)
    recording.on_progress = shares.append
    sizes = [len(t) for t, _ in recording.blocks()]
    assert sizes == [4096] * 4 + [rows - 4 * 4096]
    assert shares == sorted(shares)
    assert shares[-1] == pytest.approx(1.0)


@pytest.mark.parametrize("gap", ["\n" * 30_000, "# what the recorder has to say\n" * 1000])
def test_a_piece_without_any_row_is_passed_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, gap: str
) -> None:
    monkeypatch.setattr(source, "READ_BYTES", 10_000)
    monkeypatch.setattr(source, "TAIL_BYTES", 100)
    rows = [f"{k / 1000},{k % 7}\n" for k in range(1000)]
    path = write(tmp_path, "time_s,current_a\n" + "".join([*rows[:500], gap, *rows[500:]]))
    time_s, value_ma = whole(open_recording(path))
    np.testing.assert_allclose(time_s, np.arange(1000) / 1000)
    np.testing.assert_allclose(value_ma, np.arange(1000) % 7 * 1000)


def test_a_parquet_column_of_text_is_no_recording(tmp_path: Path) -> None:
    table = pa.table({"time_s": [0.0, 1.0, 2.0], "current_a": ["a", "b", "c"]})
    parquet.write_table(table, tmp_path / "t.parquet")
    with pytest.raises(InputError, match="column 'current_a' holds no numbers but text"):
        open_recording(tmp_path / "t.parquet")


def test_an_uneven_row_is_named_before_it_is_known_how_numbers_are_written(tmp_path: Path) -> None:
    """All of the column is read for that where "1,100" may be a thousand or a decimal."""
    path = tmp_path / "uneven.tsv"
    rows = [f"{k}.000\t1,{100 + k % 800}" for k in range(3000)]
    rows[2500] = "035.183"
    path.write_text("time_s\tcurrent_ma\n" + "\n".join(rows) + "\n")
    with pytest.raises(InputError, match="1 cells, the rows above have 2") as refused:
        open_recording(path)
    assert refused.value.findings[0].line == 2502


def test_a_line_of_separators_alone_is_told_by_its_number(tmp_path: Path) -> None:
    """Of three columns, in a file whose separator looks like a blank."""
    rows = [f"2027-03-24\t09:12:{k:02}.000\t0.34" for k in range(30)]
    path = tmp_path / "r.txt"
    path.write_text("\n".join(["Date\tTime\tCurrent (A)", *rows, "\t", *rows, ""]), encoding="utf-8")
    with pytest.raises(InputError, match="2 cells, the rows above have 3") as refused:
        list(open_recording(path).blocks())
    assert refused.value.findings[0].line == 32

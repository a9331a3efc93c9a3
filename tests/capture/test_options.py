"""What the file doesn't say: a clamp's scale, rate, polarity, dates, decimal sign; and a part of it."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from nightdraw.capture.read import Options, Part, channels, drops_beside, open_recording, table
from nightdraw.cli import main
from nightdraw.errors import InputError
from pyarrow import parquet

from tests.capture.test_reading import whole, write

VOLTS = "time_s,clamp_v,F7_mv\n0,0.04,1\n1,0.05,2\n"


def test_volts_are_never_taken_for_a_current_or_for_millivolts(tmp_path: Path) -> None:
    """100 mV/A: 0.04 V are 0.4 A, by hand."""
    path = write(tmp_path, VOLTS)
    for channel in ("clamp", "clamp_v"):
        with pytest.raises(InputError, match="in volts: tell the clamp's scale") as caught:
            open_recording(path, channel)
        assert "--scale" in str(caught.value)
    clamp = open_recording(path, "clamp", Options(scale_ma_per_mv=10.0))
    np.testing.assert_allclose(whole(clamp)[1], [400, 500])
    assert (clamp.unit, clamp.channel) == ("mA", "clamp")
    assert "scaled as told" in clamp.notes[0]
    turned = open_recording(path, "clamp", Options(scale_ma_per_mv=10.0, invert=True))
    np.testing.assert_allclose(whole(turned)[1], [-400, -500])
    assert any("the wrong way round" in note for note in turned.notes)
    (drop,) = drops_beside(path, clamp, Options(scale_ma_per_mv=10.0, invert=True))
    assert (drop.channel, drop.unit, whole(drop)[1].tolist()) == ("F7", "mV", [1, 2])
    shown = open_recording(path, "clamp", Options(voltage=True))
    assert (shown.unit, whole(shown)[1].tolist()) == ("mV", [40, 50])


def test_a_scale_for_what_is_a_current_is_refused(tmp_path: Path) -> None:
    path = write(tmp_path, "time_s,clamp_a\n0,0.04\n1,0.05\n")
    for channel in (None, "clamp"):
        with pytest.raises(InputError, match="--scale is for a column in volts"):
            open_recording(path, channel, Options(scale_ma_per_mv=10.0))


def test_a_rate_stands_for_a_column_of_time_and_for_nothing_else(tmp_path: Path) -> None:
    path = write(tmp_path, "current_a\n0.04\n\n0.05\nOL\n0.06\n")
    with pytest.raises(InputError, match="--rate"):
        open_recording(path)
    time_s, value = whole(open_recording(path, None, Options(rate_hz=100.0)))
    np.testing.assert_allclose(time_s, [0, 0.01, 0.03], err_msg="a sample beyond the range takes its time")
    np.testing.assert_allclose(value, [40, 50, 60])
    with pytest.raises(InputError, match="without a time column"):
        open_recording(write(tmp_path, VOLTS), "F7", Options(rate_hz=100.0))


UNSAID = {
    "a date": ("date time,current_a\n03/04/2027 09:00:00,1\n04/04/2027 09:00:00,2\n", "--dates"),
    "a date in its own column": ("date,time,current_a\n03/04/2027,09:00:00,1\n", "--dates"),
    "thousands": ('time_s,current_ma\n0,"29,797"\n1,"29,801"\n', "--decimal"),
    "no unit of time": ("no,current_a\n0,0.04\n1,0.05\n", "--rate"),
    "a unit that isn't known": ("time_s,current (counts)\n0,4\n1,5\n", "with its unit"),
    "a unit that isn't known, beneath": ("time,current\ns,counts\n0,4\n1,5\n", "with its unit|doesn't name"),
    "a label, not a unit": ("time_s,Channel A\n0,4\n1,5\n", "with its unit"),
    "two units for one column": ("time_s,current_a\ns,mA\n0,4\n1,5\n", "the row beneath it 'mA'"),
    "a header of other columns": ("time_s,curr,ent_ma\n0,4\n1,5\n", "doesn't name their 2 columns"),
    "a minimum, not minutes": ("clamp_min,current_a\n0,4\n1,5\n", "--rate"),
}  # fmt: skip


@pytest.mark.parametrize("name", UNSAID)
def test_what_could_mean_two_things_is_asked_for(tmp_path: Path, name: str) -> None:
    content, mended = UNSAID[name]
    with pytest.raises(InputError, match=mended):
        whole(open_recording(write(tmp_path, content)))


def test_what_a_person_told_settles_it(tmp_path: Path) -> None:
    path = write(tmp_path, UNSAID["a date"][0])
    days = {"day-first": 86_400, "month-first": 31 * 86_400}  # the 3rd to the 4th of April; March to April
    for dates, length_s in days.items():
        assert whole(open_recording(path, None, Options(dates=dates)))[0].tolist() == [0, length_s]
    path = write(tmp_path, UNSAID["thousands"][0])
    for decimal, first in (("comma", 29.797), ("point", 29797.0)):
        assert whole(open_recording(path, None, Options(decimal=decimal)))[1][0] == pytest.approx(first)


def test_the_whole_column_decides_what_its_head_leaves_open(tmp_path: Path) -> None:
    rows = "".join(f'{k},"29,{k:03d}"\n' for k in range(300))
    for last, factor in (("29,5", 1.0), ("1,000.5", 1000.0)):
        path = write(tmp_path, f'time_s,current_ma\n{rows}300,"{last}"\n')
        assert whole(open_recording(path))[1][7] == pytest.approx(29.007 * factor)
    dates = "".join(f"0{d}/0{m}/2027 09:00:0{s},1\n" for m in (3, 4) for d in range(1, 10) for s in range(9))
    path = write(tmp_path, f"date time,current_a\n{dates}13/04/2027 09:00:00,1\n")
    assert whole(open_recording(path))[0][-1] == 43 * 86_400
    with pytest.raises(InputError, match="day first and with the month first"):
        open_recording(
            write(tmp_path, f"date time,current_a\n{dates}13/04/2027 09:00:00,1\n04/13/2027 09:00:00,1\n")
        )


def test_one_odd_cell_changes_no_column_s_meaning(tmp_path: Path) -> None:
    """A point that a fault turned into a comma, or a number written into another, is no thousand."""
    rows = "".join(f"{k / 10}\t{340 + k / 1000:.3f}\n" for k in range(50))
    for odd in ("340,123", "341.341.037", "1,5"):
        path = write(tmp_path, f"time_s\tcurrent_ma\n{rows}5.0\t{odd}\n")
        with pytest.raises(InputError, match=r"commas and numbers with points|is not a number"):
            whole(open_recording(path))
    groups = "".join(f"{k}\t{k + 1},{229 + k},797\n{k}.5\t29,797\n" for k in range(20))
    assert whole(open_recording(write(tmp_path, f"time_s\tcurrent_ua\n{groups}")))[1][1] == pytest.approx(
        29.797
    )


DAY = dt.datetime(2031, 5, 1)
ROWS, GROUP = 5000, 500


def _day(path: Path, kind: str, statistics: bool = True) -> Options:
    """A recording of 100 s in ten row groups, and what must be told about it."""
    time_s = np.arange(ROWS) / 50 + 7.0
    stamps = pa.array([DAY + dt.timedelta(seconds=float(t)) for t in time_s], pa.timestamp("us"))
    column = {"time_s": time_s, "time_ms": (time_s * 1000).round().astype(int), "when": stamps}
    columns: dict[str, Any] = {} if kind == "rate" else {kind: column[kind]}
    values = pa.table({**columns, "current_ma": np.arange(ROWS, dtype=float)})
    parquet.write_table(values, path, row_group_size=GROUP, write_statistics=statistics)
    return Options(rate_hz=50.0 if kind == "rate" else None)


@pytest.mark.parametrize("kind", ["time_s", "time_ms", "when", "rate"])
def test_a_part_of_a_table_reads_its_row_groups_alone(
    tmp_path: Path, kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "day.parquet"
    options = _day(path, kind)
    rows: list[int] = []
    plain = table.TableSource.rows

    def counted(self: Any, *words: Any) -> Any:
        for time_s, value in plain(self, *words):
            rows.append(len(value))
            yield time_s, value

    monkeypatch.setattr(table.TableSource, "rows", counted)
    for part, first, last in (
        (Part(62.0, 5.0), 3100, 3349),
        (Part(95.0), 4750, 4999),
        (Part(0.0, 1.0), 0, 49),
    ):
        rows.clear()
        whole_s, _ = whole(open_recording(path, None, options))
        everything = sum(rows)
        rows.clear()
        time_s, value = whole(open_recording(path, None, Options(rate_hz=options.rate_hz, part=part)))
        assert (value[0], value[-1], len(value)) == (first, last, last - first + 1)
        np.testing.assert_allclose(time_s, whole_s[first : last + 1])
        assert sum(rows) <= 2 * GROUP < everything


def test_a_part_without_statistics_and_of_text(tmp_path: Path) -> None:
    path = tmp_path / "day.parquet"
    _day(path, "time_s", statistics=False)
    lines = "".join(f"{k / 50 + 7.0},{k}\n" for k in range(ROWS))
    for file in (path, write(tmp_path, "time_s,current_ma\n" + lines)):
        assert whole(open_recording(file, None, Options(part=Part(62.0, 5.0))))[1].tolist() == list(
            range(3100, 3350)
        )


def test_the_command_line_tells_all_of_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pulses = "".join(f"{-0.04 - 0.3 * (0.2 < k % 100 / 100 < 0.5)}\n" for k in range(1000))
    path = write(tmp_path, "clamp_v\n" + pulses)
    words = ["capture", "pulses", str(path), "--json", "--rate", "100Hz", "--invert"]
    words += ["--from", "1s", "--for", "5s"]
    for scale, factor in (("100mV/A", 10.0), ("10 A/V", 10.0), ("1mV/mA", 1.0), ("0.1V/A", 10.0)):
        assert main.run([*words, "--scale", scale]) == 0
        found = json.loads(capsys.readouterr().out)
        assert found["unit"] == "mA"
        assert found["base_ma"] == pytest.approx(40 * factor, rel=0.01)
        assert len(found["pulses"]) == 5
    for wrong in ("0mV/A", "100mV", "100", "-10mV/A", "100mA/A", "1e99V/A"):
        assert main.run([*words, "--scale", wrong]) == 2
    capsys.readouterr()
    assert main.run(["capture", "pulses", str(path), "--rate", "0Hz"]) == 2
    assert main.run(["capture", "pulses", str(path), "--rate", "100Hz"]) == 2
    assert "--scale" in capsys.readouterr().err


def test_channels_of_a_file_without_names_and_with_many(tmp_path: Path) -> None:
    assert channels(write(tmp_path, "0,0.04\n1,0.05\n")) == [None]
    assert channels(write(tmp_path, VOLTS)) == ["clamp_v", "F7_mv"]

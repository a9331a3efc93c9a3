"""`capture plot`: what it draws and says, in every format, of one file or several."""

from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from nightdraw.capture import plot, read
from nightdraw.capture import seen as sn
from nightdraw.capture.seen import Bools
from nightdraw.cli import main

RATE_HZ = 200
NAMES = ("r.csv", "second.csv")


@pytest.fixture(autouse=True)
def files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two recordings of one minute: a clamp with a fuse, another clamp."""
    monkeypatch.chdir(tmp_path)
    t_s = np.arange(60 * RATE_HZ) / RATE_HZ
    ma = 40 + 250.0 * (t_s % 6 > 5.5) + np.random.default_rng(1).normal(0, 1, len(t_s))
    table = np.column_stack((t_s, ma / 1000, 0.0077 * ma))
    np.savetxt(NAMES[0], table, "%.5f", ",", header="time_s,clamp_a,$F7_{<b>_mv", comments="")
    np.savetxt(NAMES[1], table[:, :2], "%.5f", ",", header="time_s,clamp_a", comments="")


def call(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, dict[str, Any], str]:
    status = main.run(["capture", "plot", *words, "--json"])
    told = capsys.readouterr()
    return status, json.loads(told.out), told.err


@pytest.mark.parametrize(
    ("suffix", "begins"), [("png", b"\x89PNG"), ("svg", b"<?xml"), ("html", b"<!DOCTYPE html>")]
)
def test_each_format(capsys: pytest.CaptureFixture[str], suffix: str, begins: bytes) -> None:
    status, told, _ = call(capsys, "r.csv", "--out", f"out.{suffix}", "--pulses")
    assert status == 0
    assert (told["plot"], told["samples"]) == (f"out.{suffix}", 2 * 60 * RATE_HZ)
    assert 0 < told["drawn"] <= told["samples"]
    assert Path(f"out.{suffix}").read_bytes().startswith(begins)


def test_a_page_has_pulses_and_histograms_and_escapes_names(capsys: pytest.CaptureFixture[str]) -> None:
    assert call(capsys, "r.csv", "--out", "out.html")[0] == 0
    text = Path("out.html").read_text()
    assert text.count("<tr><td>") == 9, "the recording ends in the tenth"
    assert text.count("<figure>") == 2
    assert "<b>_" not in text
    assert "$F7_{&lt;b&gt;" in text
    assert call(capsys, "r.csv", "--out", "bare.html", "--no-pulses")[0] == 0
    assert "<figure>" not in Path("bare.html").read_text()


def test_several_files_lie_under_each_other(capsys: pytest.CaptureFixture[str]) -> None:
    assert call(capsys, *NAMES, "--channel", "clamp", "--out", "both.html")[1]["samples"] == 2 * 60 * RATE_HZ
    assert "r: clamp, second: clamp" in Path("both.html").read_text()


def test_what_a_script_let_happen_is_marked(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    Path("s.yaml").write_text("script: s\nevents:\n  - {at: 10 s, pull: F7}\n  - {at: 3 h, back: F7}\n")
    words = ("r.csv", "--out", "out.html", "--script", "s.yaml")
    assert call(capsys, *words, "--vehicle", "vehicle-1")[0] == 0
    assert '"events":[[10.0,"pull F7"]]' in Path("out.html").read_text()
    status, told, _ = call(capsys, *words)
    assert status == 2
    assert "--vehicle" in told["errors"][0]["message"]


@pytest.mark.parametrize(
    ("words", "status", "message"),
    [
        (("none.csv",), 2, "can't be read"),
        (("r.csv", "--out", "out.gif"), 2, "a plot is written as"),
        (("r.csv", "--out", "r.csv"), 2, "one of the inputs"),
        (("r.csv", "--channel", "F9"), 2, "no channel 'F9'"),
        ((*NAMES, "--channel", "F9"), 2, "no file has a channel F9"),
    ],
)
def test_clear_errors(
    capsys: pytest.CaptureFixture[str], words: tuple[str, ...], status: int, message: str
) -> None:
    found, told, _ = call(capsys, *words)
    assert found == status
    assert message in told["errors"][0]["message"] + str(told["errors"][0]["hint"])


def test_a_recording_in_which_nothing_can_be_measured_is_drawn_all_the_same() -> None:
    t_s = np.arange(500) / 100
    noisy = read.from_arrays(t_s, np.random.default_rng(1).normal(0, 5, 500))
    chart = plot.chart(plot.Wanted([noisy]))
    assert chart.pulses == ()
    assert "pulses: noise of" in dict(chart.facts)["note"]


def test_samples_at_a_pulse_stay_whole_where_the_rest_is_decimated() -> None:
    t_s = np.arange(400_000) / 1000
    ma = np.where(t_s % 50 > 49, 300.0, 20.0)
    wanted = plot.Wanted([read.from_arrays(t_s, ma / 1000)])
    strip = plot.chart(wanted).strips[0]
    assert len(strip.band.low) < len(t_s)
    assert [band.width_s for band in strip.details] == pytest.approx([0.001] * 7)
    for band in strip.details:
        assert np.count_nonzero(band.high > 290) == pytest.approx(1000, abs=1)


def test_spans_around_pulses_that_overlap_are_one(seed: int) -> None:
    """Against the union on a grid: half of a pulse's length on either side, twenty samples at least. Long
    pulses just behind short ones begin theirs before them."""
    rng = np.random.default_rng(seed)
    grid_s = np.arange(-5, 40, 1e-3)

    def covered(spans: list[tuple[float, float]]) -> Bools:
        of_each = [(grid_s >= first) & (grid_s <= last) for first, last in spans]
        return np.asarray(np.any(of_each, axis=0))

    for _ in range(30):
        lasting_s = rng.choice([0.01, 0.3, 4.0], 5)
        start_s = np.cumsum(rng.uniform(0.01, 2.0, 5)) + np.append(0.0, np.cumsum(lasting_s)[:-1])
        nothing, none = np.empty(5), np.zeros(5, dtype=np.int64)
        pulses = sn.Events(none, none, none, start_s, nothing, lasting_s, *[nothing] * 4, none, none)
        around_s = np.maximum(0.5 * lasting_s, 20e-3)
        due = list(zip(start_s - around_s, start_s + lasting_s + around_s, strict=True))
        spans = plot._spans(pulses, 1e-3)
        assert covered(spans).tolist() == covered(due).tolist()
        assert all(one[1] < other[0] for one, other in pairwise(spans))

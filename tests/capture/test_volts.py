"""Drops across fuses: measured in millivolts, compared by instants, and by levels where ohms are known."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from nightdraw.capture import read
from nightdraw.capture.compare import Comparison, Place, compare
from nightdraw.capture.pulses import measure
from nightdraw.errors import InputError

from tests.capture import bench_runs as runs
from tests.capture.synthetic import Clamp, Floats, Run, pulse, run_of, steady, truth_of

FUSE_OHM = 0.0077  # a 10 A blade fuse: 7.5 milliohm, and its contacts
NOISE_MV = 0.02
TWO = ([steady(40), pulse(350, 0.7, 7.5), pulse(90, 0.4, 5.3, 2.1)], 200.0)


def drop(t_s: Floats, mv: Floats) -> read.Recording:
    """Millivolts in memory as a recording."""
    return read.from_arrays(t_s, mv, "drop", "mV", "F7")


def across(run: Run, ohms: float = FUSE_OHM) -> tuple[Floats, Floats]:
    t_s, ma = Clamp(sigma_ma=0.0).samples(run.truth)
    return t_s, ohms * ma + np.random.default_rng(1).normal(0, NOISE_MV, len(t_s))


@pytest.mark.parametrize(("level", "on_s"), [(25, 0.2), (350, 0.7), (900, 0.05)])
def test_pulses_of_a_drop_are_measured_in_millivolts(level: float, on_s: float) -> None:
    """25 mA in 7.7 milliohm are 0.19 mV."""
    truth = truth_of([steady(40), pulse(level, on_s, 5.0)], 100)
    t_s, ma = Clamp(sigma_ma=0.0).samples(truth)
    pulses = measure(drop(t_s, FUSE_OHM * ma + np.random.default_rng(1).normal(0, NOISE_MV, len(t_s))))
    assert pulses.seen.unit == "mV"
    assert len(pulses) == 20
    assert pulses.period_s == pytest.approx(5.0, abs=1e-3)
    np.testing.assert_allclose(pulses.duration_s, on_s, atol=1e-3)
    np.testing.assert_allclose(np.mean(pulses.level_ma), FUSE_OHM * level, rtol=0.05)
    assert pulses.base_ma == pytest.approx(FUSE_OHM * 40, rel=0.02)
    assert pulses.seen.noise == pytest.approx(NOISE_MV, rel=0.1)


def held(run: Run, ohms: float | None = None, of_fuse: float = FUSE_OHM) -> Comparison:
    return compare(run.asked, run.did, drop(*across(run, of_fuse)), Place(ohms=ohms))


@pytest.mark.parametrize("of_fuse", [0.0017, 0.0077, 0.05])
def test_instants_and_durations_agree_whatever_the_resistance(of_fuse: float) -> None:
    found = held(run_of(*TWO), of_fuse=of_fuse)
    assert found.agree is True
    assert not found.levels
    assert found.document()["levels_compared"] is False
    assert found.text().endswith("the accounts agree in instants and durations")
    assert f"{of_fuse * 1e3:.2f} milliohm" in found.text(), "the resistance that the levels would need"


def test_levels_are_compared_where_the_resistance_is_given() -> None:
    run = run_of(*TWO)
    assert held(run, FUSE_OHM).agree is True
    wrong = held(run, FUSE_OHM * 0.9)
    assert wrong.levels
    assert wrong.instrument.gain == pytest.approx(1 / 0.9, rel=0.01), "one scale explains every level"
    assert "scale off" in wrong.text()


def test_ohms_are_for_millivolts_and_more_than_nothing() -> None:
    run = run_of(*TWO)
    with pytest.raises(InputError, match="more than nothing"):
        held(run, 0.0)
    with pytest.raises(InputError, match="is a current"):
        compare(run.asked, run.did, Clamp().recording(run.truth), Place(ohms=0.01))


def test_a_missing_and_a_longer_pulse_are_told_in_millivolts() -> None:
    run = run_of(*TWO)
    t_s, mv = across(run)
    start = 0.3 + 4 * 7.5
    gone = mv - np.where((t_s > start) & (t_s <= start + 0.7), FUSE_OHM * 350, 0.0)
    found = compare(run.asked, run.did, drop(t_s, gone))
    assert [row.kind for row in found.differences] == ["missing"]
    longer = mv.copy()
    for k in range(26):  # every long pulse lasts 50 ms too long
        end = 0.3 + k * 7.5 + 0.7
        longer += np.where((t_s > end) & (t_s <= end + 0.05), FUSE_OHM * 350, 0.0)
    found = compare(run.asked, run.did, drop(t_s, longer))
    late = [row.message for row in found.differences if row.kind == "time"]  # one ends within a short pulse
    assert {row.kind for row in found.differences} == {"duration", "time"}
    assert all(text.endswith("was seen 50.0 ms later") for text in late), late


def test_a_drop_that_has_nothing_of_the_box_is_not_agreed_to() -> None:
    run = run_of(*TWO)
    rng = np.random.default_rng(7)
    t_s = np.arange(200_000) / 1000
    for mv in (rng.normal(0, NOISE_MV, len(t_s)), 0.06 * (t_s % 2.0 < 0.06) + rng.normal(0, 0.005, len(t_s))):
        found = compare(run.asked, run.did, drop(t_s, mv))
        assert found.agree is None
        assert found.differences == ()


def test_levels_that_keep_no_ratio_are_not_agreed_to() -> None:
    """A switch of one draw is open: its edges are too small against the other's."""
    run = run_of(*TWO)
    kinds = run.did.pattern
    used = [k for k in range(10) if len({int(p) >> k & 1 for p in kinds}) == 2]
    found = [held(run.with_channels(opened=k + 1)).agree for k in used if k >= 4]
    assert found
    assert True not in found


def test_a_pulled_fuse_is_no_drop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Any) -> None:
    """Across an open fuse stand 12 V: left out, and said; the noise is still the millivolts'."""
    from nightdraw.cli import main

    monkeypatch.chdir(tmp_path)
    asked = runs.profile("small")
    events = runs.script("at: 40 s, pull: F7", "at: 60 s, back: F7")
    runs.record("vehicle-1", f"{asked}@tailgate", 120, "--channel", "F7", "--script", events)
    capsys.readouterr()
    assert main.run(["capture", "pulses", "r.csv", "--channel", "F7"]) == 0
    text = capsys.readouterr().out
    assert "the fuse was out" in text
    assert re.search(r"noise 0\.0(1[89]|2)", text)
    assert "period 5.0" in text

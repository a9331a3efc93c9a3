"""Figures: formulas against long schedules, and what each assumption says."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from boxcore import program as pg
from boxcore import schedule
from hypothesis import given, settings
from nightdraw import data, programs
from nightdraw.profile import Profile, load
from nightdraw.profile.figures import figures

from tests.profile.made import HEAD, documents, dump, write

S = pg.TICKS_PER_S


def played(profile: Profile, ticks: int) -> tuple[float, float, int]:
    """Mean, highest level (microamperes) and rises of the schedule itself over a time."""
    total = peak = rises = 0
    plan = schedule.Schedule(profile.program(), 1, profile.board.own_ua)
    at, level = 0, plan.level_ua
    for tick, now in programs.edges(plan, ticks):
        total += level * (tick - at)
        rises += now > level
        at, level, peak = tick, now, max(peak, now)
    return (total + level * (ticks - at)) / ticks, peak, rises


def test_a_pulse_train_over_whole_periods_is_exact(tmp_path: Path) -> None:
    profile = load(
        write(tmp_path, HEAD + "  - steady: 40 mA\n  - pulse: {draw: 350 mA, on: 700 ms, every: 75 s}\n")
    )
    mean, peak, rises = played(profile, 1000 * 75 * S)
    result = figures(profile)
    assert result.mean_ma == pytest.approx(mean / 1000, rel=1e-12)
    assert result.peak_ma == peak / 1000 == 390
    assert result.pulses_per_hour == pytest.approx(48)
    assert rises == 999, "the first pulse stands at the very start"


def test_a_replay_for_ever_over_whole_rounds_is_exact(tmp_path: Path) -> None:
    text = (
        "  - replay: {levels: [[120 mA, 2 s], [40 mA, 30 s], [60 mA, 1 s], [40 mA, 3 s]], repeat: forever}\n"
    )
    profile = load(write(tmp_path, HEAD + text))
    mean, peak, rises = played(profile, 500 * 36 * S)
    result = figures(profile)
    assert result.mean_ma == pytest.approx(mean / 1000, rel=1e-12)
    assert result.peak_ma == peak / 1000 == 131
    assert result.pulses_per_hour == pytest.approx(200)
    assert rises + 1 == 1000


@pytest.mark.parametrize(
    "gap", ["gap: 2 s .. 10 s, law: uniform", "gap: 6 s, law: exponential", "gap: 3 ms, law: exponential"]
)
@pytest.mark.parametrize("on", ["500 ms", "200 ms .. 3 s"])
def test_random_draws_over_many_gaps(tmp_path: Path, gap: str, on: str) -> None:
    profile = load(write(tmp_path, HEAD + f"  - random: {{draw: 200 mA, on: {on}, {gap}}}\nseed: 7\n"))
    result = figures(profile)
    cycles = 20_000
    ticks = round(cycles / result.pulses_per_hour * 3600 * S)
    mean, peak, rises = played(profile, ticks)
    # Gaps and widths spread by at most their own mean, so 20,000 of them are within 1/141: five times that.
    assert mean / 1000 - 11 == pytest.approx(result.mean_ma - 11, rel=5 / cycles**0.5)
    assert rises == pytest.approx(cycles, rel=5 / cycles**0.5)
    assert peak / 1000 == result.peak_ma == 211


@given(documents(moving=3))
@settings(max_examples=15)
def test_no_schedule_ever_leaves_base_and_peak(
    tmp_path_factory: pytest.TempPathFactory, document: dict[str, Any]
) -> None:
    profile = load(write(tmp_path_factory.getbasetemp(), dump(document), "figures.yaml"))
    result = figures(profile)
    plan = schedule.Schedule(profile.program(), 3, profile.board.own_ua)
    for n, (_, level) in enumerate(programs.edges(plan, 10 * 60 * S)):
        assert profile.base_ua() <= level <= result.peak_ma * 1000
        if n > 2000:
            break


def test_days_and_charge_follow_from_the_mean(tmp_path: Path) -> None:
    profile = load(write(tmp_path, HEAD + "  - steady: 50 mA\n"))
    result = figures(profile, battery_ah=Fraction(60))
    assert result.charge_per_day_ah == pytest.approx(1.2)
    assert result.days_to_no_start == pytest.approx(25)
    assert figures(profile, no_start_pct=Fraction(75)).days_to_no_start == pytest.approx(12.5)
    assert figures(profile, battery_ah=Fraction(120)).days_to_no_start == pytest.approx(50)


def test_nothing_drawn_is_never(tmp_path: Path) -> None:
    board = write(
        tmp_path, data.board_path().read_text().replace("running: 11 mA", "running: 0 mA"), "quiet.yaml"
    )
    text = HEAD + "  - replay: {levels: [[50 mA, 1 s]], repeat: once}\n"
    result = figures(load(write(tmp_path, text), board))
    assert result.days_to_no_start is None
    assert result.mean_ma == 0
    assert result.peak_ma == 50
    assert "a replay that ends counts in the peak only: in the long run it adds nothing" in result.assumptions


def test_what_the_figures_rest_on_is_said(tmp_path: Path) -> None:
    def said(draws: str, supply: Fraction = Fraction(126, 10)) -> str:
        return "\n".join(figures(load(write(tmp_path, HEAD + draws)), supply).assumptions)

    steady = said("  - steady: 40 mA\n")
    assert "the steady level includes the box's own consumption of 11 mA" in steady
    assert "limits and the start rule are left out" in steady
    assert "the battery has 60 Ah" in steady
    assert "no longer starts the engine at 50 %" in steady
    assert "at 12.6 V the bank's nearest patterns come within" in steady
    pulse = said("  - pulse: {draw: 50 mA, on: 1 s, every: 9 s}\n")
    assert "no draw is steady: the base is the box's own consumption of 11 mA" in pulse
    low = said("  - steady: 40 mA\n", Fraction(11))
    assert "at 11 V the box holds its loads open (allowed: 11.8 V .. 16 V): not counted" in low
    exponential = said("  - random: {draw: 50 mA, on: 1 s, gap: 9 s, law: exponential}\n")
    assert "cut at 8 means" in exponential

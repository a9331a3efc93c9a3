"""The steps from a recording to a replay, against loops: the lasting base, sharp edges, points on a slope,
levels and ticks."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from boxcore import program as pg
from boxcore.bank import Bank
from nightdraw.capture import replay as rp
from nightdraw.capture.read import from_arrays
from nightdraw.capture.replay import Replay
from nightdraw.capture.seen import Base, Floats, Seen
from nightdraw.errors import CannotTellError, InputError

from tests.capture.by_hand import Change, seen_of
from tests.capture.synthetic import CHANNELS_NS, SUPPLY_MV


def with_base(t_s: Floats, level: Floats, seen: Seen) -> Seen:
    return replace(seen, base=Base(t_s, level, np.zeros(len(level))))


def test_the_lasting_base_is_a_running_median_of_a_minute(seed: int) -> None:
    """A loop over whole seconds, each the median of 60 of them; what stands for 29 s is left out, a step
    that stays is kept where it is."""
    rng = np.random.default_rng(seed)
    t_s = np.arange(0.0, 400.0, 0.25)
    level = (
        rng.normal(0, 0.1, len(t_s)) + np.where((t_s > 100) & (t_s < 129), 50.0, 0.0) + 30.0 * (t_s > 250.1)
    )
    seen = with_base(t_s, level, seen_of([], 400.0))
    found = rp._lasting_base(t_s, seen)
    grid = np.arange(0.0, t_s[-1] + 1.0, 1.0)
    at = np.interp(grid, t_s, level)
    for k in range(60, len(grid) - 60, 7):
        due = sorted(at[k - 30 : k + 30])[30]
        assert found[np.argmin(np.abs(t_s - grid[k]))] == pytest.approx(due)
    assert np.max(np.abs(found[t_s < 245])) < 1.0
    step = np.flatnonzero(found > 15)[0]
    assert t_s[step] == pytest.approx(250.5, abs=1.0)


def test_sharp_edges_change_within_two_samples() -> None:
    """A step, one within three samples, one that creeps over twenty; 0.4 of the height may lie elsewhere."""
    t_s = np.arange(400) * 1e-3
    value = np.where(t_s >= 0.1, 100.0, 0.0)
    value += 50.0 * np.clip((t_s - 0.1985) / 0.003, 0, 1)
    value -= 80.0 * np.clip((t_s - 0.3) / 0.02, 0, 1)
    changes = [Change(0.1, 0.0, 100.0), Change(0.2, 100.0, 150.0), Change(0.31, 150.0, 70.0)]
    seen = seen_of(changes, 0.4)
    assert rp._sharp(t_s, value, seen).tolist() == [True, True, False]
    exact = np.where(t_s >= 0.1, 100.0, 0.0)
    for share, sharp in ((0.41, False), (0.39, True), (-0.39, True), (-0.41, False)):
        one = seen_of([Change(0.1, 0.0, 100.0 / (1 + share))], 0.4)
        assert rp._sharp(t_s, exact, one).tolist() == [sharp]


def slope_of(value: Floats, least: float, noise: float = 0.01, low: float = 0.0, high: float = 4.0) -> Floats:
    t_s = np.arange(len(value)) * 1e-3
    return rp._slope(t_s, value, low, high, seen_of([], 4.0, noise=noise), least)


def test_a_level_has_no_points_and_a_slope_has() -> None:
    flat, slope = np.full(4000, 40.0), np.linspace(0, 40, 4000)
    assert len(slope_of(flat, 1.0)) == 0
    found = slope_of(slope, 1.0)
    assert len(found) > 40
    assert len(slope_of(slope, 19.0)) == 0  # the outermost sixteenths lie 18.75 off the mean
    assert len(slope_of(slope, 18.5)) > 0
    # noise: six standard errors of a sixteenth's mean (250 samples) may be chance
    assert len(slope_of(slope, 0.0, noise=18.5 / 6 * np.sqrt(250))) > 0
    assert len(slope_of(slope, 0.0, noise=19.0 / 6 * np.sqrt(250))) == 0
    assert len(slope_of(slope[:33], 0.0, low=0.0, high=0.032)) == 0  # fewer than two samples a part
    assert np.all(np.diff(found) >= max(pg.MIN_TICKS / pg.TICKS_PER_S, 1e-3))
    assert found[0] > pg.MIN_TICKS / pg.TICKS_PER_S
    assert found[-1] < 4.0 - pg.MIN_TICKS / pg.TICKS_PER_S
    even = np.linspace(0, 4, 33)[1:-1]
    near = [1e-3 * 2.0**k for k in range(1, 13) if 1e-3 * 2.0**k < 1.0]
    due = {round(t, 6) for t in (*even, *near, *(4.0 - t for t in near))}
    assert {round(t, 6) for t in found.tolist()} <= due
    assert len(found) >= 0.8 * len(due)


def replay_of(levels: list[int], ticks: list[int]) -> Replay:
    count = len(levels)
    seen = seen_of([], 1.0)
    at_s = np.append(0.0, np.cumsum(ticks)) * 1e-4
    return Replay(
        tuple(levels), tuple(ticks), at_s, np.array(levels) / 1e3, 0.0, np.zeros(0, bool), seen, 5.0, count
    )


def test_figures_of_a_replay_are_sums_over_its_levels(seed: int) -> None:
    rng = np.random.default_rng(seed)
    for _ in range(10):
        levels, ticks = rng.integers(0, 4, 12) * 1000, rng.integers(1, 30_000, 12)
        made = replay_of(levels.tolist(), ticks.tolist())
        assert made.peak_ma == max(levels) / 1000
        assert made.length_s == pytest.approx(sum(t / 10_000 for t in ticks))
        assert made.charge_mas == pytest.approx(
            sum(ua / 1000 * t / 10_000 for ua, t in zip(levels, ticks, strict=True))
        )
        merged = made.merged()
        assert all(a[0] != b[0] for a, b in pairwise(merged))
        assert sum(t for _, t in merged) == sum(ticks)
        spread = [ua for ua, t in merged for _ in range(t)]
        assert spread == [ua for ua, t in zip(levels.tolist(), ticks.tolist(), strict=True) for _ in range(t)]


@pytest.mark.parametrize(
    ("ticks", "limit", "run", "rounds"),
    [
        (10_000, 10**9, "10800 s", 10_800),
        (10_000, 36_000_000, "3600 s", 3600),
        (10_001, 36_000_000, "3600 s", 3600),
        (200_000_000, 10**9, "20000 s", 1),
    ],
)
def test_a_profile_asks_for_three_hours_or_a_round(ticks: int, limit: int, run: str, rounds: int) -> None:
    """Charge: a fifth more than so many rounds take, 100 mAh at least."""
    made = replay_of([500_000, 0], [ticks // 2, ticks - ticks // 2])
    text = made.text("x", "y", limit)
    assert f"run: {run}," in text
    due = max(1.2 * made.charge_mas * rounds / 3600, 100)
    said = re.search(r"charge: (\d+) mAh", text)
    assert said is not None
    assert 0 <= int(said[1]) - due < 1
    assert "charge: 100 mAh" in replay_of([1000], [10_000]).text("x", "y", 10**9)


@pytest.mark.parametrize(
    ("ticks", "text"),
    [
        (1, "0.1 ms"),
        (9999, "999.9 ms"),
        (10_000, "1 s"),
        (12_345, "1.2345 s"),
        (100, "10 ms"),
        (1_000_000, "100 s"),
    ],
)
def test_durations_and_currents_are_exact(ticks: int, text: str) -> None:
    assert rp._duration(ticks) == text
    assert rp._current(ticks) == f"{ticks / 1000:.3f}".rstrip("0").rstrip(".") + " mA"


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("A b_C.csv", "a-b-c-csv"),
        ("7 days", "replay-7-days"),
        ("", "replay"),
        ("x" * 31 + "-y", "x" * 31),
        ("--a--", "a"),
    ],
)
def test_a_files_name_becomes_a_profiles(text: str, name: str) -> None:
    assert rp.slug(text) == name


def follows(level_ma: Floats, error: float, noise_ma: float = 0.05, seed: int = 1) -> Replay:
    """A replay of levels of 0.3 s each above 20 mA, between two seconds of nothing."""
    ma = np.repeat(np.concatenate((np.zeros(7), level_ma, np.zeros(7))), 300)
    noise = np.random.default_rng(seed).normal(0, noise_ma, len(ma))
    recording = from_arrays(np.arange(len(ma)) * 1e-3, 20.0 + ma + noise, unit="mA")
    return rp.replay(recording, Bank(CHANNELS_NS), SUPPLY_MV, error)


@pytest.mark.parametrize("error", [0.01, 0.05, 0.2])
def test_a_replay_keeps_its_error_in_shape_and_charge(seed: int, error: float) -> None:
    """Against the truth itself, sample by sample: rms where something is drawn, charge of all of it; each
    sharp edge of a twentieth of the highest level within a tick of where it is."""
    rng = np.random.default_rng(seed)
    level = np.repeat(rng.choice([150.0, 152.0, 200.0, 400.0], 6), 2)
    made = follows(level, error, seed=seed)
    t_s = np.arange(300 * (14 + len(level))) * 1e-3 + 5e-4
    truth = np.repeat(np.concatenate((np.zeros(7), level, np.zeros(7))), 300)
    ends = np.append(0, np.cumsum(made.ticks)) * 1e-4
    place = np.clip(np.searchsorted(ends, t_s, side="right") - 1, 0, len(made.ticks) - 1)
    drawn = np.array(made.level_ua)[place] / 1000
    on = truth > 0.02 * truth.max()
    edge = np.append(False, np.diff(truth) != 0)
    inside = on & ~edge & ~np.append(edge[1:], False)  # where in a sample an edge lies nobody knows
    # 0.8 for the pieces, and the bank's steps of 1.4 mA besides
    assert np.sqrt(np.mean((drawn - truth)[inside] ** 2)) <= 0.8 * error * truth.max() + 1.4
    assert abs(drawn[on].sum() - truth[on].sum()) <= (error + 0.01) * truth[on].sum()
    assert abs(made.length_s - len(t_s) * 1e-3) <= 1e-3
    large = np.flatnonzero(np.abs(np.diff(truth)) >= 0.06 * truth.max())
    for k in large:
        assert np.min(np.abs(ends - (k + 1) * 1e-3)) <= 2e-3
    assert len(made.merged()) <= 2 + len(level)
    assert len(follows(level, 0.5, seed=seed).merged()) <= len(made.merged())


@pytest.mark.parametrize(("level_ma", "refused"), [(0.6, CannotTellError), (1.0, None)])
def test_what_the_bank_cannot_tell_from_nothing_is_no_replay(level_ma: float, refused: type | None) -> None:
    """Half of the bank's widest step, 1.5 mA, must stand above the base."""
    assert Bank(CHANNELS_NS).gap_ua(SUPPLY_MV) == pytest.approx(1500, abs=200)
    if refused is None:
        assert follows(np.full(4, level_ma), 0.1, 0.005).peak_ma == pytest.approx(level_ma, abs=0.8)
    else:
        with pytest.raises(refused):
            follows(np.full(4, level_ma), 0.1, 0.005)


def test_a_level_beyond_the_bank_is_refused_and_the_most_isnt() -> None:
    most = Bank(CHANNELS_NS).full_ua(SUPPLY_MV) / 1000
    assert follows(np.full(4, most * 1.003), 0.1).peak_ma == pytest.approx(most)
    with pytest.raises(InputError, match="the bank draws at most"):
        follows(np.full(4, most * 1.008), 0.1)


@pytest.mark.parametrize(("samples", "refused"), [(20_000_000, False), (20_000_001, True)])
def test_a_recording_of_more_than_five_hours_at_a_kilohertz_is_too_long(
    samples: int, refused: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Twenty million samples, half a gigabyte; told before any of them is held in memory."""
    recording = from_arrays(np.arange(9) / 1000, np.zeros(9))
    monkeypatch.setattr(rp, "see", lambda one: replace(seen_of([], 9.0), samples=samples))
    if refused:
        with pytest.raises(InputError, match="20000001 samples: a replay is made of at most 20000000"):
            rp._loaded(recording)
    else:
        assert len(rp._loaded(recording)[0]) == 9

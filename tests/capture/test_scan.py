"""From blocks to chunks to one scan: samples counted by loops, and blocks of any size that tell the same."""

from __future__ import annotations

import numpy as np
import pytest
from nightdraw.capture import read
from nightdraw.capture import scan as sc
from nightdraw.capture.changes import TILE
from nightdraw.capture.noise import PIECE, RUN
from nightdraw.capture.read import blocks
from nightdraw.capture.seen import Floats


def test_the_typical_noise_is_the_mean_of_what_is_near_the_median() -> None:
    """Within a twentieth of it: here 10 and 10.5, and not 10.51; of nothing nothing."""
    assert sc._typical(np.array([10.0, 10.5, 9.51, 30.0, 0.1])) == pytest.approx((10 + 10.5 + 9.51) / 3)
    assert sc._typical(np.array([10.0, 10.51, 9.49])) == 10.0
    assert sc._typical(np.empty(0)) == 0.0
    assert sc._typical(np.zeros(3)) == 0.0


@pytest.mark.parametrize(
    ("interval_s", "window"),
    [
        (0.001, 1000),
        (1.0, 64),
        (1 / 63, 64),
        (1 / 65, 65),
        (1e-7, read.BLOCK_SAMPLES // 16),
        (1 / 1500.6, 1501),
    ],
)
def test_a_window_is_a_second_within_bounds(interval_s: float, window: int) -> None:
    assert sc._window(interval_s) == window


def test_the_interval_is_the_median_one(seed: int) -> None:
    rng = np.random.default_rng(seed)
    for count in (2, 3, 10, 1000):
        time_s = np.cumsum(rng.choice([0.1, 0.1, 0.1, 0.4], count))
        assert sc._interval(time_s) == pytest.approx(float(np.median(np.diff(time_s))))
    assert (sc._interval(np.array([3.0])), sc._interval(np.empty(0))) == (1.0, 1.0)
    long = np.cumsum(np.where(np.arange(50_000) % 7, 0.1, 0.3))
    assert sc._interval(long) == pytest.approx(0.1)


@pytest.mark.parametrize("count", [0, 1, 2, 30, TILE, TILE + 1, TILE + 2, 2 * TILE + 9])
def test_gaps_are_found_in_tiles_and_over_their_bounds(count: int, seed: int) -> None:
    rng = np.random.default_rng(seed + count)
    steps = np.ones(count)
    near = np.concatenate([[1, 2, 5], TILE + np.arange(-2, 3), 2 * TILE + np.arange(-1, 3), [count - 1]])
    steps[near[(near > 0) & (near < count) & (rng.random(len(near)) < 0.7)]] = 2.6
    steps[7:8] = 2.5  # as long as allowed is none
    time_s = np.cumsum(steps)
    wanted = [k for k in range(1, count) if steps[k] == 2.6]
    assert sc._gaps(time_s, 2.55).tolist() == wanted


def test_what_is_held_is_what_came_less_what_was_dropped(seed: int) -> None:
    rng = np.random.default_rng(seed)
    held, kept = sc._Held(), np.empty((2, 0))
    for _ in range(60):
        block = rng.normal(0, 1, (2, int(rng.integers(1, 50))))
        held.add(*block)
        kept = np.concatenate([kept, block], axis=1)
        if rng.random() < 0.4:
            drop = int(rng.integers(0, kept.shape[1] + 1))
            held.drop(drop)
            kept = kept[:, drop:]
        chunk = held.chunk(1, 2, (5, 3.0))
        assert held.count == kept.shape[1]
        np.testing.assert_array_equal(chunk.time_s, kept[0])
        np.testing.assert_array_equal(chunk.value, kept[1])
        np.testing.assert_allclose(chunk.total, np.concatenate(([0.0], np.cumsum(kept[1]))))
        assert (chunk.core, chunk.core_end, chunk.before) == (1, 2, (5, 3.0))


@pytest.mark.parametrize("second", range(1, 12))
def test_there_is_room_for_the_sums_last_entry_however_blocks_fill_the_memory(second: int) -> None:
    held = sc._Held()
    for block in (np.ones(10), np.ones(second)):
        held.add(block, block)
    assert held.chunk(0, 1, (0, 0.0)).total.tolist() == list(range(11 + second))


@pytest.mark.parametrize("count", [1, 2, 9, 299, 300, 301, 599, 1000, 1500])
def test_chunks_cover_each_sample_once_with_what_lies_around(
    count: int, seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Blocks of 100 samples, chunks of 300 at the least, a halo of 4 windows of 7: cores follow on each
    other, `before` counts and sums all ahead of a chunk, around each core lies a halo, but at the ends."""
    monkeypatch.setattr(sc, "BLOCK_SAMPLES", 300)
    monkeypatch.setattr(sc, "LEAST_WINDOW", 7)
    value = np.random.default_rng(seed).normal(0, 1, count)
    time_s = 5.0 + np.arange(count) * 1.0

    class Blocks:
        def blocks(self):  # type: ignore[no-untyped-def]
            for k in range(0, count, 100):
                yield time_s[k : k + 100], value[k : k + 100]

    state = sc._Progress(0.01)
    reached = 0
    for chunk in sc._chunks(Blocks(), state):  # type: ignore[arg-type]
        ahead, summed = chunk.before
        assert ahead + chunk.core == reached
        assert summed == pytest.approx(value[:ahead].sum())
        np.testing.assert_array_equal(chunk.value, value[ahead : ahead + len(chunk.value)])
        reached = ahead + chunk.core_end
        end = ahead + len(chunk.value)
        assert chunk.core == min(28, ahead + chunk.core)
        assert end == reached + 28 or (end == count and reached == count)
    assert reached == count == state.samples
    assert state.total == pytest.approx(value.sum())
    assert (state.start_s, state.end_s, state.halo) == (5.0, 5.0 + count - 1, 28)


def record(samples: int, seed: int) -> tuple[Floats, Floats]:
    """200 samples a second: pulses of 60 in noise of 1; a gap of 3 s."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(samples) / 200
    value = rng.normal(0, 1, samples) + 60.0 * (time_s % 9.0 < 0.4) + 20.0
    time_s[samples // 3 :] += 3.0
    return time_s, value


def test_blocks_of_any_size_tell_the_same(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    time_s, value = record(60_000, seed)
    recording = read.from_arrays(time_s, value / 1000)
    whole = sc.scan(recording, 0.01)
    for module in (blocks, sc):
        monkeypatch.setattr(module, "BLOCK_SAMPLES", 7000)
    cut = sc.scan(read.from_arrays(time_s, value / 1000), 0.01)
    for found in (whole, cut):
        assert (found.samples, found.start_s) == (60_000, 0.0)
        assert found.end_s == pytest.approx(time_s[-1])
        assert found.total == pytest.approx(value.sum())
        assert found.interval_s == pytest.approx(0.005)
        assert found.window == 200
        assert found.noise == pytest.approx(1.0, rel=0.05)
        gaps = np.isnan(found.transitions.at_s)
        assert found.transitions.first_s[gaps].tolist() == [pytest.approx(time_s[20_000])]
        rising = np.flatnonzero((np.diff(value) > 30) & (np.diff(time_s) < 1)) + 1
        ups = found.transitions.take(~gaps & (found.transitions.height > 0))
        assert len(ups) == len(rising)
        np.testing.assert_allclose(ups.at_s, time_s[rising] - 0.0025, atol=0.006)
        assert found.trace.n.sum() == pytest.approx(len(value), rel=0.01)
        assert np.mean(np.abs(np.diff(found.trace.level)) <= 1) == 1.0
    assert len(cut.transitions) == len(whole.transitions)
    np.testing.assert_allclose(cut.transitions.n_to, whole.transitions.n_to, atol=1)


def test_pieces_follow_on_each_other_with_the_noise_of_their_runs() -> None:
    samples = PIECE + 3 * RUN + 100
    rng = np.random.default_rng(2)
    value = rng.normal(0, 1, samples)
    value[PIECE:] *= 10.0
    time_s = np.arange(samples) * 0.01
    pieces = sc.scan(read.from_arrays(time_s, value / 1000), 0.01).pieces
    starts = np.arange(0, samples - 100, RUN)  # what is left over belongs to the last run
    np.testing.assert_allclose(pieces.from_s, time_s[starts])
    np.testing.assert_allclose(pieces.until_s, np.append(time_s[starts[1:]], time_s[-1]))
    loud = starts >= PIECE
    np.testing.assert_allclose(pieces.own[~loud], 1.0, rtol=0.05)
    np.testing.assert_allclose(pieces.own[loud], 10.0, rtol=0.1)


def test_hum_is_told_by_its_rms_and_taken_out() -> None:
    time_s = np.arange(16_000) * 0.001
    value = 20.0 * np.sin(2 * np.pi * 50.2 * time_s) + np.random.default_rng(3).normal(0, 1, 16_000)
    found = sc.scan(read.from_arrays(time_s, value / 1000), 0.01)
    assert found.hum == pytest.approx(20 / np.sqrt(2), rel=0.03)
    assert found.noise == pytest.approx(1.0, rel=0.1)
    assert len(found.transitions) == 0


def test_a_recording_without_samples_is_an_empty_scan() -> None:
    class Nothing:
        def blocks(self):  # type: ignore[no-untyped-def]
            return iter(())

    found = sc.scan(Nothing(), 0.01)  # type: ignore[arg-type]
    assert (found.samples, found.interval_s, found.noise, found.least_change, found.hum) == (
        0,
        0.0,
        0.0,
        0.0,
        0.0,
    )
    assert (found.mean, found.window, len(found.pieces)) == (0.0, sc.LEAST_WINDOW, 0)

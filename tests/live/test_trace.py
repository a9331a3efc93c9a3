"""Samples on disk and their extremes at any zoom: no spike is lost, memory is bounded."""

from __future__ import annotations

import numpy as np
import pytest
from nightdraw.live.trace import BUCKET, Trace


def made(samples: np.ndarray, seed: int) -> Trace:
    """A trace that got its samples in pieces of random sizes."""
    random = np.random.default_rng(seed)
    trace, done = Trace(len(samples)), 0
    while done < samples.shape[1]:
        size = int(random.choice([1, 7, BUCKET - 1, BUCKET, 1000, 50_000]))
        trace.append(samples[:, done : done + size])
        done += size
    return trace


@pytest.mark.parametrize("count", [1, 63, 64, 65, 255, 256, 5000, 200_001])
def test_what_goes_in_comes_out(count: int, seed: int) -> None:
    samples = np.random.default_rng(seed).normal(size=(3, count))
    trace = made(samples, seed)
    assert np.array_equal(trace.read(0, count), samples)
    assert np.array_equal(trace.read(count // 3, count // 2), samples[:, count // 3 : count // 2])


def test_every_column_has_the_extremes_of_its_samples(seed: int) -> None:
    random = np.random.default_rng(seed)
    count = 300_000
    samples = random.normal(size=(2, count))
    trace = made(samples, seed)
    for _ in range(60):
        first, last = sorted(random.integers(0, count + 1, 2).tolist())
        columns = int(random.integers(10, 1500))
        seen = trace.envelope(first, last, columns)
        assert seen.low.shape[1] <= columns
        if first == last:
            assert seen.low.shape[1] == 0
            continue
        assert seen.edges[0] <= first
        assert seen.edges[-1] >= last
        assert (np.diff(seen.edges) > 0).all()
        for k in random.integers(0, seen.low.shape[1], 5).tolist():
            part = samples[:, seen.edges[k] : seen.edges[k + 1]]
            assert np.array_equal(seen.low[:, k], part.min(axis=1))
            assert np.array_equal(seen.high[:, k], part.max(axis=1))


def test_one_spike_in_an_hour_stays_at_every_zoom(seed: int) -> None:
    count = 3_600_000
    place = int(np.random.default_rng(seed).integers(0, count))
    samples = np.zeros((1, count))
    samples[0, place] = 1.0
    trace = made(samples, seed)
    for columns in (10, 400, 4000):
        for span in (count, count // 7, 20_000, 1000):
            first = max(0, min(place - span // 2, count - span))
            assert trace.envelope(first, first + span, columns).high.max() == 1.0

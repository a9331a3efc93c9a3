"""The clamp: charge is conserved, noise is what is stated, equal seeds give equal bytes."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from nightdraw.bench.recorder import CsvFile, Sampler, TruthTrace

CHANGES = st.lists(st.tuples(st.integers(1, 400), st.floats(0, 2)), min_size=1, max_size=40)
KHZ = Fraction(1000)


def trace_of(changes: list[tuple[int, float]]) -> tuple[TruthTrace, int]:
    trace, tick = TruthTrace(0, 0.5), 0
    for ticks, amps in changes:
        tick += ticks
        trace.add(tick, amps)
    return trace, tick + 100


def brute(changes: list[tuple[int, float]], stop: int) -> np.ndarray:
    """The current in each tick, the slow way."""
    per_tick, tick = np.full(stop, 0.5), 0
    for ticks, amps in changes:
        tick += ticks
        per_tick[tick:] = amps
    return per_tick


@given(
    changes=CHANGES,
    cuts=st.lists(st.integers(1, 4000), max_size=4),
    rate=st.sampled_from([1000, 500, 10_000]),
)
def test_each_sample_is_the_mean_of_its_own_interval(changes, cuts, rate):
    """Independent of how the truth is cut into spans."""
    _, stop = trace_of(changes)
    per_sample = 10_000 // rate
    origin = per_sample
    count = stop // per_sample - 1
    sampler = Sampler(Fraction(rate), origin, count, seed=1, noise_ua=0)
    got = [sampler.feed(span)[1] for span in spans(changes, stop, cuts)]
    expected = brute(changes, stop)[: count * per_sample].reshape(count, per_sample).mean(axis=1)
    assert np.concatenate(got) == pytest.approx(expected, abs=1e-6)


def spans(changes, stop, cuts):
    """The same trace, handed over in pieces that end at the cuts."""
    trace = TruthTrace(0, 0.5)
    events, tick = [], 0
    for ticks, amps in changes:
        tick += ticks
        events.append((tick, amps))
    for cut in [*sorted({cut for cut in cuts if cut < stop}), stop]:
        while events and events[0][0] <= cut:
            trace.add(*events.pop(0))
        yield trace.take(cut)


@given(changes=CHANGES, rate=st.fractions(1, 20_000, max_denominator=7))
def test_charge_is_conserved_at_any_rate(changes, rate):
    trace, stop = trace_of(changes)
    step = float(10_000 / rate)
    count = int(stop / step)
    sampler = Sampler(rate, 0, count + 1, seed=1, noise_ua=0)
    times, amps = sampler.feed(trace.take(stop))
    assert times == pytest.approx(np.arange(len(times)) / float(rate))
    truth = brute(changes, stop)
    whole = (len(amps) - 1) * step  # sample 0 covers what came before the trace
    cumulated = np.concatenate(([0.0], np.cumsum(truth)))
    assert amps[1:].sum() * step == pytest.approx(np.interp(whole, np.arange(stop + 1), cumulated), abs=0.02)


def test_an_edge_at_the_origin_is_seen():
    trace = TruthTrace(0, 0.010)
    trace.add(500, 0.300)
    times, amps = Sampler(KHZ, 500, 5, seed=1, noise_ua=0).feed(trace.take(600))
    assert list(times) == [0.0, 0.001, 0.002, 0.003, 0.004]
    assert list(amps) == [0.010, 0.300, 0.300, 0.300, 0.300]


@pytest.mark.parametrize(("rate", "rms_ua"), [(100, 158.1), (1000, 500.0), (4000, 1000.0)])
def test_noise_is_white_and_goes_with_the_root_of_the_rate(rate, rms_ua):
    """White noise: rms proportional to the root of the bandwidth, successive samples independent."""
    count = 40_000
    sampler = Sampler(Fraction(rate), 0, count, seed=7)
    noise = sampler.feed(TruthTrace(0, 0.1).take(count * 10_000 // rate))[1] - 0.1
    assert noise[1:].std() * 1e6 == pytest.approx(rms_ua, rel=0.02)
    assert abs(noise[1:].mean()) * 1e6 < 4 * rms_ua / count**0.5
    lag = np.corrcoef(noise[1:-1], noise[2:])[0, 1]
    assert abs(lag) < 4 / count**0.5


def test_noise_does_not_depend_on_how_the_truth_is_cut():
    def samples(cuts):
        sampler = Sampler(KHZ, 0, 100, seed=3)
        return np.concatenate([sampler.feed(span)[1] for span in spans([(50, 0.3)], 1000, cuts)])

    assert np.array_equal(samples([]), samples([1, 17, 333]))
    assert not np.array_equal(Sampler(KHZ, 0, 9, 4).feed(TruthTrace().take(100))[1], samples([])[:9])


def test_the_file_holds_the_header_and_each_sample(tmp_path):
    path = tmp_path / "r.csv"
    with CsvFile(path) as file:
        file.write(np.array([0.0, 0.001]), np.array([0.04, 0.350001]))
        file.write(np.array([0.002]), np.array([-0.000002]))
        assert not path.exists()
        file.keep()
    lines = path.read_text().splitlines()
    assert lines[0] == "time_s,current_a"
    rows = [tuple(map(float, line.split(","))) for line in lines[1:]]
    assert rows == [(0.0, 0.04), (0.001, 0.350001), (0.002, -0.000002)]
    assert [p.name for p in tmp_path.iterdir()] == ["r.csv"]


def test_an_interrupted_recording_leaves_nothing_and_keeps_the_old_one(tmp_path):
    path = tmp_path / "r.csv"
    path.write_text("an older recording")

    def interrupted():
        with CsvFile(path) as file:
            file.write(np.array([0.0]), np.array([0.04]))
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert path.read_text() == "an older recording"
    assert [p.name for p in tmp_path.iterdir()] == ["r.csv"]

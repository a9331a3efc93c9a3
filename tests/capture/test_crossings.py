"""Transitions measured function by function: means and crossings by slices and np.interp, ramps and tails by
loops, whole chunks of exact steps."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from nightdraw.capture import crossings as cr
from nightdraw.capture import response as rsp
from nightdraw.capture.noise import PIECE, RUN, Noise
from nightdraw.capture.seen import Bools, Floats, Ints
from nightdraw.capture.transitions import Trace, Transitions

NO_GAPS = np.empty(0, dtype=np.int64)


def noise_for(samples: int, sigma: float = 1.0) -> Noise:
    """The same noise everywhere; its resolution leaves 0.25."""
    runs, pieces = -(-samples // RUN), max(-(-samples // PIECE), 1)
    return Noise(np.full(runs, sigma), np.full(runs, sigma), np.zeros(pieces), np.full(pieces, 0.25))


def running(value: Floats) -> Floats:
    return np.concatenate(([0.0], np.cumsum(value)))


def chunk_of(
    value: Floats, core: int = 0, core_end: int | None = None, before: tuple[int, float] = (0, 0.0)
) -> cr.Chunk:
    end = len(value) if core_end is None else core_end
    return cr.Chunk(np.arange(len(value)) * 0.1, value, running(value), core, end, before)


def test_means_are_the_slices_and_nothing_of_nothing() -> None:
    value = np.array([1.0, 2.0, 6.0])
    found = cr._means(running(value), np.array([0, 1, 2, 1]), np.array([3, 3, 3, 1]))
    assert found.tolist() == [3.0, 4.0, 6.0, 0.0]


def test_a_still_level_is_averaged_over_all_of_it_a_slope_over_less(seed: int) -> None:
    """Of n samples noise leaves sigma / sqrt(n), a slope that stands out slope n / 2: naive, with the slope
    beyond 4 deviations of the difference of the halves."""
    rng = np.random.default_rng(seed)
    cut = 0
    for _ in range(100):
        n, sigma = int(rng.integers(1, 400)), float(rng.choice([0.1, 1.0]))
        value = rng.normal(0, sigma, n + 5) + rng.choice([0, 0.01, 0.1, -1.0]) * np.arange(n + 5)
        half = max(n // 2, 1)
        apart = abs(value[2 + n - half : 2 + n].mean() - value[2 : 2 + half].mean())
        slope = max(apart - 4 * sigma * np.sqrt(2 / half), 0) / half
        most = n if slope == 0 else min(max(int((sigma / slope) ** (2 / 3)), 16), n)
        found = cr._still(running(value), np.array([2]), np.array([2 + n]), np.array([sigma]))
        assert found.tolist() == [most]
        cut += most < n
    assert cut > 10


def test_a_level_beside_an_edge_is_averaged_up_to_a_window() -> None:
    """Still levels: as far as the window and the level reach, on either side."""
    total = running(np.zeros(200))
    opens, closes = np.array([0, 52, 60]), np.array([50, 58, 200])
    low, high = cr._beside(total, opens, closes, np.ones(2), 40)
    assert (low.tolist(), high.tolist()) == ([10, 52], [58, 100])
    creeps = running(np.concatenate([np.arange(50.0) * 3, np.zeros(150)]))
    low, high = cr._beside(creeps, opens, closes, np.ones(2), 40)
    assert (low.tolist(), high.tolist()) == ([34, 52], [58, 100])


def test_a_level_that_rises_with_its_steps_is_part_of_a_ramp(seed: int) -> None:
    rng = np.random.default_rng(seed)
    ramps = 0
    for _ in range(200):
        length = int(rng.integers(1, 30))
        jump = rng.choice([-1, 1]) * rng.uniform(2, 30, 2)
        value = np.concatenate(
            [np.zeros(10), jump[0] + rng.choice([-2, 0, 0.3, 3]) * np.arange(length), np.zeros(9)]
        )
        value += rng.normal(0, 1, len(value))
        at = np.array([10, 10 + length])
        half = max(length // 2, 1)
        level = value[10 : 10 + length]
        rise = 2 * (level[length - half :].mean() - level[:half].mean())
        bound = max(0.25 * np.abs(jump).sum(), 2 * 2 * np.sqrt(2 / half))
        wanted = bool(np.sign(rise) == np.sign(jump[1]) and abs(rise) > bound)
        assert cr._ramps(running(value), at, jump, noise_for(len(value))).tolist() == [wanted]
        ramps += wanted
    assert ramps > 10


def naive_tails(
    at: list[int], high: list[float], behind: list[float], same: list[bool], joined: list[bool], tau: float
) -> list[bool]:
    """Step by step: an edge grows by what is joined; the next is its tail if small and soon enough."""
    found, first, whole = [], at[0], high[0]
    for i in range(len(at) - 1):
        if i and not (same[i - 1] and (joined[i - 1] or found[i - 1])):
            first, whole = at[i], high[i]
        soon = at[i + 1] - at[i] <= max(2 * (at[i] - first), 3 * tau)
        found.append(same[i] and soon and behind[i + 1] <= 0.35 * whole)
        if same[i] and (joined[i] or found[i]):
            whole += high[i + 1]
    return found


def test_a_tail_is_smaller_than_its_edge_and_no_later_than_that_is_long(seed: int) -> None:
    rng = np.random.default_rng(seed)
    tails = 0
    for _ in range(300):
        count = int(rng.integers(2, 8))
        at = np.cumsum(rng.integers(1, 10, count))
        high = rng.choice([1.0, 2.0, 3.5, 10.0, 100.0], count)
        behind = high * rng.choice([1.0, 1.3], count)
        same = rng.random(count - 1) < 0.8
        joined = same & (rng.random(count - 1) < 0.4)
        tau = float(rng.choice([0.0, 1.0, 2.0]))
        found = cr._tails(at, high, behind, same, joined, tau)
        columns = at.tolist(), high.tolist(), behind.tolist(), same.tolist(), joined.tolist()
        assert found.tolist() == naive_tails(*columns, tau)
        tails += int(found.sum())
    assert tails > 50


def naive_sharp(value: Floats, low: int, k: int, jump: float) -> bool:
    half = (k - low) // 2
    if half < 16 or k + 6 > len(value):
        return False
    near = value[k + 1 : k + 4].mean() - value[k - 4 : k - 1].mean()
    slope = (value[k - half : k - 1].mean() - value[low : low + half].mean()) / half
    return bool(abs(near) > max(8 * 5 * abs(slope), 12.0, abs(jump) / 2))


def test_a_sharp_step_ends_a_ramp(seed: int) -> None:
    rng = np.random.default_rng(seed)
    sharp = 0
    for _ in range(300):
        low, long = int(rng.integers(0, 5)), int(rng.integers(25, 80))
        tail, high = int(rng.integers(1, 12)), float(rng.choice([5, 11, 13, 30, 60]))
        k = low + long
        value = np.clip(np.arange(k + tail) - low, 0, None) * rng.choice([0.0, 0.1, 0.5, 1.0])
        value[k:] = value[k - 1] + high
        value += rng.normal(0, 0.3, len(value))
        jump = np.array([1.0, high * rng.choice([1.0, 3.0])])
        found = cr._sharp(running(value), np.array([low, k]), jump, noise_for(len(value)))
        assert found.tolist() == [naive_sharp(value, low, k, jump[1])]
        sharp += bool(found[0])
    assert sharp > 20


def merged(
    value: Floats, found: list[int], gaps: list[int] | None = None, tau: float = 0.0
) -> list[tuple[int, int, bool]]:
    columns = cr._merge(
        running(value),
        np.array(found, dtype=np.int64),
        np.array(gaps or [], dtype=np.int64),
        noise_for(len(value)),
        tau,
    )
    return list(zip(*(column.tolist() for column in columns), strict=True))


def test_steps_of_one_direction_without_a_level_between_are_one_edge() -> None:
    value = np.repeat([0.0, 50.0, 100.0], [40, 1, 40])
    assert merged(value, [40, 41]) == [(40, 41, False)]
    value = np.repeat([0.0, 50.0, 0.0], [40, 1, 40])  # the other direction: a pulse of one sample
    assert merged(value, [40, 41]) == [(40, 40, False), (41, 41, False)]
    value = np.repeat([0.0, 50.0, 100.0], [40, 2, 40])  # two samples are a level, but for a slow recorder
    assert merged(value, [40, 42]) == [(40, 40, False), (42, 42, False)]
    assert merged(value, [40, 42], tau=2.0) == [(40, 42, False)]
    assert merged(value, [40, 42], tau=1.9) == [(40, 40, False), (42, 42, False)]
    assert merged(value, [], [40]) == [(40, 40, True)]
    assert merged(value, []) == []


def test_a_gap_is_never_joined() -> None:
    value = np.repeat([0.0, 50.0, 100.0, 150.0], [40, 1, 1, 40])
    assert merged(value, [40, 41, 42]) == [(40, 42, False)]
    assert merged(value, [40, 42], [41]) == [(40, 40, False), (41, 41, True), (42, 42, False)]


def test_a_ramp_cut_into_pieces_is_one_edge_and_ends_at_a_sharp_step() -> None:
    """Steps of 20 samples' ramp each; the sharp step behind is an edge of its own, five samples shared."""
    value = np.concatenate([np.zeros(60), np.arange(80.0), np.full(60, 80.0)])
    assert merged(value, [80, 100, 120]) == [(80, 120, False)]
    value = np.concatenate([np.zeros(60), np.arange(100.0) * 0.5, np.full(60, 100.0)])
    assert merged(value, [70, 90, 115, 160]) == [(70, 155, False), (160, 160, False)]


def test_a_sample_caught_in_the_middle_widens_its_edge() -> None:
    """3 deviations off the rest of its level, towards the other one: of the level after, before, or both; two
    at the most on each side."""
    flat, one = noise_for(60), np.array([30])
    for inside, first, last in (
        ({30: 50.0}, 30, 31), ({29: 50.0}, 29, 30), ({29: 30.0, 30: 70.0}, 29, 31), ({}, 30, 30),
        ({30: 97.1}, 30, 30), ({30: 96.8}, 30, 31), ({29: 2.9}, 30, 30), ({29: 3.2}, 29, 30),
        ({30: 104.0}, 30, 30), ({29: -4.0}, 30, 30), ({30: 30.0, 31: 60.0}, 30, 32),
        ({28: 30.0, 29: 60.0}, 28, 30), ({30: 30.0, 31: 60.0, 32: 80.0}, 30, 32),
    ):  # fmt: skip
        value = np.repeat([0.0, 100.0], 30)
        for k, ma in inside.items():
            value[k] = ma
        found = cr._trim(value, running(value), one, one, np.array([False]), flat)
        assert [found[0].tolist(), found[1].tolist()] == [[first], [last]], inside
        down = cr._trim(100 - value, running(100 - value), one, one, np.array([False]), flat)
        assert [down[0].tolist(), down[1].tolist()] == [[first], [last]], inside
        gap = cr._trim(value, running(value), one, one, np.array([True]), flat)
        assert [gap[0].tolist(), gap[1].tolist()] == [[30], [30]]


def test_two_edges_share_no_sample(seed: int) -> None:
    """Short pulses of random samples: each edge keeps its order, and a level of one sample at least."""
    rng = np.random.default_rng(seed)
    for _ in range(200):
        at = 10 + np.cumsum(rng.integers(1, 5, 6))
        value = rng.uniform(-50, 50, int(at[-1]) + 10)
        first, last = cr._trim(value, running(value), at, at, np.zeros(6, dtype=bool), noise_for(len(value)))
        assert np.all(first <= last)
        assert np.all(first[1:] > last[:-1])
        assert np.all((at - first <= 2) & (last - at <= 2))


def crossed(
    value: Floats, first: int, last: int, aim: float, high: float, around: int = 0
) -> tuple[float, float, float]:
    chunk = chunk_of(value)
    columns = [np.array([first]), np.array([last]), np.array([aim]), np.array([high]), np.array([around])]
    return tuple(float(part[0]) for part in cr._crossing(chunk, chunk.total, *columns))  # type: ignore[return-value]


def test_a_crossing_lies_between_two_samples_by_linear_interpolation(seed: int) -> None:
    """IEEE 181's mid-reference level instant, as np.interp has it on a rising edge; falling alike."""
    rng = np.random.default_rng(seed)
    for _ in range(100):
        inside = int(rng.integers(0, 6))
        edge = np.sort(rng.uniform(1, 99, inside))
        value = np.concatenate([np.zeros(8), edge, np.full(8, 100.0)])
        rows = np.arange(7, 9 + inside)
        share = float(rng.choice([0.25, 0.5, 0.75]))
        wanted = float(np.interp(100 * share, value[rows], rows * 0.1))
        k = int(np.searchsorted(value, 100 * share))
        at_s, slope, width = crossed(value, 8, 8 + inside, 100 * share, 100.0)
        assert (at_s, slope, width) == (pytest.approx(wanted), pytest.approx(value[k] - value[k - 1]), 1.0)
        fallen = crossed(100 - value, 8, 8 + inside, 100 - 100 * share, -100.0)
        assert fallen == (pytest.approx(wanted), pytest.approx(slope), 1.0)


def test_a_wide_edge_is_smoothed_before_it_is_asked(seed: int) -> None:
    """Over 2 `around` + 1 samples, as far as the record reaches."""
    value = np.concatenate([np.zeros(12), np.arange(1, 20) * 5.0, np.full(9, 100.0)])
    value += np.random.default_rng(seed).normal(0, 3, len(value))
    for around in (0, 1, 3, 8, 20):
        reach = min(around, 11, len(value) - 1 - 31)
        smooth = {k: value[k - reach : k + reach + 1].mean() for k in range(11, 32)}
        k = next(k for k in range(12, 32) if smooth[k] >= 50 > smooth[k - 1])
        wanted = 0.1 * (k - 1 + (50 - smooth[k - 1]) / (smooth[k] - smooth[k - 1]))
        found = crossed(value, 12, 31, 50.0, 100.0, around)
        assert found == pytest.approx((wanted, smooth[k] - smooth[k - 1], 2 * reach + 1))


def test_what_is_not_crossed_lies_halfway() -> None:
    """Noise hides it: between the samples where the edge begins, with the height as its slope."""
    assert crossed(np.zeros(9), 4, 6, 50.0, 100.0) == (pytest.approx(0.35), 100.0, 1.0)
    assert crossed(np.full(9, 70.0), 4, 6, 50.0, 100.0) == (pytest.approx(0.35), 100.0, 1.0)


def exact(at: list[int], heights: list[float], samples: int) -> Floats:
    value = np.zeros(samples)
    for k, high in zip(at, heights, strict=True):
        value[k:] += high
    return value


def assembled(
    chunk: cr.Chunk, found: Ints, gaps: Ints = NO_GAPS, window: int = 20, count: int = 0
) -> tuple[Transitions, Trace]:
    find: Callable[[float], Ints] = lambda tau: found  # noqa: E731
    return cr.assemble(chunk, found, find, gaps, noise_for(len(chunk.value)), window, count, rsp.Shape())


def test_exact_steps_are_measured_to_the_last_bit() -> None:
    at, heights = [30, 50, 53, 54, 90], [100.0, -60.0, 70.0, -50.0, 40.0]
    value = exact(at, heights, 120) + 7.0
    t, _ = assembled(chunk_of(value), np.array(at))
    level = np.append(7.0, 7.0 + np.cumsum(heights))
    assert t.at_s.tolist() == pytest.approx([k * 0.1 - 0.05 for k in at])
    assert t.before.tolist() == pytest.approx(level[:-1].tolist())
    assert t.after.tolist() == pytest.approx(level[1:].tolist())
    # a guard of one sample at each end of a level, from five samples on; a window of 20 at most
    assert t.n_before.tolist() == [20, 18, 3, 1, 20]
    assert t.n_after.tolist() == [18, 3, 1, 20, 20]
    assert t.last_s.tolist() == pytest.approx([(k - 1) * 0.1 for k in at])
    assert t.first_s.tolist() == pytest.approx([k * 0.1 for k in at])
    total = running(value)
    assert t.n_to.tolist() == [29, 49, 53, 54, 89]
    assert t.n_from.tolist() == [31, 50, 53, 55, 91]
    assert t.sum_to.tolist() == pytest.approx(total[t.n_to.astype(int)].tolist())
    assert t.sum_from.tolist() == pytest.approx(total[t.n_from.astype(int)].tolist())
    assert (t.sigma.tolist(), t.bias.tolist(), t.inside.tolist()) == ([1.0] * 5, [0.25] * 5, [0.0] * 5)
    assert np.isnan(np.concatenate([t.at_u, t.level, t.lasting_u])).all()


def test_only_the_chunks_own_transitions_count_and_sums_go_on() -> None:
    """Those that begin in [core, core_end); sums and numbers with the samples ahead of the chunk."""
    at = [30, 60, 90]
    value = exact(at, [50.0, 50.0, 50.0], 120)
    for core, end, kept in ((30, 90, [30, 60]), (31, 91, [60, 90]), (0, 120, at)):
        t, _ = assembled(chunk_of(value, core, end, (1000, 5e4)), np.array(at))
        assert t.last_s.tolist() == pytest.approx([(k - 1) * 0.1 for k in kept])
        assert t.n_to.tolist() == [1000 + k - 1 for k in kept]
        assert t.sum_to.tolist() == pytest.approx([5e4 + running(value)[k - 1] for k in kept])


def test_a_gap_has_no_instant() -> None:
    value = exact([40], [50.0], 80)
    t, _ = assembled(chunk_of(value), NO_GAPS, np.array([40]))
    assert np.isnan(t.at_s).tolist() == [True]
    assert (t.before[0], t.after[0]) == (0.0, 50.0)


def naive_trace(
    value: Floats, levels: list[tuple[int, int]], core: int, end: int, window: int, ahead: int
) -> list[list[float]]:
    """The settled samples of each level within the core, cut wherever the recording's count is a whole number
    of windows."""
    found = []
    for own, (a, b) in enumerate(levels):
        k = max(a, core)
        while k < min(b, end):
            stop = min(b, end, k + window - (ahead + k) % window)
            found.append([(k + stop - 1) / 2 * 0.1, value[k:stop].mean(), stop - k, own])
            k = stop
    return found


@pytest.mark.parametrize(
    ("core", "end", "ahead"), [(0, 120, 0), (0, 120, 7), (25, 91, 40), (33, 100, 13), (30, 90, 0)]
)
def test_a_trace_is_the_settled_record_in_windows(core: int, end: int, ahead: int, seed: int) -> None:
    at = [30, 50, 90]
    value = exact(at, [100.0, -60.0, 70.0], 120) + np.random.default_rng(seed).normal(0, 1, 120)
    _, trace = assembled(chunk_of(value, core, end, (ahead, 0.0)), np.array(at), window=20, count=5)
    levels = [(1, 29), (31, 49), (51, 89), (91, 119)]
    wanted = naive_trace(value, levels, core, end, 20, ahead)
    begun = sum(k < core for k in at)
    found = np.column_stack([trace.t_s, trace.mean, trace.n, trace.level + begun - 5])
    np.testing.assert_allclose(found, wanted)


def test_a_low_pass_is_learnt_and_taken_out(seed: int) -> None:
    """Edges of 200 deviations behind 8 samples of a first-order low-pass, as exact averages over each sample:
    the time constant within a few percent, instants within a tenth of a sample."""
    rng = np.random.default_rng(seed)
    at = np.arange(10) * 300 + 200 + rng.uniform(0, 1, 10)
    k = np.arange(3200)
    value = rng.normal(0, 1, len(k))
    for n, t in enumerate(at):
        on = np.clip(k - t, 0, None)
        value += (200.0 if n % 2 == 0 else -200.0) * -np.expm1(-on / 8.0)
    chunk, shape = chunk_of(value), rsp.Shape()
    found = np.sort(np.concatenate([np.ceil(at).astype(np.int64) + late for late in range(14)]))
    t, _ = cr.assemble(chunk, found, lambda tau: found, NO_GAPS, noise_for(len(k)), 200, 0, shape)
    assert shape.tau == pytest.approx(8.0, rel=0.03)
    np.testing.assert_allclose(t.at_s, at * 0.1, atol=0.03)
    np.testing.assert_allclose(np.abs(t.height), 200.0, atol=1.0)
    known: Bools = np.isfinite(t.at_u)
    assert known.all()

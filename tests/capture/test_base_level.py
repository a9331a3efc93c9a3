"""The one base of a recording, from bases put together by hand: weighed by time, without what stands out, of
the part that carries the pulses, at the end of a fall asleep."""

from __future__ import annotations

import numpy as np
import pytest
from nightdraw.capture import seen as sn
from nightdraw.capture.pulses import Pulses

INTERVAL_S = 0.001


def column(*values: float) -> sn.Floats:
    return np.array(values, dtype=float)


def pulses_on(
    nodes: list[tuple[float, float]],
    events: list[tuple[int, float]] = [],  # noqa: B006 (it is only read)
    noise: float = 0.0,
    level_ma: float = 100.0,
    unit: str = "mA",
    mean: float = 77.0,
) -> Pulses:
    """What was seen on a base through nodes of (s, mA), with events of (kind, start in s), each of 0.5 s."""
    count = len(events)
    table = sn.Events(
        kind=np.array([kind for kind, _ in events], dtype=np.int64),
        first_edge=np.full(count, -1),
        last_edge=np.full(count, -1),
        start_s=column(*(at_s for _, at_s in events)),
        start_u_s=np.full(count, 1e-4),
        duration_s=np.full(count, 0.5),
        duration_u_s=np.full(count, 1e-4),
        level=np.full(count, level_ma),
        level_u=np.full(count, 0.1),
        mean=np.full(count, level_ma),
        part_from=np.zeros(count, dtype=np.int64),
        part_to=np.zeros(count, dtype=np.int64),
    )
    t_s, level = column(*(t for t, _ in nodes)), column(*(ma for _, ma in nodes))
    base = sn.Base(t_s, level, np.full(len(nodes), 0.1))
    empty = sn.Parts(*(column() for _ in range(4)))
    edges = sn.Edges(*(column() for _ in range(8)))
    return Pulses(
        sn.Seen("by hand", "clamp", unit, 100_001, 0.0, 100.0, INTERVAL_S, noise, 0.0, mean, 5.0, 0.0, 0.0,
                edges, base, table, empty, ())
    )  # fmt: skip


def test_a_level_counts_by_the_time_that_it_stands_for() -> None:
    """Nodes at 0, 2, 3 and 10 s stand for 1, 1.5, 4 and 3.5 s: half the way to each neighbour."""
    nodes = [(0.0, 20.0), (2.0, 21.0), (3.0, 22.0), (10.0, 21.5)]
    found = pulses_on(nodes, noise=10.0)
    assert found.base_ma == pytest.approx((1 * 20 + 1.5 * 21 + 4 * 22 + 3.5 * 21.5) / 10)


def test_nodes_as_close_as_a_step_stand_for_half_a_sample() -> None:
    nodes = [(0.0, 20.0), (0.0, 30.0), (0.0, 20.0)]
    assert pulses_on(nodes, noise=100.0).base_ma == pytest.approx(70 / 3)


@pytest.mark.parametrize(("odd_ma", "kept"), [(24.4, True), (24.6, False)])
def test_what_stands_out_by_more_than_the_others_scatter_is_left_out(odd_ma: float, kept: bool) -> None:
    """By 4.5 median deviations: half of the time here the base is 1 mA off its median of 20."""
    nodes = [(float(k), 20.0 + (-1, 0, 1)[k % 3]) for k in range(30)] + [(30.0, odd_ma)]
    found = pulses_on(nodes)
    levels = [ma for _, ma in nodes]
    weights = [0.5, *[1.0] * 29, 0.5]
    upto = len(nodes) if kept else len(nodes) - 1
    assert found.base_ma == pytest.approx(np.average(levels[:upto], weights=weights[:upto]))


@pytest.mark.parametrize(("odd_ma", "kept"), [(20.17, True), (20.18, False)])
def test_noise_widens_what_belongs_to_the_base(odd_ma: float, kept: bool) -> None:
    """Three deviations of a mean of three: with 0.1 mA of noise 0.173 mA."""
    nodes = [(float(k), 20.0) for k in range(20)] + [(20.0, odd_ma)]
    found = pulses_on(nodes, noise=0.1)
    assert found.base_ma == pytest.approx(20 + (odd_ma - 20) / 40 if kept else 20.0)


def test_of_a_fall_asleep_the_last_third_counts() -> None:
    """Means of the thirds: 110, 20 and 10 mA. A fall that goes on evenly is averaged over all of it."""
    asleep = [(float(k), 110.0) for k in range(10)] + [(float(k), 20.0) for k in range(10, 20)]
    asleep += [(float(k), 10.0) for k in range(20, 31)]
    assert pulses_on(asleep, noise=1e3).base_ma == pytest.approx(10.0)
    even = [(float(k), 100.0 - k) for k in range(31)]
    assert pulses_on(even, noise=1e3).base_ma == pytest.approx(85.0)
    risen = [(float(k), 10.0) for k in range(20)] + [(float(k), 110.0) for k in range(20, 31)]
    assert pulses_on(risen, noise=1e3).base_ma == pytest.approx(
        (20 * 10 - 5 + 105 + 11 * 110 - 105 - 55) / 30, rel=0.05
    )


@pytest.mark.parametrize(("drop", "asleep"), [(29.0, False), (31.0, True)])
def test_a_fall_asleep_slows_down_threefold_from_third_to_third(drop: float, asleep: bool) -> None:
    levels = [20.0 + drop, 20.0, 10.0]
    nodes = [(k + 0.0, levels[min(k // 10, 2)]) for k in range(31)]
    weights = [0.5, *[1.0] * 29, 0.5]
    mean = float(np.average([ma for _, ma in nodes], weights=weights))
    assert pulses_on(nodes, noise=1e3).base_ma == pytest.approx(10.0 if asleep else mean)


def test_the_base_that_carries_the_pulses_is_meant() -> None:
    """Between two steps that stay; with no pulses the one that lasts, and of several that do the lowest."""
    low, high = [(float(k), 20.0) for k in range(50)], [(float(k), 60.0) for k in range(51, 101)]
    step = (sn.STEP, 50.5)
    below = [(sn.PULSE, 10.0 + k) for k in range(5)]
    above = [(sn.PULSE, 60.0 + k) for k in range(5)]
    assert pulses_on(low + high, [*below, step]).base_ma == pytest.approx(20.0)
    assert pulses_on(low + high, [step, *above]).base_ma == pytest.approx(60.0)
    assert pulses_on(low + high, [*below, step, *above]).base_ma == pytest.approx(20.0)
    assert pulses_on(low + high, [step]).base_ma == pytest.approx(20.0)
    # one pulse beside five is a fifth of them: too few for the base that is meant
    assert pulses_on(low + high, [below[0], step, *above]).base_ma == pytest.approx(60.0)
    assert pulses_on(low + high, [*below[:2], step, *above]).base_ma == pytest.approx(20.0)
    short = [(float(k), 20.0) for k in range(11)] + [(float(k), 60.0) for k in range(11, 101)]
    assert pulses_on(short, [(sn.STEP, 10.5)]).base_ma == pytest.approx(60.0)


def test_without_a_base_the_mean_stands_in() -> None:
    found = pulses_on([])
    assert found.base_ma == 77.0
    assert found.drift_ma_per_h is None


def test_a_drift_is_the_slope_of_a_straight_line_by_the_hour() -> None:
    """Three nodes make one, two don't; where the nodes crowd they weigh no more than the time they cover."""
    assert pulses_on([(0.0, 20.0), (50.0, 21.0)]).drift_ma_per_h is None
    assert pulses_on([(1.0, 20.0)] * 3).drift_ma_per_h is None
    found = pulses_on([(0.0, 20.0), (10.0, 20.5), (100.0, 25.0)])
    assert found.drift_ma_per_h == pytest.approx(0.05 * 3600)
    t_s = np.sort(np.concatenate((np.linspace(0, 100, 101), np.linspace(80.01, 80.99, 99))))
    level = 20.0 + 5 * (np.abs(t_s - 80.5) < 0.5)
    covered_s = (np.diff(t_s, prepend=t_s[0]) + np.diff(t_s, append=t_s[-1])) / 2
    from_mean_s = t_s - np.average(t_s, weights=covered_s)
    slope = np.sum(covered_s * from_mean_s * level) / np.sum(covered_s * from_mean_s**2)
    found = pulses_on(list(zip(t_s.tolist(), level.tolist(), strict=True)))
    assert found.drift_ma_per_h == pytest.approx(3600 * slope)


@pytest.mark.parametrize(("base_ma", "level_ma", "unit", "inverted"), [
    (-5.1, None, "mA", True),
    (-5.0, None, "mA", False),
    (-4.5, None, "mA", False),
    (-60.0, 64.0, "mA", True),
    (-60.0, 65.0, "mA", False),
    (-60.0, None, "mV", False),
])  # fmt: skip
def test_what_lies_below_a_clamps_zero_as_a_whole_looks_inverted(
    base_ma: float, level_ma: float | None, unit: str, inverted: bool
) -> None:
    events = [] if level_ma is None else [(sn.PULSE, 5.0)]
    found = pulses_on([(0.0, base_ma), (10.0, base_ma)], events, level_ma=level_ma or 0.0, unit=unit)
    assert found.looks_inverted() is inverted


def test_a_mean_of_the_gaps_is_told_where_nothing_repeats() -> None:
    gaps_s = [0.7, 2.9, 1.3, 5.1, 0.9, 3.7, 8.3, 1.9]
    starts_s = 1.0 + np.cumsum([0.0, *(gap + 0.5 for gap in gaps_s)])
    found = pulses_on([(0.0, 20.0), (60.0, 20.0)], [(sn.PULSE, float(s)) for s in starts_s])
    text = found.text()
    assert "every" not in text.split("start")[0].replace("start to start", "")
    assert f"gaps {np.median(gaps_s):.4g} s (" in text
    (kind,) = found.document()["kinds"]  # type: ignore[misc]
    low, middle, high = kind["gap_s"]
    assert (low, high) == (pytest.approx(min(gaps_s)), pytest.approx(max(gaps_s)))
    assert middle == pytest.approx(np.median(gaps_s))

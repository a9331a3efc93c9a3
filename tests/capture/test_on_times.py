"""On-times, kinds and looks at a drop, against loops over edges, samples and all possible kinds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from nightdraw.capture import correlation as cor
from nightdraw.capture import seen as sn
from nightdraw.capture.correlation import Coincidence, OnTimes
from nightdraw.capture.read import from_arrays

from tests.capture.by_hand import Change, Floats, seen_of

levels = st.lists(st.integers(-40, 300), min_size=1, max_size=14)


@given(levels=levels, weighed=st.booleans(), data=st.data())
def test_kinds_are_the_heaviest_stretches_one_after_the_other(
    levels: list[int], weighed: bool, data: st.DataObject
) -> None:
    """Brute force: of what isn't taken yet most weight lies from some level on, over 6 mA or a fifth."""
    level = np.array(levels, dtype=float)
    weight = [float(data.draw(st.integers(0, 9))) if weighed else 1.0 for _ in levels]
    found = cor.kinds(level, np.array(weight) if weighed else None)
    left, number = set(range(len(level))), 0
    while left:
        members = {
            k: [m for m in left if level[k] <= level[m] <= level[k] + 2 * max(3.0, 0.1 * abs(level[k]))]
            for k in range(len(level))
        }
        heaviest = max(sum(weight[m] + 1e-9 for m in ms) for ms in members.values())
        chosen = {m for m in left if found[m] == number}
        assert sum(weight[m] + 1e-9 for m in chosen) == pytest.approx(heaviest)
        assert any(chosen == set(ms) for ms in members.values())
        left -= chosen
        number += 1
    assert set(found.tolist()) == set(range(number))


def edges_of(heights: list[float], u: float = 0.1) -> sn.Edges:
    levels = np.append(0.0, np.cumsum(heights))
    changes = [Change(float(k), levels[k], levels[k + 1]) for k in range(len(heights))]
    return seen_of(changes, 99.0, noise=3 * u).edges


@pytest.mark.parametrize(
    ("heights", "pairs"),
    [
        ([100.0, 50.0, -50.0, -100.0], [(1, 2), (0, 3)]),
        ([100.0, 50.0, -100.0, -50.0], [(0, 2), (1, 3)]),
        ([100.0, 104.0, -104.1, -99.9], [(1, 2), (0, 3)]),
        ([100.0, -40.0, -60.0], []),
        ([100.0, 60.0, -160.0], []),
        ([100.0, 100.0, -100.0, -100.0], [(0, 2), (1, 3)]),  # of two alike the first
        ([-50.0, 50.0, -50.0], [(1, 2)]),
        ([100.0, -104.1], [(0, 1)]),  # 3 % of 104.1 and five times 0.2 mA are 4.12
        ([100.0, -104.15], []),
        ([100.0, -96.15], [(0, 1)]),
        ([100.0, -96.1], []),
    ],
)
def test_an_edge_down_belongs_to_the_edge_up_that_is_most_alike(
    heights: list[float], pairs: list[tuple[int, int]]
) -> None:
    assert cor._pairs(edges_of(heights), 0, len(heights) - 1) == pairs


def test_pairs_of_a_part_of_the_edges_keep_their_numbers() -> None:
    assert cor._pairs(edges_of([-30.0, 80.0, 90.0, -80.0, -90.0, 5.0]), 1, 4) == [(1, 3), (2, 4)]


def seen_with(heights: list[float], pulses: list[tuple[int, int]], end_s: float = 40.0) -> sn.Seen:
    """A clamp whose edges are a second apart, and its pulses by their first and last edge."""
    level = np.append(0.0, np.cumsum(heights))
    seen = seen_of([Change(1.0 + k, level[k], level[k + 1]) for k in range(len(heights))], end_s, noise=0.3)
    first, last = np.array(pulses, dtype=int).reshape(-1, 2).T
    count, some = len(first), np.zeros(len(first))
    events = sn.Events(
        np.full(count, sn.PULSE), first, last, 1.0 + first, some, (last - first).astype(float), some,
        np.arange(count) + 500.0, some, np.arange(count) + 200.0, first, first,
    )  # fmt: skip
    return replace(seen, events=events)


def test_on_times_of_overlapping_loads_are_taken_apart() -> None:
    """A plain pulse; two loads that overlap; one of two levels of its own, which stays whole."""
    heights = [100.0, -100.0, 80.0, 30.0, -80.0, -30.0, 90.0, -35.0, -55.0]
    on = cor.on_times(seen_with(heights, [(0, 1), (2, 5), (6, 8)]))
    inf = np.inf
    due = [  # start, end, level, charge, before, first, last, after
        (1, 2, 500, 200, -inf, 2, 1, 3),
        (3, 5, 80, 160, 2, 4, 4, 6),
        (4, 6, 30, 60, 3, 5, 5, 7),
        (7, 9, 502, 2 * 202, 6, 9, 7, inf),
    ]
    rows = np.column_stack([getattr(on, name) for name in OnTimes.__dataclass_fields__])
    assert rows == pytest.approx(np.array(due, dtype=float))


def looks_of(rows: list[tuple[float, ...]]) -> OnTimes:
    return OnTimes(*np.array(rows, dtype=float).T)


def test_looks_keep_to_what_has_no_other_edge() -> None:
    """By the words, a sample of 0.1 s left out beside each edge: outside as long as the on-time or half a
    second, inside half of it, none beyond the neighbours."""
    rows = [
        # start, end, level, charge, before, first, last, after
        (10.0, 14.0, 1, 1, -np.inf, 14.0, 10.0, np.inf),  # alone: four seconds outside, two inside
        (20.0, 20.4, 1, 1, 10.0, 20.4, 20.0, 30.0),  # short: half a second outside
        (40.0, 44.0, 1, 1, 39.0, 40.5, 43.5, 44.8),  # neighbours everywhere
        (50.0, 54.0, 1, 1, 49.85, 50.15, 53.85, 54.15),  # no room at all
    ]
    found = cor._looks(looks_of(rows), 0.1)
    due = [
        [(5.9, 9.9), (10.1, 12.0), (12.0, 13.9), (14.1, 18.1)],
        [(19.4, 19.9), (20.1, 20.2), (20.2, 20.3), (20.5, 21.0)],
        [(39.1, 39.9), (40.1, 40.4), (43.6, 43.9), (44.1, 44.7)],
        [(49.95, 49.95), (50.1, 50.1), (53.95, 53.95), (54.1, 54.1)],
    ]
    for k, windows in enumerate(due):
        for w, (begin, end) in enumerate(windows):
            assert found.begin_s[w, k] == pytest.approx(begin)
            assert found.end_s[w, k] == pytest.approx(max(begin, end))
    first = np.sqrt(1 / 4 + 1 / 1.9 + 1 / 1.9 + 1 / 4) / 2  # of four means, each with 1 / length, halved
    assert found.spread[0] == pytest.approx(first)


def test_steps_are_differences_of_means_of_samples(seed: int) -> None:
    """A loop over samples, two sets of looks in one pass."""
    rng = np.random.default_rng(seed)
    t_s, value = np.arange(500) * 0.02, rng.normal(0, 1, 500)
    sets = []
    for count in (3, 5):
        begin = rng.uniform(-0.5, 10, (4, count))
        sets.append(cor._Looks(begin, begin + rng.choice([0.0, 0.1, 0.7], (4, count))))
    for one, (rise, fall) in zip(sets, cor._steps(from_arrays(t_s, value, unit="mV"), sets), strict=True):
        for k in range(one.begin_s.shape[1]):
            mean = []
            for w in range(4):
                inside = value[(t_s >= one.begin_s[w, k]) & (t_s < one.end_s[w, k])]
                mean.append(inside.mean() if len(inside) else np.nan)
            assert rise[k] == pytest.approx(mean[1] - mean[0], nan_ok=True)
            assert fall[k] == pytest.approx(mean[2] - mean[3], nan_ok=True)
    assert list(cor._steps(from_arrays(t_s, value, unit="mV"), [])) == []


def test_elsewhere_the_same_on_times_lie_between_the_clamps_edges() -> None:
    clamp = seen_with([100.0, -100.0, 60.0, -60.0], [(0, 1), (2, 3)], end_s=50.0)
    on = cor.on_times(clamp)
    found = cor._elsewhere(clamp, on)
    corners = [0.0, *clamp.edges.at_s.tolist(), 50.0]
    due = []
    for s in range(24):
        for k in range(2):
            start = (on.start_s[k] + ((s + 1) / 25 + 0.003) * 50.0) % 50.0
            end = start + on.end_s[k] - on.start_s[k]
            if end < 50.0:
                before, first = max(c for c in corners if c < start), min(c for c in corners if c >= start)
                last, after = max(c for c in corners if c < end), min(c for c in corners if c >= end)
                due.append((start, end, before, first, last, after))
    rows = np.column_stack(
        (found.start_s, found.end_s, found.before_s, found.first_s, found.last_s, found.after_s)
    )
    assert rows == pytest.approx(np.array(due))
    assert 30 < len(due) < 48


def coincidence(
    rise: Floats, fall: Floats, level: Floats, idle: int = 40, pulses: int = 0, seed: int = 1
) -> Coincidence:
    up, down = np.random.default_rng(seed).normal(0, 0.1, (2, idle))
    return Coincidence(
        rise, fall, level, np.ones(len(rise)), (up, down, np.ones(idle)), pulses or len(rise), 7.0
    )


def test_how_far_a_kind_stands_out_is_a_mean_over_its_standard_error(seed: int) -> None:
    rng = np.random.default_rng(seed)
    level = rng.uniform(90, 110, 25)
    for idle in (40, 20, 19):
        one = coincidence(0.01 * level + rng.normal(0, 0.1, 25), 0.008 * level, level, idle)
        up, down = one.idle[:2]
        if idle < 20:  # by how they scatter about their own mean
            up, down = one.rise - one.rise.mean(), one.fall - one.fall.mean()
        chance = [np.sqrt(np.mean(np.square(v))) for v in (up, down, (up + down) / 2)]
        z, side = one.stands_out()
        mean = [one.rise.mean(), one.fall.mean(), ((one.rise + one.fall) / 2).mean()]
        each = [m / c * 5 for m, c in zip(mean, chance, strict=True)]
        assert (z, side) == pytest.approx((each[2], min(each[:2])))
        assert one.ohms == pytest.approx(np.sum((one.rise + one.fall) / 2) / np.sum(level))
    few = coincidence(level[:19], level[:19], level[:19], 0)
    assert few.chance is None
    assert few.stands_out() == (0.0, 0.0)


@pytest.mark.parametrize("share", [0.1, 0.3, 0.6, 1.0])
def test_the_share_of_pulses_that_are_in_a_drop(seed: int, share: float) -> None:
    """50 pulses of two heights, some of them in the drop, noise a fifth of the smaller."""
    rng = np.random.default_rng(seed)
    level = rng.choice([80.0, 160.0], 50)
    there = np.arange(50) < share * 50
    drop = np.where(there, 0.01 * level, 0.0) + rng.normal(0, 0.02, 50)
    assert coincidence(drop, drop, level).share() == share
    assert coincidence(-level, -level, -level * 0.0 + 1.0).share() == (1.0 if share else 0.0)


@pytest.mark.parametrize(
    ("change", "moves"),
    [({}, True), ({"rise": 0.001}, False), ({"fall": 0.0005}, False), ({"level": 1e4}, False)],
)
def test_a_drop_moves_by_both_sides_and_as_across_a_resistance(change: dict[str, float], moves: bool) -> None:
    """Five deviations in all, two and a half on each side, 0.2 mohm at least; what came once is no habit."""
    row = {"rise": 0.5, "fall": 0.5, "level": 100.0, **change}
    some = np.ones(9)
    often = coincidence(row["rise"] * some, row["fall"] * some, row["level"] * some, pulses=30)
    once = coincidence(0.5 * some[:1], 0.5 * some[:1], 100 * some[:1], pulses=1)
    drop = from_arrays(np.arange(3.0), np.zeros(3), unit="mV", channel="F1")
    found = cor._mover(drop, {0: often, 1: once})
    if moves:
        assert (found.pulses, found.ohms) == (30 + (once.stands_out()[0] >= 5), pytest.approx(0.005))
        assert found.charge_share == pytest.approx(1.0)
    else:
        assert found.charge_share == 0.0
    assert found.share == pytest.approx(found.pulses / 31)
    assert found.z == pytest.approx(max(often.stands_out()[0], once.stands_out()[0]))


def test_a_kind_in_half_of_which_a_drop_moves_carries_half() -> None:
    some = np.where(np.arange(40) % 2 == 0, 0.5, 0.0)
    one = coincidence(some, some, np.full(40, 100.0))
    drop = from_arrays(np.arange(3.0), np.zeros(3), unit="mV", channel="F1")
    found = cor._mover(drop, {0: one})
    assert (found.pulses, found.share, found.charge_share) == (20, 0.5, 0.5)
    assert found.ohms == pytest.approx(0.005)


@pytest.mark.parametrize(("shares", "carried"), [((0.51, 0.5), "F0"), ((0.5, 0.2), None), ((0.6, 0.6), None)])
def test_who_carries_more_than_half_of_the_charge_carries_them(
    shares: tuple[float, ...], carried: str | None
) -> None:
    movers = tuple(cor.Mover(f"F{k}", 9, 0.9, share, 0.005, 9.0) for k, share in enumerate(shares))
    assert cor.Moving(movers).carried_by == carried


def test_coincidences_of_a_kind_share_no_look(seed: int) -> None:
    """Two pulses 2 s apart, alone in the clamp: each looks at most half of the way to the other; the drop's
    levels come back exactly where it has no noise."""
    clamp = seen_with([100.0, -100.0, 100.0, -100.0], [(0, 1), (2, 3)], end_s=30.0)
    on = cor.on_times(clamp)
    t_s = np.arange(30_000) * 1e-3
    level = np.where(((t_s > 1) & (t_s < 2)) | ((t_s > 3) & (t_s < 4)), 2.0, 0.5)
    drop = from_arrays(t_s, level, unit="mV", channel="F1")
    found = cor.coincidences(clamp, on, drop, np.array([7, 7]))
    assert list(found) == [7]
    one = found[7]
    assert one.rise == pytest.approx([1.5, 1.5])
    assert one.fall == pytest.approx([1.5, 1.5])
    assert (one.pulses, one.charge) == (2, pytest.approx(200.0 + 201.0))
    # from 0 to the first, from 2.5 to the second; 0.5 s between them, 1 s beside the others
    assert one.spread[0] > cor.coincidences(clamp, on, drop, np.array([7, 8]))[7].spread[0]
    both = 1 / 0.999 + 1 / 0.499 + 1 / 0.499 + 1 / 0.499
    assert one.spread[0] == pytest.approx(np.sqrt(both) / 2, rel=1e-2)

"""The fewest levels: against brute force over all partitions."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from nightdraw.capture.seen import Bools, Floats, Ints
from nightdraw.capture.segments import Pieces


def drawn(rng: np.random.Generator, most: int = 9) -> tuple[Floats, Floats, Floats, Bools]:
    """Samples and candidates among them, some off the samples' instants; sharp edges or not."""
    samples = int(rng.integers(2, 40))
    t_s = np.arange(samples) * 1.0
    value = rng.normal(0, 1, samples) + np.repeat(rng.choice([0, 5, 1e6], 4), 10)[:samples]
    inner = rng.choice(np.arange(1, samples), min(int(rng.integers(0, most)), samples - 1), replace=False)
    shift = rng.choice([0.0, -0.25, -0.5], len(inner))
    at_s = np.unique(np.concatenate(([0.0], inner + shift, [t_s[-1]])))
    edge = rng.random(len(at_s)) < 0.4
    return t_s, value, at_s, edge


def samples_of(t_s: Floats, at_s: Floats, edge: Bools, first: int, last: int) -> list[int]:
    """Those from one candidate up to another, without one beside each sharp edge; with them where none would
    be left. The last candidate is the end: its sample belongs to the piece."""
    whole_last = last == len(at_s) - 1
    guard = [1.0 if edge[k] else 0.0 for k in (first, last)]
    inside = [k for k, t in enumerate(t_s) if at_s[first] <= t and (whole_last or t < at_s[last])]
    low = [k for k in inside if t_s[k] >= at_s[first] + guard[0]]
    kept = low if whole_last else [k for k in low if t_s[k] < at_s[last] - guard[1]]
    return kept or inside


def test_pieces_have_the_samples_between_their_ends(seed: int) -> None:
    rng = np.random.default_rng(seed)
    for _ in range(60):
        t_s, value, at_s, edge = drawn(rng)
        pieces = Pieces(t_s, value, at_s, edge)
        for a, b in combinations(range(len(at_s)), 2):
            rows = samples_of(t_s, at_s, edge, a, b)
            first, last = np.array([a]), np.array([b])
            assert pieces.counts(first, last).tolist() == [len(rows)]
            if rows:
                assert pieces.levels(first, last)[0] == pytest.approx(value[rows].mean())
                error = float(np.sum((value[rows] - value[rows].mean()) ** 2))
                assert pieces.errors(first, last)[0] == pytest.approx(error, rel=1e-6, abs=1e-2)


def test_a_piece_without_samples_has_no_level_and_no_error() -> None:
    pieces = Pieces(np.arange(5.0), np.ones(5), np.array([0.0, 1.2, 1.4, 4.0]), np.zeros(4, dtype=bool))
    one, two = np.array([1]), np.array([2])
    assert np.isnan(pieces.levels(one, two)[0])
    assert (pieces.errors(one, two)[0], pieces.counts(one, two)[0]) == (0.0, 0)


def test_a_single_sample_is_a_piece() -> None:
    pieces = Pieces(np.zeros(1), np.full(1, 7.0), np.zeros(2), np.array([True, True]))
    assert pieces.counts(np.array([0]), np.array([1])).tolist() == [1]
    assert pieces.levels(np.array([0]), np.array([1])).tolist() == [7.0]


def cost(pieces: Pieces, cuts: tuple[int, ...]) -> float:
    at: Ints = np.array(cuts)
    return float(sum(pieces.errors(at[k : k + 1], int(at[k + 1]))[0] for k in range(len(at) - 1)))


def partitions(count: int) -> list[tuple[int, ...]]:
    inner = range(1, count - 1)
    return [(0, *cuts, count - 1) for n in range(count - 1) for cuts in combinations(inner, n)]


@pytest.mark.parametrize("penalty", [0.01, 0.5, 3.0, 40.0])
def test_the_best_partition_is_the_best_of_all(penalty: float, seed: int) -> None:
    """Optimal partitioning (Killick, Fearnhead and Eckley 2012) against every partition there is. Sharp edges
    only where each piece has a sample besides those: else a split may cost more than the whole."""
    rng = np.random.default_rng(seed)
    for _ in range(12):
        t_s, value, at_s, edge = drawn(rng, 7)
        edge &= bool(np.diff(at_s).min() >= 3)
        value = rng.normal(0, 1, len(value)) + np.repeat(rng.choice([0, 2], 4), 10)[: len(value)]
        pieces = Pieces(t_s, value, at_s, edge)
        cuts = tuple(pieces.best(penalty).tolist())
        every = {one: cost(pieces, one) + penalty * (len(one) - 2) for one in partitions(len(at_s))}
        assert every[cuts] == pytest.approx(min(every.values()), abs=1e-9)


def test_the_fewest_are_found_that_are_good(seed: int) -> None:
    """Good: an error of all pieces up to a bound. Partitions of least penalized cost are those on the lower
    convex hull of error against count; of those that are good none has fewer."""
    rng = np.random.default_rng(seed)
    for _ in range(15):
        t_s, value, at_s, edge = drawn(rng, 7)
        value = rng.normal(0, 1, len(value)) + np.repeat(rng.choice([0, 6], 4), 10)[: len(value)]
        pieces = Pieces(t_s, value, at_s, edge)
        every = {one: cost(pieces, one) for one in partitions(len(at_s))}
        bound = float(rng.choice(list(every.values()))) + 1e-9
        cuts = pieces.fewest(1e-4, lambda at, b=bound, p=pieces: cost(p, tuple(at.tolist())) <= b)  # type: ignore[misc]
        if every[tuple(range(len(at_s)))] > bound:  # sharp edges' samples: more cuts may cost more
            assert cuts is None
            continue
        assert cuts is not None
        assert every[tuple(cuts.tolist())] <= bound
        least = {n: min(e for one, e in every.items() if len(one) == n) for n in map(len, every)}
        hull = [
            n for n in least
            if all(
                least[n] * (b - a) <= least[a] * (b - n) + least[b] * (n - a) + 1e-9
                for a in least for b in least if a < n < b
            )
        ]  # fmt: skip
        good = [n for n in hull if least[n] <= bound]
        assert len(cuts) <= min(good)


def test_none_is_good_and_all_are() -> None:
    t_s, value = np.arange(8.0), np.array([0, 0, 5, 5, 0, 0, 9, 9.0])
    pieces = Pieces(t_s, value, np.array([0, 2, 4, 6, 7.0]), np.zeros(5, dtype=bool))
    assert pieces.fewest(1e-6, lambda cuts: False) is None
    found = pieces.fewest(1e-6, lambda cuts: True)
    assert found is not None
    assert found.tolist() == [0, 4]
    found = pieces.fewest(1e-6, lambda cuts: len(cuts) == 5)
    assert found is not None
    assert found.tolist() == [0, 1, 2, 3, 4]
    # a penalty below the noise's variance isn't tried: cuts that pay less than that stay only if all must
    found = pieces.fewest(1e9, lambda cuts: True)
    assert found is not None
    assert found.tolist() == [0, 4]

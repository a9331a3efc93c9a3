"""Where there is little to go by: a fit of a few samples, a run too small to be placed, an edge that takes
long."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from nightdraw.capture import response as rs
from nightdraw.capture.accounts import Edges, seen_edges
from nightdraw.capture.align import align
from nightdraw.capture.response import Given

from tests.capture.by_hand import Change, seen_of


@pytest.mark.parametrize(("edges", "samples", "fits"), [
    (1, 5, False), (1, 6, True), (2, 7, False), (2, 8, True), (3, 9, False), (3, 10, True),
])  # fmt: skip
def test_a_fit_needs_two_samples_an_edge_and_four_besides(edges: int, samples: int, fits: bool) -> None:
    """Without noise, behind a low pass of half a sample: each edge is where it was put."""
    tau, onset = 0.5, np.array([1.5, 3.6, 5.7])[:edges]
    k = np.arange(samples, dtype=float)
    value = 30.0 + sum(100.0 * -np.expm1(-np.maximum(k - at, 0.0) / tau) for at in onset)
    first = np.ceil(onset).astype(int)
    height, sigma = np.full(edges, 100.0), np.full(edges, 0.1)
    given = Given(onset, height, first, first + 1, sigma, np.zeros(edges, dtype=bool))
    group, origin = rs._settled(np.asarray(value), given, tau)
    assert (group is not None) is fits
    assert origin.tolist() == list(range(edges))
    if group is not None:
        assert group.onset == pytest.approx(onset, abs=1e-3)
        assert group.height == pytest.approx(height, abs=0.1)


@pytest.mark.parametrize(("height", "placed"), [(4.9, False), (5.0, True)])
def test_a_run_of_steps_below_five_milliamperes_has_no_place(height: float, placed: bool) -> None:
    t_s = np.cumsum(np.random.default_rng(1).uniform(0.5, 4.0, 20))
    zero = np.zeros(20)
    known = Edges(t_s, zero, zero, np.tile([height, -height], 10), zero)
    seen = Edges(t_s + 3.0, zero, zero, np.tile([height, -height], 10), zero)
    (piece,) = align(known, seen, (0.0, float(t_s[-1]) + 5.0), 1e-3)
    assert (piece.clock.matched == 20) is placed
    assert (piece.clock.matched == 0) is not placed


def test_an_edge_is_known_by_its_height_and_how_long_it_takes() -> None:
    """0.3 of a sample and twice the noise over the height, and a quarter of what it takes beyond two samples;
    parts that fade, within 60 ms of each other, are one edge."""
    rows = (1.0, 30.0, 90.0), (2.0, 90.0, 60.0), (2.05, 60.0, 50.0), (2.2, 50.0, 45.0)
    seen = seen_of([Change(*row) for row in rows], 9.0, noise=3.0)
    wide = seen.edges.last_s - np.array([0.019, 0.0, 0.0, 0.0])
    before_u, after_u = np.array([1.0, 2.0, 3.0, 4.0]), np.array([5.0, 6.0, 7.0, 8.0])
    edges = replace(seen.edges, last_s=wide, before_u=before_u, after_u=after_u)
    found = seen_edges(replace(seen, edges=edges))
    assert found.at_s.tolist() == [1.0, 2.0, 2.2]
    assert found.height_ma.tolist() == [60.0, -40.0, -5.0]
    width_s = np.array([0.021 - 2e-3, 0.052 - 2e-3, 0.0])
    due = 1e-3 * (0.3 + 2.0 * 3.0 / np.array([60.0, 40.0, 5.0])) + 0.25 * width_s
    assert found.at_u_s == pytest.approx(due)
    # of a height: those of the level ahead of its first part and of the one behind its last
    assert found.u_ma == pytest.approx(np.hypot([1.0, 2.0, 4.0], [5.0, 7.0, 8.0]))

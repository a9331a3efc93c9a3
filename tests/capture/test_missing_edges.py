"""An edge that nobody saw behind a low pass: found where the fit leaves it something to be told by."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from nightdraw.capture.response import _Group

from tests.capture.synthetic import Floats

NOISE_MA = 0.1
LEAST_LEFT = 1e-3  # of an edge's energy, when everything that is fitted may move
KNOWN_MA = 100.0


def step(samples: int, onset: float, tau: float) -> Floats:
    """The step response of a first-order low pass, one edge of 1 mA."""
    over = np.maximum(np.arange(samples) - onset, 0.0)
    return np.asarray(np.where(over > 0, 1 - np.exp(-over / tau), 0.0))


def left_of(group: _Group, samples: int, onset: float) -> tuple[Floats, float]:
    """What the fit leaves of an edge by least squares, and its share of the edge's energy."""
    course = step(samples, onset, group.tau)
    left = course - group.moves @ np.linalg.lstsq(group.moves, course, rcond=None)[0]
    return left, float(left @ left / (course @ course))


def group_of(onset: Floats, tau: float, samples: int, noise_ma: Floats | float = 0.0) -> _Group:
    """A record with some edges."""
    value = 40 + KNOWN_MA * sum(step(samples, one, tau) for one in onset) + noise_ma * np.ones(samples)
    return _Group(value, onset, np.full(len(onset), KNOWN_MA), tau)


@pytest.mark.parametrize("height_ma", [-60.0, 15.0, 60.0])
@pytest.mark.parametrize("share", [0.2, 0.3, 0.7, 0.8])
def test_a_missing_edge_is_found_in_its_place_with_its_height(share: float, height_ma: float) -> None:
    samples, tau = 200, 8.0
    onset = share * samples
    noise_ma = np.random.default_rng(5).normal(0, NOISE_MA, samples)
    group = group_of(np.array([100.3]), tau, samples, noise_ma)
    group.rest = group.rest + height_ma * left_of(group, samples, onset)[0]
    found = group.missing(NOISE_MA)
    assert found is not None
    assert found[0] == pytest.approx(onset, abs=tau / 4)
    assert found[1] == pytest.approx(height_ma, rel=0.2)


def test_noise_alone_is_no_missing_edge(seed: int) -> None:
    """Places by the hundred, each beyond 6.5 deviations once in 10^10: a false alarm comes once in 10^6."""
    rng = np.random.default_rng(seed)
    for _ in range(100):
        samples = int(rng.integers(30, 200))
        onset = samples / 2 + rng.uniform(-1, 1, 1)
        group = group_of(onset, rng.uniform(4, 20), samples, rng.normal(0, NOISE_MA, samples))
        assert group.missing(NOISE_MA) is None


@given(samples=st.integers(160, 240), tau=st.floats(16, 40), quarters=st.integers(8, 12), told=st.booleans())
def test_an_edge_of_which_the_fit_leaves_a_thousandth_is_not_told(
    samples: int, tau: float, quarters: int, told: bool
) -> None:
    """Half-way between two edges, the less is left of it the nearer they are: so near that it is a little
    more than LEAST_LEFT, or a little less. The rest is made to look like just that edge."""
    onset, near_taus, far_taus = 1 + quarters * tau / 4, 0.5, 3.0  # where edges are tried: each quarter

    def pair(apart_taus: float) -> _Group:
        return group_of(onset + tau * apart_taus / 2 * np.array([-1.0, 1.0]), tau, samples)

    for _ in range(20):
        apart_taus = (near_taus + far_taus) / 2
        _, share = left_of(pair(apart_taus), samples, onset)
        near_taus, far_taus = (near_taus, apart_taus) if share > LEAST_LEFT else (apart_taus, far_taus)
    group = pair(far_taus if told else near_taus)
    left, share = left_of(group, samples, onset)
    assume((share > LEAST_LEFT) == told)  # seldom half a time constant leaves more already
    group.rest = KNOWN_MA * left
    found = group.missing(1e-4)
    if told:
        assert found == pytest.approx((onset, KNOWN_MA), rel=0.01)
    else:
        assert found is None or abs(found[0] - onset) > 1

"""The exact laws of waiting: against published quantiles, renewal theory, and plain simulations."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from nightdraw.bench.finding import laws, walks
from nightdraw.bench.finding.train import Signature, Train
from nightdraw.bench.finding.trials import Trials
from nightdraw.places import Node
from nightdraw.profile.model import Pulse, Random

from tests.bench.plain import Alternating, Periodic, number_of, sets_of

S = 10_000
HERE = Node(1, 1)


def periodic(every_s: float, on_s: float) -> laws.Law:
    found = laws.of(Pulse(1000, round(on_s * S), round(every_s * S), 0, HERE, 1))
    assert found is not None
    return found


def renewal(law: str, gap_s: tuple[float, float], on_s: tuple[float, float]) -> laws.Law:
    low, high = (round(t * S) for t in gap_s)
    found = laws.of(Random(1000, (round(on_s[0] * S), round(on_s[1] * S)), law, (low, high), HERE, 1))
    assert found is not None
    return found


def test_periodic_pulses_take_n_periods_and_a_width_at_worst() -> None:
    # T 7 s, w 0.2 s, n 3: 21.2 s at worst; a uniform start needs (n - 1/2) T + w on average
    found = periodic(7, 0.2).pulses(3)
    assert found.expected_s == pytest.approx(2.5 * 7 + 0.2)
    assert found.p95_s == pytest.approx(21.2 - 0.05 * 7)


def test_after_a_move_the_phase_is_known() -> None:
    """T 20 s, w 1 s: the pulse at 0 is over at 1 s; 59.5 s later the one at 60 s has begun already."""
    assert periodic(20, 1).wait_s(59.5) == pytest.approx(80 - 59.5)
    assert periodic(20, 1).wait_s(59.0) == pytest.approx(60 - 59)  # it begins just then
    with_times = sets_of(Periodic(20, 1), [(4, 4, 1)], 59.5, 4000, 1)
    closed = periodic(20, 1).spread(walks.in_sets([(4, 4, 1)], 59.5))
    assert with_times.agrees(closed.expected_s, closed.p95_s)


# 0.5 chi-square_0.95(2 n) means, by tables of the chi-square distribution
@pytest.mark.parametrize(("number", "means"), [(1, 2.995732), (2, 4.743865), (3, 6.295794), (5, 9.153519)])
def test_poisson_pulses_take_gamma_quantiles(number: int, means: float) -> None:
    found = renewal("exponential", (10, 10), (1e-4, 1e-4)).pulses(number)
    assert found.p95_s == pytest.approx(10 * means, rel=2.5e-3)  # gaps are cut at 8 means: that is 0.2 %
    assert found.expected_s == pytest.approx(10 * number, rel=3e-3)


def test_a_cut_exponential_gap_takes_what_its_own_integral_says() -> None:
    """F(t) = integral of P(gap > x) / E[gap] = (1 - e^(-t/m)) / (1 - e^-8): solved for 0.95."""
    from math import exp, log

    found = renewal("exponential", (10, 10), (1e-4, 1e-4)).pulses(1)
    assert found.p95_s == pytest.approx(-10 * log(1 - 0.95 * (1 - exp(-8))), rel=2e-4)


def test_a_uniform_gap_takes_the_forward_recurrence_time() -> None:
    # gaps 10 .. 30 s from a random start: 95 % within 23.675 s, E[G^2] / 2 E[G] on average (renewal theory)
    found = renewal("uniform", (10, 30), (1e-4, 1e-4)).pulses(1)
    assert found.p95_s == pytest.approx(23.675, rel=3e-4)
    assert found.expected_s == pytest.approx((20**2 + 20**2 / 12) / 40, rel=2e-4)


@given(st.floats(0.5, 200), st.floats(1, 40), st.floats(0.01, 4), st.floats(0, 3), st.booleans())
@settings(max_examples=60, deadline=None)
def test_the_mean_of_a_first_wait_is_e_c2_over_2_e_c(
    gap: float, wider: float, on: float, on_wider: float, exponential: bool
) -> None:
    """Cycles C = width + gap: E[C^2] / 2 E[C] to the next start, and E[width]; from the moments alone."""
    on_hi = min(4.9, on + on_wider)
    span = (gap, gap) if exponential else (gap, gap + wider)
    found = renewal("exponential" if exponential else "uniform", span, (on, on_hi)).pulses(1)
    from math import exp

    if exponential:  # moments of an exponential law cut at 8 means
        mean = gap * (1 - exp(-8))
        square = 2 * gap**2 * (1 - 9 * exp(-8))
    else:
        mean = gap + wider / 2
        square = mean**2 + wider**2 / 12
    width = (on + on_hi) / 2
    variance = square - mean**2 + (on_hi - on) ** 2 / 12
    cycle = mean + width
    assert found.expected_s == pytest.approx((variance + cycle**2) / (2 * cycle) + width, rel=1e-3, abs=2e-3)


@given(
    st.lists(
        st.tuples(st.floats(0.01, 1), st.floats(0, 50), st.sampled_from([0.0, 1.0, 7.5])),
        min_size=1,
        max_size=8,
    )
)
def test_a_mixtures_quantile_is_where_its_law_reaches_it(parts: list[tuple[float, float, float]]) -> None:
    total = sum(weight for weight, _, _ in parts)
    parts = [(weight / total, low, width) for weight, low, width in parts]
    t = laws._quantile(parts, 0.95)

    def law(at: float) -> float:
        return sum(
            w * (min(1, max(0, (at - low) / width)) if width else at >= low) for w, low, width in parts
        )

    assert law(t + 1e-7) >= 0.95 - 1e-6
    assert law(t - 1e-6) <= 0.95 + 1e-6


def _case(seed: int) -> tuple[laws.Law, Periodic | Alternating]:
    source = random.Random(seed)
    on = sorted(round(source.uniform(0.005, 4.5), 4) for _ in range(2))
    kind = ("periodic", "uniform", "exponential")[seed % 3]
    if kind == "periodic":
        every = round(on[1] + source.uniform(0.1, 150), 4)
        return periodic(every, on[1]), Periodic(every, on[1])
    low = round(source.uniform(0.2, 90), 4)
    high = round(low + source.uniform(0, 100), 4)

    def width(one: random.Random) -> float:
        return one.uniform(*on)

    if kind == "uniform":
        return renewal(kind, (low, high), (on[0], on[1])), Alternating(lambda s: s.uniform(low, high), width)
    cut = Alternating(lambda s: min(8 * low, s.expovariate(1 / low)), width)
    return renewal(kind, (low, low), (on[0], on[1])), cut


@pytest.mark.parametrize("seed", range(12))
def test_laws_agree_with_a_plain_simulation(seed: int) -> None:
    """Random parameters; within 4 standard errors of the simulation and 0.05 % for the law's grid."""
    law, plain = _case(seed)
    source = random.Random(seed)
    candidates, at_once = source.randint(2, 15), source.randint(1, 7)
    groups = [(-(-candidates // at_once), candidates, at_once)]
    if seed % 2:
        groups.insert(0, (2, 3, 1))
    move_s = source.choice([15.0, 60.0])
    closed = law.spread(walks.in_sets(groups, move_s))
    assert sets_of(plain, groups, move_s, 4000, seed).agrees(closed.expected_s, closed.p95_s, rel=5e-4)
    number = source.randint(1, 5)
    closed = law.pulses(number)
    assert number_of(plain, number, 4000, seed).agrees(closed.expected_s, closed.p95_s, rel=5e-4)


def test_the_simulation_of_a_train_agrees_with_the_plain_one() -> None:
    """A train by hand: pulses of 0.3 s at 0, 5, 20, then again after 40 s; all starts alike."""
    import numpy as np

    starts = np.array([0.0, 5.0, 20.0, 40.0]) * S
    train = Train(starts, starts + 0.3 * S, np.full(4, 0.2))
    times = Trials(Signature(0.2, 0.3, train), 1).pulses(1)
    # waits are uniform over the gaps 5, 15, 20 that one falls into: sum g^2 / 2 / 40
    assert times.expected_s == pytest.approx((25 + 225 + 400) / 80 + 0.3, rel=1e-3)
    # P(wait > t) = (15 - t + 20 - t) / 40 for 5 < t < 15, (20 - t) / 40 above: 5 % at 18 s
    assert times.p95_s == pytest.approx(18.3, rel=1e-3)


def test_a_long_pulse_under_way_is_seen_within_a_look() -> None:
    import numpy as np

    train = Train(np.array([0.0, 100.0]) * S, np.array([60.0, 160.0]) * S, np.full(2, 0.2))
    seen = train.seen(np.array([10.0, 56.0, 55.0, 99.0, 130.0]) * S) / S
    assert seen.tolist() == [15.0, 105.0, 60.0, 105.0, 135.0]
    assert (train.seen(np.array([10.0]) * S, 2) / S).tolist() == [105.0]


@pytest.mark.parametrize("cells", [0.0, 0.25, 1.0, 300.5, 16_384.0, 32_765.75])
def test_a_constants_spectrum_is_that_of_the_two_cells_that_share_it(cells: float) -> None:
    import numpy as np

    grid = laws._Grid(laws.CELLS / 8, laws._uniform(1, 2), laws._uniform(1, 2))  # steps of 1/8 s
    law = np.zeros(2 * laws.CELLS)
    law[int(cells)], law[int(cells) + 1] = 1 - cells % 1, cells % 1
    assert np.abs(grid.shift(cells / 8) - np.fft.rfft(law)).max() < 1e-12


def test_paths_of_unlike_waits_are_mixed_by_their_weights() -> None:
    """Each path by itself has the mean of its own sum, and the walk the mixture's."""
    law = renewal("uniform", (20, 30), (1, 2))
    paths = (walks.Path(0.5, (0, 3), 7.0), walks.Path(0.3, (2, 0), 11.0), walks.Path(0.2, (1, 1), 0.0))
    alone = [law.spread(walks.Walk((5.0, 60.0), (walks.Path(1.0, p.counts, p.constant_s),))) for p in paths]
    once, first, second = (
        law.spread(walks.Walk((5.0, 60.0), (walks.Path(1.0, counts, 0.0),))).expected_s
        for counts in ((0, 0), (1, 0), (0, 1))
    )
    for path, found in zip(paths, alone, strict=True):
        waits = path.counts[0] * (first - once) + path.counts[1] * (second - once)
        assert found.expected_s == pytest.approx(once + waits + path.constant_s, rel=1e-6)
    mean = sum(path.weight * found.expected_s for path, found in zip(paths, alone, strict=True))
    assert law.spread(walks.Walk((5.0, 60.0), paths)).expected_s == pytest.approx(mean, rel=1e-6)

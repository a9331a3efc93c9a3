"""A recorder's response to edges, against references of its own: scipy's fit of the same record, the law of a
first-order low pass, a search over every place."""

from __future__ import annotations

import numpy as np
import pytest
from nightdraw.capture import response as rs
from nightdraw.capture.response import Course, Given, Shape
from scipy import optimize

from tests.capture.by_hand import Floats

TAU = 12.0


def record(
    onset: list[float], height: list[float], count: int, tau: float = TAU, level: float = 30.0
) -> Floats:
    """The sum of the edges' courses, sample by sample."""
    k = np.arange(count, dtype=float)
    value = np.full(count, level)
    for at, ma in zip(onset, height, strict=True):
        value += np.where(k > at, ma * (1 - np.exp(-np.maximum(k - at, 0) / tau)), 0.0)
    return value


def given(onset: list[float], height: list[float], sigma: float = 0.5, gap: tuple[int, ...] = ()) -> Given:
    at, count = np.array(onset), len(onset)
    is_gap = np.isin(np.arange(count), gap)
    return Given(
        at,
        np.array(height),
        np.ceil(at).astype(int),
        np.ceil(at).astype(int) + 2,
        np.full(count, sigma),
        is_gap,
    )


def fitted_by_scipy(
    value: Floats, onset: list[float], height: list[float], sigma: float
) -> tuple[Floats, Floats]:
    """Level, heights and instants by scipy.optimize.curve_fit, and their standard uncertainties."""
    count = len(onset)

    def model(_: Floats, *row: float) -> Floats:
        return record(list(row[1 + count :]), list(row[1 : 1 + count]), len(value), level=row[0])

    start, scale = [30.0, *height, *onset], [1.0, *np.abs(height), *[1.0] * count]
    k, noise = np.arange(len(value)), np.full(len(value), sigma)
    found, cov = optimize.curve_fit(
        model, k, value, start, noise, True, method="trf", x_scale=scale, xtol=1e-12
    )
    return found, np.sqrt(np.diag(cov))


def test_a_group_is_the_least_squares_fit(seed: int) -> None:
    rng = np.random.default_rng(seed)
    onset, height = [100.3, 118.7, 150.2], [200.0, -120.0, 90.0]
    value = record(onset, height, 320) + rng.normal(0, 0.5, 320)
    start = [at + d for at, d in zip(onset, rng.uniform(-2, 2, 3), strict=True)]
    group = rs._Group(value, np.array(start), np.array(height) * 0.8, TAU)
    assert group.fits
    due, u = fitted_by_scipy(value, onset, height, 0.5)
    assert group.level == pytest.approx(due[0], abs=1e-3)
    assert group.height == pytest.approx(due[1:4], abs=0.05)
    assert group.onset == pytest.approx(due[4:], abs=0.02)
    assert 0.5 * group.height_u == pytest.approx(u[1:4], rel=0.05)
    assert 0.5 * group.at_u == pytest.approx(u[4:], rel=0.05)
    left = value - record(due[4:].tolist(), due[1:4].tolist(), 320, level=due[0])
    assert np.sum(group.rest**2) == pytest.approx(np.sum(left**2), rel=1e-3)


@pytest.mark.parametrize("tau", [11.0, 12.0, 13.5])
def test_the_rest_tells_the_better_time_constant(seed: int, tau: float) -> None:
    """Fitted with another one, one step of the further column comes to within a quarter of the way."""
    rng = np.random.default_rng(seed)
    onset, height = [100.3, 180.7, 300.2, 380.0], [200.0, -120.0, 150.0, -90.0]
    value = record(onset, height, 700, tau) + rng.normal(0, 0.05, 700)
    rows, best = rs.fit(value, given(onset, height, 0.05), TAU)
    assert best == pytest.approx(tau, abs=0.15 + abs(tau - TAU) / 4)
    assert rows.origin.tolist() == [0, 1, 2, 3]


def test_edges_far_apart_are_groups_of_their_own(seed: int) -> None:
    """Each is fitted as if it were alone; between two that are near, the level is the fit's."""
    rng = np.random.default_rng(seed)
    onset, height = [200.4, 230.6, 700.3], [200.0, -200.0, 150.0]
    value = record(onset, height, 1200) + rng.normal(0, 0.5, 1200)
    found, best = rs.fit(value, given(onset, height), TAU)
    assert found.origin.tolist() == [0, 1, 2]
    assert found.onset == pytest.approx(onset, abs=6 * 0.5 * TAU / 150)
    assert found.height == pytest.approx(height, abs=5.0)
    assert np.isfinite(found.level).tolist() == [True, False, False]
    assert found.level[0] == pytest.approx(230.0, abs=5.0)
    assert best == pytest.approx(TAU, abs=0.3)
    due, u = fitted_by_scipy(value[152:300], [48.4, 78.6], height[:2], 0.5)
    assert found.onset[:2] == pytest.approx(due[3:] + 152, abs=0.05)
    assert found.at_u[:2] == pytest.approx(u[3:], rel=0.2)


def test_uncertainties_of_a_level_and_of_how_long_it_lasts_are_the_scatters() -> None:
    """200 records with noise: standard deviations known to 5 %, within four of those; seed fixed, as the
    figures don't depend on it."""
    rng = np.random.default_rng(11)
    onset, height = [100.4, 130.6], [200.0, -200.0]
    rows = [
        rs.fit(record(onset, height, 300) + rng.normal(0, 0.5, 300), given(onset, height), TAU)[0]
        for _ in range(200)
    ]
    level, lasting = np.array([r.level[0] for r in rows]), np.array([np.diff(r.onset)[0] for r in rows])
    assert np.std(level) == pytest.approx(rows[0].level_u[0], rel=0.2)
    assert np.std(lasting) == pytest.approx(rows[0].lasting_u[0], rel=0.2)
    assert np.mean(level) == pytest.approx(230.0, abs=4 * rows[0].level_u[0] / np.sqrt(200))


def test_an_edge_that_does_not_stand_out_goes(seed: int) -> None:
    """229: noise draws its instant far away, so that no instants are found."""
    for each in (seed, 229):
        value = record([200.4], [200.0], 600) + np.random.default_rng(each).normal(0, 0.5, 600)
        found, _ = rs.fit(value, given([200.4, 240.2], [200.0, 1.0]), TAU)
        assert found.origin.tolist() == [0]
        assert found.height == pytest.approx([200.0], abs=1.5)


def test_an_edge_at_the_records_end_is_left_as_it_was_seen() -> None:
    value = record([200.4], [200.0], 280)
    found, _ = rs.fit(value, given([200.4, 279.5], [200.0, 50.0]), TAU)
    assert found.height[-1] == 50.0
    assert found.origin.tolist() == [0, 1]


@pytest.mark.parametrize("at", [30.4, 40.0, 60.7])
def test_an_edge_that_is_missing_is_added(seed: int, at: float) -> None:
    rng = np.random.default_rng(seed)
    onset, height = [200.4, 200.4 + at], [200.0, -80.0]
    value = record(onset, height, 600) + rng.normal(0, 0.3, 600)
    edges = given(onset[:1], height[:1], 0.3)
    found, _ = rs.fit(value, edges, TAU)
    assert found.origin.tolist() == [0, -1]
    assert found.onset == pytest.approx(onset, abs=1.0)
    assert found.height == pytest.approx(height, abs=8.0)


def test_where_an_edge_is_missing_most_is_found_by_a_search(seed: int) -> None:
    """At each place tried the height by scipy-free least squares: the place whose course, beside all that the
    fit may move, leaves the least squares."""
    rng = np.random.default_rng(seed)
    value = record([100.4, 140.7], [200.0, -60.0], 300) + rng.normal(0, 0.3, 300)
    group = rs._Group(value, np.array([100.4]), np.array([200.0]), TAU)
    found = group.missing(0.3)
    assert found is not None
    least, due = np.inf, (0.0, 0.0)
    for place in np.arange(1.0, 299, TAU / 4):
        if np.min(np.abs(place - group.onset)) <= 4:
            continue
        course = record([place], [1.0], 300, level=0.0)
        columns = np.column_stack((group.moves, course))
        row, *_ = np.linalg.lstsq(columns, group.rest, rcond=None)
        left = float(np.sum((group.rest - columns @ row) ** 2))
        if left < least - 1e-9:
            least, due = left, (float(place), float(row[-1]))
    assert found == pytest.approx(due, rel=1e-3)
    quiet = rs._Group(record([100.4], [200.0], 300), np.array([100.4]), np.array([200.0]), TAU)
    assert quiet.missing(0.3) is None


@pytest.mark.parametrize("before", [0, 1])
def test_a_level_is_not_taken_from_before_a_gap(before: int) -> None:
    """The record was at 500 mA, with an edge or none; 20 samples after a gap comes the next edge."""
    value = np.where(np.arange(400) < 180, 500.0, record([200.3], [200.0], 400))
    onset, height = [20.5] * before + [180.0, 200.3], [100.0] * before + [0.0, 200.0]
    found, _ = rs.fit(value, given(onset, height, 0.05, gap=(before,)), TAU)
    assert found.origin.tolist()[-1] == before + 1
    assert found.onset[-1] == pytest.approx(200.3, abs=0.01)
    assert found.height[-1] == pytest.approx(200.0, abs=0.1)


def test_gaps_and_crowds_are_left_as_they_are() -> None:
    onset = [100.0 + 5 * k for k in range(13)]
    height = [50.0, -50.0] * 6 + [50.0]
    found, best = rs.fit(record(onset, height, 600), given(onset, height), TAU)
    assert found.origin.tolist() == list(range(13))
    assert np.isnan(found.onset).all()
    assert found.height.tolist() == height
    assert best == TAU
    two = record([100.3, 300.3], [50.0, 40.0], 600)
    found, _ = rs.fit(two, given([100.3, 300.3], [50.0, 40.0], gap=(0,)), TAU)
    assert np.isnan(found.onset).tolist() == [True, False]
    assert found.onset[1] == pytest.approx(300.3, abs=0.1)
    assert len(rs.fit(two, given([], []), TAU)[0]) == 0


# -- the time constant as it is learnt


def quarters(taus: Floats, interval_s: float, ramp: bool = False) -> tuple[Floats, Floats, Floats]:
    """Instants of 25, 50 and 75 %: a first-order low pass reaches a share p at -tau ln(1 - p)."""
    if ramp:
        return tuple(taus * p * interval_s for p in (0.25, 0.5, 0.75))  # type: ignore[return-value]
    return tuple(-taus * np.log(1 - p) * interval_s for p in (0.25, 0.5, 0.75))  # type: ignore[return-value]


def test_a_time_constant_is_the_edges_that_are_alike() -> None:
    shape = Shape()
    shape.learn(*quarters(np.array([10.0, 11.0]), 1e-3), 1e-3)
    assert shape.tau == 0.0  # two edges are too few
    shape.learn(*quarters(np.array([10.5]), 1e-3), 1e-3)
    assert shape.tau == pytest.approx(10.5)
    assert shape.width == pytest.approx(10.5 * np.log(3))
    shape.learn(*quarters(np.array([40.0]), 1e-3), 1e-3)  # three of four are alike
    assert shape.tau == pytest.approx(10.5)
    shape.learn(*quarters(np.array([40.0, 90.0]), 1e-3), 1e-3)  # three of six aren't enough
    assert shape.tau == 0.0
    shape.refine(9.0)
    assert shape.tau == 9.0


@pytest.mark.parametrize(
    ("taus", "due"),
    [([1.1] * 4, 1.1), ([0.9] * 4, 0.0), ([8.0, 8.0, 8.0, 0.0, 0.0], 8.0), ([8.0, 8.0, 0.0, 0.0], 0.0)],
)
def test_edges_within_a_sample_are_sharp(taus: list[float], due: float) -> None:
    shape = Shape()
    shape.learn(*quarters(np.array(taus), 2e-3), 2e-3)
    assert shape.tau == pytest.approx(due)


def test_an_edge_whose_quarters_are_not_in_order_is_sharp() -> None:
    """Not known, or before the middle: such edges tell of no time constant."""
    quarter, middle, three = quarters(np.full(4, 9.0), 1e-3)
    for upper in (np.nan, middle[0] - 1e-4):
        shape = Shape()
        shape.learn(quarter - 0.1, middle, np.full(4, upper), 1e-3)
        assert shape.tau == 0.0
        assert shape.width == 1.0
    shape.learn(quarter, middle, three, 1e-3)
    assert shape.tau == 0.0  # four of eight


def test_a_time_constant_moves_by_a_quarter_at_most() -> None:
    onset, height = [100.3, 380.7], [200.0, -120.0]
    for tau, due in ((30.0, 15.0), (5.0, 9.0)):
        assert rs.fit(record(onset, height, 700, tau), given(onset, height, 0.5), TAU)[1] == due


def test_a_ramp_is_no_low_pass() -> None:
    """Its upper half takes as long as its lower one, of a low pass 1.71 times (ln 2 / ln 1.5)."""
    shape = Shape()
    shape.learn(*quarters(np.full(5, 20.0), 1e-3, ramp=True), 1e-3)
    assert shape.tau == 0.0
    assert shape.width == pytest.approx(10.0)
    low_pass = quarters(np.array([10.0]), 1e-3)
    assert (low_pass[2] - low_pass[1]) / (low_pass[1] - low_pass[0]) == pytest.approx(1.7095, abs=1e-4)


@pytest.mark.parametrize("course", [Course(), Course(tau=5.0), Course(ramp=8.0)])
def test_a_course_goes_from_nothing_to_all(course: Course) -> None:
    after = np.array([-1.0, 0.0, 1.0, 4.0, 8.0, 99.0])
    due = {0.0: [0, 0, 1, 1, 1, 1], 5.0: [0, 0, *(1 - np.exp(-after[2:] / 5))], 8.0: [0, 0, 1 / 8, 0.5, 1, 1]}
    assert course.share(after) == pytest.approx(due[course.tau or course.ramp])
    if course.width:  # from a quarter to three quarters, found by a search
        ends = [
            optimize.brentq(lambda t, p=p: course.share(np.array([t]))[0] - p, 1e-9, 60) for p in (0.25, 0.75)
        ]
        assert course.width == pytest.approx(ends[1] - ends[0])


def weak_edges(
    rng: np.random.Generator, course: Course, sigma: float, count: int = 60
) -> tuple[Floats, np.ndarray]:
    first = np.arange(1, count + 1) * 200 + rng.integers(0, 3, count)
    value = rng.normal(0, sigma, 200 * (count + 2))
    for k, at in enumerate(first.tolist()):
        value += course.share(np.arange(len(value)) - at + 0.3) * (10.0 if k % 2 == 0 else -10.0)
    return value, first


@pytest.mark.parametrize("course", [Course(), Course(tau=8.0), Course(tau=32.0), Course(ramp=16.0)])
def test_weak_edges_tell_their_course_together(seed: int, course: Course) -> None:
    """Ten to two: each edge alone is hidden in noise, sixty aren't."""
    value, first = weak_edges(np.random.default_rng(seed), course, 2.0)
    shape = Shape()
    shape.weigh(value, first, np.ones(len(first), dtype=bool), np.full(len(first), 2.0))
    found = shape.likeliest
    assert (found.tau > 0) is (course.tau > 0)
    assert found.tau == pytest.approx(course.tau, rel=0.3)
    assert found.width == pytest.approx(course.width, rel=0.5, abs=1.0)
    assert shape.tau == found.tau


def test_the_likelihood_of_courses_is_a_mean_over_places(seed: int) -> None:
    """For one course and one edge, by loops: the mean over all places of exp(projection^2 / 2)."""
    rng = np.random.default_rng(seed)
    value, first = weak_edges(rng, Course(tau=4.0), 1.0, 3)
    value[150:250] += np.arange(100) * 0.01
    shape = Shape()
    weak = np.array([True, False, True])
    shape.weigh(value, first, weak, np.array([1.0, 1.0, 2.0]))
    around = 64
    for c, course in enumerate(rs.COURSES):
        total = 0.0
        for k, sigma in ((0, 1.0), (2, 2.0)):
            shown = np.array([value[first[k] + d] / sigma for d in range(-around, around + 1)])
            shown -= shown.mean()
            each = []
            for begin in np.arange(-48, 16, 0.25):
                row = course.share(np.arange(-around, around + 1) - begin)
                row = row - row.mean()
                each.append((shown @ row) ** 2 / (row @ row) / 2)
            top = max(each)
            total += top + float(np.log(np.mean(np.exp(np.array(each) - top))))
        assert shape._likely[c] == pytest.approx(total)


def test_noise_alone_has_no_time_constant(seed: int) -> None:
    rng = np.random.default_rng(seed)
    shape = Shape()
    first = np.arange(1, 41) * 200
    shape.weigh(rng.normal(0, 1, 8400), first, np.ones(40, dtype=bool), np.ones(40))
    assert shape.tau == 0.0

"""Nothing vanishes when a record is decimated to a picture's columns."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from nightdraw.report.envelope import envelope, stairs, stairs_envelope, with_gaps


@given(
    seed=st.integers(0, 1 << 20),
    columns=st.integers(1, 300),
    count=st.integers(1, 5000),
    pieces=st.integers(1, 7),
)
def test_every_extreme_survives(seed: int, columns: int, count: int, pieces: int) -> None:
    rng = np.random.default_rng(seed)
    t_s, value = np.sort(rng.uniform(0, 10, count)), rng.normal(0, 100, count)
    blocks = list(zip(np.array_split(t_s, pieces), np.array_split(value, pieces), strict=True))
    found = envelope(blocks, 0.0, 10.0, columns)
    assert len(found.t_s) <= columns
    assert np.all(found.low <= found.high)
    assert found.high.max() == value.max()
    assert found.low.min() == value.min()
    width_s = 10.0 / columns
    peak_s = t_s[np.argmax(value)]
    assert abs(found.t_s[np.argmax(found.high)] - peak_s) <= width_s / 2 + 1e-9


def test_a_sample_among_a_million_is_seen() -> None:
    t_s = np.arange(1_000_000) / 1000
    value = np.full(len(t_s), 40.0)
    value[654_321] = 390.0
    assert envelope([(t_s, value)], 0.0, 1000.0, 1600).high.max() == 390


def test_what_lies_outside_is_left_out() -> None:
    t_s = np.array([-1.0, 0.0, 5.0, 10.0, 11.0])
    found = envelope([(t_s, np.array([9.0, 1.0, 2.0, 3.0, 9.0]))], 0.0, 10.0, 4)
    assert (found.low.min(), found.high.max()) == (1.0, 3.0)


def test_a_level_fills_the_columns_it_lasts_for() -> None:
    found = stairs_envelope(np.array([0.0, 3.0, 3.01]), np.array([40.0, 390.0, 40.0]), 10.0, 100)
    assert len(found.t_s) == 100
    assert found.high.max() == 390
    assert np.count_nonzero(found.high == 390) == 1
    assert found.low.min() == 40


def test_stairs_have_two_corners_a_level() -> None:
    t_s, level = stairs(np.array([0.0, 1.0]), np.array([40.0, 90.0]), 3.0)
    assert t_s.tolist() == [0, 1, 1, 3]
    assert level.tolist() == [40, 40, 90, 90]


@given(step_s=st.floats(0.001, 1.0), pause_s=st.floats(5.0, 100.0), columns=st.integers(500, 2000))
def test_nothing_is_drawn_across_a_pause(step_s: float, pause_s: float, columns: int) -> None:
    before = np.arange(200) * step_s
    after = before[-1] + pause_s + before
    times = np.concatenate((before, after))
    band = with_gaps(envelope([(times, np.ones(400))], 0.0, times[-1], columns))
    holes = np.flatnonzero(np.isnan(band.low))
    assert np.isnan(band.high[holes]).all()
    width_s = times[-1] / columns
    inside = holes[(band.t_s[holes] > before[-1]) & (band.t_s[holes] <= after[0] + width_s)]
    if pause_s > 6 * max(step_s, width_s):  # a shorter one may be a step or two of the picture
        assert len(inside) == 1
    assert len(holes) == len(inside)  # none where samples follow each other


def test_a_record_without_pauses_stays_as_it_is() -> None:
    band = envelope([(np.arange(5000) * 0.1, np.ones(5000))], 0.0, 500.0, 1600)
    assert np.array_equal(with_gaps(band).low, band.low)

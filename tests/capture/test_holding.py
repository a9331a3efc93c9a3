"""Steps of holding a power cycle against a recording, by cases put together by hand on both sides of each
bound."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from nightdraw.capture import differences as df
from nightdraw.capture import holding as hd
from nightdraw.capture.align import Piece
from nightdraw.capture.place import Clock
from nightdraw.capture.view import reference_of

from tests.capture.by_hand import account_of, did_of_patterns, observed_of


def test_a_bias_is_the_median_of_the_edges_that_are_near(seed: int) -> None:
    """A loop over the seen edges, each against the nearest known one."""
    rng = np.random.default_rng(seed)
    for _ in range(30):
        known_s = np.sort(rng.choice(40, 8, replace=False)).astype(float)
        seen_s = np.sort(rng.uniform(-2, 42, 15))
        late = [min((one - t for t in known_s), key=abs) for one in seen_s]
        near = [value for value in late if abs(value) <= 0.7]
        due = float(np.median(near)) if near else 0.0
        assert hd._bias(seen_s, known_s, 0.7) == pytest.approx(due)
    assert hd._bias(np.empty(0), known_s, 0.7) == 0.0
    assert hd._bias(np.array([99.0]), known_s, 0.7) == 0.0
    assert hd._bias(known_s + 0.5, known_s, 0.5) == 0.5  # just within reach


@pytest.mark.parametrize(
    ("on_time", "matched", "goes_on"), [(8, 10, True), (7, 10, False), (8, 11, True), (8, 12, False)]
)
def test_a_piece_goes_on_where_most_edges_come_when_they_should(
    on_time: int, matched: int, goes_on: bool
) -> None:
    """Of ten edges more than 0.7 within a millisecond, a sample and five standard uncertainties; more edges
    may have met its own clock."""
    account = account_of([30.0, 90.0] * 5, np.ones(10), 90.0)
    limit_s = 1e-3 + 1e-3 + 5 * 1e-4
    late_s = np.where(np.arange(10) < on_time, 0.99, 1.01) * limit_s * np.where(np.arange(10) % 2, 1, -1)
    seen = observed_of(account, late_s=late_s)
    assert hd._goes_on(seen, matched) is goes_on
    assert not hd._goes_on(replace(seen, late_s=np.full(10, np.nan)), matched)


def test_an_edge_of_which_half_is_missing_speaks_for_no_clock() -> None:
    account = account_of([30.0, 90.0] * 5, np.ones(10), 90.0)
    step = account.step_ma
    for share, due in ((0.49, True), (0.51, False)):
        for way in (1, -1):
            assert hd._goes_on(observed_of(account, way * share * step), 0) is due
    some = np.where(np.arange(10) < 5, np.inf, 0.01)  # what wasn't seen asks for nothing
    assert hd._goes_on(observed_of(account, edge_var=some), 0)
    assert not hd._goes_on(observed_of(account, edge_var=some), 8)


def test_a_part_lies_from_its_first_edge_to_its_last() -> None:
    box = did_of_patterns([1, 5, 1, 5], [2.0, 3.0, 4.0, 5.0])
    part = hd.Part(Clock(100.0, 1000.0, 9, 0.0, 0), box)
    assert part.span_s == pytest.approx((100.0, 100.0 + 9.0 * 1.001))


def piece(offset_s: float, from_s: float, first_s: float, last_s: float) -> Piece:
    return Piece(Clock(offset_s, 0.0, 9, 0.0, 0), from_s, from_s + 99, first_s, last_s)


def test_a_slip_is_told_from_a_run_begun_anew() -> None:
    """Pulses at 1, 3, 5, ... 19 s: from 12 s on 4 s later; then, 100 s in, the run from its 2 s on."""
    account = account_of([11.0, 90.0] * 10 + [11.0], np.ones(21), 11.0)
    reference = reference_of(account, None)
    first, later, again = (
        piece(0.0, -5.0, 0.0, 11.0),
        piece(4.0, 13.5, 12.5, 20.0),
        piece(100.0, 60.0, 2.0, 9.0),
    )
    rows = list(hd._slips(reference, [later, again, first]))
    assert [row.kind for row in rows] == [df.TIME, df.MISSING]
    assert rows[0].pulse == 7  # the first that begins at 12.5 s or after
    assert rows[0].asked == pytest.approx(13.0)
    assert rows[0].seen == pytest.approx(17.0)
    assert "between 11.000 s and 16.500 s" in rows[0].message
    assert df.later(4.0) in rows[0].message
    assert rows[1].pulse == 2
    assert "stop fitting at 24.000 s" in rows[1].message
    assert "from 102.000 s on" in rows[1].message
    assert "from its 2.0 s on" in rows[1].message
    assert list(hd._slips(reference, [first])) == []


@pytest.mark.parametrize(("first_s", "last_s", "kind"), [
    (5.0, 30.0, df.MISSING), (5.1, 30.0, df.TIME), (9.0, 11.0, df.MISSING), (9.0, 11.1, df.TIME),
])  # fmt: skip
def test_a_piece_that_does_not_go_on_is_begun_anew(first_s: float, last_s: float, kind: str) -> None:
    """It goes on where both its first and its last edge come after the other's, 5 and 11 s."""
    account = account_of([11.0, 90.0] * 20 + [11.0], np.ones(41), 11.0)
    rows = list(
        hd._slips(
            reference_of(account, None), [piece(0.0, 0.0, 5.0, 11.0), piece(50.0, 60.0, first_s, last_s)]
        )
    )
    assert [row.kind for row in rows] == [kind]


def test_beyond_the_last_pulse_a_slip_is_the_last_pulses() -> None:
    account = account_of([11.0, 90.0, 11.0, 90.0, 11.0], np.ones(5), 11.0)
    (row,) = hd._slips(reference_of(account, None), [piece(0.0, 0.0, 0.0, 3.0), piece(1.0, 6.0, 4.0, 4.5)])
    assert row.pulse == 2
    assert row.seen == pytest.approx(3.0 + 1.0)

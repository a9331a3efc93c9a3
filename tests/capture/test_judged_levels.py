"""What is said of levels: of pulses of one level together, single ones, their parts, and steps; by recordings
put together by hand on both sides of each bound, and by loops."""

from __future__ import annotations

import numpy as np
import pytest
from nightdraw.capture import differences as df
from nightdraw.capture import judge as jd
from nightdraw.capture.accounts import Account, Edges
from nightdraw.capture.observed import Observed
from nightdraw.capture.view import Prior, View

from tests.capture.by_hand import (
    BASE_MA,
    CHANNELS_NS,
    Floats,
    account_of,
    did_of_patterns,
    edges_of,
    observed_of,
    train,
    view_of,
)

ALONE, SHARED = Prior(), Prior(shared=True)
ONE_U_MA = np.sqrt(0.01 / 2)  # a level by an edge on either side, each of variance 0.01


def view(account: Account, seen: Observed, edges: Edges, prior: Prior = ALONE) -> View:
    return view_of(None, seen, prior, asked=account, edges=edges)


def offs(account: Account, by_ma: dict[int, float], prior: Prior = ALONE, **columns: object) -> View:
    """A recording in which some levels are off, each as much as the edges on both sides tell."""
    level = np.array([by_ma.get(k, 0.0) for k in range(len(account.t_s))])
    seen = observed_of(account, np.diff(level, prepend=0.0), **columns)
    return view(account, seen, edges_of(account), prior)


@pytest.mark.parametrize("high_ma", [90.0, 230.0])
@pytest.mark.parametrize(("by", "told"), [(0.99, False), (1.01, True), (-0.99, False), (-1.01, True)])
def test_pulses_of_one_level_that_all_are_off_are_told_together(
    high_ma: float, by: float, told: bool
) -> None:
    """2 mA or 2 %, the last digit, and five standard uncertainties of the mean of ten."""
    account = train(10, high_ma)
    height = high_ma - BASE_MA
    for digit in (0.0, 3.0):  # of which each edge has its variance, too
        var = 0.01 + digit**2 / 6
        bound = max(2.0, 0.02 * height) + digit + 5 * np.sqrt(var / 2 / 10)
        columns = {"digit_ma": digit, "edge_var": np.full(21, var)}
        found = jd.judge(offs(account, dict.fromkeys(range(1, 21, 2), by * bound), **columns)).rows
        assert bool(found) is told
        if told:
            (row,) = found
            assert (row.kind, row.pulse, row.asked) == (df.LEVEL, 1, pytest.approx(height))
            assert row.seen == pytest.approx(height + by * bound, abs=1e-5)
            assert row.message == (
                f"10 pulses of {height:.1f} mA above the base seen at {height + by * bound:.1f} mA "
                f"({by * bound:+.1f} mA, {100 * by * bound / height:+.1f} %)"
            )


@pytest.mark.parametrize(("by", "told"), [(0.99, False), (1.01, True), (-1.01, True)])
def test_a_single_pulse_that_is_off_is_told_alone(by: float, told: bool) -> None:
    account, bound = train(10), 2.0 + 5 * ONE_U_MA
    found = jd.judge(offs(account, {7: by * bound})).rows
    assert bool(found) is told
    if told:
        (row,) = found
        assert (row.kind, row.pulse, row.asked) == (df.LEVEL, 4, pytest.approx(60.0))
        assert row.seen == pytest.approx(60.0 + by * bound, abs=1e-5)
        assert row.message.startswith(f"a pulse of 60.0 mA above the base seen at {60 + by * bound:.1f} mA")


def test_among_other_loads_a_level_must_be_off_several_times() -> None:
    for pulses, which, told in ((10, [7], False), (10, range(1, 21, 2), True), (3, [1, 3, 5], True),
                                (2, [1, 3], True), (1, [1], True)):  # fmt: skip
        account = train(pulses)
        # one kind of edge off in most of its cases is no chance
        found = jd.judge(offs(account, dict.fromkeys(which, 9.0), SHARED)).rows
        assert bool(found) is told


def test_groups_are_of_levels_within_the_tolerance() -> None:
    """Three pulses of 60 and three of 61.9 mA are of one group, 64 mA are another."""
    for other, groups in ((91.9, 1), (94.0, 2)):
        levels = [BASE_MA, *[90.0, BASE_MA] * 3, *[other, BASE_MA] * 3]
        account = account_of(levels, np.ones(len(levels)), BASE_MA)
        found = jd.judge(offs(account, dict.fromkeys(range(1, 13, 2), 5.0))).rows
        assert [row.pulse for row in found] == ([1] if groups == 1 else [1, 4])


def test_a_part_that_is_off_is_told_where_its_pulses_mean_is_right() -> None:
    """Two parts of 60 and 120 mA, as long as each other: one 6 mA more, one less."""
    levels = [30.0, *[90.0, 150.0, 30.0] * 4]
    account = account_of(levels, np.ones(len(levels)), 30.0)
    found = jd.judge(offs(account, {4: 6.0, 5: -6.0})).rows
    assert [(row.kind, row.pulse) for row in found] == [(df.LEVEL, 2)]
    assert found[0].message == "the part at 4.000 s, 60.0 mA above the base, seen at 66.0 mA"
    whole, variance = np.ones(4, dtype=bool), np.full(13, 0.01)
    some = view(account, observed_of(account), edges_of(account))
    for level, bound in ((4, 2.0 + 5 * 0.1), (5, 0.02 * 120 + 5 * 0.1)):
        for by, told in ((0.99, 0), (1.01, 1), (-0.99, 0), (-1.01, 1)):
            off = np.where(np.arange(13) == level, by * bound, 0.0)
            rows, pulses = jd._parts(some, off, variance, whole, 1)
            assert (len(rows), pulses) == (told, [1] * told)
            assert jd._parts(some, off, variance, np.arange(4) != 1, 1) == ([], [])
            assert jd._parts(some, off, np.where(off != 0, np.inf, variance), whole, 1) == ([], [])
    both = np.where(np.isin(np.arange(13), (1, 5)), 9.0, 0.0)
    for least, count, told in (
        (2, 5.0, [0, 1]),
        (3, 5.0, []),
        (1, 4.0, []),
    ):  # 4 samples may be made of edges
        seen = observed_of(account, count=np.full(13, count))
        assert jd._parts(view(account, seen, edges_of(account)), both, variance, whole, least)[1] == told
    base = np.where(np.arange(13) == 3, 9.0, 0.0)  # no part of a pulse
    assert jd._parts(some, base, variance, whole, 1) == ([], [])


def test_steps_are_told_where_the_base_is_not_the_same_on_both_sides() -> None:
    """A pulse's rise and fall both seen 6 mA higher: the pulse itself is right in the mean."""
    account = train(4)
    for by, told in ((6.0, True), (-6.0, True), (2.0 + 0.49, False), (2.0 + 0.51, True)):
        edge_ma = np.where(np.isin(np.arange(9), (3, 4)), by, 0.0)
        for prior in (ALONE, SHARED):
            found = jd.judge(view(account, observed_of(account, edge_ma), edges_of(account), prior)).rows
            assert bool(found) is (told and prior is ALONE)
            if found:
                assert [row.kind for row in found] == [df.LEVEL] * 2
                assert [row.pulse for row in found] == [2, None]
                assert found[0].message == (
                    f"the step at 7.000 s was seen to be {60 + by:+.1f} mA instead of +60.0 mA"
                )
                assert found[0].seen == pytest.approx(90.0 + by)
                assert found[1].seen == pytest.approx(30.0 + by)
        ahead = observed_of(account, edge_ma, ahead_ma=np.full(9, 3.0 * np.sign(by)))
        assert bool(jd.judge(view(account, ahead, edges_of(account))).rows) is (abs(by) > 5.5)


def test_what_is_told_of_a_pulse_is_not_told_of_its_steps() -> None:
    account = train(10)
    edge_ma = np.where(np.arange(21) == 3, 10.0, 0.0)  # the rise alone: the level is off by half of it
    found = jd.judge(view(account, observed_of(account, edge_ma), edges_of(account))).rows
    assert [row.message[:7] for row in found] == ["a pulse"]


def test_levels_that_are_no_currents_are_not_judged() -> None:
    account = train(10)
    found = offs(account, dict.fromkeys(range(1, 21, 2), 30.0), Prior(levels=False))
    assert jd.judge(found).rows == []


def naive_pulse_levels(found: View, off: Floats, variance: Floats) -> list[tuple[float, float]]:
    """By a loop over each pulse's levels: the mean over the time that is known."""
    account, train_ = found.observed.account, found.reference.train
    answer = []
    for first, last, level in zip(train_.first, train_.last, train_.level_ma, strict=True):
        time = charge = spread = 0.0
        for k in range(first, last + 1):
            if np.isfinite(variance[k]) and found.observed.count[k] > 0:
                time += account.lasting_s[k]
                charge += account.lasting_s[k] * off[k]
                spread += account.lasting_s[k] * np.sqrt(variance[k])
        answer.append((level + charge / time, spread / time) if time else (np.nan, np.inf))
    return answer


def test_a_pulses_level_is_the_mean_over_its_known_parts(seed: int) -> None:
    rng = np.random.default_rng(seed)
    for _ in range(20):
        levels = [30.0] if rng.random() < 0.5 else [80.0, 30.0]  # the account may begin in a pulse
        for _ in range(6):
            levels += [*rng.uniform(60, 300, int(rng.integers(1, 4))), 30.0]
        account = account_of(levels, rng.uniform(0.2, 2.0, len(levels)), 30.0)
        count = len(levels)
        seen = observed_of(account, count=np.where(rng.random(count) < 0.2, 0.0, 50.0))
        off, variance = (
            rng.normal(0, 3, count),
            np.where(rng.random(count) < 0.2, np.inf, rng.uniform(0, 2, count)),
        )
        found = view(account, seen, edges_of(account))
        level, deviation = jd._pulse_levels(found, off, variance)
        due = np.array(naive_pulse_levels(found, off, variance))
        np.testing.assert_allclose(level, due[:, 0])
        np.testing.assert_allclose(deviation, due[:, 1])


def test_resistors_that_would_explain_a_level_are_named_alone_and_by_a_journal() -> None:
    """Channel 3 draws 151 mA: 20 mA more are 13 % of it; channel 1 is closed in the base, too."""
    box = did_of_patterns([1, *[5, 1] * 8], np.ones(17))
    seen_ma = CHANNELS_NS[2] * 12.6e-6 + 20.0
    for prior in (ALONE, SHARED):
        level = np.where(box.pattern == 5, 20.0, 0.0)
        seen = observed_of(box.account, np.diff(level, prepend=0.0))
        rows = jd.judge(view_of(box, seen, prior, edges=edges_of(box.account))).rows
        (row,) = [row for row in rows if row.kind == df.LEVEL]
        assert row.seen == pytest.approx(seen_ma)
        assert ("; or channel 3 draws 13 % more" in row.message) is (prior is ALONE)
        assert "channel 1" not in row.message
    # of a later pulse, too, what is closed before it is out of question
    found = view_of(box, observed_of(box.account), ALONE, edges=edges_of(box.account))
    assert jd._suspects(found, 20.0, 2).startswith("; or channel 3 draws 13 % more")
    assert jd._suspects(found, 3.0, 2) == ""  # 2 % of channel 3, 30 % of channel 1
    assert jd._suspects(view(train(2), observed_of(train(2)), edges_of(train(2))), 9.0, 0) == ""


def test_a_level_of_nothing_has_no_percentage() -> None:
    assert jd._level_text(0.0, 3.0, 1) == "a pulse of 0.0 mA above the base seen at 3.0 mA (+3.0 mA)"
    assert jd._level_text(50.0, -5.0, 2).endswith(
        "2 pulses of 50.0 mA above the base seen at 45.0 mA (-5.0 mA, -10.0 %)"
    )

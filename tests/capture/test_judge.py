"""What is said of each edge and pulse of a reference, by recordings put together by hand on both sides of
each bound; levels and edges elsewhere against loops."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from nightdraw.capture import differences as df
from nightdraw.capture import judge as jd
from nightdraw.capture.accounts import Account, Edges
from nightdraw.capture.journal import Lost
from nightdraw.capture.observed import Observed
from nightdraw.capture.view import Prior, View

from tests.capture.by_hand import (
    START,
    Floats,
    account_of,
    did_of_patterns,
    edges_of,
    observed_of,
    random_account,
    train,
    view_of,
)

ALONE, SHARED = Prior(), Prior(shared=True)
INTERVAL_S, LATE_U_S = 1e-3, 1e-4  # of observed_of
TIME_BOUND_S = 1e-3 + INTERVAL_S + 5 * LATE_U_S


def view(account: Account, seen: Observed, edges: Edges, prior: Prior = ALONE) -> View:
    return view_of(None, seen, prior, asked=account, edges=edges)


def gone(account: Account, which: Sequence[int]) -> tuple[Observed, Edges]:
    """A recording in which some edges (by level) aren't there."""
    there = np.isin(np.arange(len(account.t_s)), which, invert=True)
    seen = observed_of(account, np.where(there, 0.0, -account.step_ma))
    return seen, edges_of(account, 0.0, np.where(there, account.step_ma, 0.0))


def late_by(account: Account, late_s: Floats, charged: bool = True) -> View:
    """A recording in which edges are late, by the charge around them, or by the edges alone."""
    told = late_s if charged else np.full(len(late_s), np.nan)
    seen = observed_of(account, late_s=told, reach_s=np.full(len(late_s), 0.2))
    return view(account, seen, edges_of(account, late_s))


def test_a_run_as_it_should_be_has_no_rows_and_all_of_its_edges_are_judged() -> None:
    account = train(4)
    found = jd.judge(view(account, observed_of(account), edges_of(account)))
    assert found.rows == []
    assert found.inside.all()
    assert found.judged.all()
    assert found.taken_s.tolist() == account.t_s[1:].tolist()  # the first level begins without an edge


@pytest.mark.parametrize(("from_s", "until_s", "first", "last"), [
    (2.998, 9.0, 1, 4), (2.9991, 9.0, 2, 4), (0.0, 8.0, 1, 3), (0.0, 8.0011, 1, 4), (0.0, 8.0009, 1, 3),
    (0.0, 7.0011, 1, 3), (0.0, 7.0009, 1, 2),
])  # fmt: skip
def test_edges_lie_inside_that_are_more_than_a_sample_from_the_pieces_ends(
    from_s: float, until_s: float, first: int, last: int
) -> None:
    account = train(3)
    whole = view(account, observed_of(account), edges_of(account))
    found = jd.judge(replace(whole, piece=replace(whole.piece, from_s=from_s, until_s=until_s)))
    assert np.flatnonzero(found.inside).tolist() == list(range(first, last + 1))
    assert found.judged.tolist() == found.inside.tolist()


def test_what_was_not_seen_or_the_journal_lost_is_not_judged() -> None:
    account = train(4)
    seen = observed_of(account, edge_var=np.where(np.arange(9) == 3, np.inf, 0.01))
    found = jd.judge(view(account, seen, edges_of(account)))
    assert np.flatnonzero(~found.judged).tolist() == [3]
    box = did_of_patterns([1, 5, 1, 5, 1], [3.0, 1.0, 3.0, 1.0, 3.0])
    box = replace(box, lost=Lost(np.array([3.5]), np.array([4.5])))
    found = jd.judge(view_of(box, observed_of(box.account), ALONE, edges=edges_of(box.account)))
    kept = ~box.lost.touches(box.account.t_s, box.account.until_s)
    assert not kept.all()
    assert found.judged.tolist() == kept.tolist()


@pytest.mark.parametrize(("pulses", "messages"), [
    ([1], ["the pulse at 7.000 s (1000.0 ms, 60.0 mA) was not seen"]),
    ([0, 2], ["the pulse at 3.000 s (1000.0 ms, 60.0 mA) was not seen",
              "the pulse at 11.000 s (1000.0 ms, 60.0 mA) was not seen"]),
    ([1, 2], ["the pulse at 7.000 s (1000.0 ms, 60.0 mA) was not seen",
              "the pulse at 11.000 s (1000.0 ms, 60.0 mA) was not seen"]),
    ([0, 2, 3, 4], ["the pulse at 3.000 s (1000.0 ms, 60.0 mA) was not seen",
                    "3 pulses on end were not seen, from the one at 11.000 s to the one at 19.000 s: from "
                    "11.000 s of the recording on"]),
])  # fmt: skip
@pytest.mark.parametrize("prior", [ALONE, SHARED], ids=["alone", "shared"])
def test_a_pulse_of_which_neither_edge_is_there_is_missing(
    pulses: list[int], messages: list[str], prior: Prior
) -> None:
    account = train(6)
    which = [k for pulse in pulses for k in (2 * pulse + 1, 2 * pulse + 2)]
    found = jd.judge(view(account, *gone(account, which), prior))
    assert [row.message for row in found.rows] == messages
    assert {row.kind for row in found.rows} == {df.MISSING}
    assert found.rows[0].pulse == pulses[0] + 1
    assert found.rows[0].asked == 3.0 + 4 * pulses[0]
    assert found.rows[0].seen is None
    assert found.judged[which].all()


def test_missing_pulses_on_end_are_told_by_the_recordings_clock() -> None:
    account = train(6)
    late = view(account, *gone(account, range(3, 9)))
    late = replace(late, piece=replace(late.piece, clock=replace(START, offset_s=100.0), until_s=999.0))
    (row,) = jd.judge(late).rows
    assert row.message.endswith("from 107.000 s of the recording on")


def test_a_pulse_of_which_one_edge_is_there_is_not_missing() -> None:
    account = train(4)
    for edge in (3, 4):
        found = jd.judge(view(account, *gone(account, [edge])))
        assert df.MISSING not in {row.kind for row in found.rows}


def test_a_pulse_of_which_an_edge_of_its_height_lies_nearby_moved() -> None:
    """Nothing is left where its edges should be: within a fifth of a second there are two of a quarter of
    their height and more, or smaller ones; or no edge at all."""
    account = train(4)
    moved = np.where(np.isin(np.arange(9), (3, 4)), 0.2, 0.0)
    edge_ma = np.where(moved > 0, -account.step_ma, 0.0)
    seen = observed_of(account, edge_ma)
    for share, kind in (
        (1.0, df.TIME),
        (0.25, df.TIME),
        (0.24, df.MISSING),
        (1.75, df.TIME),
        (1.76, df.MISSING),
    ):
        height = np.where(moved > 0, share * account.step_ma, account.step_ma)
        rows = jd.judge(view(account, seen, edges_of(account, moved, height))).rows
        assert kind in {row.kind for row in rows}
        assert (df.MISSING in {row.kind for row in rows}) is (kind == df.MISSING)
    first = edges_of(account, moved, np.where(np.arange(9) == 4, 3.0, account.step_ma))
    assert df.MISSING not in {row.kind for row in jd.judge(view(account, seen, first)).rows}
    nothing = edges_of(account).take(slice(0, 0))
    assert [row.kind for row in jd.judge(view(account, seen, nothing)).rows] == [df.MISSING]


@pytest.mark.parametrize(("parts", "there", "missing"), [
    (3, [], True), (3, [0], True), (3, [3], True), (3, [1], True), (3, [0, 1], False), (3, [0, 3], False),
    (4, [0], True), (4, [4], True), (4, [2], True), (4, [0, 2], False), (2, [0], False),
])  # fmt: skip
def test_of_a_staircase_one_end_may_be_another_loads_by_chance(
    parts: int, there: list[int], missing: bool
) -> None:
    """there: which of its edges are seen. It is missing of which neither end is there, or, of three parts and
    more, no edge but one end."""
    stairs = [90.0, 150.0, 210.0, 270.0][:parts]
    levels = [30.0, *[*stairs, 30.0] * 3]
    account = account_of(levels, np.ones(len(levels)), 30.0)
    edges = range(parts + 2, 2 * parts + 3)  # of the second one
    lost = [k for place, k in enumerate(edges) if place not in there]
    rows = jd.judge(view(account, *gone(account, lost))).rows
    assert [row.pulse for row in rows if row.kind == df.MISSING] == ([2] if missing else [])


@pytest.mark.parametrize("charged", [True, False])
@pytest.mark.parametrize(("by_s", "told"), [(0.99, False), (1.01, True), (-0.99, False), (-1.01, True)])
def test_a_pulse_that_comes_late_or_early_is_told_beyond_a_bound(
    by_s: float, told: bool, charged: bool
) -> None:
    """A millisecond, a sample and five standard uncertainties: by the charge, or, of an edge of 200
    deviations, (5 / 200 + 20 / 200^2) of a sample."""
    account = train(4)
    bound_s = TIME_BOUND_S if charged else 2e-3 + (5 / 200 + 20 / 200**2) * INTERVAL_S
    late_s = np.where(np.isin(np.arange(9), (3, 4)), by_s * bound_s, 0.0)
    rows = jd.judge(late_by(account, late_s, charged)).rows
    assert bool(rows) is told
    if told:
        (row,) = rows
        assert (row.kind, row.pulse, row.asked) == (df.TIME, 2, 7.0)
        assert row.seen == pytest.approx(7.0 + by_s * bound_s, abs=1e-6)
        assert row.message == f"seen {df.later(by_s * bound_s)} than it should start"


@pytest.mark.parametrize(("edge", "by_s", "told"), [
    (4, 0.99, False), (4, 1.01, True), (4, -1.01, True), (3, 0.99, False), (3, 1.01, True), (3, -1.01, True),
])  # fmt: skip
def test_a_pulse_lasts_longer_or_less_by_its_edges(edge: int, by_s: float, told: bool) -> None:
    account = train(4)
    late_s = np.where(np.arange(9) == edge, by_s * TIME_BOUND_S, 0.0)
    rows = jd.judge(late_by(account, late_s)).rows
    assert bool(rows) is told
    if told:
        (row,) = rows
        lasted_s = 1.0 + by_s * TIME_BOUND_S * (1 if edge == 4 else -1)
        assert (row.kind, row.pulse, row.asked) == (df.DURATION, 2, 1.0)
        assert row.seen == pytest.approx(lasted_s, abs=1e-6)
        assert row.message == f"seen to last {df.milliseconds(lasted_s)} instead of 1000.0 ms"


def test_the_worse_known_edge_bounds_a_duration_the_start_bounds_an_instant() -> None:
    account = train(4)
    u_s = np.where(np.arange(9) == 4, 1e-3, LATE_U_S)
    wide_s = 2e-3 + 5e-3
    for late, kinds in (({4: 0.99 * wide_s}, []), ({4: 1.01 * wide_s}, [df.DURATION]),
                        ({3: 0.99 * wide_s}, [df.TIME]), ({3: 3e-3, 4: 3e-3}, [df.TIME])):  # fmt: skip
        late_s = np.array([late.get(k, 0.0) for k in range(9)])
        found = late_by(account, late_s)
        found = replace(found, observed=replace(found.observed, late_u_s=u_s))
        assert [row.kind for row in jd.judge(found).rows] == kinds


def test_where_the_start_is_hidden_the_end_alone_says_that_a_pulse_moved() -> None:
    account = train(4)
    hidden = np.arange(9) == 3
    late_s = np.where(hidden, np.nan, np.where(np.arange(9) == 4, 4e-3, 0.0))
    seen = observed_of(account, late_s=late_s, reach_s=np.full(9, 0.2))
    edges = edges_of(account, np.nan_to_num(late_s)).take(np.array([0, 1, 3, 4, 5, 6, 7]))
    (row,) = jd.judge(view(account, seen, edges)).rows
    assert (row.kind, row.pulse) == (df.TIME, 2)
    assert (row.asked, row.seen) == (8.0, pytest.approx(8.004))
    assert row.message == f"seen {df.later(4e-3)} than it should end"


def test_a_step_inside_a_pulse_that_comes_late_is_told_by_itself() -> None:
    account = account_of([30.0, *[90.0, 150.0, 30.0] * 3], [3.0, *[1.0, 1.0, 3.0] * 3], 30.0)
    for by_s, told in ((0.99 * TIME_BOUND_S, False), (1.01 * TIME_BOUND_S, True), (-3e-3, True)):
        late_s = np.where(np.arange(10) == 2, by_s, 0.0)
        rows = jd.judge(late_by(account, late_s)).rows
        assert bool(rows) is told
        if told:
            (row,) = rows
            assert (row.kind, row.pulse, row.asked, row.did) == (df.TIME, 1, 4.0, None)
            assert row.seen == pytest.approx(4.0 + by_s, abs=1e-6)
            assert row.message == f"the step at 4.000 s was seen {df.later(by_s)}"
    # of a part of a recording that begins inside the pulse the step is the first edge that was seen
    late_s = np.where(np.arange(10) == 2, 5e-3, 0.0)
    within = late_by(account, late_s)
    within = replace(within, seen=within.seen.take(slice(1, None)))
    assert [row.message[:17] for row in jd.judge(within).rows] == ["the step at 4.000"]
    # where the pulse is told already its steps are not told again
    late_s = np.where(np.isin(np.arange(10), (1, 2, 3)), 9e-3, 0.0)
    assert [row.message for row in jd.judge(late_by(account, late_s)).rows] == [
        "seen 9.0 ms later than it should start"
    ]


def test_charge_from_beyond_half_of_its_window_is_not_believed() -> None:
    """Further off, the seen edge that is nearest tells."""
    account = train(4)
    for reach_s, told in ((0.0399, False), (0.0401, True)):
        late_s = np.where(np.isin(np.arange(9), (3, 4)), 0.02, 0.0)
        seen = observed_of(account, late_s=late_s, reach_s=np.full(9, reach_s))
        assert bool(jd.judge(view(account, seen, edges_of(account))).rows) is told


def test_the_charge_of_an_edge_of_which_half_is_missing_says_nothing() -> None:
    account = train(4)
    late_s = np.where(np.isin(np.arange(9), (3, 4)), 0.02, 0.0)
    for share, told in ((-0.49, True), (-0.51, False)):
        edge_ma = np.where(np.isin(np.arange(9), (3, 4)), share * account.step_ma, 0.0)
        seen = observed_of(account, edge_ma, late_s=late_s, reach_s=np.full(9, 0.2))
        kinds = {row.kind for row in jd.judge(view(account, seen, edges_of(account))).rows}
        assert (df.TIME in kinds) is told


def test_an_edge_is_known_by_its_height_as_it_was_seen_and_a_slow_clamps_to_a_part_of_its_width() -> None:
    """Seen 6 mA high in 0.3 mA of noise: 20 deviations; (5 / 20 + 20 / 20^2) of a sample for five standard
    uncertainties, and 0.7 of the time constant besides. Of nothing near, nothing is known."""
    account = train(2)
    height = np.where(np.arange(5) == 1, 6.0, account.step_ma)
    for tau_s in (0.0, 5e-3):
        seen = observed_of(account, tau_s=tau_s, late_s=np.full(5, np.nan))
        times = jd._times(view(account, seen, edges_of(account, 0.0, height)), np.zeros(5, dtype=bool))
        own = np.array([5 / s + 20 / s**2 for s in (20.0, 200.0, 200.0, 200.0)]) * INTERVAL_S / 5
        assert times.late_u_s[1:] == pytest.approx(np.hypot(own, 0.7 * tau_s))
        assert times.late_s[1:] == pytest.approx(0.0)
        assert times.is_edge.tolist() == [-1, 0, 1, 2, 3]
    nothing = jd._times(
        view(account, observed_of(account), edges_of(account).take(slice(0, 0))), np.zeros(5, bool)
    )
    assert np.isnan(nothing.late_s).all()


def test_edges_within_a_sample_are_the_one_that_has_their_sum() -> None:
    """Up by 100 and down by 40 mA half a sample later: seen as one of 60, between them by their heights."""
    levels, lasting = [30.0, 130.0, 90.0, 30.0], [3.0, 0.5e-3, 1.0, 2.0]
    account = account_of(levels, lasting, 30.0)
    at_s = (3.0 * 100 + 3.0005 * 40) / 140
    seen = observed_of(account, late_s=np.full(4, np.nan))
    edge = Edges(
        np.array([at_s + 1e-4, 4.0005]),
        *(np.array(c) for c in ([0.0] * 2, [30.0, 90], [90.0, 30], [0.1] * 2)),
    )
    times = jd._times(view(account, seen, edge), np.zeros(4, dtype=bool))
    assert times.late_s[1:] == pytest.approx([1e-4, 1e-4, 0.0])
    assert times.is_edge[1:].tolist() == [0, 0, 1]
    # a sample and more apart they are two
    apart = account_of(levels, [3.0, 1.1e-3, 1.0, 2.0], 30.0)
    times = jd._times(
        view(apart, observed_of(apart, late_s=np.full(4, np.nan)), edge), np.zeros(4, dtype=bool)
    )
    assert times.is_edge[1] != times.is_edge[2]


def test_a_step_within_the_tolerance_of_levels_has_no_instant() -> None:
    for high, known in ((0.8, False), (1.9, False), (2.1, True)):
        account = account_of([30.0, 30.0 + high, 30.0, 90.0, 30.0], [3.0, 1.0, 3.0, 1.0, 3.0], 30.0)
        seen = observed_of(account, late_s=np.full(5, np.nan))
        times = jd._times(view(account, seen, edges_of(account)), np.zeros(5, dtype=bool))
        assert np.isfinite(times.late_s[1:]).tolist() == [known, known, True, True]
        assert times.is_edge[1:].tolist() == [0, 1, 2, 3]  # it is the reference's all the same


def test_among_other_loads_only_an_edge_of_about_the_right_height_is_near() -> None:
    account = train(2)
    for share, there in ((0.26, True), (0.24, False), (1.74, True), (1.76, False)):
        height = np.where(np.arange(5) == 1, share * account.step_ma, account.step_ma)
        for prior, due in ((SHARED, there), (ALONE, True)):
            found = view(account, observed_of(account), edges_of(account, 0.0, height), prior)
            assert bool(jd._times(found, np.zeros(5, dtype=bool)).is_edge[1] >= 0) is due


def naive_elsewhere(found: View) -> list[int]:
    """For each edge that isn't there, every recorded one in turn."""
    account, edges, seen = found.observed.account, found.seen, found.observed
    answer = []
    for k, step in enumerate(account.step_ma):
        best = -1
        allowed = max(2.0, 0.02 * abs(step))
        low_s = max(account.t_s[k - 1] if k else -np.inf, account.t_s[k] - 1.0)
        high_s = min(account.until_s[k], account.t_s[k] + 1.0)
        for j, (at_s, height, u) in enumerate(zip(edges.at_s, edges.height_ma, edges.u_ma, strict=True)):
            own = min(abs(account.t_s - at_s)) <= 1e-3 + 2 * seen.interval_s
            if own or not low_s < at_s < high_s or abs(height - step) > allowed + 5 * u:
                continue
            if best < 0 or abs(at_s - account.t_s[k]) < abs(edges.at_s[best] - account.t_s[k]):
                best = j
        clear = abs(step) > allowed + 5 * np.sqrt(seen.edge_var[k])
        answer.append(best if seen.absent[k] and clear else -1)
    return answer


def test_an_edge_that_is_not_there_is_looked_for_between_its_neighbours(seed: int) -> None:
    rng = np.random.default_rng(seed)
    hits = 0
    for _ in range(60):
        account = random_account(rng, 8, 5e-3)
        count = len(account.t_s)
        lost = rng.random(count) < 0.4
        seen = observed_of(
            account, np.where(lost, -account.step_ma, 0.0), edge_var=rng.choice([0.01, 1.0], count)
        )
        off_s = rng.choice([0.0, 2.9e-3, 3.1e-3, -0.05, 0.3, 0.9, 1.1, -1.2], count)
        height = np.where(np.abs(account.step_ma) > 0, account.step_ma, 60.0) + rng.choice(
            [0.0, 2.3, -3.0, 9.0], count
        )
        edges = edges_of(account, off_s, height)
        edges = replace(edges, u_ma=rng.choice([0.05, 0.1, 0.5], len(edges)))
        found = view(account, seen, edges, SHARED)
        due = naive_elsewhere(found)
        assert jd._elsewhere(found).tolist() == due
        hits += sum(k >= 0 for k in due)
    assert hits > 20

"""Edges that are none of the box's: paired, told or left to others, by recordings put together by hand on
both sides of each bound, and by loops."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from nightdraw.capture import differences as df
from nightdraw.capture import foreign as fg
from nightdraw.capture.accounts import Account, Edges
from nightdraw.capture.expected import Moves
from nightdraw.capture.journal import Lost
from nightdraw.capture.loads import Loads
from nightdraw.capture.view import Prior, View

from tests.capture.by_hand import (
    NO_EDGES,
    OWN_MA,
    START,
    Floats,
    account_of,
    did_of_patterns,
    observed_of,
    view_of,
)

ALONE, SHARED = Prior(), Prior(shared=True)
NOBODY = np.empty(0)


def train(pulses: int = 6, high_ma: float = 90.0, lasting_s: float = 1.0) -> Account:
    """Pulses 4 s apart, the first at 3 s; the whole lasts three seconds longer than the last."""
    levels = [30.0, *[high_ma, 30.0] * pulses]
    return account_of(levels, [3.0, *[lasting_s, 4.0 - lasting_s] * pulses], 30.0)


def view(
    account: Account, prior: Prior = ALONE, edges: Edges = NO_EDGES, gain: float = 1.0, **columns: object
) -> View:
    return view_of(None, observed_of(account, **columns), prior, gain, asked=account, edges=edges)


def moves(at_s: list[float], height: list[float], u_ma: float = 0.1) -> Moves:
    at = np.array(at_s)
    return Moves(at - 5e-4, at + 5e-4, np.array(height), np.full(len(at), u_ma))


def pulse(at_s: float, lasting_s: float, height: float) -> tuple[list[float], list[float]]:
    return [at_s, at_s + lasting_s], [height, -height]


def edges(at_s: list[float], height: list[float]) -> Edges:
    at, high, zero = np.array(at_s), np.array(height), np.zeros(len(at_s))
    return Edges(at, zero, zero, high, zero)


@pytest.mark.parametrize(
    ("steps", "due"),
    [
        ([], []),
        ([(1.0, 50.0), (2.0, -50.0)], [(1.0, 2.0, 50.0)]),
        ([(1.0, -50.0), (2.0, 50.0)], [(1.0, 2.0, -50.0)]),  # a dip
        ([(1.0, 50.0), (2.0, 50.0)], [(1.0, None, 50.0), (2.0, None, 50.0)]),
        # nested: each takes back the latest that it can
        ([(1.0, 50.0), (2.0, 200.0), (3.0, -200.0), (4.0, -50.0)], [(1.0, 4.0, 50.0), (2.0, 3.0, 200.0)]),
        ([(1.0, 50.0), (2.0, 50.0), (3.0, -50.0)], [(1.0, None, 50.0), (2.0, 3.0, 50.0)]),
        ([(1.0, 50.0), (2.0, -36.0)], [(1.0, 2.0, 50.0)]),  # by 0.3 of the first
        ([(1.0, 50.0), (2.0, -34.0)], [(1.0, None, 50.0), (2.0, None, -34.0)]),
        ([(1.0, 50.0), (2.0, -64.0)], [(1.0, 2.0, 50.0)]),
        ([(1.0, 50.0), (2.0, -66.0)], [(1.0, None, 50.0), (2.0, None, -66.0)]),
        ([(1.0, 4.0), (2.0, -2.0)], [(1.0, 2.0, 4.0)]),  # or within 2 mA
        ([(1.0, 4.0), (2.0, -1.9)], [(1.0, None, 4.0), (2.0, None, -1.9)]),
        ([(1.0, 1.5), (2.0, 0.0)], [(1.0, None, 1.5), (2.0, None, 0.0)]),
    ],
)
def test_an_edge_takes_back_the_latest_of_its_height_before_it(
    steps: list[tuple[float, float]], due: list[tuple[float, float | None, float]]
) -> None:
    found = fg._paired([at_s for at_s, _ in steps], [height for _, height in steps])
    rows = [
        (begin, None if np.isnan(end) else end, height)
        for begin, end, height in zip(found.start_s, found.end_s, found.height_ma, strict=True)
    ]
    assert rows == due
    whole = found.take(np.isfinite(found.end_s))
    assert whole.lasting_s == pytest.approx(whole.end_s - whole.start_s)


def naive_kept(found: View, others: Moves, taken_s: Floats) -> list[float]:
    """Each foreign change by itself: within the run and the piece, higher than the tolerance of the level
    there, apart from what is the box's, and where the journal tells all."""
    account, piece, clock = found.observed.account, found.piece, found.piece.clock
    kept = []
    for last_s, first_s, height, u_ma in zip(
        others.last_s, others.first_s, others.height_ma, others.u_ma, strict=True
    ):
        at_s = ((last_s + first_s) / 2 - clock.offset_s) / (1 + clock.rate_ppm * 1e-6)
        if np.isnan(height) or not account.t_s[0] < at_s < account.end_s:
            continue
        from_s, until_s = (
            (t - clock.offset_s) / (1 + clock.rate_ppm * 1e-6) for t in (piece.from_s, piece.until_s)
        )
        if not from_s < at_s < until_s:
            continue
        above = account.at(np.array([at_s]))[0] - found.reference.train.base_ma
        least = max(2.0, 0.02 * abs(above)) + found.observed.digit_ma + 5 * u_ma / abs(found.gain)
        near = any(abs(t - at_s) <= 2 * found.observed.interval_s + 1e-3 for t in taken_s)
        if abs(height / found.gain) > least and not near:
            kept.append(at_s)
    return kept


@pytest.mark.parametrize("gain", [1.0, -2.0])
def test_foreign_edges_are_those_of_the_run_that_stand_out_and_are_nobody_elses(
    seed: int, gain: float
) -> None:
    rng = np.random.default_rng(seed)
    account = train(6, 530.0)
    for digit in (0.0, 1.5):
        found = view(account, ALONE, gain=gain, digit_ma=digit)
        clock = replace(START, offset_s=50.0, rate_ppm=2000.0)
        found = replace(found, piece=replace(found.piece, clock=clock, from_s=54.0, until_s=70.0))
        at_s = np.sort(rng.uniform(45.0, 85.0, 60))
        height = gain * rng.choice([1.9, 2.6, 4.5, 9.5, 11.0, 60.0], 60)  # all upward: no two are a pulse
        others = Moves(
            at_s - 1e-3,
            at_s + 1e-3,
            np.where(rng.random(60) < 0.1, np.nan, height),
            rng.choice([0.0, 0.2], 60),
        )
        run_s = (at_s - 50.0) / 1.002
        taken_s = np.sort(run_s[rng.permutation(60)[:8]] + rng.choice([0.0, 2.9e-3, 3.1e-3, -2.9e-3], 8))
        for taken in (taken_s, NOBODY):
            rows = fg._excursions(found, others, taken)
            assert rows.start_s == pytest.approx(naive_kept(found, others, taken))


def test_foreign_edges_lie_within_the_run_and_exceed_the_tolerance() -> None:
    """From 0 to 27 s, in a piece that is longer: the ends and 2 mA themselves are no more."""
    others = moves([-0.5, 0.0, 0.5, 26.5, 27.0, 27.5], [60.0, 61.0, 62.0, 63.0, 64.0, 65.0])
    assert fg._excursions(view(train()), others, NOBODY).height_ma.tolist() == [62.0, 63.0]
    exact = moves([5.5, 6.5, 9.5], [2.0, 2.001, np.nan], 0.0)
    assert fg._excursions(view(train()), exact, NOBODY).height_ma.tolist() == [2.001]
    assert len(fg._excursions(view(train()), moves([], []), np.array([3.0]))) == 0


def test_what_lies_in_a_time_that_the_journal_lost_is_nobodys() -> None:
    box = did_of_patterns([1, *[5, 1] * 4], np.full(9, 2.0))
    box = replace(box, lost=Lost(np.array([5.0]), np.array([7.0])))
    found = view_of(box, observed_of(box.account), ALONE)
    others = moves([4.9985, 4.9995, 5.5, 6.9, 7.0005, 7.0015], [50.0, 55.0, 60.0, 70.0, 75.0, 80.0])
    assert fg._excursions(found, others, NOBODY).height_ma.tolist() == [50.0, 80.0]  # a sample away


def test_a_foreign_pulse_is_a_difference_alone_and_others_where_the_circuit_is_shared() -> None:
    account = train()
    others = moves(*pulse(5.5, 0.4, 70.0))
    rows, notes, told = fg.judge_foreign(view(account), others, NOBODY)
    (row,) = rows
    assert (row.kind, row.pulse, row.asked, row.did, row.seen) == (df.EXTRA, None, None, None, 5.5)
    assert row.message == (
        "a pulse of +70.0 mA for 400.0 ms that is in no other account was seen at 5.500 s of the recording"
    )
    assert (notes, told) == ([], True)
    rows, notes, told = fg.judge_foreign(view(account, SHARED), others, NOBODY)
    assert (rows, told) == ([], True)
    assert notes == ["other loads on this circuit made 1 change (70 mA, 0.400 s)"]
    step = moves([5.5], [-70.0])
    (row,) = fg.judge_foreign(view(account), step, NOBODY)[0]
    assert row.message.startswith("a step of -70.0 mA that is in no other account")
    assert fg.judge_foreign(view(account, SHARED), step, NOBODY)[1] == [
        "other loads on this circuit made 1 change (-70 mA, to the end)"
    ]
    assert fg.judge_foreign(view(account), moves([], []), NOBODY) == ([], [], True)


def test_rows_are_on_the_recordings_clock_and_of_many_there_is_one() -> None:
    for count in (3, 4):
        at_s = [5.5 + 0.3 * k for k in range(count)]
        found = view(train())
        found = replace(
            found, piece=replace(found.piece, clock=replace(START, offset_s=100.0), until_s=999.0)
        )
        others = moves([100 + t for t in at_s], [70.0] * count)
        rows = fg.judge_foreign(found, others, NOBODY)[0]
        assert len(rows) == (count if count <= 3 else 1)
        assert rows[0].seen == pytest.approx(105.5)
        if count > 3:
            assert (
                "4 pulses or steps that are in no other account were seen, from 105.500 s to 106.400 s"
                in rows[0].message
            )


@pytest.mark.parametrize(("samples", "spike"), [(1.0, True), (1.6, True), (1.7, False), (2.0, False)])
def test_a_single_sample_is_the_recorders(samples: float, spike: bool) -> None:
    rows, notes, told = fg.judge_foreign(view(train()), moves(*pulse(5.5, samples * 1e-3, 70.0)), NOBODY)
    assert bool(rows) is not spike
    assert told
    if spike:
        assert notes == [
            "single sample of +70 mA, the first at 5.500 s of the recording: no current on a circuit is so "
            "short, left out as the recorder's"
        ]


@pytest.mark.parametrize(("spikes", "recorded", "left_out"), [
    (3, 0, True), (4, 0, False), (4, 400, True), (5, 400, False), (4, 399, False),
])  # fmt: skip
def test_single_samples_are_left_out_while_they_are_few(spikes: int, recorded: int, left_out: bool) -> None:
    """Three, or one in a hundred of the recording's edges."""
    at_s = [t for k in range(spikes) for t in (5.2 + 0.1 * k, 5.201 + 0.1 * k)]
    height = [h for k in range(spikes) for h in (70.0 + k, -70.0 - k)]
    some = edges(np.linspace(0, 20, recorded).tolist(), [60.0] * recorded)
    rows, notes, _ = fg.judge_foreign(view(train(), edges=some), moves(at_s, height), NOBODY)
    assert bool(rows) is not left_out
    if left_out:
        assert notes[0].startswith(
            f"{spikes} single samples of +70 .. +{69 + spikes} mA, the first at 5.200 s"
        )


def test_a_pulse_like_a_habit_of_the_boxs_is_told_among_other_loads() -> None:
    """Its level within the tolerance, its duration within 4 ms and two samples of one that five of the box's
    pulses have to a millisecond, none of which begins within it."""
    for pulses, at_s, lasting_s, high, told in (
        (6, 5.5, 1.0, 60.0, True), (5, 5.5, 1.0, 60.0, True), (4, 5.5, 1.0, 60.0, False),
        (6, 5.5, 1.0, 61.9, True), (6, 5.5, 1.0, 62.1, False), (6, 5.5, 1.0, 57.9, False),
        (6, 5.5, 1.0059, 60.0, True), (6, 5.5, 1.0061, 60.0, False), (6, 5.5, 0.9941, 60.0, True),
        (6, 5.5, 0.9939, 60.0, False), (6, 3.99, 1.0, 60.0, False), (6, 4.01, 1.0, 60.0, True),
        (6, 6.01, 0.9, 60.0, False), (6, 5.99, 1.0, 60.0, True),
        (6, 5.5, 1.0, 62.0, True), (6, 6.0, 1.0, 60.0, True), (6, 6.01, 1.0, 60.0, False),
    ):  # fmt: skip
        found = view(train(pulses), SHARED)
        rows, notes, _ = fg.judge_foreign(found, moves(*pulse(at_s, lasting_s, high)), NOBODY)
        assert bool(rows) is told, (pulses, at_s, lasting_s, high)
        assert bool(notes) is not told
    # where levels are no currents the duration alone is asked
    found = view(train(), Prior(shared=True, levels=False))
    assert fg.judge_foreign(found, moves(*pulse(5.5, 1.0, 500.0)), NOBODY)[0] != []
    notes = fg.judge_foreign(found, moves(*pulse(5.5, 0.5, 500.0)), NOBODY)[1]
    assert notes == ["other loads on this circuit made 1 change (0.500 s)"]


@pytest.mark.parametrize(("off_s", "told"), [(0.99e-3, True), (1.01e-3, False)])
def test_durations_that_differ_by_more_than_a_millisecond_are_no_habit(off_s: float, told: bool) -> None:
    lasting = [3.0, *[1.0, 3.0] * 6]
    lasting[5] += off_s
    account = account_of([30.0, *[90.0, 30.0] * 6], lasting, 30.0)
    rows = fg.judge_foreign(view(account, SHARED), moves(*pulse(5.5, 1.0, 60.0)), NOBODY)[0]
    assert bool(rows) is told


def test_a_load_of_that_level_with_other_durations_takes_one_like_the_boxs_with_it() -> None:
    for others, told in ((2, True), (3, False)):
        at_s, height = pulse(5.5, 1.0, 60.0)
        for k in range(others):
            more = pulse(9.2 + 4 * k, 0.3 + 0.1 * k, 61.0)
            at_s, height = at_s + more[0], height + more[1]
        rows = fg.judge_foreign(view(train(), SHARED), moves(at_s, height), NOBODY)[0]
        assert bool(rows) is told


def loads_of(*steps: tuple[float, float]) -> Loads:
    """A vehicle's loads that change at some instants of the recording (s) by some currents (mA)."""
    at_s, step_ma = (np.array(column, dtype=float) for column in zip(*steps, strict=True))
    return Loads(100.0, at_s, step_ma, tuple(f"load {k}" for k in range(len(steps))), (), 0.0)


def test_with_a_vehicles_file_its_own_changes_are_taken_off_and_the_rest_may_be_the_boxs() -> None:
    known = Prior(shared=True, loads=loads_of((5.4, 70.0), (9.3, 250.0)))
    step = moves([5.5], [70.0])
    rows, notes, told = fg.judge_foreign(view(train(), known), step, NOBODY)
    assert (rows, told) == ([], True)
    assert notes == ["the vehicle's own changes, as its file and script say: load 0 1"]
    # a pulse that nobody owns may be the box's; so may a step that is as high as one of the box's, or that
    # none of the vehicle's loads makes at any time
    for others, due in ((moves(*pulse(13.5, 0.4, 250.0)), False), (moves([13.5], [250.0]), True),
                        (moves([13.5], [-276.0]), False), (moves([13.5], [170.0]), False),
                        (moves([13.5], [-61.9]), False), (moves([13.5], [63.1]), True),
                        (moves([13.5], [-63.1]), True), (moves([13.5], [62.0]), False)):  # fmt: skip
        rows, notes, told = fg.judge_foreign(view(train(), known), others, NOBODY)
        assert (rows, told) == ([], due)
        assert len(notes) == 1
        assert notes[0].startswith("other loads")
        assert fg.judge_foreign(view(train(), SHARED), others, NOBODY)[2]
    blind = view(train(), replace(known, levels=False))
    assert fg.judge_foreign(blind, step, NOBODY)[1] == [
        "other loads on this circuit made 1 change (to the end)"
    ]


def test_a_change_is_the_vehicles_within_three_seconds_of_its_instant() -> None:
    for at_s, own in ((8.4, True), (8.6, False), (2.6, True), (2.4, False)):
        known = Prior(shared=True, loads=loads_of((at_s, 170.0)))
        notes = fg.judge_foreign(view(train(), known), moves([5.5], [170.0]), NOBODY)[1]
        assert notes[0].startswith("the vehicle's own changes") is own


def test_a_gain_is_taken_off_before_a_change_is_held_against_the_vehicles() -> None:
    known = Prior(shared=True, loads=loads_of((5.4, 70.0)))
    for gain in (2.0, -0.5):
        found = view(train(), known, gain=gain)
        assert fg.judge_foreign(found, moves([5.5], [70.0 * gain]), NOBODY)[1] == [
            "the vehicle's own changes, as its file and script say: load 0 1"
        ]


def test_edges_clear_of_the_run_are_large_and_a_second_away() -> None:
    """The run lasts from 0 to 27 s, its largest step is 60 mA."""
    account = train()
    at_s = [-1.1, -0.9, 1.0, 13.0, 27.9, 28.1]
    some = edges([*at_s, -1.0, 28.0], [60.0] * 8)
    assert fg.edges_outside(view(account, edges=some)).tolist() == [-1.1, 28.1]
    for high, clear in ((18.1, True), (17.9, False), (-18.1, True)):
        found = fg.edges_outside(view(account, edges=edges([30.0], [high])))
        assert bool(len(found)) is clear
        assert not len(fg.edges_outside(view(account, SHARED, edges=edges([30.0], [high]))))
    for high, clear in ((66.6, True), (66.7, False), (54.6, True), (54.5, False), (-60.0, True)):
        found = fg.edges_outside(view(account, SHARED, edges=edges([30.0], [high])))
        assert bool(len(found)) is clear
    for high, clear in ((100.0, True), (100.5, False)):  # a tenth of it above the box's 90 mA
        found = fg.edges_outside(view(train(6, 120.0), SHARED, edges=edges([30.0], [high])))
        assert bool(len(found)) is clear
    faint = account_of([30.0, 30.5, 30.0, 30.5, 30.0], [3.0] * 5, 30.0)
    assert fg.edges_outside(view(faint, edges=edges([30.0, 40.0], [0.16, 0.14]))).tolist() == [30.0]
    known = Prior(shared=True, loads=loads_of((30.1, 60.0)))
    assert fg.edges_outside(view(account, known, edges=edges([30.0, 40.0], [60.0, 60.0]))).tolist() == [40.0]
    assert len(fg.edges_outside(view(account, SHARED))) == 0


def test_an_edge_that_no_load_of_the_vehicles_could_hide_is_hidden_by_nobody() -> None:
    account = train()
    lost = np.isin(np.arange(13), (3, 4))
    edge_ma = np.where(lost, -account.step_ma, 0.0)
    chance = np.isin(np.arange(13), (3, 7))
    for loads, due in ((loads_of((900.0, 300.0)), [7.0]), (loads_of((900.0, -60.0)), []), (None, [])):
        found = view(account, Prior(shared=True, loads=loads), edge_ma=edge_ma)
        found = replace(found, piece=replace(found.piece, clock=replace(START, offset_s=10.0)))
        assert fg.hidden_edges(found, chance).tolist() == [10.0 + t for t in due]
    blind = view(account, Prior(shared=True, levels=False, loads=loads_of((900.0, 300.0))), edge_ma=edge_ma)
    assert len(fg.hidden_edges(blind, chance)) == 0
    assert len(fg.hidden_edges(found, np.zeros(13, dtype=bool))) == 0


@pytest.mark.parametrize(
    ("off_ma", "due"),
    [
        ([], 0.0),
        ([7.0], 0.0),
        ([7.0, 20.0, 40.0], 0.0),
        ([7.0, 7.5, 7.9], 7.0),  # three within half of a tolerance: 1 mA
        ([7.0, -7.5, 20.0, 7.9], 7.0),
        ([7.0, 7.5, 8.1], 0.0),
        ([7.0, 20.0, 7.5], 0.0),  # two are none
        ([7.0, -7.9], 7.0),  # off, and back at the next
        ([7.0, -8.1], 0.0),
        ([-7.0, 40.0, 7.0], 0.0),
        ([100.0, 20.0, 101.0, 60.0, 100.9], 100.0),
        ([200.0, -201.9], 200.0),  # half of 2 % of it
        ([200.0, -202.1], 0.0),
        ([200.0, -202.0], 200.0),
        ([7.0, 7.5, 8.0], 7.0),
        ([7.0, -8.0], 7.0),
    ],
)
def test_edges_are_off_alike_that_are_several_or_off_and_back(off_ma: list[float], due: float) -> None:
    account = train()
    edge_ma = np.zeros(13)
    edge_ma[1 : 1 + len(off_ma)] = off_ma
    assert fg.off_alike(view(account, SHARED, edge_ma=edge_ma), edge_ma != 0) == pytest.approx(due)
    known = Prior(shared=True, loads=loads_of((900.0, due or 7.0)))
    assert fg.off_alike(view(account, known, edge_ma=edge_ma), edge_ma != 0) == 0.0


def test_more_than_a_channel_draws_is_no_broken_parts() -> None:
    """The largest of the channels draws 504 mA: 1.1 of it may be one that is broken; an edge that is gone
    counts whatever its height."""
    box = did_of_patterns([1, *[13, 1] * 6], np.ones(13))
    step = box.account.step_ma[1]
    for off, due in ((550.0, 550.0), (560.0, 0.0), (-step, step)):
        edge_ma = np.where(np.isin(np.arange(13), (1, 2)), off * np.sign(box.account.step_ma), 0.0)
        found = view_of(box, observed_of(box.account, edge_ma), SHARED)
        assert fg.off_alike(found, edge_ma != 0) == pytest.approx(due)
    assert step == pytest.approx(504.0 + 151.2, abs=0.1)
    assert OWN_MA == 11.0

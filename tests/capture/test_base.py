"""What is said of the base, by cases put together by hand: a bank of four channels (10, 38, 151 and 504 mA),
its first closed in every base; and shares of a channel's current by loops over the edges."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from boxcore import guard
from nightdraw.capture import base as bs
from nightdraw.capture import differences as df
from nightdraw.capture.journal import Did
from nightdraw.capture.observed import Observed
from nightdraw.capture.view import Prior, View

from tests.capture.by_hand import CHANNELS_NS, Floats, account_of, did_of_patterns, observed_of, view_of

BASE_MA = 11.0 + 10.08
CHANNEL_MA = [ns * 12.6e-6 for ns in CHANNELS_NS]
PATTERN = [1, 5, 1, 5, 1, 5, 1]  # channel 3 works, 1 is closed in every base, 2 and 4 never are
SHARED, KNOWN = Prior(shared=True), Prior()


def case(whole_ma: float | Floats, prior: Prior, pattern: list[int] | None = None, **columns: object) -> View:
    box = did_of_patterns(pattern or PATTERN, np.ones(len(pattern or PATTERN)))
    whole = np.zeros(len(box.pattern)) + whole_ma
    return view_of(box, observed_of(box.account, whole_ma=whole, **columns), prior)


def test_a_channels_shares_are_those_of_the_edges_that_switch_it(seed: int) -> None:
    """A loop over the edges; an edge counts that stands out by five deviations."""
    rng = np.random.default_rng(seed)
    for _ in range(10):
        pattern = rng.integers(0, 16, 20).tolist()
        supply = rng.uniform(11_000, 14_000, 20)
        box = did_of_patterns(pattern, np.ones(20), supply)
        var = rng.choice([0.01, 4.0, 60.0, np.inf], 20)
        seen = observed_of(box.account, rng.normal(0, 5, 20), edge_var=var)
        view = view_of(box, seen)
        for k, ns in enumerate(CHANNELS_NS):
            due = []
            for e in range(20):
                now, then = pattern[e] >> k & 1, (pattern[e - 1] >> k & 1) if e else 0
                ma = (now - then) * ns * 1e-9 * supply[e]
                if ma and np.isfinite(var[e]) and abs(ma) > 5 * np.sqrt(var[e]):
                    due.append(-seen.edge_ma[e] / ma)
            shows, share = bs._shares(view, k)
            assert share == pytest.approx(due)
            assert np.count_nonzero(shows) == len(due)


def test_a_broken_channel_is_one_whose_edges_all_are_off_by_it() -> None:
    for share, off, found in ((1.0, True, [3]), (0.92, True, [3]), (0.88, True, []), (1.0, False, [])):
        step = np.array([0.0, 1, -1, 1, -1, 1, -1]) * CHANNEL_MA[2]
        view = case(0.0, SHARED, edge_ma=-share * step)
        every = np.ones(7, dtype=bool)
        assert (
            bs.perhaps_broken(view, every) == found
            if off
            else bs.perhaps_broken(view, every & (step >= 0)) == []
        )
    once = case(0.0, SHARED, [1, 1, 5], edge_ma=np.array([0.0, 0.0, -CHANNEL_MA[2]]))
    assert bs.perhaps_broken(once, np.ones(3, dtype=bool)) == []
    twice = case(0.0, SHARED, [1, 5, 1], edge_ma=np.array([0.0, -CHANNEL_MA[2], CHANNEL_MA[2]]))
    assert bs.perhaps_broken(twice, np.ones(3, dtype=bool)) == [3]


def test_channels_that_no_edge_shows_may_be_always_on_or_never() -> None:
    view = case(0.0, KNOWN)
    first = view_of(view.reference.box, view.observed.without_edges(np.arange(7) < 1), KNOWN)
    always, never = bs._unshown(first)
    assert always == [("2 (37.8 mA)", pytest.approx(37.8)), ("4 (504.0 mA)", pytest.approx(504.0))]
    assert never == [("1 (10.1 mA)", pytest.approx(10.08))]
    assert bs._unshown(view)[1] == []  # the first edge shows it, from nothing to channel 1
    half = case(0.0, KNOWN, edge_ma=np.array([0.0, -1, 1, -1, 1, -1, 1]) * 0.51 * CHANNEL_MA[2])
    assert [name[0] for name, _ in bs._unshown(half)[0]] == ["2", "3", "4"]
    assert bs._unshown(view_of(None, view.observed, asked=view.reference.account)) == ([], [])


def test_what_the_boxs_monitor_would_have_flagged_is_no_fault() -> None:
    """It compares where a pattern stands for 0.1 s: some per cent of the least current there, and a bit."""
    box = did_of_patterns([1, 5, 1, 5, 1], [1.0, 1.0, 0.099, 1.0, 0.1])
    view = view_of(box, observed_of(box.account), Prior(monitored=True))
    due = CHANNEL_MA[0] * guard.FAULT_PERCENT / 100 + guard.FAULT_UA / 1000
    assert bs._slack_ma(view) == pytest.approx(due)
    assert bs._unshown(view) == ([], [])
    short = did_of_patterns([5, 1, 5], [1.0, 0.099, 1.0])
    more = (CHANNEL_MA[0] + CHANNEL_MA[2]) * guard.FAULT_PERCENT / 100 + guard.FAULT_UA / 1000
    found = view_of(short, observed_of(short.account), Prior(monitored=True))
    assert bs._slack_ma(found) == pytest.approx(more)


def test_always_closed_is_what_all_bases_have() -> None:
    assert bs._always_closed(case(0.0, KNOWN)) == 1
    view = case(0.0, KNOWN)
    assert bs._always_closed(view_of(view.reference.box, replace(view.observed, base=np.zeros(7, bool)))) == 0


@pytest.mark.parametrize(("samples", "digit", "off", "within"), [
    (400, 0.0, 2.0 + 5 * 0.3 / 20 - 1e-6, True), (400, 0.0, 2.0 + 5 * 0.3 / 20 + 1e-6, False),
    (400, 3.0, 3.5 + 5 * 0.3 / 20 - 1e-6, True), (400, 3.0, 3.5 + 5 * 0.3 / 20 + 1e-6, False),
    (400, 0.0, -2.0 - 5 * 0.3 / 20 + 1e-6, True), (400, 0.0, -2.0 - 5 * 0.3 / 20 - 1e-6, False),
])  # fmt: skip
def test_a_base_within_its_tolerance_needs_no_words(
    samples: int, digit: float, off: float, within: bool
) -> None:
    """2 mA, half a digit and five standard deviations of the mean of all samples (0.3 mA each)."""
    found = bs.judge_base(case(off, SHARED, count=np.full(7, samples / 4.0), digit_ma=digit))
    assert found.excess_ma == pytest.approx(off)
    assert (found == bs.BaseFound(found.excess_ma)) is within


def test_a_base_that_is_not_seen_or_no_current_tells_nothing() -> None:
    assert bs.judge_base(case(9.0, Prior(levels=False))) == bs.BaseFound()
    for prior, told in ((KNOWN, True), (SHARED, True)):
        view = case(np.nan, prior)
        assert bs.judge_base(view) == bs.BaseFound(told=told)
    loads = object()
    assert not bs.judge_base(case(np.nan, Prior(shared=True, loads=loads))).told  # type: ignore[arg-type]
    assert bs.judge_base(case(9.0, KNOWN, count=np.zeros(7))) == bs.BaseFound()


def test_the_excess_is_what_half_of_the_samples_show() -> None:
    whole = np.array([1.0, 99, 5, 99, 8, 99, 90])
    count = np.array([10.0, 900, 10, 900, 25, 900, 6])
    assert bs.judge_base(case(whole, KNOWN, count=count)).excess_ma == 8.0


@pytest.mark.parametrize(("excess", "kind", "word"), [
    (CHANNEL_MA[1] + 1.9, df.STUCK_ON, "channel 2 (37.8 mA) stuck on"),
    (CHANNEL_MA[1] - 2.1, df.BASE, "another load on this circuit"),
    (CHANNEL_MA[3] + 10.0, df.STUCK_ON, "channel 4 (504.0 mA) stuck on"),
    (CHANNEL_MA[3] + 10.2, df.BASE, "another load on this circuit"),
    (-30.0, df.BASE, "a switch that is open"),
])  # fmt: skip
def test_where_nobody_else_draws_a_switch_of_just_that_current_is_accused(
    excess: float, kind: str, word: str
) -> None:
    view = case(excess, KNOWN)
    found = bs.judge_base(view_of(view.reference.box, view.observed.without_edges(np.arange(7) < 1), KNOWN))
    assert [row.kind for row in found.rows] == [kind]
    assert word in found.rows[0].message
    assert "the clamp's zero" in found.rows[0].message
    assert found.rows[0].seen == pytest.approx(BASE_MA + excess, abs=1e-5)
    assert found.told
    assert found.notes == ()
    assert ("above" in found.rows[0].message) is (excess > 0)


def test_a_switch_lifts_the_base_by_the_same_all_the_time() -> None:
    whole = np.array([CHANNEL_MA[1], 0, 30.0, 0, CHANNEL_MA[1], 0, 47.0])
    found = bs.judge_base(case(whole, KNOWN))
    assert [row.kind for row in found.rows] == [df.BASE]
    for spread, same in ((2 * 2.0 + 5 * 0.3 - 0.01, True), (2 * 2.0 + 5 * 0.3 + 0.01, False)):
        two = np.array([0.0, 0, spread, 0]) + 40.0  # the quantiles of 0.1 and 0.9 of two values
        box = did_of_patterns([1, 5, 1, 5], np.ones(4))
        view = view_of(box, observed_of(box.account, whole_ma=40 + (two - 40) / 0.8))
        assert bs._constant(view) is same


@pytest.mark.parametrize(("excess", "told", "zero", "notes"), [
    (6.4, True, 6.4, 0), (6.6, False, 6.6, 1), (24.9, False, 24.9, 1), (-6.4, True, -6.4, 0),
    (-24.9, False, -24.9, 1),
])  # fmt: skip
def test_a_zero_as_large_as_clamps_have_explains_a_base(
    excess: float, told: bool, zero: float, notes: int
) -> None:
    """With channel 1 shown to work by its edge, and so no resistor of it, and no channel of that current."""
    view = case(excess, KNOWN)
    found = bs.judge_base(view)
    assert (found.told, found.zero_ma, len(found.notes), found.rows) == (told, pytest.approx(zero), notes, ())


def test_a_scale_that_is_off_makes_every_zero_possible() -> None:
    view = case(CHANNEL_MA[1], KNOWN)
    found = bs.judge_base(view_of(view.reference.box, view.observed, KNOWN, gain=2.0))
    assert found.rows == ()
    assert not found.told
    assert "channel 2 (37.8 mA) stuck on" in found.notes[0]


@pytest.mark.parametrize(("excess", "rows"), [(-3.0, 0), (-24.9, 0), (-25.1, 1)])
def test_below_what_the_box_draws_no_other_load_explains(excess: float, rows: int) -> None:
    found = bs.judge_base(case(excess, SHARED))
    assert (len(found.rows), found.told) == (rows, bool(rows))
    text = found.rows[0].message if rows else found.notes[0]
    assert "no other load can do" in text
    assert "the power was off" not in text
    account = account_of([21.0, 90.0, 21.0], [1.0] * 3, 11.0)
    asked = bs.judge_base(
        view_of(None, observed_of(account, whole_ma=np.full(3, -9.0)), SHARED, asked=account)
    )
    assert "the power was off for a while" in asked.notes[0]


@pytest.mark.parametrize(("excess", "words", "told"), [
    (30.0, [], True),  # channel 2 would lift it by 38 mA: more than there is, and channel 4 more still
    (36.0, ["stuck switch of about that current: channel 2"], False),
    (60.0, ["about that current: channel 2 (37.8 mA)"], False),
    (80.0, ["a stuck switch may hide in it: channel 2"], False),
    (520.0, ["about that current: channel 4 (504.0 mA)"], False),
])  # fmt: skip
def test_among_other_loads_a_base_hides_what_it_is_large_enough_for(
    excess: float, words: list[str], told: bool
) -> None:
    found = bs.judge_base(case(excess, SHARED))
    assert (found.told, len(found.notes), found.rows) == (told, 1, ())
    for word in ["another load on this circuit", *words]:
        assert word in found.notes[0]
    assert ("a vehicle asleep draws some 10 .. 50 mA" in found.notes[0]) is (excess <= 50)
    assert ("channel" in found.notes[0]) is not told


def test_the_quietest_base_says_what_a_switch_may_draw() -> None:
    """In a twentieth of the samples the base was 30 mA too high only: channel 2's 38 mA weren't there."""
    whole = np.array([30.0, 0, 60.0, 0, 60.0, 0, 60.0])
    for first, told in ((10.0, True), (4.0, False)):  # of 100 samples
        count = np.array([first, 9, 60, 9, 20, 9, 20])
        assert bs.judge_base(case(whole, SHARED, count=count)).told is told


def test_an_open_switch_may_hide_in_what_others_draw() -> None:
    view = case(30.0, SHARED)
    unseen = view_of(view.reference.box, view.observed.without_edges(np.arange(7) < 1), SHARED)
    found = bs.judge_base(unseen)
    assert "a switch that is open may hide in it: channel 1 (10.1 mA)" in found.notes[0]
    assert not found.told


def test_a_first_edge_that_is_off_is_a_resistors_of_the_base() -> None:
    """60 % of 10.1 mA is more than what is allowed, 2.1 mA; among edges that are right nothing is said."""
    box = did_of_patterns([1, 5, 1, 5, 1, 5, 1], np.ones(7))
    for off_ma, said in ((5.0, True), (0.0, False)):
        edge_ma = np.array([off_ma, 0, 0, 0, 0, 0, 0])
        view = view_of(box, observed_of(box.account, edge_ma, whole_ma=np.full(7, 30.0)), SHARED)
        assert (bs._perhaps_off(view, 2.1) == ["1 (10.1 mA)"]) is said
        assert bs._perhaps_off(view, 6.1) == []
        assert ("a resistor that is off may hide in it: channel 1" in bs.judge_base(view).notes[0]) is said


def test_a_resistor_explains_a_base_unless_edges_speak_against_it() -> None:
    """3 mA are 30 % of channel 1; its one edge must be off by half of that at least."""
    for off_ma, named in ((0.0, False), (3.0, True), (1.6, True), (1.4, False)):
        view = case(3.0, KNOWN, edge_ma=np.array([off_ma, 0, 0, 0, 0, 0, 0]))
        assert bool(bs._resistors(view, 3.0)) is named
    monitored = case(3.0, Prior(monitored=True), edge_ma=np.array([3.0, 0, 0, 0, 0, 0, 0]))
    slack = bs._slack_ma(monitored)
    assert bool(bs._resistors(monitored, 0.99 * slack)) == (0.05 < 0.99 * slack / CHANNEL_MA[0] < 0.6)
    assert bs._resistors(monitored, 1.01 * slack) == []


def test_a_source_is_on_where_the_journal_shows_it_and_the_recording_has_samples() -> None:
    box = did_of_patterns([1, 5, 1, 5], np.ones(4), [12_600.0, 14_200.0, 14_400.0, 14_000.0])
    seen: Observed = observed_of(box.account, count=np.array([9.0, 9, 0, 9]))
    assert bs.fed(view_of(box, seen)).tolist() == [False, True, False, True]
    assert bs.fed(view_of(None, seen, asked=box.account)).tolist() == [False] * 4
    assert "was 14.20 V" in bs.source_text(box)


def test_without_a_journal_a_switch_can_only_be_guessed_at() -> None:
    account = account_of([21.0, 90.0, 21.0], [1.0] * 3, 11.0)
    seen = observed_of(account, whole_ma=np.full(3, 60.0))
    found = bs.judge_base(view_of(None, seen, SHARED, asked=account))
    assert "or a stuck switch: the journal would tell more" in found.notes[0]
    assert not found.told
    box: Did | None = None
    assert bs.perhaps_broken(view_of(box, seen, SHARED, asked=account), np.ones(3, bool)) == []

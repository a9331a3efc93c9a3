"""What is told of a power cycle as a whole: coverage, doubts and notes, on both sides of each bound, by
recordings put together by hand."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from nightdraw.capture import differences as df
from nightdraw.capture import holding as hd
from nightdraw.capture.accounts import Account, Edges
from nightdraw.capture.current import Current
from nightdraw.capture.instrument import PERFECT, Instrument
from nightdraw.capture.journal import Did
from nightdraw.capture.loads import Loads
from nightdraw.capture.place import Clock
from nightdraw.capture.view import Prior, View

from tests.capture.by_hand import (
    START,
    account_of,
    did_of_patterns,
    edges_of,
    observed_of,
    seen_of,
    train,
    view_of,
)

ALONE, SHARED = Prior(), Prior(shared=True)
LOADS = Loads(0.0, np.array([900.0]), np.array([333.0]), ("fan",), (), 0.0)  # none of it in the run


def recording(gaps: int = 0, notes: tuple[str, ...] = ()) -> Current:
    """A recording without an edge of its own."""
    seen = seen_of([], 100.0, [(k + 0.2, k + 0.4) for k in range(gaps)])
    return SimpleNamespace(seen=seen, notes=notes, recording=None)  # type: ignore[return-value]


def holding(view: View) -> hd.Holding:
    asked = None if view.reference.box is not None else view.reference.account
    return hd.Holding(asked, view.reference.box, recording(), [view.piece], view.prior)


def view(account: Account, prior: Prior = ALONE, edges: Edges | None = None, **columns: object) -> View:
    found = observed_of(account, **columns)
    return view_of(None, found, prior, asked=account, edges=edges_of(account) if edges is None else edges)


def judged(found: View, tool: Instrument = PERFECT, box: Did | None = None) -> hd.Part:
    part = hd.Part(found.clock, box, told=True)
    holding(found)._judge(part, [found], tool)
    return part


def outside(at_s: list[float], height: float = 60.0) -> Edges:
    at, zero = np.array(at_s), np.zeros(len(at_s))
    return Edges(at, zero, zero, zero + height, zero)


def unseen(account: Account, count: int) -> np.ndarray:
    """Variances by which so many edges, the last ones, were not seen."""
    levels = len(account.t_s)
    return np.where(np.arange(levels) >= levels - count, np.inf, 0.01)


@pytest.mark.parametrize(("prior", "lost", "told"), [
    (ALONE, 0, True), (ALONE, 2, True), (ALONE, 3, False), (SHARED, 10, True), (SHARED, 11, False),
])  # fmt: skip
def test_nothing_is_agreed_to_unless_enough_edges_were_judged(prior: Prior, lost: int, told: bool) -> None:
    """Of 20 edges nine in ten, half where others share the circuit; the run's begin counts for none where
    nobody knows what was before it."""
    account = train(10)
    part = judged(view(account, prior, edge_var=unseen(account, lost)))
    assert (part.edges, part.inside, part.judged) == (20, 20, 20 - lost)
    assert part.told is told
    assert part.rows == []


def test_with_a_journal_that_knows_the_power_up_the_first_edge_counts() -> None:
    box = did_of_patterns([1, *[5, 1] * 10], np.ones(21))
    for boot_s, edges in ((-5.0, 21), (None, 20)):
        known = replace(box, cycle=replace(box.cycle, boot_s=boot_s))
        found = view_of(known, observed_of(known.account), ALONE, edges=edges_of(known.account))
        assert judged(found, box=known).edges == edges


@pytest.mark.parametrize(("high", "digit", "gain", "told"), [
    (90.0, 1.9, 1.0, True), (90.0, 2.1, 1.0, False), (90.0, 4.1, -2.0, False), (90.0, 3.9, 2.0, True),
    (230.0, 3.9, 1.0, False),  # 4 mA of 200, but 2 of the base
])  # fmt: skip
def test_a_digit_coarser_than_the_tolerance_agrees_to_nothing(
    high: float, digit: float, gain: float, told: bool
) -> None:
    part = judged(view(train(10, high)), Instrument(gain=gain, digit_ma=digit))
    assert part.told is told
    said = f"the recorder's last digit is {digit:.3g} mA: levels can't be told within the tolerance"
    assert part.notes == ([] if told else [said])
    blind = judged(view(train(10, high), Prior(levels=False)), Instrument(gain=gain, digit_ma=digit))
    assert (blind.told, blind.notes) == (True, [])


@pytest.mark.parametrize(("stairs", "digit", "told"), [(9, 3.0, False), (14, 3.0, True), (14, 8.5, False)])
def test_a_digit_may_be_too_coarse_for_a_tenth_of_the_levels(stairs: int, digit: float, told: bool) -> None:
    """3 mA: within the tolerance of levels of 400 mA and more, not of the four bases between them, of 31 or
    46 levels; 8.5 mA are too much for those of 400 and 420 mA as well."""
    levels = [30.0, *[*(430.0 + 20 * k for k in range(stairs)), 30.0] * 3]
    part = judged(view(account_of(levels, np.ones(len(levels)), 30.0)), Instrument(digit_ma=digit))
    assert part.inside == len(levels) - 1
    assert part.told is told


def test_a_part_of_the_recording_that_holds_no_edge_tells_by_its_levels() -> None:
    account = train(4)
    found = view(account)
    nowhere = replace(found, piece=replace(found.piece, from_s=900.0, until_s=901.0))
    assert judged(nowhere).told
    empty = replace(nowhere, observed=replace(found.observed, count=np.zeros(9)))
    assert not judged(empty).told


@pytest.mark.parametrize(("prior", "edges", "matched", "told", "rows"), [
    (ALONE, 2, 9, True, 0), (ALONE, 3, 9, False, 0), (ALONE, 18, 9, False, 0), (ALONE, 19, 9, True, 1),
    (SHARED, 6, 9, True, 0), (SHARED, 7, 9, False, 0), (SHARED, 19, 9, False, 0),
])  # fmt: skip
def test_edges_clear_of_the_run_are_another_run(
    prior: Prior, edges: int, matched: int, told: bool, rows: int
) -> None:
    """Two say nothing where the box is alone, six where it isn't; more than twice as many as the run has are
    a difference there."""
    account = train(4)
    at_s = [40.0 + k for k in range(edges)]
    found = view(account, prior, outside(at_s))
    part = hd.Part(replace(START, offset_s=100.0, matched=matched), None)
    late = replace(found, piece=replace(found.piece, clock=part.clock))
    assert holding(late)._open_questions(part, late) is told
    assert len(part.rows) == rows
    text = (
        f"{edges} edges come before or after the run that fits from 100.000 s of the recording on, from "
        f"140.000 s to {139 + edges}.000 s: another run, or this one begun anew after a power loss? The "
        "journal would tell"
    )
    assert part.notes == ([text] if not told else [])
    if rows:
        (row,) = part.rows
        assert (row.kind, row.seen, row.message) == (df.EXTRA, 140.0, text)


def test_other_power_cycles_edges_are_their_own() -> None:
    box = did_of_patterns([1, *[5, 1] * 4], np.ones(9))
    for change, asks in ((box, True), (replace(box, cycle=replace(box.cycle, order=1)), False),
                         (replace(box, cycle=replace(box.cycle, cut=True)), False)):  # fmt: skip
        found = view_of(change, observed_of(change.account), ALONE, edges=outside([40.0, 41, 42, 43], 151.0))
        part = hd.Part(START, change)
        assert holding(found)._open_questions(part, found) is not asks


def test_levels_that_keep_no_ratio_ask_for_a_resistance() -> None:
    account = train(10)
    off = np.where(np.arange(21) % 2 == 1, 9.0, -9.0)
    off[0] = 0.0
    for prior, said in ((Prior(levels=False), True), (ALONE, False)):
        found = view(account, prior, edge_ma=off)
        doubts = list(holding(found)._doubts(found, False))
        assert doubts == (
            ["the levels don't stand to each other as they should: give the resistance with --ohms"]
            if said else []
        )  # fmt: skip
    assert list(holding(view(account))._doubts(view(account, Prior(levels=False)), False)) == []


def test_a_channel_whose_few_edges_are_off_by_it_may_be_broken() -> None:
    box = did_of_patterns([1, *[9, 1] * 8, 5, 1], np.ones(19))
    off = np.where(box.pattern == 5, -box.account.step_ma, 0.0)
    off[18] = -box.account.step_ma[18]
    for prior, said in ((SHARED, True), (ALONE, False)):
        found = view_of(box, observed_of(box.account, off), prior)
        doubts = [text for text in holding(found)._doubts(found, True) if "may be broken" in text]
        assert len(doubts) == said
        if said:
            assert doubts[0].startswith("channel 3 may be broken: the few edges")


def test_an_edge_that_nothing_could_hide_and_edges_off_alike_are_doubts_where_nothing_is_told() -> None:
    account = train(10)
    gone = np.where(np.arange(21) == 5, -account.step_ma, 0.0)
    known = Prior(shared=True, loads=LOADS)
    found = view(account, known, edge_ma=gone)
    found = replace(found, piece=replace(found.piece, clock=replace(START, offset_s=50.0)))
    assert list(holding(found)._doubts(found, True)) == []
    assert list(holding(found)._doubts(found, False)) == [
        "the box's edge at 61.000 s of the recording isn't there, and nothing in the vehicle draws what "
        "would hide it"
    ]
    alike = np.where(np.isin(np.arange(21), (5, 6)), [0.0] * 5 + [17.0, -17.3] + [0.0] * 14, 0.0)
    for prior, told, said in ((SHARED, False, True), (SHARED, True, False), (ALONE, False, False)):
        found = view(account, prior, edge_ma=alike)
        doubts = list(holding(found)._doubts(found, told))
        assert bool(doubts) is said
        if said:
            assert doubts[0].startswith(
                "edges are off by the same 17.0 mA again: another load hardly changes"
            )


def notes_of(found: View, part: hd.Part, seen: Current | None = None) -> list[str]:
    return list(hd._notes(found.reference, part, [found], seen or recording()))


def test_an_even_train_between_its_ends_says_how_many_other_places_fit() -> None:
    found = view(train(4))
    for others, offset_s, said in ((3, 1.1, True), (3, -1.1, True), (3, 0.9, False), (0, 9.0, False)):
        notes = notes_of(found, hd.Part(Clock(offset_s, 0.0, 9, 0.0, others), None))
        assert bool(notes) is said
        if said:
            assert "(3 other places fit)" in notes[0]


def test_a_recording_of_which_no_edge_was_matched_is_taken_to_begin_with_the_run() -> None:
    nowhere = hd.Part(Clock(0.0, 0.0, 0, 0.0, 0), None)
    assert notes_of(view(train(2)), nowhere) == [
        "no edge of the recording could be matched: it is taken to begin with the run"
    ]
    steady = account_of([30.0, 30.0], [1.0, 1.0], 30.0)
    assert notes_of(view(steady), nowhere) == []  # a steady draw has no pulse to match by


def test_edges_too_small_for_the_noise_are_counted_and_many_of_them_tell_nothing() -> None:
    """Five standard deviations of 2.4 mA hide 11.9 mA, and no step that is within 2 mA anyhow."""
    for pulses, told in ((1, True), (2, False)):
        levels = [30.0, *[41.9, 30.0] * pulses, *[90.0, 30.0] * (10 - pulses)]
        account = account_of(levels, np.ones(21), 30.0)
        small = np.abs(account.step_ma) < 50
        part = hd.Part(START, None, told=True, edges=20, inside=20 + pulses, judged=20)
        notes = notes_of(view(account, edge_var=np.where(small, 2.4**2, 0.01)), part)
        assert notes == [f"{2 * pulses} edges are too small for this recording's noise"]
        assert part.told is told  # of a tenth of them nothing need be seen
        for var in (2.37**2, np.inf):  # clear of it, or not recorded at all
            assert notes_of(view(account, edge_var=np.where(small, var, 0.01)), part) == []
    within = account_of([30.0, *[31.9, 30.0] * 10], np.ones(21), 30.0)
    assert notes_of(view(within, edge_var=np.full(21, 99.0)), all_of_them(20)) == []


def all_of_them(edges: int) -> hd.Part:
    return hd.Part(START, None, edges=edges, inside=edges, judged=edges)


def test_edges_that_cannot_be_judged_and_gaps_are_counted() -> None:
    part = hd.Part(START, None, edges=20, inside=14, judged=11)
    assert notes_of(view(train(10)), part) == [
        "9 of 20 edges can't be judged: 6 not recorded, 3 too short, lost or spoilt"
    ]
    for gaps, text in ((1, "the recording has 1 gap"), (3, "the recording has 3 gaps")):
        notes = notes_of(view(train(10)), all_of_them(20), recording(gaps, ("an own note",)))
        assert notes == [text, "an own note"]
    assert notes_of(view(train(10)), all_of_them(20)) == []


@pytest.mark.parametrize(("share", "base", "told"), [
    (0.91, False, True), (0.89, False, False), (0.91, True, False),
])  # fmt: skip
def test_beside_a_source_what_the_clamp_does_not_see_is_no_difference(
    share: float, base: bool, told: bool
) -> None:
    """Of the large edges that a source fed, the clamp shows nine tenths, or less; or the base is low."""
    box = did_of_patterns([1, *[9, 1] * 8], np.ones(17), 14_000.0)
    found = view_of(box, observed_of(box.account, (share - 1) * box.account.step_ma), SHARED)
    part = hd.Part(START, box, told=True)
    row = df.Difference(df.BASE if base else df.LEVEL, None, None, None, 1.0, "off")
    part.rows = [row]
    holding(found)._beside_a_source(part, found, np.ones(17, dtype=bool))
    assert part.rows == ([row] if told else [])
    assert part.told is told
    assert len(part.notes) == (not told)
    nothing = hd.Part(START, box, told=True)
    holding(found)._beside_a_source(nothing, found, np.ones(17, dtype=bool))
    assert (nothing.rows, nothing.told, nothing.notes) == ([], True, [])
    # edges that no source fed don't count, nor small ones
    part = hd.Part(START, box, rows=[row], told=True)
    holding(found)._beside_a_source(part, found, np.zeros(17, dtype=bool))
    assert part.rows == []  # no large edge shows all of the box's current


def test_small_edges_say_nothing_of_what_passes_the_clamp() -> None:
    """Two of 560 mA are seen at 95 %, forty of 42 mA, which together are higher, at half."""
    pattern = [1, 9, 1, *[3, 1] * 20]
    box = did_of_patterns(pattern, np.ones(43), 14_000.0)
    step = box.account.step_ma
    off = np.where(np.abs(step) > 500, -0.05 * step, -0.5 * step)
    found = view_of(box, observed_of(box.account, off), SHARED)
    row = df.Difference(df.LEVEL, None, None, None, 1.0, "off")
    part = hd.Part(START, box, rows=[row], told=True)
    holding(found)._beside_a_source(part, found, np.ones(43, dtype=bool))
    assert (part.rows, part.told) == ([row], True)

"""Which explanation is told where several explain the same: by tables of hypotheses put together by hand, on
both sides of each bound of their likelihoods' logarithms."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from nightdraw.capture import hypotheses as hyp
from nightdraw.capture.faults import OFF, OPEN, STUCK_ON, Diagnosis, Fault
from nightdraw.capture.view import Prior

from tests.capture.by_hand import CHANNELS_NS, did_of_patterns, observed_of, view_of

SHARED = Prior(shared=True)
STUCK, RESISTOR = Fault(STUCK_ON, 2, 1.0), Fault(OFF, 3, 0.2)
USUAL = hyp._Way()
LEAD, SCALE, SLIP = (
    hyp._Way(lead_per_a=0.1, prior=-6.0), hyp._Way(gain=1.3, prior=-9.0), hyp._Way(gain=10.0, prior=-4.0),
)  # fmt: skip


def table(
    way: hyp._Way = USUAL,
    nothing: float = 0.0,
    score: float | None = None,
    fault: Fault | None = None,
    rivals: tuple[Fault, ...] = (),
    single: bool = True,
    matters: bool = True,
    leaves: bool = False,
    resistors: tuple[Fault, ...] = (),
    some: float = -np.inf,
    journal: bool = True,
) -> hyp._Table:
    """A table that answers so: the score of nothing wrong and of the best row, and what is found."""
    best = nothing if score is None else score
    found: object = SimpleNamespace(
        way=way,
        nothing=SimpleNamespace(score=nothing),
        score=best,
        sound=best == nothing,
        single=single,
        matters=matters,
        found=Diagnosis(way.gain, way.lead_per_a, fault, rivals),
        leaves=lambda zero_ma: leaves,
        resistors=lambda: resistors,
        some_resistor=lambda: some,
        evidence=SimpleNamespace(channels_ns=CHANNELS_NS if journal else ()),
    )
    return found  # type: ignore[return-value]


def told(*tables: hyp._Table) -> Diagnosis:
    return hyp._told_apart(list(tables), max(tables, key=lambda one: one.score))


def test_what_is_clearly_the_best_is_told() -> None:
    """Several heights, nothing within three deviations, 4.5, of it."""
    stuck = table(score=50.0, fault=STUCK, single=False)
    assert told(stuck, table(LEAD, 45.4, single=False)) == Diagnosis(fault=STUCK)
    assert told(table(single=False), table(LEAD, 50.0, single=False)) == Diagnosis(lead_per_a=0.1)
    assert told(table(matters=False)) == Diagnosis()


def test_a_rival_within_three_deviations_is_named_with_the_part() -> None:
    stuck = table(score=50.0, fault=STUCK, rivals=(RESISTOR,), single=False)
    found = told(stuck, table(SLIP, 45.6, single=False))
    assert found == Diagnosis(10.0, 0.0, STUCK, (RESISTOR,), either=True)
    # the other way round: the clamp's is the best, the part a rival
    found = told(table(score=46.0, fault=STUCK, single=False), table(SLIP, 50.0, single=False))
    assert found == Diagnosis(10.0, 0.0, STUCK, (), either=True)
    # neither needs a part of the box
    close = told(table(single=False), table(SLIP, 2.0, single=False))
    assert close == Diagnosis(10.0)
    assert told(table(single=False, nothing=2.0), table(SLIP, 0.0, single=False)) == Diagnosis()


@pytest.mark.parametrize(("way", "prior"), [(LEAD, -6.0), (SCALE, -9.0)])
def test_steps_of_one_height_never_tell_a_value_from_a_part(way: hyp._Way, prior: float) -> None:
    """Whatever its prior: a value that fits better than nothing wrong does, by its likelihood alone."""
    for better, either in ((0.1, True), (-0.1, False)):
        usual = table(score=20.0, fault=RESISTOR, rivals=(Fault(OFF, 4, 0.3),))
        found = told(usual, table(way, prior + better))
        assert found.either is either
        if either:
            assert (found.gain, found.lead_per_a) == (way.gain, way.lead_per_a)
            assert (found.fault, found.rivals) == (RESISTOR, (Fault(OFF, 4, 0.3),))
        else:
            assert found.fault == RESISTOR
    # a slip has no free value, nor does one that needs a part besides
    assert told(table(score=20.0, fault=RESISTOR), table(SLIP, 10.0)).fault == RESISTOR
    assert not told(table(score=20.0, fault=RESISTOR), table(way, 5.0, score=10.0)).either


def test_without_a_part_that_is_sure_the_resistors_that_may_be_are_named() -> None:
    others = (RESISTOR, Fault(OFF, 4, -0.4))
    found = told(table(resistors=others), table(LEAD, 3.0))
    assert found == Diagnosis(1.0, 0.1, RESISTOR, others[1:], either=True)
    assert told(table(), table(LEAD, 3.0)) == Diagnosis(1.0, 0.1, None, (), either=True)
    assert told(table(matters=False), table(LEAD, 9.0)) == Diagnosis(1.0, 0.1)  # no step is off


@pytest.mark.parametrize(("way", "score", "leaves", "either"), [
    (LEAD, 39.6, False, True), (LEAD, 39.4, False, False), (LEAD, 39.6, True, False),
    (SCALE, 39.6, False, False),
])  # fmt: skip
def test_a_switch_has_its_own_current_which_only_a_close_lead_takes_by_chance(
    way: hyp._Way, score: float, leaves: bool, either: bool
) -> None:
    """Its likelihood, without the prior, within 4.5 of the switch's 44; a base that a usual zero explains."""
    found = told(table(score=44.0, fault=STUCK), table(way, score + way.prior, leaves=leaves))
    assert found.either is either


def test_a_value_that_mends_steps_of_several_heights_accounts_for_what_only_a_tolerance_accuses() -> None:
    for single, matters, either in ((False, False, True), (False, True, False), (True, True, True)):
        usual = table(nothing=10.0, single=single, resistors=(RESISTOR,))
        found = told(usual, table(LEAD, 5.0, matters=matters))
        assert found.either is either
    sure = table(score=50.0, fault=RESISTOR, single=False)
    assert not told(sure, table(LEAD, 5.0, matters=False)).either


def test_without_a_journal_some_resistor_may_explain_what_a_value_does() -> None:
    for some, either in ((45.6, True), (45.4, False)):
        usual = table(some=some, journal=False, single=False)
        assert told(usual, table(SCALE, 50.0, single=False)) == Diagnosis(1.3, either=either)
        assert not told(replace_journal(usual), table(SCALE, 50.0, single=False)).either
        assert not told(usual, table(SLIP, 50.0, single=False)).either


def replace_journal(usual: hyp._Table) -> hyp._Table:
    """The same with a journal."""
    found: object = SimpleNamespace(**{**vars(usual), "evidence": SimpleNamespace(channels_ns=CHANNELS_NS)})
    return found  # type: ignore[return-value]


PATTERN = [*[1, 3] * 12, 1]


def with_others(
    others_ma: float, stuck: bool, prior: Prior = SHARED, rivals: tuple[Fault, ...] = ()
) -> Diagnosis:
    """Channel 2 (38 mA) accused among loads that draw so much in every base."""
    box = did_of_patterns(PATTERN, np.ones(25))
    second_ma = CHANNELS_NS[1] * 12.6e-6
    on = np.array([p >> 1 & 1 for p in PATTERN])
    whole = others_ma + second_ma * (1 - on if stuck else -on)
    seen = observed_of(box.account, whole_ma=whole.astype(float))
    fault = Fault(STUCK_ON, 2, 1.0) if stuck else Fault(OPEN, 2, -1.0)
    return hyp._stuck_or_open(view_of(box, seen, prior), Diagnosis(fault=fault, rivals=rivals))


def kinds(found: Diagnosis) -> list[tuple[str, int]]:
    assert found.fault is not None
    return [(fault.kind, fault.channel) for fault in (found.fault, *found.rivals)]


def test_a_switch_is_stuck_only_where_the_base_has_its_current() -> None:
    """The base is 2 mA short at the most, as levels may be."""
    assert kinds(with_others(5.0, stuck=False)) == [(OPEN, 2)]
    for others_ma, there in ((35.7, False), (35.9, True)):
        assert ((STUCK_ON, 2) in kinds(with_others(others_ma, stuck=False))) is there


def test_what_leaves_a_vehicle_as_much_as_it_draws_asleep_is_told_first() -> None:
    low, high = hyp.SLEEPING_MA
    usual = (low + high) / 2
    assert kinds(with_others(usual, stuck=False))[0] == (OPEN, 2)
    # stuck on the others draw `usual`, open they would draw 38 mA more
    assert kinds(with_others(usual, stuck=True))[0] == (STUCK_ON, 2)
    # where both leave more than any draws asleep the stuck one is told first
    assert kinds(with_others(high + 900.0, stuck=False)) == [(STUCK_ON, 2), (OPEN, 2)]


def test_rivals_of_other_channels_stay_and_without_levels_nothing_is_left_out() -> None:
    rivals = (Fault(OFF, 2, 0.4), Fault(OFF, 4, 0.3))
    assert (OFF, 4) in kinds(with_others(5.0, False, rivals=rivals))
    assert (OFF, 2) not in kinds(with_others(5.0, False, rivals=rivals))
    blind = with_others(5.0, False, replace(SHARED, levels=False), rivals)
    assert kinds(blind) == [(STUCK_ON, 2), (OPEN, 2), (OFF, 4)]


def by_hand(
    value: list[float],
    effects: list[list[float]],
    rows: list[tuple[str, int, float, float]],
    amounts: list[float] | None = None,
    due: list[float] | None = None,
) -> hyp._Table:
    """A table over numbers that are known to 1 mA each: the channels' effects on them, and its rows (kind,
    channel from 0, share, score; nothing wrong has 0). amounts: how much of each effect fits (None: by least
    squares)."""
    seen, each = np.array(value), [np.array(effect) for effect in effects]

    def amount(effect: np.ndarray) -> float:
        if amounts is not None:
            return amounts[next(k for k, one in enumerate(each) if one is effect)]
        return float(effect @ seen / (effect @ effect))

    found = object.__new__(hyp._Table)
    evidence: object = SimpleNamespace(
        value=seen,
        due=np.array(due or [60.0] * len(value)),
        levels_off=False,
        tight=None,
        effect=lambda kind, k: each[k],
        amount=amount,
        likelihood=lambda mean, spread, setup: -0.5 * float(np.sum((seen - mean) ** 2)),
    )
    found.evidence, found.way = evidence, USUAL  # type: ignore[assignment]
    found.nothing = hyp._Row("", 0, 0.0, 0.0)
    found.faults = [hyp._Row(*row) for row in rows]
    return found


@pytest.mark.parametrize(
    ("across", "scale", "channel", "named"),
    [(6.0, 1.0, 1, True), (6.6, 1.0, 1, False), (0.0, 1.0, 1, True), (0.0, 0.8, 1, False),
     (0.0, 11.0, 1, False), (0.0, 1.0, 0, False)],
)  # fmt: skip
def test_a_resistor_that_would_explain_an_open_switch_is_its_rival(
    across: float, scale: float, channel: int, named: bool
) -> None:
    """Channel 1 is open, all of its 10 mA missing. Half of channel 2's 20 mA explain as much; by what it does
    to another number, off by `across` mA, the likelihood's logarithm falls by 50 a^2 / (400 + a^2): 4.5 at
    6.3 mA. Half is a mistake's share, 0.6 the most and 0.05 the least."""
    effects = [[10.0, 0.0], [20.0 * scale, across * scale]] if channel else [[20.0, 0.0], [1.0, 1.0]]
    share = -1.0 if channel else -0.5
    rows = [(OPEN, 0, share, 50.0), (OFF, channel, 0.0, 20.0)]
    table = by_hand([-10.0, 0.0], effects, rows)
    found = table.found
    assert found.fault == Fault(OPEN, 1, share)
    amount = -200.0 / (400 + across**2) / scale
    assert found.rivals == ((Fault(OFF, 2, pytest.approx(amount)),) if named else ())


def test_switches_of_other_channels_are_rivals_within_three_deviations() -> None:
    effects = [[10.0, 0.0], [0.0, 10.0], [9.0, 3.0]]
    rows = [(OPEN, 0, -1.0, 50.0), (STUCK_ON, 0, 1.0, 49.0), (STUCK_ON, 1, 1.0, 45.6), (OPEN, 2, -1.0, 45.5)]
    found = by_hand([-10.0, 0.0], effects, rows).found
    assert found.fault == Fault(OPEN, 1, -1.0)
    assert found.rivals == (Fault(STUCK_ON, 2, 1.0),)  # not at three deviations, nor of the same channel


def test_of_resistors_that_are_off_the_least_is_told_and_the_likely_ones_are_rivals() -> None:
    rows = [
        (OFF, 0, 0.0, 50.0),
        (OFF, 1, 0.0, 49.0),
        (OFF, 2, 0.0, 48.0),
        (OFF, 3, 0.0, 47.0),
        (STUCK_ON, 4, 1.0, 46.0),
    ]
    effects = [[k + 40.0] for k in range(5)]
    found = by_hand([5.0], effects, rows, [0.3, -0.7, -0.1, 0.6, 1.0]).found
    assert found.fault == Fault(OFF, 3, -0.1)
    assert found.rivals == (Fault(OFF, 1, 0.3), Fault(OFF, 4, 0.6), Fault(STUCK_ON, 5, 1.0))


@pytest.mark.parametrize(("share", "effect_ma", "told"), [
    (0.05, 40.0, True), (0.0499, 40.0, False), (-1.0, 40.0, False), (-0.99, 40.0, True), (4.0, 40.0, True),
    (4.01, 40.0, False), (0.125, 12.0, True), (0.125, 11.9, False),
])  # fmt: skip
def test_a_resistor_is_off_by_what_shows_and_what_can_be(share: float, effect_ma: float, told: bool) -> None:
    """A twentieth to four times its current, 1.5 mA at least; without all of its current it is open."""
    found = by_hand([5.0], [[effect_ma]], [(OFF, 0, 0.0, 50.0)], [share]).found
    assert (found.fault == Fault(OFF, 1, share)) is told
    assert (found == Diagnosis()) is not told


def test_a_part_needs_five_deviations_over_nothing_wrong() -> None:
    for score, told_ in ((12.5, True), (12.4, False)):
        found = by_hand([-10.0], [[10.0]], [(OPEN, 0, -1.0, score)]).found
        assert (found.fault is not None) is told_
    assert by_hand([-10.0], [[10.0]], []).found == Diagnosis()


def test_resistors_that_may_be_off_are_those_near_the_best_row_the_least_first() -> None:
    rows = [
        (OPEN, 4, -1.0, 10.0),
        (OFF, 0, 0.0, 5.6),
        (OFF, 1, 0.0, 9.0),
        (OFF, 2, 0.0, 5.5),
        (OFF, 3, 0.0, 9.0),
    ]
    table = by_hand([5.0], [[40.0 + k] for k in range(5)], rows, [0.6, -0.05, 0.2, 0.61, 1.0])
    assert table.resistors() == (Fault(OFF, 2, -0.05), Fault(OFF, 1, 0.6))
    assert by_hand([5.0], [[1.0]], []).resistors() == ()


def test_a_step_within_its_tolerance_does_not_matter_nor_does_the_base() -> None:
    for value, due in (([2.0, 0.0], False), ([-2.01, 0.0], True), ([1.0, 9.0], False)):
        assert by_hand(value, [], [], due=[60.0, 30.0]).matters is due
    assert by_hand([3.0, 0.0], [], [], due=[200.0, 30.0]).matters is False


@pytest.mark.parametrize(("others", "stands"), [(3, True), (4, False)])
def test_three_in_ten_of_the_edges_that_are_off_may_be_left_so(others: int, stands: bool) -> None:
    """Channel 3 is open, in 14 edges or 12; as many of channel 4's as make 20 are off by something else."""
    thirds = 10 - others
    pattern = [*[1, 5] * thirds, *[1, 9] * others, 1]
    box = did_of_patterns(pattern, np.ones(21))
    step, third = box.account.step_ma, np.array([p >> 2 & 1 for p in pattern])
    edge_ma = -np.diff(third, prepend=0) * CHANNELS_NS[2] * 12.6e-6
    edge_ma += np.where(np.abs(step) > 400, 50.0 * np.sign(step), 0.0)
    view = view_of(box, observed_of(box.account, edge_ma, whole_ma=np.full(21, 30.0)), SHARED)
    evidence = hyp.Evidence(view, view.observed, (hyp.FREE, hyp.FREE), 0.0)
    assert hyp._stands(view, evidence, Diagnosis(fault=Fault(OPEN, 3, -1.0))) is stands


def test_a_supply_that_falls_by_no_more_than_in_usual_wires_shows_no_lead() -> None:
    """0.016 an ampere: 0.8 % at half an ampere, though a lead of 0.02 would take as little as that."""
    for fall, due in ((0.0078, False), (0.0086, True)):
        pattern = np.array([0, 8] * 10)
        box = did_of_patterns(
            pattern.tolist(), np.ones(20), np.where(pattern == 8, 12_600 * (1 - fall), 12_600.0)
        )
        assert hyp._journal_shows(box, 0.02) is due

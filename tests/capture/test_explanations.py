"""The table of what may be wrong, against faults put in by Ohm's law and scores by scipy's normal law."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from nightdraw.capture import hypotheses as hyp
from nightdraw.capture.evidence import FREE, TIGHT, Evidence
from nightdraw.capture.faults import OFF, OPEN, STUCK_ON, Diagnosis, Fault
from nightdraw.capture.journal import Did
from nightdraw.capture.observed import Observed
from nightdraw.capture.view import Prior, View
from scipy import optimize

from tests.capture.by_hand import (
    CHANNELS_NS,
    SUPPLY_MV,
    Floats,
    account_of,
    did_of_patterns,
    observed_of,
    view_of,
)

PATTERN = [*[1, 3, 1, 5, 1, 9, 1, 7, 1, 13, 1, 11] * 3, 1]
SHARED = Prior(shared=True)


def box_of(pattern: list[int] | None = None, supply: float | Floats = SUPPLY_MV) -> Did:
    used = pattern or PATTERN
    return did_of_patterns(used, np.ones(len(used)), supply)


def shows(
    box: Did, shown_ma: Floats, noise_ma: float = 0.05, seed: int = 1, before_ma: float = 11.0
) -> Observed:
    """A recording that shows these levels, and before_ma before them; each edge with a little noise."""
    off = shown_ma - box.account.level_ma
    edge_ma = np.diff(off, prepend=before_ma - 11.0)
    edge_ma = edge_ma + np.random.default_rng(seed).normal(0, noise_ma, len(off))
    return observed_of(box.account, edge_ma, whole_ma=off, edge_var=np.full(len(off), 0.01))


def faulty(box: Did, fault: Fault, noise_ma: float = 0.05, seed: int = 1) -> Observed:
    """A recording of a bank with a fault; a switch that is stuck conducts before the run, too."""
    stuck_ma = CHANNELS_NS[fault.channel - 1] * 1e-9 * float(box.supply_mv[0]) * (fault.kind == STUCK_ON)
    return shows(box, with_fault(box, fault), noise_ma, seed, 11.0 + stuck_ma)


def with_fault(box: Did, fault: Fault) -> Floats:
    """The levels of a bank with a fault, pattern by pattern, by Ohm's law."""
    shown = []
    for pattern, supply in zip(box.pattern.tolist(), box.supply_mv, strict=True):
        total = 11.0
        for k, ns in enumerate(CHANNELS_NS):
            on = bool(pattern >> k & 1)
            if k == fault.channel - 1:
                on = True if fault.kind == STUCK_ON else False if fault.kind == OPEN else on
                ns = ns * (1 + fault.share) if fault.kind == OFF else ns
            total += on * ns * 1e-9 * supply
        shown.append(total)
    return np.array(shown)


@pytest.mark.parametrize("prior", [Prior(), Prior(monitored=True)], ids=["alone", "monitored"])
@pytest.mark.parametrize("kind", [STUCK_ON, OPEN, OFF])
@pytest.mark.parametrize("channel", [2, 3, 4])
def test_a_channels_fault_is_named(seed: int, kind: str, channel: int, prior: Prior) -> None:
    rng = np.random.default_rng(seed)
    share = {STUCK_ON: 1.0, OPEN: -1.0, OFF: float(rng.choice([-0.3, 0.25]))}[kind]
    box = box_of()
    seen = faulty(box, Fault(kind, channel, share), seed=seed)
    found = hyp.diagnose(view_of(box, seen, prior))
    assert found.accused
    assert found.fault is not None
    assert (found.fault.kind, found.fault.channel) == (kind, channel)
    assert found.fault.share == pytest.approx(share, abs=0.01)
    assert (found.gain, found.lead_per_a) == (1.0, 0.0)
    assert all(rival.channel != channel for rival in found.rivals)


def test_nothing_wrong_needs_no_fault(seed: int) -> None:
    box = box_of()
    for prior in (Prior(), SHARED):
        assert hyp.diagnose(view_of(box, shows(box, box.account.level_ma, seed=seed), prior)) == Diagnosis()
    unseen = observed_of(box.account, edge_var=np.full(len(PATTERN), np.inf))
    assert hyp.diagnose(view_of(box, unseen)) == Diagnosis()


@pytest.mark.parametrize("gain", [1.3, 0.8, -1.0, 10.0, -0.1, 1000.0])
def test_a_clamps_scale_is_found(gain: float) -> None:
    box = box_of()
    seen = shows(box, gain * box.account.level_ma, before_ma=gain * 11.0)
    found = hyp.diagnose(view_of(box, seen))
    assert found.gain == pytest.approx(gain, rel=1e-2)
    assert found.fault is None
    assert hyp.diagnose(view_of(box, seen), scale=False).gain == 1.0


@pytest.mark.parametrize("per_a", [0.05, 0.2, 0.6])
def test_a_lead_is_found(per_a: float) -> None:
    """By Ohm's law: conductance g behind a resistance r of the supply takes g / (1 + r g)."""
    box = box_of()
    bank_a = (box.account.level_ma - 11.0) / 1000
    found = hyp.diagnose(view_of(box, shows(box, 11.0 + 1000 * bank_a / (1 + per_a * bank_a))))
    assert found.lead_per_a == pytest.approx(per_a, rel=0.02)
    assert (found.gain, found.fault) == (1.0, None)


def test_a_lead_is_where_most_height_is_explained(seed: int) -> None:
    """scipy's search for the least weighed sum of absolute misfits, of edges of some of the heights."""
    box = box_of()
    bank_a = (box.account.level_ma - 11.0) / 1000
    seen = shows(box, 11.0 + 1000 * bank_a / (1 + 0.3 * bank_a), 0.3, seed)
    (way,) = hyp._leads(seen, None)
    large = hyp._large(seen)
    shown = (seen.account.step_ma + seen.edge_ma)[large]

    def loss(per_a: float) -> float:
        drawn = 11.0 + 1000 * bank_a / (1 + per_a * bank_a)
        return float(np.sum(np.abs(shown - np.diff(drawn, prepend=11.0)[large])))

    best = optimize.minimize_scalar(loss, bounds=(0.0, 0.8), method="bounded", options={"xatol": 1e-9})
    assert way.lead_per_a == pytest.approx(best.x, abs=1e-3)
    assert way.prior == hyp.LEAD_PRIOR


@pytest.mark.parametrize(
    ("per_a", "told"), [(0.0, False), (0.019, False), (0.021, True), (0.79, True), (0.9, False)]
)
def test_a_usual_lead_is_no_hypothesis(per_a: float, told: bool) -> None:
    box = box_of()
    bank_a = (box.account.level_ma - 11.0) / 1000
    seen = shows(box, 11.0 + 1000 * bank_a / (1 + per_a * bank_a), 0.0)
    assert bool(list(hyp._leads(seen, None))) is told
    nothing = observed_of(box.account, edge_var=np.full(len(PATTERN), np.inf))
    assert list(hyp._leads(nothing, None)) == []


@pytest.mark.parametrize(
    ("gain", "due"),
    [
        (1.0, {}),
        (1.029, {10.0: True}),
        (1.031, {10.0: True, 1.031: False}),
        (7.0, {7.0: False, 10.0: True}),
        (-0.5, {-0.5: False, -1.0: True, -0.1: True}),
        (-1.02, {-1.02: True, -1.0: True, -10.0: True}),
        (98.0, {98.0: True, 10.0: True, 100.0: True}),
        (50.0, {50.0: False, 10.0: True, 100.0: True}),
    ],
)
def test_scales_are_the_edges_own_and_the_usual_slips(gain: float, due: dict[float, bool]) -> None:
    """True: a slip that people make, by a power of ten or turned round, with its own prior."""
    box = box_of()
    seen = observed_of(box.account, (gain - 1) * box.account.step_ma)
    found = {round(way.gain, 6): way.prior == hyp.SLIP_PRIOR for way in hyp._scales(seen)}
    assert found == due


def test_large_edges_are_those_of_a_third_of_the_largest_that_was_seen() -> None:
    account = account_of([100.0, 160.0, 100.0, 128.0, 99.0, 130.0, 500.0], np.ones(7), 100.0)
    seen = observed_of(account, edge_var=np.array([0.1] * 6 + [np.inf]))
    assert hyp._large(seen).tolist() == [False, True, True, True, True, True, False]
    less = replace(seen, account=replace(account, level_ma=np.array([100.0, 160, 142.1, 160, 142, 160, 500])))
    assert hyp._large(less).tolist() == [False, True, False, False, True, True, False]


@pytest.mark.parametrize(("fall", "due"), [(0.049, False), (0.051, True), (0.199, True), (0.201, False)])
def test_a_journal_shows_a_lead_by_its_supply(fall: float, due: bool) -> None:
    """A lead that takes 10 % of the supply under the bank's current: half to twice of that shows."""
    pattern = [0, 8] * 10
    free = did_of_patterns(pattern, np.ones(20))
    swing_a = (free.account.level_ma[1] - free.account.level_ma[0]) / 1000
    scale = swing_a * 0.2 / 0.1
    supply = np.where(np.array(pattern) == 8, 12_600 * (1 - fall * scale), 12_600.0)
    box = replace(free, supply_mv=supply)
    assert hyp._journal_shows(box, 0.2) is due
    assert not hyp._journal_shows(None, 0.2)
    assert not hyp._journal_shows(free, 0.2)


def test_ways_are_usual_or_of_any_value() -> None:
    for way, usual, any_value in (
        (hyp._Way(), True, False),
        (hyp._Way(gain=10.0, prior=hyp.SLIP_PRIOR), False, False),
        (hyp._Way(gain=3.0, prior=hyp.SCALE_PRIOR), False, True),
        (hyp._Way(lead_per_a=0.1), False, True),
    ):
        assert (way.usual, way.any_value) == (usual, any_value)


def table_of(view: View, seen: Observed, gain: float = 1.0, prior: float = 0.0) -> hyp._Table:
    return hyp._Table(Evidence(view, seen, (FREE, TIGHT), 0.0, gain), hyp._Way(gain=gain, prior=prior))


@pytest.mark.parametrize(("gain", "prior"), [(1.0, 0.0), (2.0, -9.0)])
def test_rows_are_scored_by_the_likelihood_of_what_they_predict(gain: float, prior: float) -> None:
    """Each row by its mean and its spread; a scale besides by its prior and its Jacobian."""
    box = box_of()
    seen = faulty(box, Fault(OFF, 3, 0.4))
    table = table_of(view_of(box, seen), seen, gain, prior)
    evidence = table.evidence
    more = prior - len(evidence.value) * np.log(gain)
    zero = np.zeros(len(evidence.value))
    assert table.nothing.score == pytest.approx(more + evidence.either(zero, zero))
    due = {}
    for k in range(4):
        for kind, share, spread in ((STUCK_ON, 1.0, 0.02), (OPEN, -1.0, 0.02), (OFF, 0.0, 0.5)):
            effect = evidence.effect(kind, k)
            due[kind, k] = more + evidence.either(share * effect, spread * effect)
    rows = {(row.kind, row.k): row.score for row in table.faults}
    # channel 1 is closed in every base: stuck on it changes nothing but the very first edge
    assert set(due) - set(rows) <= {(STUCK_ON, 0)}
    assert rows == pytest.approx({key: due[key] for key in rows})
    besides = 0.0 if gain == 1.0 else 12.5
    assert table.score == pytest.approx(
        max([table.nothing.score, *(score - besides for score in rows.values())])
    )
    assert table.sound is (table.score == table.nothing.score)


@pytest.mark.parametrize(
    ("heights", "single"), [([100, 100, 119], True), ([100, 121], False), ([100, 1.0], True)]
)
def test_steps_of_one_height_are_single(heights: list[float], single: bool) -> None:
    levels = [30.0]
    for height in heights:
        levels += [30.0 + height, 30.0]
    account = account_of(levels, np.ones(len(levels)), 30.0)
    seen = observed_of(account)
    assert table_of(view_of(None, seen, asked=account), seen).single is single


def test_a_step_matters_that_is_off_by_more_than_its_tolerance() -> None:
    for off, due in ((1.9, False), (2.1, True)):
        account = account_of([30.0, 90.0, 30.0, 90.0, 30.0], np.ones(5), 30.0)
        seen = observed_of(account, np.array([0.0, off, 0, off, 0]), whole_ma=np.full(5, 40.0))
        table = table_of(view_of(None, seen, asked=account), seen)
        assert table.matters is due
        assert table.leaves(39.0)
        assert not table.leaves(41.0)


@pytest.mark.parametrize("gain", [1.0, 2.0])
def test_a_level_matters_that_is_off_though_none_of_its_steps_is(gain: float) -> None:
    """Two steps of 60 mA, each off by up to 2: the level above both by up to 4, where 2.4 are allowed."""
    account = account_of([30.0, *[90.0, 150.0, 90.0, 30.0] * 3], np.ones(13), 30.0)
    for off, due in ((1.1, False), (1.3, True)):
        shown = gain * np.array([0.0, *[60 - off, 60 - off, off - 60, off - 60] * 3])
        seen = observed_of(account, shown - account.step_ma, edge_var=np.full(13, 1e-6))
        table = table_of(view_of(None, seen, asked=account), seen, gain)
        assert table.evidence.levels_off is table.matters is due
    few = seen.without_edges(np.arange(13) > 6)
    for prior, due in ((Prior(), True), (Prior(shared=True), False)):  # one level: there it may be chance
        assert table_of(view_of(None, few, prior, asked=account), few, gain).matters is due


@pytest.mark.parametrize(("excess", "due"), [(-24.0, False), (-26.0, True), (26.0, True), (24.0, False)])
def test_a_base_below_keeps_no_more_than_a_zero(excess: float, due: bool) -> None:
    account = account_of([30.0, 90.0, 30.0], np.ones(3), 30.0)
    seen = observed_of(account, whole_ma=np.full(3, excess))
    view = view_of(None, seen, asked=account)
    assert table_of(view, seen).leaves(25.0) is due
    loose = Evidence(view, seen, (replace(FREE, zero_ma=1000.0), TIGHT), 0.0)
    assert hyp._Table(loose, hyp._Way()).leaves(25.0) is (excess < -25)


def test_one_resistor_in_some_of_the_levels_is_the_best_of_all_amounts(seed: int) -> None:
    """Without a journal: each amount that a step shows, up, down or not at all, the base with it or not."""
    rng = np.random.default_rng(seed)
    account = account_of([30.0, 90.0, 30.0, 150.0, 30.0, 250.0, 30.0], np.ones(7), 30.0)
    seen = observed_of(account, rng.choice([0.0, 3.0, -3.0, 7.0], 7), whole_ma=np.full(7, 3.0))
    table = table_of(view_of(None, seen, asked=account), seen)
    value = table.evidence.value
    best = -np.inf
    for step in value[:-1]:
        for base in (0.0, value[-1]):
            mean = [0.0 if abs(v) <= abs(step) / 2 else abs(step) * np.sign(v) for v in value[:-1]]
            best = max(best, table.evidence.either(np.array([*mean, base]), np.zeros(len(value))))
    assert table.some_resistor() == pytest.approx(best)


@pytest.mark.parametrize(
    ("share", "named"), [(0.04, False), (0.06, True), (-0.06, True), (3.9, True), (4.1, False)]
)
def test_a_resistor_within_tolerances_is_not_accused(share: float, named: bool) -> None:
    box = box_of()
    seen = faulty(box, Fault(OFF, 3, share), 0.0)
    found = table_of(view_of(box, seen), seen).found
    assert (found.fault is not None) is named
    if found.fault is not None:
        assert found.fault.share == pytest.approx(share, abs=0.005)


def test_a_fault_needs_five_standard_deviations() -> None:
    """The likelihood ratio's logarithm, 12.5: edges of more and more noise, until nobody is accused."""
    box, told = box_of(), []
    for variance in (1.0, 30.0, 100.0, 200.0, 300.0, 500.0, 1000.0, 3000.0):
        seen = faulty(box, Fault(OPEN, 2, -1.0), 0.0)
        seen = replace(seen, edge_var=np.full(len(seen.edge_var), variance))
        table = table_of(view_of(box, seen), seen)
        best = max(table.faults, key=lambda row: row.score)
        assert best.kind == OPEN or best.score - table.nothing.score < 12.5
        told.append(table.found.fault is not None)
        assert told[-1] is bool(best.score - table.nothing.score >= 12.5)
    assert told[0]
    assert not told[-1]


def test_among_other_loads_the_base_tells_a_stuck_switch_from_an_open_one() -> None:
    """Channel 2 draws 38 mA: others draw 30 mA in the base, or 30 mA besides it, as a vehicle asleep does."""
    box = box_of()
    for kind, others_ma, due in ((OPEN, 30.0, OPEN), (STUCK_ON, 30.0, STUCK_ON), (OPEN, 10.0, OPEN)):
        seen = faulty(box, Fault(kind, 2, 1.0 if kind == STUCK_ON else -1.0))
        seen = replace(seen, whole_ma=seen.whole_ma + others_ma)
        found = hyp.diagnose(view_of(box, seen, SHARED))
        assert found.fault is not None
        assert (found.fault.kind, found.fault.channel) == (due, 2)
        other = [rival for rival in found.rivals if rival.channel == 2]
        assert bool(other) is bool(seen.whole_ma[0] - 37.8 > -2.0)  # where the base leaves room for the other
    resistor = Diagnosis(fault=Fault(OFF, 2, 0.3))
    assert hyp._stuck_or_open(view_of(box, seen, SHARED), resistor) is resistor


def test_a_fault_stands_only_where_its_current_is_in_the_base() -> None:
    """20 mA of zero and 2 % of the base may be missing of the 151 mA of channel 3, stuck on."""
    box = box_of()
    fault = Fault(STUCK_ON, 3, 1.0)
    full = with_fault(box, fault) - box.account.level_ma
    for missing, due in ((20.0, True), (21.5, False)):
        seen = replace(faulty(box, fault, 0.0), whole_ma=full - missing)
        view = view_of(box, seen)
        evidence = Evidence(view, seen, (FREE, TIGHT), 0.0)
        assert hyp._stands(view, evidence, Diagnosis(fault=fault)) is due
        assert hyp._stands(replace(view, prior=Prior(levels=False)), evidence, Diagnosis(fault=fault))


def test_among_other_loads_a_fault_must_mend_most_edges() -> None:
    box = box_of()
    fault = Fault(OPEN, 3, -1.0)
    seen = faulty(box, fault, 0.0)
    for spoilt, due in ((0.0, True), (50.0, False)):
        extra = np.where(np.arange(len(PATTERN)) % 2 == 1, spoilt, 0.0)
        worse = replace(seen, edge_ma=seen.edge_ma + extra, whole_ma=seen.whole_ma + 30.0)
        view = view_of(box, worse, SHARED)
        evidence = Evidence(view, worse, (FREE, TIGHT), 0.0)
        assert hyp._stands(view, evidence, Diagnosis(fault=fault)) is due


def test_a_single_height_off_by_any_factor_accuses_nobody_alone() -> None:
    """One step of 151 mA seen at 70 %: a resistor, a scale or a lead explain it alike."""
    box = box_of([*[0, 4] * 6, 0])
    seen = faulty(box, Fault(OFF, 3, -0.3), 0.0)
    found = hyp.diagnose(view_of(box, seen))
    assert found.either
    assert not found.accused
    assert found.fault is not None
    assert found.fault.channel == 3

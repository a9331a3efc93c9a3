"""Which one thing explains what was seen: a table of what may be wrong, each row scored by the evidence.

Theory of operation. The rows are: nothing wrong; channel k stuck on; open; its resistor off by a factor. Each
is weighed as the instrument and the wiring are believed to be, and again with one thing wrong there: the
clamp's scale or polarity, or a resistance in series with the box, which takes the more the more it draws.
What is rare has a prior for it. A row must be better than nothing wrong by five standard deviations; rows
within three of the best can't be told from it and are its rivals. Where the clamp or the wiring explains the
same as a part of the box, the answer says so and nothing is accused. Whether other loads share the circuit
changes only how well the base and single edges are known (`evidence.setups`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from nightdraw.capture import differences as df
from nightdraw.capture.base import MOST_ZERO_MA, SLEEPING_MA, USUAL_ZERO_MA
from nightdraw.capture.evidence import FREE, LONE_MA, Evidence, setups
from nightdraw.capture.faults import (
    LEAST_SHARE,
    MOST_SHARE,
    NOTHING,
    OFF,
    OPEN,
    STUCK_ON,
    UNLOADED,
    Diagnosis,
    Fault,
    drawn,
)
from nightdraw.capture.instrument import gain_of, weighed_quantile
from nightdraw.capture.journal import Did
from nightdraw.capture.observed import LONG_WIRES_PER_A, Observed
from nightdraw.capture.seen import Bools, Floats
from nightdraw.capture.view import View, edges_off

AMPLITUDE = 0.02  # a stuck or open channel has its current within 2 %
FACTOR = 0.5  # a wrong resistor's current is off by half, give or take: no value is favoured
SURE = 12.5  # natural log of how much better a hypothesis must be: five standard deviations
CLOSE = 4.5  # hypotheses this near to the best can't be told from it: three standard deviations
SCALE_PRIOR = -9.0  # a clamp whose scale is off by any factor: one in thousands, and any value
SLIP_PRIOR = -4.0  # by a power of ten, or turned round: the slips that people make
LEAD_PRIOR = -6.0  # long leads and poor contacts are commoner than scales of any value
APART = 1.2  # steps that differ by less are of one height
NEAR_GAIN = 0.03  # a gain nearer to one is within a clamp's tolerance: the nuisance parameter has it
LARGE = 0.3  # of the largest step: smaller ones say little about a scale
LEAST_LEAD_PER_A, MOST_LEAD_PER_A = 0.02, 0.8  # 250 mOhm at 12.6 V, less is usual wiring; 10 ohm
NEAR_PER_A = 1e-3  # the slope is taken over
ROUNDS = 4  # of Newton: by a lead levels shrink nearly along a straight line
GREATEST_SHARE = 4.0  # a resistor of a fifth of its value; more is no resistor of this bank
LEAST_MA = 1.5  # an effect below this is within the tolerance of levels, and not worth a screwdriver
MENDED = 0.3  # of the edges that were off may be left so by the fault that explains them
QUIETEST = 0.1  # of the base's levels: with the fewest other loads awake


@dataclass(frozen=True)
class _Way:
    """What instrument and wiring may be, with the logarithm of how likely that is before anything is seen."""

    gain: float = 1.0
    lead_per_a: float = 0.0
    prior: float = 0.0

    @property
    def usual(self) -> bool:
        """Whether nothing is wrong there."""
        return self.gain == 1.0 and not self.lead_per_a

    @property
    def any_value(self) -> bool:
        """Whether it has a value that nobody could name beforehand: it fits one step of any height."""
        return bool(self.lead_per_a) or self.prior == SCALE_PRIOR


@dataclass(frozen=True)
class _Row:
    """A hypothesis about the box with its score; kind "" is nothing wrong."""

    kind: str
    k: int
    share: float
    score: float


class _Table:
    """Every hypothesis that would show, scored with the instrument one way."""

    def __init__(self, evidence: Evidence, way: _Way) -> None:
        self.evidence, self.way = evidence, way
        none = np.zeros(len(evidence.value))
        # a density of what was seen, whatever the gain: the scale's own Jacobian
        prior = way.prior - len(none) * float(np.log(abs(way.gain)))
        self.nothing = _Row(NOTHING, 0, 0.0, prior + evidence.either(none, none))
        self.faults = []
        for k in range(len(evidence.channels_ns)):
            for kind, share, spread in (
                (STUCK_ON, 1.0, AMPLITUDE),
                (OPEN, -1.0, AMPLITUDE),
                (OFF, 0.0, FACTOR),
            ):
                effect = evidence.effect(kind, k)
                if np.abs(effect).max() >= LEAST_MA:
                    score = prior + evidence.either(share * effect, spread * effect)
                    self.faults.append(_Row(kind, k, share, score))

    @property
    def score(self) -> float:
        """The best row's; with something wrong already, a part of the box besides needs as much more
        evidence as it needs alone."""
        besides = 0.0 if self.way.usual else SURE
        return max([self.nothing.score, *(row.score - besides for row in self.faults)])

    @property
    def sound(self) -> bool:
        """Whether the box needs no fault."""
        return self.score == self.nothing.score

    @property
    def single(self) -> bool:
        """Whether all steps are of one height."""
        high = np.abs(self.evidence.due[:-1])
        high = high[high > LEAST_MA]
        return not (len(high) and high.max() > APART * high.min())

    @property
    def matters(self) -> bool:
        """Whether a step or a level is left off by more than its tolerance: a level may be where none of the
        steps that lead to it is."""
        steps = np.abs(self.evidence.value) > df.tolerance_ma(self.evidence.due)
        return self.evidence.levels_off or bool(steps[:-1].any())

    def leaves(self, zero_ma: float) -> bool:
        """Whether the base keeps more than a clamp's zero: upward other loads may draw besides."""
        left_ma, known = float(self.evidence.value[-1]), self.evidence.free
        return left_ma < -zero_ma or left_ma > zero_ma * known.zero_ma / FREE.zero_ma

    @cached_property
    def found(self) -> Diagnosis:
        """The fault that the numbers show beyond doubt, none where nothing wrong explains them about as
        well."""
        plain = Diagnosis(self.way.gain, self.way.lead_per_a)
        best = max(self.faults, key=lambda row: row.score, default=self.nothing)
        if best.score - self.nothing.score < SURE:
            return plain
        near = [row for row in self.faults if row.score > best.score - CLOSE]
        if best.kind != OFF:
            return replace(plain, fault=self._fault(best), rivals=self._rivals(near, best))
        # of resistors that are off the least one is the likeliest, and within tolerances none is
        off = [self._fault(row) for row in near if row.kind == OFF]
        off.sort(key=lambda fault: abs(fault.share))
        least = off[0]
        shown = np.abs(self.evidence.effect(OFF, least.channel - 1)).max() * abs(least.share)
        if abs(least.share) < LEAST_SHARE or shown < LEAST_MA or not -1 < least.share <= GREATEST_SHARE:
            return plain
        others = [fault for fault in off[1:] if abs(fault.share) <= MOST_SHARE]
        others += [self._fault(row) for row in near if row.kind != OFF]
        return replace(plain, fault=least, rivals=tuple(others))

    def _rivals(self, near: list[_Row], best: _Row) -> tuple[Fault, ...]:
        """What other channels could explain, resistors only as far off as a mistake makes them: one off by
        just the right amount is less likely, but nothing in the recording may speak against it."""
        evidence, none = self.evidence, np.zeros(len(self.evidence.value))
        fit = evidence.likelihood(best.share * evidence.effect(best.kind, best.k), none, evidence.tight)
        found = [self._fault(row) for row in near if row.k != best.k and row.kind != OFF]
        for row in self.faults:
            if row.kind != OFF or row.k == best.k:
                continue
            effect = evidence.effect(OFF, row.k)
            amount = evidence.amount(effect)
            good = evidence.likelihood(amount * effect, none, evidence.tight) > fit - CLOSE
            if good and LEAST_SHARE <= abs(amount) <= MOST_SHARE:
                found.append(Fault(OFF, row.k + 1, amount))
        return tuple(found)

    def resistors(self) -> tuple[Fault, ...]:
        """Those that may be off by all that is seen, sure or not, the least first."""
        best = max((row.score for row in self.faults), default=0.0)
        near = [self._fault(row) for row in self.faults if row.kind == OFF and row.score > best - CLOSE]
        near = [fault for fault in near if LEAST_SHARE <= abs(fault.share) <= MOST_SHARE]
        return tuple(sorted(near, key=lambda fault: abs(fault.share)))

    def _fault(self, row: _Row) -> Fault:
        effect = self.evidence.effect(row.kind, row.k)
        share = self.evidence.amount(effect) if row.kind == OFF else row.share
        return Fault(row.kind, row.k + 1, share)

    def some_resistor(self) -> float:
        """The best score of one resistor that is off in some of the levels, whichever they are: without a
        journal nobody knows in which ones a channel is closed. Each step then differs by the same amount, up
        or down, or not at all."""
        evidence, value = self.evidence, self.evidence.value
        none, best = np.zeros(len(value)), -np.inf
        for amount in np.abs(value[:-1]):
            steps = np.where(np.abs(value) > amount / 2, np.sign(value) * amount, 0.0)
            for in_base in (0.0, value[-1]):
                best = max(best, evidence.either(np.append(steps[:-1], in_base), none))
        return best


def diagnose(view: View, scale: bool = True) -> Diagnosis:
    """What explains the piece best. scale: whether the clamp's may be off too (not where a source feeds the
    circuit beside the battery)."""
    prior, seen = view.prior, view.observed
    if prior.shared:
        seen = seen.without_edges(edges_off(view)[0])
    if not Evidence.there(seen):
        return Diagnosis()
    tables = _tables(view, seen, scale)
    best = max(tables, key=lambda table: table.score)
    found = _told_apart(tables, best)
    if not found.accused:
        return found
    if not prior.base_known and found.gain == 1.0:
        found = _stuck_or_open(view, found)
    return found if _stands(view, best.evidence, found) else replace(found, fault=None, rivals=())


def _tables(view: View, seen: Observed, scale: bool) -> list[_Table]:
    """One a way that instrument and wiring may be, the usual one first."""
    box, prior = view.reference.box, view.prior
    known, lone_ma = setups(prior.shared, prior.base_known, prior.levels), LONE_MA if prior.shared else 0.0
    ways = [_Way()]
    if scale and prior.levels:
        ways += [*_scales(seen), *_leads(seen, box)]
    tables = []
    for way in ways:
        shown = seen
        if way.lead_per_a:  # what the box drew in the leads as it read its supply is in what it should draw
            shown = replace(
                seen.against(drawn(seen.account, box, way.lead_per_a)), ahead_ma=np.zeros(len(seen.ahead_ma))
            )
        tables.append(_Table(Evidence(view, shown, known, lone_ma, way.gain), way))
    # a scale moves the base, and so does a lead: where the zero would be off by more than any is, another
    # load is there besides, which needs as much more evidence as a second fault, and steps of one height
    # have none
    alone = [t for t in tables if not t.leaves(MOST_ZERO_MA) or t.found.fault is not None]
    least = max((table.score for table in alone), default=-np.inf) + SURE
    several = not tables[0].single
    return [t for t in tables if t.way.usual or t in alone or (several and t.score > least)]


def _scales(seen: Observed) -> Iterator[_Way]:
    """The clamp's scale as most edges show it; as a fault may spoil most of them, the usual slips besides."""
    large = _large(seen)
    due = seen.account.step_ma[large]
    gain = gain_of(seen.edge_ma[large] + due, due)
    if not gain:
        return
    way, power = float(np.sign(gain)), float(np.log10(abs(gain)))
    for value in dict.fromkeys((gain, way, way * 10.0 ** np.floor(power), way * 10.0 ** np.ceil(power))):
        if abs(value - 1) > NEAR_GAIN:
            size = abs(value)
            slip = abs(size / 10 ** round(float(np.log10(size))) - 1) <= NEAR_GAIN
            yield _Way(gain=value, prior=SLIP_PRIOR if slip else SCALE_PRIOR)


def _leads(seen: Observed, box: Did | None) -> Iterator[_Way]:
    """A resistance between the circuit and the box, as most edges show it."""
    account = seen.account
    large = _large(seen)

    def step_ma(per_a: float) -> Floats:
        return np.diff(drawn(account, box, per_a).level_ma, prepend=account.idle_ma)[large]

    shown, per_a = (account.step_ma + seen.edge_ma)[large], 0.0
    for _ in range(ROUNDS if large.any() else 0):
        slope = (step_ma(per_a + NEAR_PER_A) - step_ma(per_a)) / NEAR_PER_A
        slope = np.where(slope == 0.0, 1e-9, slope)
        per_a += weighed_quantile((shown - step_ma(per_a)) / slope, np.abs(slope))
        per_a = float(np.clip(per_a, 0.0, MOST_LEAD_PER_A))
    if LEAST_LEAD_PER_A <= per_a < MOST_LEAD_PER_A:
        yield _Way(lead_per_a=per_a, prior=0.0 if _journal_shows(box, per_a) else LEAD_PRIOR)


def _journal_shows(box: Did | None, per_a: float) -> bool:
    """Whether the supply that the box read fell by about what its own current drops in a lead, which no part
    of the box would make it do."""
    if box is None:
        return False
    low, high = np.quantile(box.supply_mv, (1 - UNLOADED, UNLOADED))
    least, most = np.quantile(box.account.level_ma, (1 - UNLOADED, UNLOADED)) / 1000
    fell, due = 1 - low / max(high, 1.0), per_a * (most - least)
    return bool(fell > LONG_WIRES_PER_A * most and due / 2 < fell < 2 * due)


def _large(seen: Observed) -> Bools:
    """The edges that say something about a scale."""
    step = np.abs(seen.account.step_ma)
    large: Bools = seen.known & (step >= LARGE * np.max(step[seen.known], initial=0.0))
    return large


def _told_apart(tables: list[_Table], best: _Table) -> Diagnosis:
    """The best table's answer; where instrument or wiring and the box explain the same, both are named."""
    usual, found = tables[0], best.found
    # a step of a single height may be off by any factor for any reason: a scale and a lead always fit it
    any_value = [table for table in tables if table.way.any_value and table.sound]
    # a level accuses by its tolerance alone: whoever explains it better is asked for no more, rare or not
    fits = [t for t in any_value if t is best or t.score - t.way.prior > usual.nothing.score]
    # a switch has its own current, a resistor may be anything, as a scale: by chance one lead in fifty takes
    # what some switch has, which is less than three deviations, and a scale of any value is rarer than a lead
    if best is usual and found.fault is not None and found.fault.kind != OFF:
        fits = [table for table in fits if table.way.lead_per_a and not table.leaves(USUAL_ZERO_MA)]
        fits = [table for table in fits if table.score - table.way.prior > best.score - CLOSE]
    # one value that mends steps of several heights accounts for all that only the tolerance accuses
    if not usual.single:
        fits = [t for t in fits if best is usual and found.fault is None and not t.matters]
    if usual.matters and fits:
        part = usual.found
        named = usual.resistors() if part.fault is None else (part.fault, *part.rivals)
        either = _either(max(fits, key=lambda table: table.score), named[0] if named else None)
        return replace(either, rivals=named[1:])
    if not usual.evidence.channels_ns and best.way.any_value and usual.some_resistor() > best.score - CLOSE:
        return _either(best, None)
    rivals = [table for table in tables if table is not best and table.score > best.score - CLOSE]
    if not rivals:
        return found
    fault = found.fault or next((f for f in (table.found.fault for table in rivals) if f), None)
    other = best if not best.way.usual else rivals[0]
    return replace(_either(other, fault), rivals=found.rivals) if fault is not None else found


def _either(table: _Table, fault: Fault | None) -> Diagnosis:
    return Diagnosis(table.way.gain, table.way.lead_per_a, fault, either=True)


def _stuck_or_open(view: View, found: Diagnosis) -> Diagnosis:
    """A switch that is stuck and one that is open change the same edges alike. Among loads that nobody knows
    only the base tells them apart: those draw something, at every time."""
    box, fault, seen = view.reference.box, found.fault, view.observed
    assert box is not None
    assert fault is not None
    if fault.kind == OFF:
        return found
    stuck, opened = (Fault(k, fault.channel, s) for k, s in ((STUCK_ON, 1.0), (OPEN, -1.0)))
    causes = [stuck, opened, *(rival for rival in found.rivals if rival.channel != fault.channel)]
    if view.prior.levels:
        base = np.flatnonzero((seen.count > 0) & seen.base)
        level = float(np.mean(box.account.level_ma[base]))

        def others_ma(cause: Fault) -> float:
            """What is left to other loads in the quietest base."""
            left = seen.whole_ma - cause.effect_ma(box.channels_ns, box.pattern, box.supply_mv)
            return float(np.quantile(left[base], QUIETEST))

        left_ma = {cause: others_ma(cause) for cause in causes}
        if left_ma[stuck] < -df.level_tolerance(level):
            causes.remove(stuck)
        low, high = SLEEPING_MA  # a cause that leaves a vehicle as much as one draws asleep is told first
        causes.sort(key=lambda cause: not low <= left_ma[cause] <= high)
    return replace(found, fault=causes[0], rivals=tuple(causes[1:]))


def _stands(view: View, evidence: Evidence, found: Diagnosis) -> bool:
    """Whether the current that a fault adds can be there: the base must be that much higher, which others may
    raise and a clamp's zero shift; and among other loads the fault must mend most of the edges that are
    off."""
    box, fault = view.reference.box, found.fault
    assert box is not None
    assert fault is not None
    if view.prior.levels:
        lift = fault.share * evidence.effect(fault.kind, fault.channel - 1)[-1]
        if evidence.value[-1] - lift < -(FREE.zero_ma + df.LEVEL_SHARE * evidence.base_ma):
            return False
    if not view.prior.shared:
        return True
    before = int(np.count_nonzero(edges_off(view)[1]))
    effect = fault.effect_ma(box.channels_ns, box.pattern, box.supply_mv)
    expected = replace(view.observed.account, level_ma=view.observed.account.level_ma + effect)
    mended = replace(view, observed=view.observed.against(expected))
    return int(np.count_nonzero(edges_off(mended)[1])) <= MENDED * before

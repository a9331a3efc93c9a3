"""Which one thing explains what was seen: a table of what may be wrong, each scored by the evidence.

Theory of operation. Every hypothesis (nothing wrong; channel k stuck on; open; its resistor off by a factor;
the clamp's scale, with any of these besides) predicts the same numbers: by how much each kind of step of the
current differs from what it should be, which a clamp's drifting zero doesn't touch, and by how much the base
reads high. What is known badly (the clamp's gain and zero, the source's resistance, the channels'
tolerances, what other loads draw) enters as covariance, so a place where the box is alone and one where it
isn't differ by a prior only. Hypotheses are weighed by the Gaussian marginal likelihood (MacKay 2003,
chapter 28). Cost: channels * (150 kinds of step)^3. No file and no clock here.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from nightdraw.capture.noise import HALF_Z
from nightdraw.capture.seen import Floats, Ints

NOTHING, STUCK_ON, OPEN, OFF = "", "stuck-on", "open", "level"
SOURCE_PER_A = 0.004  # the journal's level is for an earlier load's supply: 50 mOhm at 12.6 V, per ampere
LONG_WIRES_PER_A = 0.016  # a vehicle's feeds, fuses and a tired battery: 200 mOhm at 12.6 V, per ampere
FLOOR_MA = 0.05  # converter steps of supply and journal
ASKED_MA = 1.0  # what was asked is made by the bank's steps of 1.4 mA
FLOOR_SHARE = 3e-4
AMPLITUDE = 0.02  # a stuck or open channel has its current within 2 %
FACTOR = 0.5  # a wrong resistor's current is off by half, give or take: no value is favoured
SURE = 12.5  # natural log of how much better a hypothesis must be: five standard deviations
CLOSE = 4.5  # hypotheses this near to the best can't be told from it: three standard deviations
SCALE_PRIOR = -9.0  # a clamp whose scale is off by any factor: one in thousands, and any value
SLIP_PRIOR = -4.0  # by a power of ten, or turned round: the slips that people make
MOST_ZERO = 1.5  # times the zero's deviation: 30 mA, more than any low-current clamp drifts
APART = 1.2  # steps that differ by less are of one height
USUAL_GAIN = 0.03  # a gain nearer to one is within a clamp's tolerance: the nuisance parameter has it
OTHERS_MA = 1000.0  # by which other loads on a circuit lift its base: anything a vehicle may draw
LONE_MA = 50.0  # by which another load that moves at the same instant spoils an edge that has no fellows
FELLOWS = 3  # edges of one kind among which one that is spoilt stands out
GREATEST_SHARE = 4.0  # a resistor of a fifth of its value; more is no resistor of this bank
LEAST_SHARE = 0.05  # a channel off by less is within tolerances, not a fault
MOST_SHARE = 0.6  # a resistor of another value within arm's reach in the box of resistors
LEAST_MA = 1.5  # an effect below this is within the tolerance of levels, and not worth a screwdriver
MEDIAN = np.pi / 2  # a median's variance is this much larger than a mean's
MOST_GROUPS = 150  # the busiest kinds of step: more say nothing new and cost time
MA_PER_NS_MV = 1e-9


@dataclass(frozen=True)
class Setup:
    """How well clamp and channels are known: the clamp's zero (mA) and gain, a channel's current, and by how
    much the supply gives way per ampere."""

    zero_ma: float
    gain: float
    channel: float
    source: float = SOURCE_PER_A


FREE = Setup(20.0, 0.01, 0.003)  # a clamp as its maker sells it, channels trimmed once and warm now
TIGHT = Setup(0.1, 0.001, 0.0003)  # a clamp that was set and checked before, channels just trimmed


def setups(shared: bool, levels: bool) -> tuple[Setup, Setup]:
    """What is known where other loads hang on the circuit, or where levels are currents but for a factor."""
    free, tight = FREE, replace(TIGHT, zero_ma=FREE.zero_ma)  # a zero alone never accuses a switch
    if shared:
        free, tight = (replace(s, zero_ma=OTHERS_MA, source=LONG_WIRES_PER_A) for s in (free, tight))
    if not levels:
        free, tight = replace(free, gain=1.0), replace(tight, gain=1.0)
    return free, tight


@dataclass(frozen=True)
class Steps:
    """Steps between switch patterns, one entry an edge: patterns before and after (0 without a journal),
    supply (mV), the levels that should be (mA), and by how much the step that was seen is larger, with its
    variance; doubt_ma: what averaging doesn't mend; lone_ma: by how much more an edge may be off without
    FELLOWS."""

    before: Ints
    after: Ints
    supply_mv: Floats
    level_before: Floats
    level_after: Floats
    excess: Floats
    variance: Floats
    doubt_ma: Floats
    lone_ma: float = 0.0

    def scaled(self, gain: float) -> Steps:
        """The same as a clamp of that gain would have seen it."""
        step = self.level_after - self.level_before
        excess = (self.excess + step) / gain - step
        return replace(self, excess=excess, variance=self.variance / gain**2)


@dataclass(frozen=True)
class Base:
    """The base: its patterns with their share of the time, mean supply and level, and by how much the mean
    that was seen is larger, with its variance."""

    pattern: Ints
    share: Floats
    supply_mv: float
    level_ma: float
    excess: float
    variance: float

    def scaled(self, gain: float) -> Base:
        """The same as a clamp of that gain would have seen it."""
        excess = (self.excess + self.level_ma) / gain - self.level_ma
        return replace(self, excess=excess, variance=self.variance / gain**2)


@dataclass(frozen=True)
class Fault:
    """kind; channel from 1; share: of its current that is too much (1: all of it, stuck on; -1: open)."""

    kind: str
    channel: int
    share: float

    def effect_ma(self, channels_ns: tuple[int, ...], pattern: Ints, supply_mv: Floats) -> Floats:
        """What the fault adds to the current of each pattern."""
        return self.share * _effect(self.kind, self.channel - 1, channels_ns, pattern, supply_mv)


@dataclass(frozen=True)
class Diagnosis:
    """gain: of the clamp; fault: the box's, None where none is needed; rivals: others that explain the same
    about as well; either: the gain and a fault explain the same, each without the other."""

    gain: float = 1.0
    fault: Fault | None = None
    rivals: tuple[Fault, ...] = ()
    either: bool = False


def _effect(kind: str, k: int, channels_ns: tuple[int, ...], pattern: Ints, supply_mv: Floats) -> Floats:
    """What a hypothesis adds to patterns: the channel's current where its bit is set (stuck on: is clear)."""
    on = (pattern >> k & 1).astype(float)
    current: Floats = channels_ns[k] * MA_PER_NS_MV * supply_mv
    return current * (1.0 - on if kind == STUCK_ON else on)


class _Data:
    """The numbers that hypotheses predict: one a kind of step, and the base as the last."""

    def __init__(
        self,
        steps: Steps,
        base: Base,
        channels_ns: tuple[int, ...],
        known: tuple[Setup, Setup],
        floor_ma: float,
    ) -> None:
        self.free, self.tight = known
        self.channels_ns = channels_ns
        self.base = base
        self.steps = steps
        self.value = np.append(steps.excess, base.excess)
        top = np.append(np.maximum(steps.level_before, steps.level_after), base.level_ma)
        swing_a = (top.max() - min(steps.level_before.min(initial=np.inf), base.level_ma)) / 1000
        floor = floor_ma**2 + ((FLOOR_SHARE + self.free.source / 2 * swing_a) * top) ** 2
        self._noise = np.diag(np.append(steps.variance, base.variance) + floor)
        self._covariance = {setup: self._known_to(setup) for setup in known}

    def _known_to(self, setup: Setup) -> Floats:
        """The covariance of the numbers with nothing wrong."""
        steps, level_ma = self.steps, self.base.level_ma
        bent = (steps.level_after**2 - steps.level_before**2) / 1000
        nuisances = [
            setup.gain * np.append(steps.level_after - steps.level_before, level_ma),
            setup.source * np.append(bent, level_ma**2 / 1000),
        ]
        nuisances += [setup.channel * self.effect(OFF, k) for k in range(len(self.channels_ns))]
        spread = np.column_stack(nuisances)
        covariance: Floats = self._noise + spread @ spread.T
        covariance[-1, -1] += setup.zero_ma**2
        return covariance

    def effect(self, kind: str, k: int) -> Floats:
        """One unit of a hypothesis on every number."""
        steps, base = self.steps, self.base
        one, other = (
            _effect(kind, k, self.channels_ns, pattern, steps.supply_mv)
            for pattern in (steps.before, steps.after)
        )
        supply = np.full(len(base.pattern), base.supply_mv)
        all_of_it = _effect(kind, k, self.channels_ns, base.pattern, supply)
        return np.append(other - one, np.sum(all_of_it * base.share))

    def evidence(self, mean: Floats, spread: Floats, setup: Setup) -> float:
        """Log marginal likelihood of: mean, plus a normal amount of spread."""
        root = np.linalg.cholesky(self._covariance[setup] + np.outer(spread, spread))
        white = np.linalg.solve(root, self.value - mean)
        return float(-0.5 * white @ white - np.log(np.diag(root)).sum())

    def amount(self, effect: Floats) -> float:
        """How much of an effect fits best."""
        weighed = np.linalg.solve(self._covariance[self.tight], effect)
        return float(weighed @ self.value / max(weighed @ effect, 1e-12))


@dataclass(frozen=True)
class _Weighed:
    """A row of the table with its evidence, for a clamp that is known badly and one that is known well, both
    as likely; kind "" is nothing wrong."""

    kind: str
    k: int
    share: float
    score: float


_Table = tuple[_Data, list[_Weighed], float]


def diagnose(
    steps: Steps,
    base: Base,
    channels_ns: tuple[int, ...],
    known: tuple[Setup, Setup],
    gains: tuple[float, ...] = (),
) -> Diagnosis:
    """The hypothesis that explains most, with what rivals it; channels_ns: empty without a journal; gains:
    what else than 1 the clamp's may be."""
    floor_ma = FLOOR_MA if channels_ns else ASKED_MA
    steps = _grouped(steps)
    tables: dict[float, _Table] = {}
    for gain in dict.fromkeys((1.0, *(g for g in gains if abs(g - 1) > USUAL_GAIN))):
        data = _Data(steps.scaled(gain), base.scaled(gain), channels_ns, known, floor_ma)
        # a density of what was seen, whatever the gain: the scale's own Jacobian
        prior = 0.0 if gain == 1.0 else _prior(gain) - len(data.value) * float(np.log(abs(gain)))
        tables[gain] = (data, _table(data), prior)
    score = {gain: prior + _best(table, both=gain != 1.0).score for gain, (_, table, prior) in tables.items()}
    # a scale moves the base, too: where the zero would be off by more than any is, it isn't the scale alone
    for gain in [g for g in tables if g != 1.0 and abs(base.scaled(g).excess) > MOST_ZERO * known[0].zero_ma]:
        if _best(tables[gain][1], both=True).kind == NOTHING:
            del tables[gain], score[gain]
    best = max(score, key=lambda gain: score[gain])
    found = _of_table(*tables[best][:2], best)
    scale = _lone_scale(steps, tables, score)
    # a switch has its own current, which a scale meets by chance only; a resistor may be anything, as a scale
    exact = best == 1.0 and found.fault is not None and found.fault.kind != OFF
    if scale is not None and not exact:
        return Diagnosis(scale, _of_table(*tables[1.0][:2], 1.0).fault, (), True)
    rivals = [g for g in tables if g != best and score[g] > score[best] - CLOSE]
    if rivals:  # the clamp or a part of the box: whoever can't tell them apart says so
        fault = found.fault or _of_table(*tables[rivals[0]][:2], 1.0).fault
        other = best if best != 1.0 else rivals[0]
        return Diagnosis(other, fault, found.rivals, True) if fault is not None else found
    return found


def _best(table: list[_Weighed], both: bool) -> _Weighed:
    """The row with the most evidence; both: the clamp's scale is off already: a part of the box besides needs
    as much more evidence as it needs alone."""
    rows = [replace(row, score=row.score - SURE * (both and row.kind != NOTHING)) for row in table]
    return max(rows, key=lambda row: row.score)


def _lone_scale(steps: Steps, tables: dict[float, _Table], score: dict[float, float]) -> float | None:
    """A scale that explains steps of a single height: a part of the box may explain them as well, always."""
    scales = [g for g in tables if g != 1.0 and _prior(g) == SCALE_PRIOR and not _several(steps)]
    nothing = tables[1.0][1][0].score
    found = [
        g for g in scales if _best(tables[g][1], both=True).kind == NOTHING and score[g] > nothing + SURE
    ]
    return max(found, key=lambda gain: score[gain], default=None)


def _several(steps: Steps) -> bool:
    """Whether there are steps of several heights: a single one can be off by any factor for any reason."""
    high = np.abs(steps.level_after - steps.level_before)
    high = high[high > LEAST_MA]
    return len(high) > 0 and bool(high.max() > APART * high.min())


def _prior(gain: float) -> float:
    size = abs(gain)
    slip = abs(size / 10 ** round(float(np.log10(size))) - 1) <= USUAL_GAIN
    return SLIP_PRIOR if slip else SCALE_PRIOR


def _table(data: _Data) -> list[_Weighed]:
    """Every hypothesis that would show, weighed; nothing wrong comes first."""
    none = np.zeros(len(data.value))
    table = [_Weighed(NOTHING, 0, 0.0, _either(data, none, none))]
    for k in range(len(data.channels_ns)):
        for kind, share, doubt in ((STUCK_ON, 1.0, AMPLITUDE), (OPEN, -1.0, AMPLITUDE), (OFF, 0.0, FACTOR)):
            effect = data.effect(kind, k)
            if np.abs(effect).max() >= LEAST_MA:
                table.append(_Weighed(kind, k, share, _either(data, share * effect, doubt * effect)))
    return table


def _either(data: _Data, mean: Floats, spread: Floats) -> float:
    one, other = (data.evidence(mean, spread, setup) for setup in (data.free, data.tight))
    return float(np.logaddexp(one, other))


def _of_table(data: _Data, table: list[_Weighed], gain: float) -> Diagnosis:
    """The fault that the numbers show beyond doubt, none where nothing wrong explains them about as well."""
    nothing, *faults = table
    best = max(faults, key=lambda row: row.score, default=nothing)
    if best.score - nothing.score < SURE:
        return Diagnosis(gain)
    near = [row for row in faults if row.score > best.score - CLOSE]
    if best.kind != OFF:
        return Diagnosis(gain, _fault(data, best), _rivals(data, faults, near, best))
    # of resistors that are off the least one is the likeliest, and within tolerances none is
    found = sorted((_fault(data, row) for row in near if row.kind == OFF), key=lambda fault: abs(fault.share))
    least = found[0]
    shown = np.abs(data.effect(OFF, least.channel - 1)).max() * abs(least.share)
    if abs(least.share) < LEAST_SHARE or shown < LEAST_MA or not -1 < least.share <= GREATEST_SHARE:
        return Diagnosis(gain)
    others = [fault for fault in found[1:] if abs(fault.share) <= MOST_SHARE]
    others += [_fault(data, row) for row in near if row.kind != OFF]
    return Diagnosis(gain, least, tuple(others))


def _rivals(data: _Data, faults: list[_Weighed], near: list[_Weighed], best: _Weighed) -> tuple[Fault, ...]:
    """What other channels could explain, resistors only as far off as a mistake makes them: one off by
    just the right amount is less likely, but nothing in the recording may speak against it."""
    none = np.zeros(len(data.value))
    fit = data.evidence(best.share * data.effect(best.kind, best.k), none, data.tight)
    found = [_fault(data, row) for row in near if row.k != best.k and row.kind != OFF]
    for row in faults:
        if row.kind == OFF and row.k != best.k:
            effect = data.effect(OFF, row.k)
            amount = data.amount(effect)
            good = data.evidence(amount * effect, none, data.tight) > fit - CLOSE
            if good and LEAST_SHARE <= abs(amount) <= MOST_SHARE:
                found.append(Fault(OFF, row.k + 1, amount))
    return tuple(found)


def resistors(excess_ma: float, closed: int, channels_ns: tuple[int, ...], supply_mv: float) -> list[Fault]:
    """Resistors that, being off, would explain an excess where the channels of pattern `closed` are, and not
    where they aren't; only those that are off by LEAST_SHARE to MOST_SHARE."""
    found = []
    for k, ns in enumerate(channels_ns):
        share = excess_ma / max(ns * MA_PER_NS_MV * supply_mv, 1e-9)
        if closed >> k & 1 and LEAST_SHARE <= abs(share) <= MOST_SHARE:
            found.append(Fault(OFF, k + 1, share))
    return sorted(found, key=lambda fault: abs(fault.share))


def _fault(data: _Data, row: _Weighed) -> Fault:
    share = data.amount(data.effect(OFF, row.k)) if row.kind == OFF else row.share
    return Fault(row.kind, row.k + 1, share)


def _grouped(steps: Steps) -> Steps:
    """Steps of one kind (same levels, same patterns, same supply within 0.1 V) as one: their median, so that
    a single pulse that was missed or disturbed doesn't speak for a channel. The variance is the larger of
    what the noise makes it and what the kind's own scatter shows (median absolute deviation)."""
    if not len(steps.before):
        return steps
    level = np.round(np.column_stack((steps.level_before, steps.level_after))).astype(np.int64)
    key = np.column_stack((steps.before, steps.after, np.round(steps.supply_mv / 100).astype(np.int64)))
    key = key if steps.after.any() else level
    _, group, counts = np.unique(key, axis=0, return_inverse=True, return_counts=True)
    members = np.split(np.argsort(group.reshape(-1), kind="stable"), np.cumsum(counts)[:-1])
    members = sorted(members, key=len, reverse=True)[:MOST_GROUPS]
    excess = np.array([np.median(steps.excess[m]) for m in members])
    scatter = np.array([np.median(np.abs(steps.excess[m] - e)) for m, e in zip(members, excess, strict=True)])
    noise = np.array([np.mean(steps.variance[m]) for m in members])
    number = np.array([len(m) for m in members])
    first = np.array([m[0] for m in members])
    lone = np.where(number < FELLOWS, steps.lone_ma**2, 0.0)
    doubt = np.array([np.mean(steps.doubt_ma[m] ** 2) for m in members])
    return Steps(
        before=steps.before[first],
        after=steps.after[first],
        supply_mv=np.array([steps.supply_mv[m].mean() for m in members]),
        level_before=np.array([steps.level_before[m].mean() for m in members]),
        level_after=np.array([steps.level_after[m].mean() for m in members]),
        excess=excess,
        variance=MEDIAN * np.maximum(noise, (scatter / HALF_Z) ** 2) / number + lone + doubt,
        doubt_ma=np.sqrt(doubt),
    )

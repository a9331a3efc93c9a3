"""Which one broken channel explains what was seen beside what the box says it did, if any.

Every hypothesis (nothing wrong; channel k stuck on; open; its resistor off by a factor) predicts the same
numbers: by how much each step of the current differs from the journal's, which a clamp's drifting zero
doesn't touch, and by how much the base reads high. What is known badly (the clamp's gain, the source's
resistance, the channels' tolerances) enters as covariance, and the hypotheses are weighed by their evidence:
the Gaussian marginal likelihood (MacKay 2003, chapter 28). No file and no clock here.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from nightdraw.capture.noise import HALF_Z
from nightdraw.capture.seen import Floats, Ints

STUCK_ON, OPEN, OFF = "stuck-on", "open", "level"
SOURCE_PER_A = 0.004  # the journal's level is for an earlier load's supply: 50 mOhm at 12.6 V, per ampere
FLOOR_MA = 0.05  # converter steps of supply and journal
FLOOR_SHARE = 3e-4
AMPLITUDE = 0.02  # a stuck or open channel has its current within 2 %
FACTOR = 0.5  # a wrong resistor's current is off by half, give or take: no value is favoured
SURE = 12.5  # natural log of how much better a hypothesis must be: five standard deviations
CLOSE = 4.5  # hypotheses this near to the best can't be told from it: three standard deviations
OVER_CLAMP = 1.0  # a channel's exact current instead of just any error of the clamp must be better by this
OTHERS_MA = 1000.0  # by which other loads on a circuit lift its base: anything a vehicle may draw
LONG_WIRES_PER_A = 0.016  # a vehicle's feeds, fuses and a tired battery: 200 mOhm at 12.6 V, per ampere
LONE_MA = 50.0  # by which another load that moves at the same instant spoils an edge that has no fellows
FELLOWS = 3  # edges of one kind among which one that is spoilt stands out
GREATEST_SHARE = 4.0  # a resistor of a fifth of its value; more is no resistor of this bank
LEAST_SHARE = 0.05  # a channel off by less is within tolerances, not a fault
MOST_SHARE = 0.6  # a resistor of another value within arm's reach in the box of resistors
LEAST_MA = 0.4  # an effect below this is not worth a screwdriver
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
TIGHT = Setup(
    0.1, 0.001, 0.0003
)  # a clamp that was set and checked before the recording, channels just trimmed
SETUPS = (FREE, TIGHT)


def setups(shared: bool, levels: bool) -> tuple[Setup, Setup]:
    """What is known where other loads hang on the circuit, or where levels are currents but for a factor."""
    free, tight = SETUPS
    if shared:
        free, tight = (replace(s, zero_ma=OTHERS_MA, source=LONG_WIRES_PER_A) for s in (free, tight))
    if not levels:
        free, tight = replace(free, gain=1.0), replace(tight, gain=1.0)
    return free, tight


@dataclass(frozen=True)
class Steps:
    """Steps between switch patterns, one entry an edge: patterns before and after, supply (mV), the journal's
    levels (mA), and by how much the step that was seen is larger than the journal's, with its variance;
    doubt_ma: what averaging doesn't mend; lone_ma: by how much more an edge may be off without FELLOWS."""

    before: Ints
    after: Ints
    supply_mv: Floats
    level_before: Floats
    level_after: Floats
    excess: Floats
    variance: Floats
    doubt_ma: Floats
    lone_ma: float = 0.0


@dataclass(frozen=True)
class Level:
    """The base against the journal: its patterns with their share of the time, mean supply and level, and by
    how much the mean that was seen is larger, with its variance."""

    pattern: Ints
    share: Floats
    supply_mv: float
    level_ma: float
    excess: float
    variance: float


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
    """fault: the likeliest; rivals: others that explain the same about as well; clamp: so would an error of
    the clamp."""

    fault: Fault
    rivals: tuple[Fault, ...]
    clamp: bool


def _effect(kind: str, k: int, channels_ns: tuple[int, ...], pattern: Ints, supply_mv: Floats) -> Floats:
    """What a hypothesis adds to patterns: the channel's current where its bit is set (stuck on: is clear)."""
    on = (pattern >> k & 1).astype(float)
    current: Floats = channels_ns[k] * MA_PER_NS_MV * supply_mv
    return current * (1.0 - on if kind == STUCK_ON else on)


class _Data:
    """The numbers that hypotheses predict: one a kind of step, and the whole as the last."""

    def __init__(
        self, steps: Steps, whole: Level, channels_ns: tuple[int, ...], known: tuple[Setup, Setup]
    ) -> None:
        self.free, self.tight = known
        self.channels_ns = channels_ns
        self.whole = whole
        self.steps = steps = _grouped(steps)
        self.value = np.append(steps.excess, whole.excess)
        top = np.append(np.maximum(steps.level_before, steps.level_after), whole.level_ma)
        swing_a = (top.max() - min(steps.level_before.min(initial=np.inf), whole.level_ma)) / 1000
        floor = FLOOR_MA**2 + ((FLOOR_SHARE + self.free.source / 2 * swing_a) * top) ** 2
        self._noise = np.diag(np.append(steps.variance, whole.variance) + floor)
        self._covariance = {setup: self._known_to(setup) for setup in known}

    def _known_to(self, setup: Setup) -> Floats:
        """The covariance of the numbers with nothing wrong."""
        steps, level_ma = self.steps, self.whole.level_ma
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
        steps, whole = self.steps, self.whole
        one, other = (
            _effect(kind, k, self.channels_ns, pattern, steps.supply_mv)
            for pattern in (steps.before, steps.after)
        )
        all_of_it = _effect(
            kind, k, self.channels_ns, whole.pattern, np.full(len(whole.pattern), whole.supply_mv)
        )
        return np.append(other - one, np.sum(all_of_it * whole.share))

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
    """A hypothesis with its evidence for a clamp that is known badly, known well, and either."""

    kind: str
    k: int
    share: float
    free: float
    tight: float

    @property
    def either(self) -> float:
        """The evidence with both kinds of clamp as likely."""
        return float(np.logaddexp(self.free, self.tight))


def diagnose(
    steps: Steps, whole: Level, channels_ns: tuple[int, ...], known: tuple[Setup, Setup] = SETUPS
) -> Diagnosis | None:
    """The fault that explains the excess, None where none does, or none is needed; known: a clamp that is
    known badly, and one that is known well."""
    data = _Data(steps, whole, channels_ns, known)
    weighed = [
        row
        for k in range(len(channels_ns))
        for row in (_weigh(data, STUCK_ON, k), _weigh(data, OPEN, k), _weigh(data, OFF, k))
        if row is not None
    ]
    none = np.zeros(len(data.value))
    free, tight = (data.evidence(none, none, setup) for setup in known)
    nothing = _Weighed("", 0, 0.0, free, tight)
    return (_sure(data, weighed, nothing) or _instead_of_clamp(data, weighed, nothing)) if weighed else None


def _weigh(data: _Data, kind: str, k: int) -> _Weighed | None:
    """The evidence of a fault, None where it would not show."""
    effect = data.effect(kind, k)
    if np.abs(effect).max() < LEAST_MA:
        return None
    share, doubt = {STUCK_ON: (1.0, AMPLITUDE), OPEN: (-1.0, AMPLITUDE), OFF: (0.0, FACTOR)}[kind]
    free, tight = (data.evidence(share * effect, doubt * effect, setup) for setup in (data.free, data.tight))
    return _Weighed(kind, k, share, free, tight)


def _sure(data: _Data, weighed: list[_Weighed], nothing: _Weighed) -> Diagnosis | None:
    """A fault that the steps themselves show, whatever the clamp's zero and gain."""
    best = max(weighed, key=lambda row: row.either)
    if best.either - max(nothing.free, nothing.tight) < SURE:
        return None
    near = [row for row in weighed if row.either > best.either - CLOSE]
    if best.kind != OFF:
        return Diagnosis(_fault(data, best), _rivals(data, weighed, near, best), False)
    # of resistors that are off the least one is the likeliest, and within tolerances none is
    found = sorted((_fault(data, row) for row in near if row.kind == OFF), key=lambda fault: abs(fault.share))
    least = found[0]
    shown = np.abs(data.effect(OFF, least.channel - 1)).max() * abs(least.share)
    if abs(least.share) < LEAST_SHARE or shown < LEAST_MA or not -1 < least.share <= GREATEST_SHARE:
        return None
    others = [fault for fault in found[1:] if abs(fault.share) <= MOST_SHARE]
    others += [_fault(data, row) for row in near if row.kind != OFF]
    return Diagnosis(least, tuple(others), False)


def _instead_of_clamp(data: _Data, weighed: list[_Weighed], nothing: _Weighed) -> Diagnosis | None:
    """Where the run closes few patterns a stuck or open channel looks like the clamp's zero or gain, but with
    the channel's exact current."""
    top = max(row.tight for row in weighed)
    best = max((row for row in weighed if row.kind != OFF), key=lambda row: row.tight, default=None)
    if best is None or best.tight < max(nothing.tight + SURE, nothing.free + OVER_CLAMP, top - OVER_CLAMP):
        return None
    near = [row for row in weighed if row.tight > best.tight - CLOSE]
    return Diagnosis(_fault(data, best), _rivals(data, weighed, near, best), True)


def _rivals(data: _Data, weighed: list[_Weighed], near: list[_Weighed], best: _Weighed) -> tuple[Fault, ...]:
    """What other channels could explain, resistors only as far off as a mistake makes them: one off by
    just the right amount is less likely, but nothing in the recording may speak against it."""
    none = np.zeros(len(data.value))
    fit = data.evidence(best.share * data.effect(best.kind, best.k), none, data.tight)
    found = [_fault(data, row) for row in near if row.k != best.k and row.kind != OFF]
    for row in weighed:
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
        share = excess_ma / (ns * MA_PER_NS_MV * supply_mv)
        if closed >> k & 1 and LEAST_SHARE <= abs(share) <= MOST_SHARE:
            found.append(Fault(OFF, k + 1, share))
    return sorted(found, key=lambda fault: abs(fault.share))


def _fault(data: _Data, row: _Weighed) -> Fault:
    share = data.amount(data.effect(OFF, row.k)) if row.kind == OFF else row.share
    return Fault(row.kind, row.k + 1, share)


def _grouped(steps: Steps) -> Steps:
    """Steps of one kind (same patterns, same supply within 0.1 V) as one: their median, so that a single
    pulse that was missed or disturbed doesn't speak for a channel. The variance is the larger of what the
    noise makes it and what the kind's own scatter shows (median absolute deviation)."""
    if not len(steps.before):
        return steps
    key = np.column_stack((steps.before, steps.after, np.round(steps.supply_mv / 100).astype(np.int64)))
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

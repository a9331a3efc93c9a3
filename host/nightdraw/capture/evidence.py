"""A recording against an account as a few numbers, and how likely a hypothesis makes them.

Theory of operation. The numbers are by how much each kind of step of the current was seen larger than it
should be, which a clamp's drifting zero doesn't touch, and by how much the base reads high. A hypothesis
predicts all of them. What is known badly (the clamp's gain and zero, the source's resistance, the channels'
tolerances, what other loads draw) enters as covariance, so a place where the box is alone and one where it
isn't differ by a prior only. The likelihood is Gaussian, marginal over those (MacKay 2003, chapter 28). Cost:
(150 kinds of step)^3 for each.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from nightdraw.capture.faults import OFF, unit_effect
from nightdraw.capture.noise import HALF_Z
from nightdraw.capture.observed import LONG_WIRES_PER_A, Observed
from nightdraw.capture.seen import Floats, Ints
from nightdraw.capture.view import SEVERAL, View, at_edges, levels_off

SOURCE_PER_A = 0.004  # the journal's level is for an earlier load's supply: 50 mOhm at 12.6 V, per ampere
FLOOR_MA = 0.05  # converter steps of supply and journal
ASKED_MA = 1.0  # what was asked is made by the bank's steps of 1.4 mA
FLOOR_SHARE = 3e-4
OTHERS_MA = 1000.0  # by which unknown loads on a circuit lift its base: anything a vehicle may draw
LONE_MA = 50.0  # by which another load that moves at the same instant spoils an edge without others like it
MEDIAN = np.pi / 2  # a median's variance is this much larger than a mean's
MOST_KINDS = 150  # the busiest kinds of step: more say nothing new and cost time
LEAST_MA = 1e-3  # a recording without noise is still no better known than this
LEAST_VARIANCE = 1e-9


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


def setups(shared: bool, base_known: bool, levels: bool) -> tuple[Setup, Setup]:
    """What is known where other loads hang on the circuit, or where levels are currents but for a factor."""
    free, tight = FREE, replace(TIGHT, zero_ma=FREE.zero_ma)  # a zero alone never accuses a switch
    if shared:
        free, tight = (replace(s, source=LONG_WIRES_PER_A) for s in (free, tight))
    if not base_known:
        free, tight = (replace(s, zero_ma=OTHERS_MA) for s in (free, tight))
    if not levels:
        free, tight = replace(free, gain=1.0), replace(tight, gain=1.0)
    return free, tight


@dataclass(frozen=True)
class _Steps:
    """Steps between switch patterns, one entry a kind of edge: patterns before and after (0 without a
    journal), supply (mV), the levels that should be (mA), by how much the step was seen larger, its variance,
    and by how much it is larger if the box read its supply ahead of it."""

    before: Ints
    after: Ints
    supply_mv: Floats
    level_before: Floats
    level_after: Floats
    excess: Floats
    variance: Floats
    ahead_ma: Floats

    @classmethod
    def of(cls, view: View, seen: Observed, pattern: Ints, supply_mv: Floats, lone_ma: float) -> _Steps:
        """The edges that were seen, those of one kind as one: their median, so that a single pulse that was
        missed or disturbed doesn't speak for a channel. The variance is the larger of what the noise makes it
        and what the kind's own scatter shows (median absolute deviation). lone_ma: by how much more an edge
        may be off whose kind has fewer than SEVERAL."""
        account, known = seen.account, np.flatnonzero(seen.known)
        _, kind, counts = np.unique(view.kinds()[known], return_inverse=True, return_counts=True)
        order = known[np.argsort(kind, kind="stable")]
        members = sorted(np.split(order, np.cumsum(counts)[:-1]), key=len, reverse=True)[:MOST_KINDS]

        def mean(values: Floats) -> Floats:
            return np.array([values[m].mean() for m in members])

        excess = np.array([np.median(seen.edge_ma[m]) for m in members])
        scatter = [np.median(np.abs(seen.edge_ma[m] - e)) for m, e in zip(members, excess, strict=True)]
        number = np.array([len(m) for m in members])
        first = np.array([m[0] for m in members])
        noise = np.maximum(mean(seen.edge_var), LEAST_VARIANCE)
        spread = np.maximum(noise, (np.array(scatter) / HALF_Z) ** 2)
        lone = np.where(number < SEVERAL, lone_ma**2, 0.0)
        return cls(
            np.append(0, pattern[:-1])[first],
            pattern[first],
            mean(at_edges(supply_mv)),
            mean(account.before_ma),
            mean(account.level_ma),
            excess,
            MEDIAN * spread / number + lone + mean(seen.systematic_ma**2),
            mean(seen.ahead_ma),
        )


class Evidence:
    """The numbers that hypotheses predict, one a kind of step and the base as the last.

    value: by how much each was seen larger; due: what each should be (mA); free, tight: the two setups;
    levels_off: whether levels above the base are off by more than they may, though no step of theirs need be.
    """

    def __init__(
        self, view: View, seen: Observed, known: tuple[Setup, Setup], lone_ma: float, gain: float = 1.0
    ) -> None:
        box = view.reference.box
        levels = len(seen.account.t_s)
        pattern = np.zeros(levels, dtype=np.int64) if box is None else box.pattern
        supply_mv = np.zeros(levels) if box is None else box.supply_mv
        self.free, self.tight = known
        self.channels_ns = () if box is None else box.channels_ns
        self.steps = steps = _Steps.of(view, seen, pattern, supply_mv, lone_ma)
        base = np.flatnonzero((seen.count > 0) & seen.base & np.isfinite(seen.whole_ma))
        weight = seen.count[base] / seen.count[base].sum()
        self._patterns, place = np.unique(pattern[base], return_inverse=True)
        self._share = np.bincount(place, weight).astype(float)
        self._supply_mv = float(np.sum(weight * supply_mv[base]))
        self.base_ma = float(np.sum(weight * seen.account.level_ma[base]))
        whole_ma = seen.whole_ma[base]
        # a base that is off by something else each time is other loads', no switch's
        spread = 1.4826 * float(np.median(np.abs(whole_ma - np.median(whole_ma))))
        base_var = (
            max(seen.sigma_ma, LEAST_MA) ** 2 / seen.count[base].sum() + spread**2 + seen.digit_ma**2 / 12
        )
        self.levels_off = _levels_off(view, seen, gain)
        self.due = np.append(steps.level_after - steps.level_before, self.base_ma)
        seen_ma = self.due + np.append(steps.excess, np.sum(weight * whole_ma))
        self.value = seen_ma / gain - self.due
        self._noise = self._floor() + np.diag(np.append(steps.variance, base_var)) / gain**2
        self._covariance = {setup: self._known_to(setup) for setup in known}

    @staticmethod
    def there(seen: Observed) -> bool:
        """Whether a recording shows steps and a base at all."""
        return bool(seen.known.any() and (seen.base & (seen.count > 0) & np.isfinite(seen.whole_ma)).any())

    def _floor(self) -> Floats:
        """What no number is known better than."""
        steps, base_ma = self.steps, self.base_ma
        top = np.append(np.maximum(steps.level_before, steps.level_after), base_ma)
        swing_a = (top.max() - min(steps.level_before.min(initial=np.inf), base_ma)) / 1000
        floor_ma = FLOOR_MA if self.channels_ns else ASKED_MA
        floor: Floats = np.diag(floor_ma**2 + ((FLOOR_SHARE + self.free.source / 2 * swing_a) * top) ** 2)
        return floor

    def _known_to(self, setup: Setup) -> Floats:
        """The covariance of the numbers with nothing wrong."""
        steps, base_ma = self.steps, self.base_ma
        bent = np.append(steps.level_after**2 - steps.level_before**2, base_ma**2) / 1000
        nuisances = [setup.gain * self.due, setup.source * bent, np.append(steps.ahead_ma, 0.0)]
        nuisances += [setup.channel * self.effect(OFF, k) for k in range(len(self.channels_ns))]
        spread = np.column_stack(nuisances)
        covariance: Floats = self._noise + spread @ spread.T
        covariance[-1, -1] += setup.zero_ma**2
        return covariance

    def effect(self, kind: str, k: int) -> Floats:
        """One unit of a channel's fault on every number."""
        steps = self.steps
        one, other = (
            unit_effect(kind, k, self.channels_ns, pattern, steps.supply_mv)
            for pattern in (steps.before, steps.after)
        )
        base = unit_effect(kind, k, self.channels_ns, self._patterns, self._supply_mv)
        return np.append(other - one, np.sum(base * self._share))

    def likelihood(self, mean: Floats, spread: Floats, setup: Setup) -> float:
        """Log marginal likelihood of: mean, plus a normal amount of spread."""
        root = np.linalg.cholesky(self._covariance[setup] + np.outer(spread, spread))
        white = np.linalg.solve(root, self.value - mean)
        return float(-0.5 * white @ white - np.log(np.diag(root)).sum())

    def either(self, mean: Floats, spread: Floats) -> float:
        """The same for a clamp that is known badly and one that is known well, both as likely."""
        one, other = (self.likelihood(mean, spread, setup) for setup in (self.free, self.tight))
        return float(np.logaddexp(one, other))

    def amount(self, effect: Floats) -> float:
        """How much of an effect fits best."""
        weighed = np.linalg.solve(self._covariance[self.tight], effect)
        return float(weighed @ self.value / max(weighed @ effect, 1e-12))


def _levels_off(view: View, seen: Observed, gain: float) -> bool:
    """Whether the judge of levels would tell any by the clamp's scale: among other loads several."""
    off, variance = seen.levels(view.prior.shared)
    height = view.reference.account.level_ma - view.reference.train.base_ma
    wrong = levels_off(view, seen, (height + off) / gain - height, variance / gain**2)
    return int(np.count_nonzero(wrong)) >= (SEVERAL if view.prior.shared else 1)

"""The choice of channels: which multiset of resistor values has the smallest largest error, and how surely.

It joins the quick search and the proof. Values and targets come in as plain numbers; bodies, tolerance and
supply range are not its business.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from nightdraw.bank import polish
from nightdraw.bank.patterns import Floats, Ints, Targets, largest_error
from nightdraw.bank.prove import SAME, Proof

EXACT_CHANNELS = 4  # up to here the proof always runs to its end
FIRST_ERROR = 1e-4  # the first error put to the proof: 0.01 %, below what any resistor holds
NEGLIGIBLE = 1e-5  # above EXACT_CHANNELS an error of 0.001 % is as good as none: its own size is the bound
GROWTH = 2.0  # from proof to proof the error doubles: the last one costs more than all before it
PROOF_SUMS = 1.5e9  # sums that one proof may compute: 7 to 10 s
TOTAL_SUMS = 5e9  # sums that all proofs may compute: about 30 s on one core
LAST_TRIES = 2  # where a proof was given up, errors between it and the last proven one are tried
DEADLINE_S = 40.0  # a slow machine stops proving here; the bound is then wider than it could be


@dataclass(frozen=True)
class Choice:
    """ohms, ascending; the largest relative error over the targets; no choice within the limits has a largest
    error below `proven`; whether the clock, not the work, ended the proof."""

    ohms: tuple[float, ...]
    error: float
    proven: float
    hurried: bool

    @property
    def gap(self) -> float:
        """How far, at most, the largest error lies above the best possible one; 0: this is the best."""
        return max(0.0, self.error - self.proven)


@dataclass
class _Best:
    """What is known so far: the best picks, their error, and the error below which nothing exists."""

    picks: Ints
    error: float
    proven: float = 0.0
    work: float = 0.0

    @property
    def settled(self) -> bool:
        return self.proven >= self.error - SAME


def choose(
    values_ohms: Sequence[float],
    targets: Targets,
    channels: int,
    clock: Callable[[], float] = time.monotonic,
    tell: Callable[[float], None] = lambda share: None,
) -> Choice:
    """The best choice of up to `channels` values (repetition allowed) for the targets.

    The error of a choice is the largest, over the targets, of |sum of the best pattern - wanted| / scale. Up
    to EXACT_CHANNELS channels the result is proven best; above, `proven` bounds it from below. The same call
    gives the same answer unless `hurried`. clock: seconds, ever-growing. tell: called with the share of the
    work done.
    """
    values = sorted(values_ohms, reverse=True)
    candidates = _candidates(values, targets)
    started_s = clock()
    best = _Best(*polish.search(candidates, targets, channels))
    exact = channels <= EXACT_CHANNELS

    def late() -> bool:
        tell(min(1.0, best.work / TOTAL_SUMS))
        return not exact and clock() - started_s > DEADLINE_S

    failed = best.error
    if exact or best.error > NEGLIGIBLE:
        failed = _prove_upwards(candidates, targets, channels, best, late)
    if not best.settled and best.error > NEGLIGIBLE:
        best.picks, best.error = polish.search_on(best.picks, best.error, candidates, targets)
        _prove_between(candidates, targets, channels, best, late, failed)
    picks = polish.settle(best.picks, candidates, targets)
    error = largest_error(candidates[picks], targets)
    proven = error if best.settled else best.proven
    ohms = tuple(sorted(values[pick] for pick in picks))
    return Choice(ohms, error, min(proven, error), best.error > NEGLIGIBLE and not best.settled and late())


def _candidates(falling_ohms: Sequence[float], targets: Targets) -> Floats:
    """Conductances, ascending, without those that no pattern with an error below 100 % could use."""
    conductances = 1 / np.asarray(falling_ohms, dtype=np.float64)
    useful: Floats = conductances[conductances <= targets.wanted[-1] + targets.scale[-1]]
    return useful if len(useful) else conductances[:1]


def _prove(
    candidates: Floats, targets: Targets, channels: int, best: _Best, error: float, late: Callable[[], bool]
) -> bool:
    """Put one error to the proof and take over what it found; True when it ran to its end."""
    exact = channels <= EXACT_CHANNELS
    proof = Proof(candidates, targets, channels, error)
    proof.run(float("inf") if exact else min(PROOF_SUMS, TOTAL_SUMS - best.work), late)
    best.work += proof.work
    if proof.picks is not None:
        best.picks, best.error = proof.picks, proof.error
    if proof.complete:
        best.proven = max(best.proven, proof.error)
    return proof.complete


def _prove_upwards(
    candidates: Floats, targets: Targets, channels: int, best: _Best, late: Callable[[], bool]
) -> float:
    """Prove larger and larger errors impossible until one is possible (its search then ends at the best
    choice) or too much work; returns the error that was too much."""
    error = min(FIRST_ERROR, best.error)
    while not best.settled:
        if not _prove(candidates, targets, channels, best, error, late):
            return error
        error = min(error * GROWTH, best.error)
    return best.error


def _prove_between(
    candidates: Floats,
    targets: Targets,
    channels: int,
    best: _Best,
    late: Callable[[], bool],
    failed: float,
) -> None:
    """Raise the proven error towards the one that was too much work."""
    for _ in range(LAST_TRIES):
        if best.work >= TOTAL_SUMS or late():
            return
        between = (max(best.proven, failed / 8) * failed) ** 0.5
        if not _prove(candidates, targets, channels, best, min(between, best.error), late):
            failed = between

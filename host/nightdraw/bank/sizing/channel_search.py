"""The choice of channels: which multiset of resistor values has the smallest largest error over all supplies.

Theory of operation. Wanted: min over choices of max over (level, supply) of the relative error, a program
with infinitely many conditions, one for each supply. It is solved by exchange (Blankenship and Falk, 1976):

1. local_search finds a good choice on a fine sample of the levels' spans: an upper bound. Its exact error
   over the whole spans (supply_range) is what counts, and the points where it fails join the sample.
2. branch_and_bound proves on a coarse sample that no choice has an error below e. A lower bound on some
   points is a lower bound for all. A choice that it finds is judged exactly; the points where it fails join
   the coarse sample, and the proof runs again.
3. e grows from FIRST_ERROR by GROWTH until it meets the upper bound (proven best) or the work is used
   up; then a longer local search, and LAST_TRIES proofs between the last proven e and the one given up.

Assumptions: nominal values (every channel has the same tolerance, which adds alike to all choices), ideal
switches. Complexity: up to EXACT_CHANNELS channels always to the end; above, at most TOTAL_SUMS sums.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from nightdraw.bank.patterns import Floats, Ints, Targets
from nightdraw.bank.sizing import local_search
from nightdraw.bank.sizing.branch_and_bound import SAME, Proof
from nightdraw.bank.sizing.supply_range import Spans

EXACT_CHANNELS = 3  # up to here the proof always runs to its end: a second at the most, with E96 too
FIRST_ERROR = 1e-4  # the first error put to the proof: 0.01 %, below what any resistor holds
NEGLIGIBLE = 1e-5  # above EXACT_CHANNELS an error below 0.001 % needs no proof: resistors don't hold it
GROWTH = 2.0  # from proof to proof the error doubles: the last one costs more than all before it
PROOF_SUMS = 1.5e9  # sums that one proof may compute: 7 to 10 s
TOTAL_SUMS = 5e9  # sums that all proofs may compute: about 30 s on one core
LAST_TRIES = 2  # where a proof was given up, errors between it and the last proven one are tried
DEADLINE_S = 40.0  # a slow machine stops proving here; the bound is then wider than it could be
FINE = 0.006  # ratio of neighbouring points in the search: what they miss REFINEMENTS add
COARSE = 0.05  # and in the proof: fewer points, quicker proofs, and the exchange adds those that matter
SHOWN = 0.2  # gaps within a fifth of the largest error join too: closing only the largest opens the next
REFINEMENTS = 6  # rounds in which the points where the best choice fails join the sample


@dataclass(frozen=True)
class ChannelChoice:
    """ohms, ascending; the largest relative error over the spans; no choice within the limits has a largest
    error below `proven`; `hurried`: the clock, not the work, ended the proof."""

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

    def take(self, picks: Ints, error: float, slack: float = 0.0) -> None:
        """Take other picks over where they are better, or as good within `slack`."""
        if error < self.error + slack:
            self.picks, self.error = picks, error


@dataclass
class _Points:
    """The spans, and the points of them that search and proof work on; the proof's grow."""

    spans: Spans
    fine: Targets
    coarse: Targets


def choose(
    values_ohms: Sequence[float],
    spans: Spans,
    channels: int,
    clock: Callable[[], float] = time.monotonic,
    progress: Callable[[float], None] = lambda share: None,
) -> ChannelChoice:
    """The best choice of up to `channels` values (repetition allowed) for the levels' spans.

    The error of a choice is the largest, over levels and supplies, of |sum of the best pattern - wanted| /
    wanted, as the circuit sees it. Up to EXACT_CHANNELS channels the result is proven best; above, `proven`
    bounds it from below. The same call gives the same answer unless `hurried`. clock: seconds, ever-growing.
    progress: called with the share of the work done, 0 to 1.
    """
    values = sorted(values_ohms, reverse=True)
    points = _Points(spans, spans.targets(FINE), spans.targets(COARSE))
    candidates = _candidates(values, points.fine)
    started_s = clock()
    picks, _ = local_search.search(candidates, points.fine, channels)
    best = _Best(*_refined(picks, candidates, points))
    exact = channels <= EXACT_CHANNELS

    def late() -> bool:
        progress(min(1.0, best.work / TOTAL_SUMS))
        return not exact and clock() - started_s > DEADLINE_S

    failed = best.error
    # a proof of an error that no resistor holds would cost its whole work for nothing
    if exact or best.error > NEGLIGIBLE:
        failed = _prove_upwards(candidates, points, channels, best, late)
    # where the proof was given up the choice itself may still be poor: search longer before judging the gap
    if not best.settled and best.error > NEGLIGIBLE:
        picks, _ = local_search.search_on(best.picks, best.error, candidates, points.fine)
        best.take(*_refined(picks, candidates, points))
        _prove_between(candidates, points, channels, best, late, failed)
    # equal in the largest error, better in the mean: accepted only where the exact error doesn't grow
    settled = local_search.reduce_mean_error(best.picks, candidates, points.fine)
    best.take(settled, spans.error(candidates[settled]), slack=SAME)
    proven = best.error if best.settled else best.proven
    ohms = tuple(sorted(values[pick] for pick in best.picks))
    return ChannelChoice(
        ohms, best.error, min(proven, best.error), best.error > NEGLIGIBLE and not best.settled and late()
    )


def _candidates(falling_ohms: Sequence[float], targets: Targets) -> Floats:
    """Conductances, ascending, without those that no pattern with an error below 100 % could use."""
    conductances = 1 / np.asarray(falling_ohms, dtype=np.float64)
    useful: Floats = conductances[conductances <= (targets.wanted + targets.scale).max()]
    return useful if len(useful) else conductances[:1]


def _refined(picks: Ints, candidates: Floats, points: _Points) -> tuple[Ints, float]:
    """Improve picks by their exact error: the points where they fail join the sample, and the descent runs
    again. Without this a choice would win whose largest errors lie between the samples."""
    best, least = picks, points.spans.error(candidates[picks])
    fine = points.fine
    for _ in range(REFINEMENTS):
        fine = fine.also(points.spans.worst_points(candidates[picks], least * (1 - SHOWN)))
        picks, _ = local_search.descend(best, candidates, fine)
        error = points.spans.error(candidates[picks])
        if error >= least - SAME:  # more points found nothing better: further rounds repeat this one
            break
        best, least = picks, error
    return best, least


def _prove(
    candidates: Floats, points: _Points, channels: int, best: _Best, error: float, late: Callable[[], bool]
) -> bool:
    """Put one error to the proof and take over what it found; True when it ran to its end."""
    exact = channels <= EXACT_CHANNELS
    proof = Proof(candidates, points.coarse, channels, error)
    proof.run(float("inf") if exact else min(PROOF_SUMS, TOTAL_SUMS - best.work), late)
    best.work += proof.work
    if proof.complete:
        best.proven = max(best.proven, min(proof.error, best.error))
    if proof.picks is not None:
        found = candidates[proof.picks]
        best.take(proof.picks, points.spans.error(found))
        if len(proof.picks) == channels:  # a proof may stop at fewer channels; descent needs them all
            best.take(*_refined(proof.picks, candidates, points))
        points.coarse = points.coarse.also(points.spans.worst_points(found, proof.error + SAME))
    return proof.complete


def _prove_upwards(
    candidates: Floats, points: _Points, channels: int, best: _Best, late: Callable[[], bool]
) -> float:
    """Prove larger and larger errors impossible, with more and more points, until the best choice is the
    best there is or it is too much work; returns the error that was too much."""
    error = min(FIRST_ERROR, best.error)
    while not best.settled:
        before = best.proven
        if not _prove(candidates, points, channels, best, error, late):
            return error
        # grow only after success: a proof that met its own sample repeats with the points it missed
        error = min(max(error, best.proven) * (GROWTH if best.proven > before else 1.0), best.error)
    return best.error


def _prove_between(
    candidates: Floats,
    points: _Points,
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
        if not _prove(candidates, points, channels, best, min(between, best.error), late):
            failed = between

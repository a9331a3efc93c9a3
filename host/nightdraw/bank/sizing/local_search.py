"""Iterated local search for a good choice of channels, quickly and without proof.

Theory of operation. A choice is a multiset of N candidate conductances, its cost the largest relative error
over the targets, each made by the best of the 2^N subset sums. Three parts:

- start: a geometric ladder g, g/r, g/r^2, ... Ratio 2 is the binary code, which covers a span without gaps;
  the ratio is drawn around it, because preferred values are not powers of two.
- descent (`descend`): coordinate descent. One channel after the other is replaced by the candidate with the
  smallest cost, until a whole round improves nothing. A round costs N * candidates * targets searches in the
  sorted sums of the other N - 1 channels.
- perturbation: one to three channels move by a few steps of the series and the descent starts again; every
  third time a new ladder starts, for a basin that small steps don't reach. Only improvements are kept
  (Lourenco, Martin and Stutzle, "Iterated local search", 2003, from memory).

The result is an upper bound for branch_and_bound. Every random number comes from one seed, so the same
request has the same answer.
"""

from __future__ import annotations

import numpy as np

from nightdraw.bank.patterns import (
    Floats,
    Ints,
    Targets,
    errors,
    largest_error,
    nearest_distance,
    subset_sums,
)

SEED = 60063
PERTURBATIONS = 24  # further ones improve little that the proof would not
MANY_PERTURBATIONS = 800  # where no proof ends
PERTURBATION_WORK = 6_000_000  # the number of perturbations is limited to this many look-ups: 1 to 2 s
MANY_PERTURBATIONS_WORK = 20_000_000  # where no proof ends: up to 8 s
LADDER_RATIOS = (1.5, 2.2)  # 2 is the binary code; lower leaves overlap, higher leaves gaps
TOP_SHARES = (0.3, 1.2)  # the largest channel as a share of the largest target
PERTURBATION_STEPS = 4  # series steps that a perturbed channel may move
SLACK = 1e-12  # relative errors closer than this are the same


def descend(picks: Ints, candidates: Floats, targets: Targets) -> tuple[Ints, float]:
    """Replace one channel after the other by the best candidate until nothing gets better.

    picks: indices into the ascending candidates (siemens). Returns the picks, ascending, and their largest
    relative error.
    """
    picks = picks.copy()
    best = largest_error(candidates[picks], targets)
    improved = True
    while improved:
        improved = False
        for channel in range(len(picks)):
            worst = _replacements(picks, channel, candidates, targets).max(axis=1)
            index = int(worst.argmin())
            # strictly better by more than rounding: equal costs would exchange two channels for ever
            if worst[index] < best - SLACK:
                best, picks[channel], improved = float(worst[index]), index, True
    return np.sort(picks), best


def _replacements(picks: Ints, channel: int, candidates: Floats, targets: Targets) -> Floats:
    """The relative error of every target (columns) with each candidate (rows) in the place of one channel."""
    rest = np.sort(subset_sums(candidates[np.delete(picks, channel)]))
    # each target is made without the channel or with it: the nearer of both counts, 2^(N-1) sums serve twice
    without = nearest_distance(rest, targets.wanted)
    with_it = nearest_distance(rest, targets.wanted[None, :] - candidates[:, None])
    relative: Floats = np.minimum(without[None, :], with_it) / targets.scale
    return relative


def search(candidates: Floats, targets: Targets, channels: int) -> tuple[Ints, float]:
    """The best picks found from random ladders and perturbations; deterministic. Returns as `descend`
    does."""
    random = np.random.default_rng(SEED)
    start = descend(_ladder(random, candidates, targets, channels), candidates, targets)
    return _iterate(
        random,
        start,
        candidates,
        targets,
        _perturbations(PERTURBATIONS, PERTURBATION_WORK, candidates, targets, channels),
    )


def search_on(picks: Ints, error: float, candidates: Floats, targets: Targets) -> tuple[Ints, float]:
    """The same from picks already found, for longer: for choices whose proof was given up."""
    random = np.random.default_rng(SEED + 1)
    perturbations = _perturbations(
        MANY_PERTURBATIONS, MANY_PERTURBATIONS_WORK, candidates, targets, len(picks)
    )
    return _iterate(random, (picks, error), candidates, targets, perturbations)


def _perturbations(most: int, work: int, candidates: Floats, targets: Targets, channels: int) -> int:
    """How many perturbations fit the work: a round tries each candidate for each channel on each target."""
    return max(1, min(most, work // (len(candidates) * targets.count * channels)))


def _iterate(
    random: np.random.Generator,
    start: tuple[Ints, float],
    candidates: Floats,
    targets: Targets,
    perturbations: int,
) -> tuple[Ints, float]:
    best, least = start
    for number in range(perturbations):
        restart = number % 3 == 0
        picks = (
            _ladder(random, candidates, targets, len(best))
            if restart
            else _perturbed(random, best, len(candidates))
        )
        picks, error = descend(picks, candidates, targets)
        if error < least - SLACK:
            best, least = picks, error
    return best, least


def _ladder(random: np.random.Generator, candidates: Floats, targets: Targets, channels: int) -> Ints:
    top = targets.wanted[-1] * random.uniform(*TOP_SHARES)
    wanted = top / random.uniform(*LADDER_RATIOS) ** np.arange(channels)
    ladder: Ints = np.minimum(np.searchsorted(candidates, wanted), len(candidates) - 1)
    return ladder


def _perturbed(random: np.random.Generator, picks: Ints, count: int) -> Ints:
    picks = picks.copy()
    chosen = random.choice(len(picks), min(len(picks), int(random.integers(1, 4))), replace=False)
    picks[chosen] += random.integers(-PERTURBATION_STEPS, PERTURBATION_STEPS + 1, len(chosen))
    return np.clip(picks, 0, count - 1)


def reduce_mean_error(picks: Ints, candidates: Floats, targets: Targets) -> Ints:
    """Among choices with no larger largest error, lower the mean square error, one channel at a time.

    The largest error often depends on one level alone; the other levels profit from the remaining freedom.
    """
    picks = picks.copy()
    limit = largest_error(candidates[picks], targets) + SLACK
    square = float((errors(candidates[picks], targets) ** 2).sum())
    improved = True
    while improved:
        improved = False
        for channel in range(len(picks)):
            relative = _replacements(picks, channel, candidates, targets)
            # a candidate that raises the largest error is out, however much it lowers the mean
            squares = np.where(relative.max(axis=1) <= limit, (relative**2).sum(axis=1), np.inf)
            index = int(squares.argmin())
            if squares[index] < square * (1 - 1e-9):
                square, picks[channel], improved = float(squares[index]), index, True
    return np.sort(picks)

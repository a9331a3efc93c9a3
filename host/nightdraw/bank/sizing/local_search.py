"""Good choices quickly, without proof: geometric ladders, improved one channel at a time, kicked and improved
again.

What it finds is only an upper bound for prove; every random number comes from one seed.
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
KICKS = 24  # further ones find little that the proof does not find itself
MANY_KICKS = 800  # where no proof ends
KICK_WORK = 6_000_000  # kicks are as many as this many lookups a round pay: 1 to 2 s
MANY_KICKS_WORK = 20_000_000  # where no proof ends: up to 8 s
LADDER_RATIOS = (1.5, 2.2)  # a ladder of two covers a span without gaps; slack goes either way
TOP_SHARES = (0.3, 1.2)  # the largest channel as a share of the largest target
KICK_STEPS = 4  # series steps that a kicked channel may move
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
            if worst[index] < best - SLACK:
                best, picks[channel], improved = float(worst[index]), index, True
    return np.sort(picks), best


def _replacements(picks: Ints, channel: int, candidates: Floats, targets: Targets) -> Floats:
    """The relative error of every target (columns) with each candidate (rows) in the place of one channel."""
    rest = np.sort(subset_sums(candidates[np.delete(picks, channel)]))
    without = nearest_distance(rest, targets.wanted)
    with_it = nearest_distance(rest, targets.wanted[None, :] - candidates[:, None])
    relative: Floats = np.minimum(without[None, :], with_it) / targets.scale
    return relative


def search(candidates: Floats, targets: Targets, channels: int) -> tuple[Ints, float]:
    """The best picks found from random ladders and kicks; deterministic. Returns as `descend` does."""
    random = np.random.default_rng(SEED)
    start = descend(_ladder(random, candidates, targets, channels), candidates, targets)
    return _kick(random, start, candidates, targets, _kicks(KICKS, KICK_WORK, candidates, targets, channels))


def search_on(picks: Ints, error: float, candidates: Floats, targets: Targets) -> tuple[Ints, float]:
    """The same from picks already found, for longer: for choices that no proof will judge."""
    random = np.random.default_rng(SEED + 1)
    kicks = _kicks(MANY_KICKS, MANY_KICKS_WORK, candidates, targets, len(picks))
    return _kick(random, (picks, error), candidates, targets, kicks)


def _kicks(most: int, work: int, candidates: Floats, targets: Targets, channels: int) -> int:
    """As many kicks as the work pays: a round tries each candidate for each channel on each target."""
    return max(1, min(most, work // (len(candidates) * targets.count * channels)))


def _kick(
    random: np.random.Generator, start: tuple[Ints, float], candidates: Floats, targets: Targets, kicks: int
) -> tuple[Ints, float]:
    best, least = start
    for kick in range(kicks):
        again = kick % 3 == 0
        picks = (
            _ladder(random, candidates, targets, len(best))
            if again
            else _kicked(random, best, len(candidates))
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


def _kicked(random: np.random.Generator, picks: Ints, count: int) -> Ints:
    picks = picks.copy()
    chosen = random.choice(len(picks), min(len(picks), int(random.integers(1, 4))), replace=False)
    picks[chosen] += random.integers(-KICK_STEPS, KICK_STEPS + 1, len(chosen))
    return np.clip(picks, 0, count - 1)


def settle(picks: Ints, candidates: Floats, targets: Targets) -> Ints:
    """Among choices with no larger largest error, lower the mean square error, one channel at a time.

    The largest error often hangs on one level; this makes good use of the freedom that it leaves.
    """
    picks = picks.copy()
    limit = largest_error(candidates[picks], targets) + SLACK
    square = float((errors(candidates[picks], targets) ** 2).sum())
    improved = True
    while improved:
        improved = False
        for channel in range(len(picks)):
            relative = _replacements(picks, channel, candidates, targets)
            squares = np.where(relative.max(axis=1) <= limit, (relative**2).sum(axis=1), np.inf)
            index = int(squares.argmin())
            if squares[index] < square * (1 - 1e-9):
                square, picks[channel], improved = float(squares[index]), index, True
    return np.sort(picks)

"""A search as so many rounds: in each one does something (a move), then waits until the fault shows again.

Which numbers of rounds are how likely, before anything is said about pulses. No clock, no random number.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class Path:
    """One way that a search can go: its weight, how often each of the walk's moves is followed by a wait,
    and the seconds that pass besides the waits (moves included)."""

    weight: float
    counts: tuple[int, ...]
    constant_s: float


@dataclass(frozen=True)
class Walk:
    """A first wait from a random instant, then for each path its waits after moves (seconds each).

    patience_s: a wait of a round that lasts longer ends the search with the wrong answer; None: one waits on.
    """

    moves_s: tuple[float, ...]
    paths: tuple[Path, ...]
    patience_s: float | None = None

    @property
    def most_rounds(self) -> int:
        """The waits of the longest path but the first."""
        return max(sum(path.counts) for path in self.paths)


ONCE = Walk((), (Path(1.0, (), 0.0),))


def sizes(sets: int, candidates: int, at_once: int) -> list[int]:
    """How many candidates each set looks at; the last takes those that are left over."""
    taken = [min(at_once, max(0, candidates - k * at_once)) for k in range(sets)]
    taken[-1] += candidates - sum(taken)
    return taken


def in_sets(groups: list[tuple[int, int, int]], move_s: float) -> Walk:
    """Set after set of candidates in any order until the one that it is is among them, for each group of
    (sets, candidates, at once) in turn, a move before each look."""
    chances = {0: 1.0}
    for sets, candidates, at_once in groups:
        further: dict[int, float] = defaultdict(float)
        for before, weight in chances.items():
            for k, size in enumerate(sizes(sets, candidates, at_once)):
                further[before + k + 1] += weight * size / candidates
        chances = further
    paths = [Path(w, (rounds - 1,), rounds * move_s) for rounds, w in sorted(chances.items())]
    return Walk((move_s,), tuple(paths))


MOST_WAKING = 8  # fuses that wake something whose orders are gone through one by one: 256 sets of them


@dataclass(frozen=True)
class Wakes:
    """What a fuse wakes, seconds until all sleeps again: by_fuse, any fuse that is pulled or put back wakes
    the modules on these; fed_s, this fuse put back wakes what it feeds. places: each fuse's number."""

    by_fuse: dict[str, float]
    fed_s: dict[str, float]
    places: dict[str, int]

    def pulled_s(self, out: frozenset[str]) -> float:
        """After another fuse was pulled, those in `out` (it too) being out."""
        return max((t for fuse, t in self.by_fuse.items() if fuse not in out), default=0.0)

    def back_s(self, out: frozenset[str], fuse: str) -> float:
        """After `fuse` was put back, the others in `out` still being out."""
        return max(self.pulled_s(out - {fuse}), self.fed_s.get(fuse, 0.0))


def by_pulling(
    wakes: Wakes, fuse: str, pull_s: float, patience_s: float, back_s: Callable[[float], float]
) -> Walk:
    """Fuse after fuse in any order, left out, until it stops; `fuse` is the one that it is. Then the
    patience, and back_s(seconds until all sleeps) to see it again.

    Exact: all orders of the fuses that wake something are gone through, the others are alike.
    """
    count = len(wakes.places)
    moves = sorted({pull_s, *(pull_s + t for t in wakes.by_fuse.values())})
    plain = count - 1 - sum(name != fuse for name in wakes.by_fuse)
    states = {(frozenset[str](), 0, (0,) * len(moves)): 1.0}
    paths: dict[tuple[tuple[int, ...], float], float] = defaultdict(float)
    for pulled in range(count):
        share = 1 / (count - pulled)
        coming: dict[tuple[frozenset[str], int, tuple[int, ...]], float] = defaultdict(float)
        for (out, quiet, counts), weight in states.items():
            spent = sum(n * move for n, move in zip(counts, moves, strict=True))
            last_s = pull_s + wakes.pulled_s(out | {fuse}) + patience_s + back_s(wakes.back_s(out, fuse))
            paths[counts, spent + last_s] += weight * share
            choices = [(out | {name}, quiet, 1) for name in wakes.by_fuse if name not in out | {fuse}]
            if quiet < plain:
                choices.append((out, quiet + 1, plain - quiet))
            for now_out, now_quiet, alike in choices:
                place = moves.index(pull_s + wakes.pulled_s(now_out))
                more = tuple(n + (k == place) for k, n in enumerate(counts))
                coming[now_out, now_quiet, more] += weight * share * alike
        states = coming
    found = [Path(w, counts, constant_s) for (counts, constant_s), w in paths.items()]
    return Walk(tuple(moves), tuple(found), patience_s)

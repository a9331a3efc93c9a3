"""How a benchmark takes time: both sides in turn, the best of some rounds each. Nothing is judged."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

ROUNDS = 3  # the best of them: what the machine does when nothing else runs


@dataclass(frozen=True)
class Ratio:
    """Seconds of ours and of the peer for the same work, and what the peer is."""

    what: str
    ours_s: float
    peer_s: float
    peer: str

    def line(self) -> str:
        """One row of the table; the ratio is ours over the peer's, below 1 where ours is quicker."""
        times = f"{shown(self.ours_s):>11} {shown(self.peer_s):>11}"
        return f"{self.what:44} {times} {self.ours_s / self.peer_s:8.3g}  {self.peer}"


def shown(seconds: float) -> str:
    """Seconds with a unit that fits."""
    for unit, size in (("s", 1.0), ("ms", 1e-3), ("us", 1e-6)):
        if seconds >= size:
            return f"{seconds / size:.3g} {unit}"
    return f"{seconds * 1e9:.3g} ns"


def compare(
    what: str, ours: Callable[[], object], peer: str, theirs: Callable[[], object], rounds: int = ROUNDS
) -> Ratio:
    """Time both sides, one after the other in each round."""
    times: tuple[list[float], list[float]] = ([], [])
    for _ in range(rounds):
        for side, work in zip(times, (ours, theirs), strict=True):
            begun = time.perf_counter()
            work()
            side.append(time.perf_counter() - begun)
    return Ratio(what, min(times[0]), min(times[1]), peer)

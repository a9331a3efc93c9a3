"""A long random search for the most even choice of candidates; it shares nothing with the planner's programs.

A shortest time is drawn; candidates with times from it up to just below the best ratio so far are taken in
random order where the rows allow; what is missing is sought by taking two out and trying again. Whatever it
finds exists: no bound that was called proven may lie above it.
"""

from __future__ import annotations

import random
from collections.abc import Sequence

from nightdraw.lesson.candidates import Candidate
from nightdraw.lesson.rows import Row

REPAIRS = 30  # exchanges after which a start is given up


def most_even(
    found: Sequence[Candidate], rows: Sequence[Row], groups: int, draw: random.Random, starts: int
) -> float:
    """The least longest-over-shortest time that was found; infinity where no choice was found."""
    held: list[list[tuple[int, float]]] = [[] for _ in found]
    for place, row in enumerate(rows):
        for k, weight in row.weights.items():
            held[k].append((place, weight))
    times = sorted({one.expected_s for one in found})
    best = float("inf")
    for _ in range(starts):
        low_s = draw.choice(times)
        inside = [k for k, one in enumerate(found) if low_s <= one.expected_s < low_s * best * (1 - 1e-12)]
        chosen = _one_start(inside, held, [row.most for row in rows], groups, draw)
        if chosen:
            picked = [found[k].expected_s for k in chosen]
            best = min(best, max(picked) / min(picked))
    return best


def _one_start(
    inside: list[int],
    held: list[list[tuple[int, float]]],
    most: list[float],
    groups: int,
    draw: random.Random,
) -> set[int]:
    """A choice of `groups` out of `inside` that keeps every row; empty where none was found."""
    used = [0.0] * len(most)
    chosen: set[int] = set()
    if len(inside) < groups:
        return chosen
    for _ in range(REPAIRS):
        for k in draw.sample(inside, len(inside)):
            if k not in chosen and all(used[row] + weight <= most[row] + 1e-9 for row, weight in held[k]):
                chosen.add(k)
                for row, weight in held[k]:
                    used[row] += weight
                if len(chosen) == groups:
                    return chosen
        for k in draw.sample(sorted(chosen), min(2, len(chosen))):  # two out: else the same one comes back
            chosen.remove(k)
            for row, weight in held[k]:
                used[row] -= weight
    return set()

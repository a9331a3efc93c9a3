"""Do answers give a run away? A test of whether what was read at some instants goes with a run's edges.

What is compared is the state of the edges at each instant, and how near the last and the next edge are, with
what was read: the largest absolute correlation over LAGS_S and WINDOWS_S and over all series that were read.
How large it gets by chance is found from the same edges shifted in a circle by random times: where nothing
goes with them, each shift is as good as none. So the share of shifts that do as well as no shift is a
p-value, whatever the laws of what was read, for all series together (a permutation test; the 1 that is added
is from Phipson and Smyth 2010, from memory). It wants edges without a period.
"""

from __future__ import annotations

from collections.abc import Sequence
from random import Random

import numpy as np

SHIFTS = 999
ALARM = 1e-3  # at or below it answers give the run away: one false alarm in a thousand tests
LAGS_S = (0.0, 0.3, 1.0, -0.3, -1.0)  # the queue holds 0.6 to 1 s: work for an edge comes that much before
WINDOWS_S = (0.05, 0.5)
LEAST_SHIFT_S = 3.0  # a shorter shift leaves a leak partly where it is, and would count as chance


def p_value(
    at_s: Sequence[float],
    series: Sequence[Sequence[float]],
    edges_s: Sequence[float],
    span_s: float,
    rng: Random,
    shifts: int = SHIFTS,
) -> float:
    """The p-value of "nothing goes with the edges".

    series: of each thing that was read one number for each instant of at_s (0 .. span_s); edges_s: edges in
    order, the first one a rise.
    """
    rows = [np.asarray(read, float) for read in series]
    rows = [(row - row.mean()) / row.std() for row in rows if np.ptp(row) > 0]
    if not rows:  # each of them one and the same each time
        return 1.0
    values, at, edges = np.array(rows).T / len(at_s), np.asarray(at_s, float), np.asarray(edges_s, float)
    by_s = np.random.default_rng(rng.getrandbits(64)).uniform(LEAST_SHIFT_S, span_s - LEAST_SHIFT_S, shifts)
    own = _largest(at, values, edges, span_s)
    as_well = sum(_largest((at + s) % span_s, values, edges, span_s) >= own - 1e-12 for s in by_s)
    return (1 + as_well) / (1 + shifts)


def _largest(at: np.ndarray, values: np.ndarray, edges: np.ndarray, span_s: float) -> float:
    flags = [np.searchsorted(edges, (at - lag_s) % span_s, "right") % 2 == 1 for lag_s in LAGS_S]
    number = np.searchsorted(edges, at, "right")
    bounded = np.array([-span_s, *edges, 2 * span_s])
    for window_s in WINDOWS_S:
        flags += [at - bounded[number] < window_s, bounded[number + 1] - at < window_s]
    table = np.array(flags, float)
    share = table.mean(axis=1, keepdims=True)
    spread = np.sqrt(share * (1 - share))
    table = np.divide(table - share, spread, out=np.zeros_like(table), where=spread > 0)
    return float(np.abs(table @ values).max())


def numbers(answers: Sequence[str]) -> list[float]:
    """Answers as numbers: by value where all are numbers, else by kind in order of appearance."""
    try:
        return [float(answer) for answer in answers]
    except ValueError:
        kinds = {kind: float(k) for k, kind in enumerate(dict.fromkeys(answers))}
        return [kinds[answer] for answer in answers]

"""Kinds of pulses: which are alike, and by what law they come. Works on durations and levels that are
measured."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from nightdraw.capture.seen import Floats, Ints

LEVEL_STEP, LEVEL_MA = (
    0.1,
    3.0,
)  # levels nearer than a tenth, or this, are of one kind: supplies sag, clamps drift
APART_U = 6.0  # or nearer than so many standard uncertainties
DURATION_STEP = 1.5  # durations of two kinds are this much apart, and ...
MANY, FEW_STEP = 8, 3.0  # (fewer pulses than MANY: this much)
TIGHT = 3.0  # ... each kind spreads less than a third of that: else it is one kind whose durations vary
LEAST_LAW = 3  # fewer pulses have no law
PERIOD_SHARE = 0.02  # starts of a periodic kind keep within this of a period ...
PERIOD_INTERVALS = 2.0  # ... or so many sampling intervals
MOST_PERIODS = 4  # periods from one pulse to the next that is found: two kinds at once hide one between
LAW_SHARE = 0.9  # of the distances must be whole periods
PERIODIC, RANDOM, SINGLE = "periodic", "random", "single"


@dataclass(frozen=True)
class Kind:
    """Pulses alike. level: median; duration_s: lowest, median, highest; spacing_s: of a periodic kind its
    period, of others lowest, median and highest gap from an end to the next start (None: there is none that
    was seen whole); law: PERIODIC, RANDOM (three or more without a period) or SINGLE (one or two); rows:
    which pulses."""

    level: float
    duration_s: tuple[float, float, float]
    period_s: float | None
    gap_s: tuple[float, float, float] | None
    law: str
    rows: Ints


def kinds(
    start_s: Floats, duration_s: Floats, level: Floats, level_u: Floats, hidden_s: Floats, interval_s: float
) -> tuple[Kind, ...]:
    """The kinds of some pulses in order of time, the commonest first; hidden_s: instants at which something
    was not judged, across which no distance counts."""
    groups: list[Ints] = []
    for alike in _by_level(level, level_u):
        groups += _by_duration(alike, duration_s)
    found = [_kind(np.sort(rows), start_s, duration_s, level, hidden_s, interval_s) for rows in groups]
    return tuple(sorted(found, key=lambda kind: -len(kind.rows)))


def _by_level(level: Floats, level_u: Floats) -> list[Ints]:
    if not len(level):
        return []
    order = np.argsort(level, kind="stable")
    value, u = level[order], level_u[order]
    allowed = np.maximum(
        np.maximum(LEVEL_STEP * np.abs(value[:-1]), LEVEL_MA), APART_U * np.hypot(u[1:], u[:-1])
    )
    return list(np.split(order, np.flatnonzero(np.diff(value) > allowed) + 1))


def _by_duration(rows: Ints, duration_s: Floats) -> list[Ints]:
    """Rows split where their durations are far apart for how little each side spreads."""
    order = rows[np.argsort(duration_s[rows], kind="stable")]
    value = np.log(np.maximum(duration_s[order], 1e-9))
    if len(value) < 2:
        return [rows]
    cut = int(np.argmax(np.diff(value))) + 1
    wide = value[cut] - value[cut - 1]
    spread = max(value[cut - 1] - value[0], value[-1] - value[cut])
    step = DURATION_STEP if len(value) >= MANY else FEW_STEP  # few that vary have wide gaps by chance
    if wide < np.log(step) or TIGHT * spread > wide:
        return [rows]
    return _by_duration(order[:cut], duration_s) + _by_duration(order[cut:], duration_s)


def _kind(
    rows: Ints, start_s: Floats, duration_s: Floats, level: Floats, hidden_s: Floats, interval_s: float
) -> Kind:
    starts, lasting = start_s[rows], duration_s[rows]
    hidden = np.sort(hidden_s)
    seen_whole = np.searchsorted(hidden, starts[1:]) == np.searchsorted(hidden, starts[:-1])
    distances = np.diff(starts)[seen_whole]
    gaps = (starts[1:] - (starts + lasting)[:-1])[seen_whole]
    period = _period(distances, interval_s) if len(rows) >= LEAST_LAW else None
    law = PERIODIC if period is not None else RANDOM if len(rows) >= LEAST_LAW else SINGLE
    return Kind(
        level=float(np.median(level[rows])),
        duration_s=_three(lasting),
        period_s=period,
        gap_s=None if period is not None or not len(gaps) else _three(gaps),
        law=law,
        rows=rows,
    )


def _three(values: Floats) -> tuple[float, float, float]:
    return float(values.min()), float(np.median(values)), float(values.max())


def _period(distances_s: Floats, interval_s: float) -> float | None:
    """The period of which nearly all distances are whole multiples, None where there is none."""
    if len(distances_s) < LEAST_LAW - 1:
        return None
    near = distances_s[distances_s < DURATION_STEP * np.quantile(distances_s, 0.1)]
    period = float(np.median(near))
    times = np.maximum(np.round(distances_s / period), 1.0)
    off = np.abs(distances_s - times * period)
    good = (off <= np.maximum(PERIOD_SHARE * period, PERIOD_INTERVALS * interval_s)) & (times <= MOST_PERIODS)
    if np.mean(good) < LAW_SHARE:
        return None
    return float(np.sum(distances_s[good]) / np.sum(times[good]))

"""What became of every edge and level of a reference in a recording: matched, differing, or explained by
whom.

Theory of operation. The recording is held against what is expected: the reference, with the part of a broken
channel that was found. Each edge has an instant, by the charge around it or by the seen edge that is nearest,
and a height. A pulse of which neither end is there is missing; one whose ends come early or late moved or has
another duration; of those that are where they should be the levels above the base beside them are compared,
pulses of one level together, then single ones, then their parts, then steps. What is told of a pulse once is
not told of it again. Whether other loads hang on the circuit is a prior: it decides what an edge that is none
of the box's may be, and a level must be off several times there. Tolerances stand in differences. Cost: edges
* log(edges).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from nightdraw.capture import differences as df
from nightdraw.capture.accounts import Account
from nightdraw.capture.differences import Difference, milliseconds
from nightdraw.capture.faults import resistors, words
from nightdraw.capture.place import nearest
from nightdraw.capture.seen import Bools, Floats, Ints, grouped
from nightdraw.capture.view import SEVERAL, View, edges_off, levels_off

UNLIKE = 0.75  # of its height an edge may be off by a fault and still be itself
HALF = 0.5  # of an edge
REACHED = 0.5  # of the charge's window: an edge that is further off is looked for among the edges
EDGE_DEVIATION = (5.0, 20.0)  # samples by which noise moves an edge s deviations high: 5 / s + 20 / s^2
SLOW_U = 0.7  # of a time constant an edge is known to where no charge around it tells
LEAST_STEP_MA = 1e-9  # a level's supply may have moved without its current
ON_END = 3  # so many pulses on end that were not seen are told in one row


@dataclass
class Judged:
    """rows; the edges (of the reference, one a level) that lie in the recording, and those that were judged;
    taken_s: the recording's edges (run clock) that are the reference's, though perhaps not at their time."""

    rows: list[Difference]
    inside: Bools
    judged: Bools
    taken_s: Floats


@dataclass(frozen=True)
class _Times:
    """When each edge was seen: by how much later (s, nan: not), its uncertainty, which seen edge it is
    (-1)."""

    late_s: Floats
    late_u_s: Floats
    is_edge: Ints


def _times(view: View, chance: Bools) -> _Times:
    """By the charge around each edge; where that is too far off, or another load's as well (chance), by the
    seen edge that is nearest."""
    seen, account = view.observed, view.observed.account
    heights = view.seen.height_ma
    # edges less than a sample apart are seen as one: the one that has their sum
    one = np.cumsum(np.append(True, np.diff(account.t_s) > seen.interval_s)) - 1
    at_s, step = _as_one(account, one)
    nearby = np.full(len(step), -1)
    for way in (1.0, -1.0):
        place, there = np.flatnonzero(step * way > 0), np.flatnonzero(heights * way > 0)
        known_s, seen_s = at_s[place], view.seen.at_s[there]
        here, beside = df.match(known_s, known_s, seen_s, seen_s)
        nearby[place[here]] = there[beside]
    if view.prior.shared and len(heights):  # other loads move too: only edges of about the right height count
        unlike = np.abs(heights[nearby] - step) > UNLIKE * np.abs(step)
        nearby[unlike] = -1
    nearby, at_s, step = nearby[one], at_s[one], step[one]
    if not len(heights):
        return _Times(np.full(len(step), np.nan), seen.late_u_s, nearby)
    if view.prior.shared:
        nearby = np.where(seen.absent, _elsewhere(view), nearby)
    # noise moves an edge by its height as it was seen, which may be less than it should be
    height = np.minimum(np.abs(step), np.where(nearby >= 0, np.abs(heights[nearby]), np.inf))
    s = np.maximum(height / max(seen.sigma_ma, 1e-6), 1e-6)
    by_edge_u_s = (EDGE_DEVIATION[0] / s + EDGE_DEVIATION[1] / s**2) * seen.interval_s / df.DEVIATIONS
    by_edge_u_s = np.hypot(by_edge_u_s, SLOW_U * seen.tau_s)
    # a step within the tolerance of levels may as well not be there: what lies near it may be anything
    told = (nearby >= 0) & (np.abs(step) > df.LEVEL_MA)
    if view.prior.shared:  # another load's edge is taken for the box's by chance, if it isn't as high
        due = step + np.where(seen.known & ~chance & ~seen.absent, seen.edge_ma, 0.0)
        told &= np.abs(heights[nearby] - due) <= df.tolerance_ma(due) + df.DEVIATIONS * view.seen.u_ma[nearby]
    by_edge = np.where(told, view.seen.at_s[nearby] - at_s, np.nan)
    with np.errstate(invalid="ignore"):
        charged = np.isfinite(seen.late_s) & (np.abs(seen.late_s) <= REACHED * seen.reach_s)
        # the charge of an edge that isn't there says nothing
        charged &= ~chance & (np.abs(seen.edge_ma) <= HALF * np.abs(account.step_ma))
    late = np.where(charged, seen.late_s, by_edge)
    return _Times(late, np.where(charged, seen.late_u_s, by_edge_u_s), nearby)


def _as_one(account: Account, one: Ints) -> tuple[Floats, Floats]:
    """Instants and heights of edges of which those with one number are one."""
    step = account.step_ma
    weight = np.maximum(np.abs(step), LEAST_STEP_MA)
    first = np.flatnonzero(np.diff(one, prepend=-1))
    at_s: Floats = np.add.reduceat(account.t_s * weight, first) / np.add.reduceat(weight, first)
    return at_s, np.add.reduceat(step, first)


def _elsewhere(view: View) -> Ints:
    """For each edge that isn't where it should be the edge of its own height that nothing else explains,
    between its neighbours (-1: none). Another load meets height, sign and place at once by chance only."""
    seen, account = view.observed, view.observed.account
    step, edges = account.step_ma, view.seen
    found = np.full(len(step), -1)
    free = (
        np.abs(account.t_s[nearest(account.t_s, edges.at_s)] - edges.at_s) > df.TIME_S + 2 * seen.interval_s
    )
    allowed = df.tolerance_ma(step)
    noise = df.DEVIATIONS * np.sqrt(np.where(seen.known, seen.edge_var, 0.0))
    # a load that hides an edge of the box's has another edge nearby, too: the less like the box's the more of
    # it is left to be seen
    nothing = seen.absent & (np.abs(step) > allowed + noise)
    if nothing.any():  # a load of the vehicle's that is as high, and there by itself, is no moved edge
        free &= ~view.of_loads()
    for k in np.flatnonzero(nothing).tolist():
        low_s = max(account.t_s[k - 1] if k else -np.inf, account.t_s[k] - df.NEAR_S)
        high_s = min(account.until_s[k], account.t_s[k] + df.NEAR_S)
        like = np.abs(edges.height_ma - step[k]) <= allowed[k] + df.DEVIATIONS * edges.u_ma
        there = np.flatnonzero(free & like & (edges.at_s > low_s) & (edges.at_s < high_s))
        if len(there):
            found[k] = there[np.argmin(np.abs(edges.at_s[there] - account.t_s[k]))]
    return found


def judge(view: View) -> Judged:
    """Everything in which the piece differs from the reference, and what became of its edges."""
    reference, train = view.reference, view.reference.train
    seen = view.observed
    account = seen.account
    at_s = view.clock.to_recording(account.t_s)
    inside = (at_s > view.piece.from_s + seen.interval_s) & (at_s < view.piece.until_s - seen.interval_s)
    recorded = ~reference.lost.touches(account.t_s, account.until_s)
    chance = edges_off(view)[0] if view.prior.shared else np.zeros(len(inside), dtype=bool)
    times = _times(view, chance)
    ends = np.column_stack((train.first, train.last + 1))
    absent = np.all(seen.absent[ends], axis=1) & ~_like_seen(view, times, ends)
    gone = (absent | _hollow(seen.absent, ends)) & np.all(recorded[ends], axis=1)
    levels, variance = seen.without_edges(chance).levels(view.prior.shared)
    rows = list(_missing(view, gone))
    moved, steps = _moved(view, times, gone, chance)
    rows += moved.values()
    rows += steps
    still = ~gone
    still[list(moved)] = False
    if view.prior.levels:
        off, told = _levels(view, levels, variance, still)
        rows += off
        rows += [] if view.prior.shared else _steps(view, still & ~told)
    edges_judged = inside & recorded & ((seen.known & ~chance) | np.isin(np.arange(len(inside)), ends[gone]))
    return Judged(rows, inside, edges_judged, view.seen.at_s[times.is_edge[times.is_edge >= 0]])


def _like_seen(view: View, times: _Times, ends: Ints) -> Bools:
    """Pulses one of whose ends is near an edge of about its own height."""
    heights, step = view.seen.height_ma, view.observed.account.step_ma
    if not len(heights):
        return np.zeros(len(ends), dtype=bool)
    place = times.is_edge[ends]
    like = (place >= 0) & (np.abs(heights[place] - step[ends]) <= UNLIKE * np.abs(step[ends]))
    return np.asarray(like.any(axis=1))


def _hollow(absent: Bools, ends: Ints) -> Bools:
    """Pulses of several levels of which no edge is there but one end: another load's edge, by chance."""
    before = np.append(0, np.cumsum(absent))
    first, last = ends.T
    inner = last - first - 1
    hollow: Bools = (inner >= 2) & (before[last] - before[first + 1] == inner) & absent[ends].any(axis=1)
    return hollow


def _missing(view: View, gone: Bools) -> Iterator[Difference]:
    """Pulses that aren't there; several on end in one row."""
    train = view.reference.train
    lost = np.flatnonzero(gone)
    for pulses in np.split(lost, np.flatnonzero(np.diff(lost) > 1) + 1):
        if len(pulses) >= ON_END:
            first_s, last_s = (float(train.start_s[k]) for k in (pulses[0], pulses[-1]))
            text = (
                f"{len(pulses)} pulses on end were not seen, from the one at {first_s:.3f} s to the one at "
                f"{last_s:.3f} s: from {view.clock.to_recording(first_s):.3f} s of the recording on"
            )
            yield view.reference.row(df.MISSING, int(pulses[0]), "start_s", None, text)
            continue
        for pulse in pulses.tolist():
            text = (
                f"the pulse at {train.start_s[pulse]:.3f} s ({milliseconds(train.duration_s[pulse])}, "
                f"{train.level_ma[pulse]:.1f} mA) was not seen"
            )
            yield view.reference.row(df.MISSING, pulse, "start_s", None, text)


def _moved(
    view: View, times: _Times, gone: Bools, chance: Bools
) -> tuple[dict[int, Difference], list[Difference]]:
    """Pulses whose duration or start differs, and steps inside pulses that came at another time."""
    reference, train, seen = view.reference, view.reference.train, view.observed
    allowed = df.TIME_S + seen.interval_s + df.DEVIATIONS * times.late_u_s
    start, end = train.first, train.last + 1
    late = np.where(chance & (times.is_edge < 0), np.nan, times.late_s)
    with np.errstate(invalid="ignore"):
        longer, later = late[end] - late[start], late[start]
        other = ~gone & (np.abs(longer) > np.maximum(allowed[start], allowed[end]))
        shifted = ~gone & ~other & (np.abs(later) > allowed[start])
        # where another edge hides the start the end alone speaks
        ended = ~gone & ~np.isfinite(later) & (np.abs(late[end]) > allowed[end])
    found: dict[int, Difference] = {}
    for pulse in np.flatnonzero(other).tolist():
        lasted = float(train.duration_s[pulse] + longer[pulse])
        text = (
            f"seen to last {milliseconds(lasted)} instead of {milliseconds(float(train.duration_s[pulse]))}"
        )
        found[pulse] = reference.row(df.DURATION, pulse, "duration_s", lasted, text)
    for which, by_s, of, does in (shifted, later, "start_s", "start"), (ended, late[end], "end_s", "end"):
        for pulse in np.flatnonzero(which).tolist():
            text = f"seen {df.later(by_s[pulse])} than it should {does}"
            at_s = float(getattr(train, of)[pulse] + by_s[pulse])
            found[pulse] = reference.row(df.TIME, pulse, of, at_s, text)
    ends = np.isin(np.arange(len(late)), np.concatenate((start, end)))
    with np.errstate(invalid="ignore"):
        steps = np.flatnonzero(~ends & (np.abs(late) > allowed) & (times.is_edge >= 0))
    pulse_of = train.of_level(steps)
    rows = []
    for k, pulse in zip(steps.tolist(), pulse_of.tolist(), strict=True):
        if pulse >= 0 and (pulse in found or gone[pulse]):
            continue
        text = f"the step at {seen.account.t_s[k]:.3f} s was seen {df.later(late[k])}"
        number = reference.number(pulse) if pulse >= 0 else None
        at_s = float(seen.account.t_s[k])
        said = {"asked": None, "did": None} | {reference.name: at_s}
        rows.append(Difference(df.TIME, number, said["asked"], said["did"], at_s + float(late[k]), text))
    return found, rows


def _levels(view: View, off: Floats, variance: Floats, still: Bools) -> tuple[list[Difference], Bools]:
    """Levels that are off: pulses of one level together, so that noise averages out, single ones, and parts
    of pulses whose mean is right; and the pulses that are told. still: pulses that are where they should
    be."""
    reference, train = view.reference, view.reference.train
    rows, told = [], np.zeros(len(train), dtype=bool)
    level_ma, deviation = _pulse_levels(view, off, variance)
    known = still & np.isfinite(deviation)
    group = grouped(train.level_ma, df.tolerance_ma)
    least = SEVERAL if view.prior.shared else 1
    least = min(least, max(int(known.sum()), 1))
    for number in np.unique(group[known]):
        members = np.flatnonzero((group == number) & known)
        weight = 1.0 / np.maximum(deviation[members], 1e-6) ** 2
        mean = float(np.average(level_ma[members] - train.level_ma[members], weights=weight))
        level = float(np.average(train.level_ma[members]))
        allowed_ma = (
            df.level_tolerance(level) + view.observed.digit_ma + df.DEVIATIONS / np.sqrt(weight.sum())
        )
        if len(members) >= least and abs(mean) > allowed_ma:
            told[members] = True
            text = _level_text(level, mean, len(members)) + _suspects(view, mean, int(members[0]))
            rows.append(reference.row(df.LEVEL, int(members[0]), "level_ma", level + mean, text))
    allowed = df.tolerance_ma(train.level_ma) + df.DEVIATIONS * deviation
    with np.errstate(invalid="ignore"):
        alone = known & ~told & (np.abs(level_ma - train.level_ma) > allowed)
    told |= alone
    for pulse in np.flatnonzero(alone).tolist() if least == 1 else []:
        excess = float(level_ma[pulse] - train.level_ma[pulse])
        text = _level_text(float(train.level_ma[pulse]), excess, 1) + _suspects(view, excess, pulse)
        rows.append(reference.row(df.LEVEL, pulse, "level_ma", float(level_ma[pulse]), text))
    parts, also = _parts(view, off, variance, known & ~told, least)
    told[also] = True
    return rows + parts, told


def _suspects(view: View, excess_ma: float, pulse: int) -> str:
    """The resistors that would explain an excess, by the patterns that the journal has there: below what the
    table of hypotheses is sure of they are worth a look."""
    box = view.reference.box
    if box is None or view.prior.shared:
        return ""
    first = int(view.reference.train.first[pulse])
    closed = int(box.pattern[first]) & ~(int(box.pattern[first - 1]) if first else 0)
    found = resistors(excess_ma, closed, box.channels_ns, float(np.median(box.supply_mv)))
    return "".join(f"; or {words(box, fault)}" for fault in found)


def _parts(
    view: View, off: Floats, variance: Floats, whole: Bools, least: int
) -> tuple[list[Difference], list[int]]:
    """Parts of pulses that are off, and the pulses; among other loads only such as are off in several."""
    reference, train, seen = view.reference, view.reference.train, view.observed
    height = reference.account.level_ma - train.base_ma
    pulse = train.of_level(np.arange(len(height)))
    wrong = levels_off(view, seen, off, variance)
    wrong[wrong] &= whole[pulse[wrong]]
    rows: list[Difference] = []
    told: list[int] = []
    for level in np.flatnonzero(wrong).tolist() if np.count_nonzero(wrong) >= least else []:
        place = int(pulse[level])
        if place in told:
            continue
        told.append(place)
        text = (
            f"the part at {seen.account.t_s[level]:.3f} s, {height[level]:.1f} mA above the base, "
            f"seen at {height[level] + off[level]:.1f} mA"
        )
        rows.append(reference.row(df.LEVEL, place, "level_ma", float(train.level_ma[place]), text))
    return rows, told


def _steps(view: View, fine: Bools) -> Iterator[Difference]:
    """Steps that are off though the pulses beside them are not: a base that isn't the same on both sides.
    fine: pulses of which nothing is told."""
    reference, train, seen = view.reference, view.reference.train, view.observed
    pulse = train.of_level(np.arange(len(seen.edge_ma)))
    beside = np.column_stack((pulse, np.append(-1, pulse[:-1])))
    untold = np.all((beside < 0) | np.append(fine, True)[beside], axis=1)
    high = np.maximum(seen.account.level_ma, seen.account.before_ma) - train.base_ma
    noise = df.DEVIATIONS * np.sqrt(np.where(seen.known, seen.edge_var, 0.0)) + np.abs(seen.ahead_ma)
    off = untold & seen.known & (np.abs(seen.edge_ma) > df.tolerance_ma(high) + noise)
    for k in np.flatnonzero(off).tolist():
        step = float(seen.account.step_ma[k])
        text = (
            f"the step at {seen.account.t_s[k]:.3f} s was seen to be {step + seen.edge_ma[k]:+.1f} mA "
            f"instead of {step:+.1f} mA"
        )
        yield reference.level_row(df.LEVEL, k, float(seen.account.level_ma[k] + seen.edge_ma[k]), text)


def _pulse_levels(view: View, off: Floats, variance: Floats) -> tuple[Floats, Floats]:
    """How high each pulse was seen above its base, and the deviation of that (inf: not known)."""
    train, seen = view.reference.train, view.observed
    known = np.isfinite(variance) & (seen.count > 0)
    lasting = np.where(known, seen.account.lasting_s, 0.0)
    whole, summed = (
        np.append(0.0, np.cumsum(lasting)),
        np.append(0.0, np.cumsum(lasting * np.where(known, off, 0.0))),
    )
    # the levels of one pulse hang on the same base: their errors don't average out
    spread = np.append(0.0, np.cumsum(lasting * np.sqrt(np.where(known, variance, 0.0))))
    first, after = train.first, train.last + 1
    time = whole[after] - whole[first]
    with np.errstate(invalid="ignore", divide="ignore"):
        level = train.level_ma + (summed[after] - summed[first]) / time
        deviation = (spread[after] - spread[first]) / time
    return np.where(time > 0, level, np.nan), np.where(time > 0, deviation, np.inf)


def _level_text(level: float, off: float, pulses: int) -> str:
    share = f", {100 * off / level:+.1f} %" if level > 0 else ""
    what = f"{pulses} pulses" if pulses > 1 else "a pulse"
    return f"{what} of {level:.1f} mA above the base seen at {level + off:.1f} mA ({off:+.1f} mA{share})"

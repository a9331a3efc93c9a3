"""Edges of a recording that are none of the reference's: whose they are, or that they are a difference.

On a supply of its own the box is all there is, so every such edge is a difference from a named instant; but a
single sample that stands alone is the recorder's. On a circuit that others share, only a pulse that is the
box's own by level and fixed duration is told, the rest is what others do. Where others may hide the box's
own edges, or seem to add to them, that question is asked here, too.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from nightdraw.capture import differences as df
from nightdraw.capture.differences import Difference, milliseconds
from nightdraw.capture.expected import Moves
from nightdraw.capture.loads import Loads, said
from nightdraw.capture.place import nearest
from nightdraw.capture.seen import Bools, Columns, Floats
from nightdraw.capture.view import SEVERAL, View

LIKE_S = 4e-3  # a foreign pulse within this of a fixed duration of the box's may be the box's
SPIKE_SAMPLES = 1.6  # an excursion of one sample is no current: nothing on a circuit is so short
MANY = 3  # more foreign pulses than this are told in one row
FIXED = 5  # pulses of one duration and level make a habit of the box's that another load hardly has too
ANOTHERS = 3  # pulses of a level that are none of the box's by their durations make a habit of another load
LARGE = 0.3  # of the run's largest step
LIKE = 0.1  # edges within a tenth of a height of the box's may be the box's
BETWEEN_S = 1.0  # the box's edges this long before its run belong to another run
ANY_PART = 1.1  # of a channel's current is the most that a broken part changes a step by
SPIKES = 0.01  # of the recording's edges may be single samples before they are told as pulses


@dataclass(frozen=True)
class Excursions(Columns):
    """Foreign pulses: from an edge to one that goes back. start_s, end_s: on the run's clock (end nan: it
    never went back); height_ma: of the first edge, as the box's."""

    start_s: Floats
    end_s: Floats
    height_ma: Floats

    @property
    def lasting_s(self) -> Floats:
        """How long each lasted."""
        return self.end_s - self.start_s


def judge_foreign(view: View, others: Moves, taken_s: Floats) -> tuple[list[Difference], list[str], bool]:
    """Rows for what is a difference, notes for what isn't, and whether nothing foreign may be the box's.

    taken_s: seen edges (run clock) that are the reference's, though not at their time.
    """
    others, notes = _unexplained(view, others)
    found = _excursions(view, others, taken_s)
    spike = found.lasting_s <= SPIKE_SAMPLES * view.observed.interval_s
    spike &= np.count_nonzero(spike) <= max(MANY, SPIKES * len(view.seen))
    if spike.any():
        notes.append(_spikes_text(view, found.take(spike)))
    found = found.take(~spike)
    told = view.prior.loads is None or not _ownerless(view, found, view.prior.loads).any()
    if view.prior.shared:
        like = _like_own(view, found)
        if not like.all():
            notes.append(_others_text(found.take(~like), view.prior.levels))
        found = found.take(like)
    return _rows(view, found), notes, told


def _ownerless(view: View, found: Excursions, loads: Loads) -> Bools:
    """Those that may be the box's: with a vehicle's file at hand every pulse has an owner. Of one whose other
    edge is hidden, by one of the box's or by another load's, only the height tells: loads of the vehicle's
    draw as much, and none of the box's own steps does."""
    step, height = np.unique(np.abs(view.observed.account.step_ma)), np.abs(found.height_ma)
    nearby = step[nearest(step, height)] if len(step) else np.full(len(found), np.inf)
    own = np.abs(height - nearby) <= df.tolerance_ma(nearby)
    ownerless: Bools = np.isfinite(found.lasting_s) | own | ~loads.draw(height, met=True)
    return ownerless


def _unexplained(view: View, others: Moves) -> tuple[Moves, list[str]]:
    """What is left of the foreign changes without the vehicle's own, and a note about those."""
    gain = view.gain
    height, u_ma = np.nan_to_num(others.height_ma) / gain, np.nan_to_num(others.u_ma) / abs(gain)
    names = view.owners((others.last_s + others.first_s) / 2, height, u_ma)
    own = np.array([name is not None for name in names], dtype=bool)
    return others.take(~own), [said(names)] if own.any() else []


def _excursions(view: View, others: Moves, taken_s: Floats) -> Excursions:
    """The foreign pulses within the run."""
    account, interval_s = view.observed.account, view.observed.interval_s
    at_s = view.clock.to_run((others.last_s + others.first_s) / 2)
    height = others.height_ma / view.gain
    least = df.tolerance_ma(account.at(at_s) - view.reference.train.base_ma)
    least = least + view.observed.digit_ma + df.DEVIATIONS * np.nan_to_num(others.u_ma) / abs(view.gain)
    kept = np.isfinite(height) & (at_s > account.t_s[0]) & (at_s < account.end_s)
    first_s, last_s = view.clock.to_run(np.array([view.piece.from_s, view.piece.until_s]))
    kept &= (at_s > first_s) & (at_s < last_s) & (np.abs(np.nan_to_num(height)) > least)
    if len(taken_s):
        kept &= np.abs(taken_s[nearest(taken_s, at_s)] - at_s) > 2 * interval_s + df.TIME_S
    kept &= ~view.reference.lost.touches(at_s - interval_s, at_s + interval_s)
    return _paired(at_s[kept].tolist(), height[kept].tolist())


def _paired(at_s: list[float], height: list[float]) -> Excursions:
    """Each edge with the latest one before it that it takes back."""
    rows: list[tuple[float, float, float]] = []
    waiting: list[tuple[float, float]] = []
    for t_s, step in zip(at_s, height, strict=True):
        back = next((k for k in reversed(range(len(waiting))) if _back(waiting[k][1], step)), None)
        if back is None:
            waiting.append((t_s, step))
        else:
            since, first = waiting.pop(back)
            rows.append((since, t_s, first))
    rows += [(since, np.nan, first) for since, first in waiting]
    table = np.array(sorted(rows), dtype=float).reshape(len(rows), 3)
    return Excursions(table[:, 0], table[:, 1], table[:, 2])


def _back(first: float, step: float) -> bool:
    return first * step < 0 and abs(first + step) <= max(df.LEVEL_MA, 0.3 * abs(first))


def _spikes_text(view: View, spikes: Excursions) -> str:
    at_s = view.clock.to_recording(spikes.start_s)
    high = spikes.height_ma
    which = "single sample" if len(high) == 1 else f"{len(high)} single samples"
    return (
        f"{which} of {_span(high.min(), high.max(), '{:+.0f}')} mA, the first at {at_s[0]:.3f} s of "
        "the recording: no current on a circuit is so short, left out as the recorder's"
    )


def _like_own(view: View, found: Excursions) -> Bools:
    """Foreign pulses that have the level and the fixed duration of a habit of the box's."""
    train, interval_s = view.reference.train, view.observed.interval_s
    like = np.zeros(len(found), dtype=bool)
    same_level = df.tolerance_ma(train.level_ma)
    for k in range(len(found)):
        near = np.abs(train.level_ma - found.height_ma[k]) <= same_level
        lasting = found.lasting_s[k]
        if not view.prior.levels:
            near = np.ones(len(train), dtype=bool)
        near &= np.abs(train.duration_s - lasting) <= LIKE_S + 2 * interval_s
        spread = np.ptp(train.duration_s[near]) if near.any() else np.inf
        like[k] = (
            np.count_nonzero(near) >= FIXED
            and spread <= df.TIME_S
            and _alone(train.start_s, found.start_s[k], lasting)
        )
    # a load of that level with other durations is there besides: one of the box's is by chance
    for k in np.flatnonzero(like).tolist():
        alike = np.abs(found.height_ma - found.height_ma[k]) <= df.level_tolerance(found.height_ma[k])
        like[k] = np.count_nonzero(alike & ~like) < ANOTHERS
    return like


def _alone(start_s: Floats, at_s: float, lasting_s: float) -> bool:
    """Whether no pulse of the box's begins within a foreign one."""
    return not bool(np.any((start_s > at_s - lasting_s) & (start_s < at_s + lasting_s)))


def _others_text(others: Excursions, levels: bool) -> str:
    high = f"{_span(others.height_ma.min(), others.height_ma.max(), '{:.0f}')} mA, " if levels else ""
    lasting = others.lasting_s[np.isfinite(others.lasting_s)]
    long = f"{_span(lasting.min(), lasting.max(), '{:.3f}')} s" if len(lasting) else "to the end"
    return (
        f"other loads on this circuit made {len(others)} change{'s' if len(others) > 1 else ''} "
        f"({high}{long})"
    )


def _span(least: float, most: float, form: str) -> str:
    low, high = form.format(least), form.format(most)
    return low if low == high else f"{low} .. {high}"


def _rows(view: View, found: Excursions) -> list[Difference]:
    """Rows about pulses that are in no other account; of many a single one."""
    if not len(found):
        return []
    at_s = view.clock.to_recording(found.start_s)
    if len(found) > MANY:
        text = (
            f"{len(found)} pulses or steps that are in no other account were seen, from {at_s[0]:.3f} s to "
            f"{at_s[-1]:.3f} s of the recording: another load (then say --circuit shared), or another run"
        )
        return [Difference(df.EXTRA, None, None, None, float(at_s[0]), text)]
    rows = []
    for k in range(len(found)):
        high, lasting = float(found.height_ma[k]), float(found.lasting_s[k])
        what = (
            f"a pulse of {high:+.1f} mA for {milliseconds(lasting)}"
            if np.isfinite(lasting)
            else f"a step of {high:+.1f} mA"
        )
        text = f"{what} that is in no other account was seen at {at_s[k]:.3f} s of the recording"
        rows.append(Difference(df.EXTRA, None, None, None, float(at_s[k]), text))
    return rows


def edges_outside(view: View) -> Floats:
    """Instants (the run's clock) of large edges clear of the run; among other loads only such as have the
    height of one of the box's."""
    account, seen = view.observed.account, view.seen
    step = np.abs(account.step_ma)
    clear = (seen.at_s < account.t_s[0] - BETWEEN_S) | (seen.at_s > account.end_s + BETWEEN_S)
    height = np.abs(seen.height_ma)
    clear &= height > LARGE * np.max(step, initial=0.0)
    if view.prior.shared and len(height):
        steps: Floats = np.unique(step)
        clear &= np.abs(height - steps[nearest(steps, height)]) <= LIKE * height
    found: Floats = seen.at_s[clear & ~view.of_loads()]
    return found


def hidden_edges(view: View, chance: Bools) -> Floats:
    """Instants (recording) of edges of which nothing is seen, though none of the vehicle's known loads could
    have hidden them by changing at the same instant."""
    seen, loads = view.observed, view.prior.loads
    gone = chance & seen.absent
    if loads is None or not view.prior.levels or not gone.any():
        return np.empty(0)
    gone[gone] = ~loads.draw(np.abs(seen.edge_ma[gone]))
    found: Floats = view.clock.to_recording(seen.account.t_s[gone])
    return found


def off_alike(view: View, off: Bools) -> float:
    """By how much several of the edges that are off are so alike, or two that follow each other are off there
    and back again (mA; 0: neither), other than by what a vehicle's own loads draw."""
    off_ma, box = view.observed.edge_ma[off], view.reference.box
    if box is not None:  # more than a channel's current is no broken part's, unless the edge is gone
        most_ma = ANY_PART * max(box.current_ma(k + 1) for k in range(len(box.channels_ns)))
        off_ma = off_ma[(np.abs(off_ma) <= most_ma) | view.observed.absent[off]]
    if view.prior.loads is not None:
        off_ma = off_ma[~view.prior.loads.draw(np.abs(off_ma))]
    size = np.sort(np.abs(off_ma))
    first, last = size[: 1 - SEVERAL], size[SEVERAL - 1 :]
    alike = first[last - first <= df.tolerance_ma(first) / 2]
    # a load that rises with the box by chance hardly falls with it, too
    back = np.abs(off_ma[:-1])[np.abs(off_ma[1:] + off_ma[:-1]) <= df.tolerance_ma(off_ma[:-1]) / 2]
    return float(next(iter([*alike, *back]), 0.0))

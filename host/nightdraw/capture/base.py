"""The base that pulses rise from: how high it was seen, and what that says of box, clamp and circuit.

A clamp's zero is off by some milliamperes, other loads lift a circuit's base, a source that is on (a
charger, a running engine) lowers it. A switch is never accused by the base alone where one of these may have
done it: what can hide in it is named, and then it can't be told.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from boxcore import guard

from nightdraw.capture import differences as df
from nightdraw.capture.differences import Difference
from nightdraw.capture.faults import resistors
from nightdraw.capture.journal import Did
from nightdraw.capture.seen import Bools, Floats
from nightdraw.capture.view import View

USUAL_ZERO_MA = 6.5  # a clamp's zero is off by so much any day: a hand-held one of 2 A range and less
MOST_ZERO_MA = 25.0  # and by so much at the worst (low-current clamps: 5 to 20 mA over minutes)
SLEEPING_MA = (10, 50)  # what a vehicle in good order draws asleep (common practice)
ABOUT = 0.5  # of what the base is too high: a switch of less is not what lifts it
STANDING_S = 0.1  # patterns that last this long are compared by the box's own monitor
CLEAR = 5.0  # deviations by which an edge must show a channel to speak for it
BROKEN = 0.5  # of a channel's current
NEARLY = 0.1  # a broken channel's edges are off by its current within a tenth


@dataclass(frozen=True)
class Footing:
    """excess_ma: by how much the base was seen too high; rows; notes; told: False where a broken switch may
    hide in it; zero_ma: of the clamp, where that is what it is."""

    excess_ma: float = 0.0
    rows: tuple[Difference, ...] = ()
    notes: tuple[str, ...] = ()
    told: bool = True
    zero_ma: float = 0.0


def judge_base(view: View) -> Footing:
    """The base over the whole piece."""
    seen = view.observed
    known = seen.base & (seen.count > 0) & np.isfinite(seen.whole_ma)
    if not known.any() or not view.prior.levels:
        return Footing(told=view.prior.loads is None)
    excess = _middle(seen.whole_ma[known], seen.count[known])
    level = view.reference.train.base_ma
    number = float(seen.count[known].sum())
    allowed = df.level_tolerance(level) + seen.digit_ma / 2 + df.DOUBTS * seen.sigma_ma / np.sqrt(number)
    if abs(excess) <= allowed:
        return Footing(excess)
    text = f"the base was seen at {level + excess:.1f} mA, {abs(excess):.1f} mA "
    text += f"{'above' if excess > 0 else 'below'} {level:.1f} mA"
    known_loads = view.prior.base_known
    return _alone(view, excess, allowed, text) if known_loads else _shared(view, excess, allowed, text)


def fed(view: View) -> Bools:
    """The levels at which the journal shows that a charger or an engine feeds the supply."""
    box = view.reference.box
    if box is None:
        return np.zeros(len(view.observed.count), dtype=bool)
    on: Bools = box.fed & (view.observed.count > 0)
    return on


def source_text(box: Did) -> str:
    """Why nothing can be told at the battery, and what to do."""
    source_v = float(np.median(box.supply_mv[box.fed])) / 1000
    return (
        f"a source is on: the box's supply was {source_v:.2f} V, a charger or a running engine feeds the "
        "circuit beside the battery, whose clamp doesn't show what the box draws; switch it off, or measure "
        "at the fuse"
    )


def _middle(values: Floats, weight: Floats) -> float:
    """The median by weight: what holds for half of the time."""
    order = np.argsort(values)
    run = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(run, run[-1] / 2)])


def _alone(view: View, excess: float, allowed: float, text: str) -> Footing:
    """A box that is all there is: the clamp's zero, or a channel that no edge speaks for."""
    stuck, opened = _hidden(view, excess, allowed, alone=True)
    names = [f"channel {name} stuck on" for name, _ in stuck] + [f"channel {name} open" for name, _ in opened]
    names += _resistors(view, excess)
    # where the clamp's scale is off nobody knows how large its zero may be
    if abs(excess) > MOST_ZERO_MA and view.gain == 1.0:
        cause = "another load on this circuit" if excess > 0 else "a switch that is open"
        row = view.reference.base_row(
            view.reference.train.base_ma + excess,
            f"{text}: {'; or '.join([*names, cause])}; or the clamp's zero",
        )
        kind = df.BASE
        if _constant(view):  # a switch lifts the base by the same all the time
            kind = df.STUCK_ON if stuck else df.OPEN if opened else df.BASE
        return Footing(excess, (replace(row, kind=kind),))
    if names or abs(excess) > USUAL_ZERO_MA:
        names = names or ["another load"]
        note = (
            f"{text}: the clamp's zero; or {'; or '.join(names)}: set the zero with the box's fuse out, "
            f"record again"
        )
        return Footing(excess, notes=(note,), told=False, zero_ma=excess)
    return Footing(excess, zero_ma=excess)


def _constant(view: View) -> bool:
    """Whether the base was off by the same all the time."""
    seen = view.observed
    known = seen.base & (seen.count > 0) & np.isfinite(seen.whole_ma)
    low, high = np.quantile(seen.whole_ma[known], (0.1, 0.9))
    return bool(
        high - low <= 2 * df.level_tolerance(view.reference.train.base_ma) + df.DOUBTS * seen.sigma_ma
    )


def _resistors(view: View, excess: float) -> list[str]:
    """Channels that are closed in the base, whose resistor may be off by all that edges say."""
    box, seen = view.reference.box, view.observed
    if box is None:
        return []
    patterns = box.pattern[seen.base]
    closed = int(np.bitwise_and.reduce(patterns)) if len(patterns) else 0
    for k, ns in enumerate(box.channels_ns):
        share = excess / max(ns * 1e-9 * float(np.median(box.supply_mv)), 1e-9)
        by_edges = -_shares(view, k)[1]
        if len(by_edges) and abs(float(np.median(by_edges)) - share) > BROKEN * abs(share):
            closed &= ~(1 << k)
    slack_ma = _slack_ma(view) if view.prior.monitored else np.inf
    found = resistors(excess, closed, box.channels_ns, float(np.median(box.supply_mv)))
    return [box.words(fault) for fault in found] if abs(excess) <= slack_ma else []


def _shared(view: View, excess: float, allowed: float, text: str) -> Footing:
    """A circuit with other loads."""
    box = view.reference.box
    if excess < 0:
        text += (
            ", which no other load can do: a switch that is open, a source that feeds the circuit, or the "
            "clamp's zero"
        )
        text += "" if box is not None else ", or the power was off for a while (the journal would tell)"
        if -excess <= MOST_ZERO_MA:
            return Footing(excess, notes=(text,), told=False)
        return Footing(excess, (view.reference.base_row(view.reference.train.base_ma + excess, text),))
    stuck, opened = _hidden(view, excess, allowed, alone=False)
    text += ": another load on this circuit"
    low, high = SLEEPING_MA
    if excess <= high:
        text += f" (a vehicle asleep draws some {low} .. {high} mA)"
    about = [named for named, current in stuck if current >= ABOUT * excess]
    if box is None:
        text += ", or a stuck switch: the journal would tell more"
    elif about:
        text += f", or a stuck switch of about that current: channel {' or '.join(about)}"
    elif stuck:
        text += f"; a stuck switch may hide in it: channel {' or '.join(named for named, _ in stuck)}"
    if opened:
        text += f"; a switch that is open may hide in it: channel {' or '.join(named for named, _ in opened)}"
    return Footing(excess, notes=(text,), told=box is not None and not stuck and not opened)


Channels = list[tuple[str, float]]  # by name, with their currents (mA)


def _hidden(view: View, excess: float, allowed: float, alone: bool) -> tuple[Channels, Channels]:
    """Channels that may conduct all the time, and such as may never, without any edge that shows it. Alone on
    a supply only those whose current is about what the base is off by."""
    box, seen = view.reference.box, view.observed
    if box is None:
        return [], []
    base = box.pattern[seen.base]
    closed = int(np.bitwise_and.reduce(base)) if len(base) else 0
    spoken_for = _spoken_for(view)
    slack_ma = _slack_ma(view) if view.prior.monitored else np.inf
    least = max(
        0.0 if alone else allowed, guard.FAULT_UA / 1000
    )  # what the box's own monitor lets pass is no fault
    stuck: Channels = []
    opened: Channels = []
    for k in range(len(box.channels_ns)):
        current = box.current_ma(k + 1)
        if spoken_for >> k & 1 or not least < current <= slack_ma:
            continue
        named = (f"{k + 1} ({current:.1f} mA)", current)
        if alone:
            near = abs(abs(excess) - current) <= df.level_tolerance(current)
            if near and excess > 0 and not closed >> k & 1:
                stuck.append(named)
            if near and excess < 0 and closed >> k & 1:
                opened.append(named)
        elif closed >> k & 1:
            opened.append(named)
        elif current <= excess + allowed:
            stuck.append(named)
    return stuck, opened


def _slack_ma(view: View) -> float:
    """The least current that the box's own monitor would have flagged where a pattern stood."""
    box = view.reference.box
    assert box is not None
    stood = box.account.lasting_s >= STANDING_S
    bank_ma = float(np.min(box.account.level_ma[stood] - box.own_ma, initial=np.inf))
    return bank_ma * guard.FAULT_PERCENT / 100 + guard.FAULT_UA / 1000


def _shares(view: View, k: int) -> tuple[Bools, Floats]:
    """The edges that switch a channel (from 0) clear of noise, and the share of its current that is too much
    in each: 0 where it works, 1 where it never opens or never closes."""
    box, seen = view.reference.box, view.observed
    assert box is not None
    on = (box.pattern >> k & 1).astype(float)
    step = np.diff(on, prepend=0.0) * box.channels_ns[k] * 1e-9 * box.supply_mv
    shows = seen.known & (np.abs(step) > CLEAR * np.sqrt(np.where(seen.known, seen.edge_var, 0.0)))
    return shows, -seen.edge_ma[shows] / step[shows]


def _spoken_for(view: View) -> int:
    """The channels that work by what the edges say: some switch them, and most are as they should be."""
    box = view.reference.box
    assert box is not None
    shares = [_shares(view, k)[1] for k in range(len(box.channels_ns))]
    works = [len(share) > 0 and np.median(share) < BROKEN for share in shares]
    return sum(1 << k for k, good in enumerate(works) if good)


def doubtful(view: View, off: Bools) -> list[int]:
    """The channels whose few edges are all off by their current; off: the edges that are off."""
    box = view.reference.box
    if box is None:
        return []
    found = []
    for k in range(len(box.channels_ns)):
        shows, share = _shares(view, k)
        if np.count_nonzero(shows) >= 2 and off[shows].all() and np.median(np.abs(share - 1)) < NEARLY:
            found.append(k + 1)
    return found

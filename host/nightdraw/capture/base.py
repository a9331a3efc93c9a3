"""The base that pulses rise from: how high it was seen, and which explanations of that are left.

Theory of operation. By how much a base reads too high is the sum of three things: a fault that no edge shows
(a channel that always or never conducts and works in no edge, a resistor that is off in every base), what
other loads draw, and the clamp's zero. What others draw is nothing where the box is alone, what a vehicle's
file says (and is taken out before this), or anything from nothing upward. An explanation stands where what it
leaves can be others' or a zero. The base alone accuses nobody while a zero as large as clamps have explains
it; where it may hide a fault that is named and it can't be told.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from boxcore import guard

from nightdraw.capture import differences as df
from nightdraw.capture.differences import Difference
from nightdraw.capture.faults import MOST_SHARE, resistors, words
from nightdraw.capture.instrument import weighed_quantile
from nightdraw.capture.journal import Did
from nightdraw.capture.seen import Bools, Floats
from nightdraw.capture.view import View, edges_off

USUAL_ZERO_MA = 6.5  # a clamp's zero is off by so much any day: a hand-held one of 2 A range and less
MOST_ZERO_MA = 25.0  # and by so much at the worst (low-current clamps: 5 to 20 mA over minutes)
SLEEPING_MA = (10, 50)  # what a vehicle in good order draws asleep (common practice)
ABOUT = 0.5  # of what the base is too high: a switch of less is not what lifts it
QUIETEST = 0.05  # of the time: with the fewest other loads awake
STANDING_S = 0.1  # patterns that last this long are compared by the box's own monitor
CLEAR = 5.0  # deviations by which an edge must show a channel to speak for it
BROKEN = 0.5  # of a channel's current
NEARLY = 0.1  # a broken channel's edges are off by its current within a tenth
ZERO = "the clamp's zero"


@dataclass(frozen=True)
class BaseFound:
    """excess_ma: by how much the base was seen too high; rows; notes; told: False where a fault may hide in
    it; zero_ma: the clamp's, where that is what it is."""

    excess_ma: float = 0.0
    rows: tuple[Difference, ...] = ()
    notes: tuple[str, ...] = ()
    told: bool = True
    zero_ma: float = 0.0


def judge_base(view: View) -> BaseFound:
    """The base over the whole piece."""
    seen, prior = view.observed, view.prior
    known = seen.base & (seen.count > 0) & np.isfinite(seen.whole_ma)
    if not prior.levels:
        return BaseFound()
    if not known.any():  # a vehicle that was awake all the time shows nothing of a sleeping base
        return BaseFound(told=prior.loads is None)
    excess = weighed_quantile(seen.whole_ma[known], seen.count[known])
    level = view.reference.train.base_ma
    allowed = df.level_tolerance(level) + seen.digit_ma / 2
    allowed += df.DEVIATIONS * seen.sigma_ma / float(np.sqrt(seen.count[known].sum()))
    if abs(excess) <= allowed:
        return BaseFound(excess)
    text = f"the base was seen at {level + excess:.1f} mA, {abs(excess):.1f} mA "
    text += f"{'above' if excess > 0 else 'below'} {level:.1f} mA"
    if prior.base_known:
        return _with_loads_known(view, excess, text)
    if excess < 0:
        return _too_low(view, excess, text)
    # others draw something at every time: a switch that conducts always draws no more than the quietest base
    quietest = weighed_quantile(seen.whole_ma[known], seen.count[known], QUIETEST)
    return _with_loads_unknown(view, excess, quietest + allowed, allowed, text)


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


def _with_loads_known(view: View, excess: float, text: str) -> BaseFound:
    """What remains is the clamp's zero, a channel of just that current, or a resistor."""
    always, never = _unshown(view)
    word, channels = ("stuck on", always) if excess > 0 else ("open", never)
    near = [name for name, ma in channels if abs(abs(excess) - ma) <= df.level_tolerance(ma)]
    names = [f"channel {name} {word}" for name in near] + _resistors(view, excess)
    # where the clamp's scale is off nobody knows how large its zero may be
    if abs(excess) > MOST_ZERO_MA and view.gain == 1.0:
        cause = "another load on this circuit" if excess > 0 else "a switch that is open"
        row = _row(view, excess, f"{text}: {'; or '.join([*names, cause])}; or {ZERO}")
        if near and _constant(view):  # a switch lifts the base by the same all the time
            row = replace(row, kind=df.STUCK_ON if excess > 0 else df.OPEN)
        return BaseFound(excess, (row,))
    if not names and abs(excess) <= USUAL_ZERO_MA:
        return BaseFound(excess, zero_ma=excess)
    causes = "; or ".join(names or ["another load"])
    note = f"{text}: {ZERO}; or {causes}: set the zero with the box's fuse out, record again"
    return BaseFound(excess, notes=(note,), told=False, zero_ma=excess)


def _too_low(view: View, excess: float, text: str) -> BaseFound:
    """Below what the box alone draws."""
    text += ", which no other load can do: a switch that is open, a source that feeds the circuit, "
    text += f"or {ZERO}"
    if view.reference.box is None:
        text += ", or the power was off for a while (the journal would tell)"
    if -excess <= MOST_ZERO_MA:
        return BaseFound(excess, notes=(text,), told=False)
    return BaseFound(excess, (_row(view, excess, text),))


def _with_loads_unknown(view: View, excess: float, most: float, allowed: float, text: str) -> BaseFound:
    """Others may draw any of it; every channel that no edge shows may hide in it, up to `most` (mA)."""
    always, never = _unshown(view)
    # what is below the tolerance, or what the box's own monitor lets pass, is no fault
    always = [(name, ma) for name, ma in always if allowed < ma <= most]
    names = [name for name, ma in never if ma > allowed]
    about = [name for name, ma in always if ma >= ABOUT * excess]
    text += ": another load on this circuit"
    low, high = SLEEPING_MA
    if excess <= high:
        text += f" (a vehicle asleep draws some {low} .. {high} mA; --vehicle tells what of it is its own)"
    if view.reference.box is None:
        text += ", or a stuck switch: the journal would tell more"
    elif about:
        text += f", or a stuck switch of about that current: channel {' or '.join(about)}"
    elif always:
        text += f"; a stuck switch may hide in it: channel {' or '.join(name for name, _ in always)}"
    if names:
        text += f"; a switch that is open may hide in it: channel {' or '.join(names)}"
    off = _perhaps_off(view, allowed)
    if off:
        text += (
            f"; a resistor that is off may hide in it: channel {' or '.join(off)} (the run's start shows it)"
        )
    told = view.reference.box is not None and not always and not names and not off
    return BaseFound(excess, notes=(text,), told=told)


def _row(view: View, excess: float, text: str) -> Difference:
    return view.reference.base_row(view.reference.train.base_ma + excess, text)


def _constant(view: View) -> bool:
    """Whether the base was off by the same all the time."""
    seen = view.observed
    known = seen.base & (seen.count > 0) & np.isfinite(seen.whole_ma)
    low, high = np.quantile(seen.whole_ma[known], (0.1, 0.9))
    noise = df.DEVIATIONS * seen.sigma_ma
    return bool(high - low <= 2 * df.level_tolerance(view.reference.train.base_ma) + noise)


def _always_closed(view: View) -> int:
    """The channels that are closed in every base."""
    box = view.reference.box
    assert box is not None
    base = box.pattern[view.observed.base]
    return int(np.bitwise_and.reduce(base)) if len(base) else 0


def _resistors(view: View, excess: float) -> list[str]:
    """Channels that are closed in every base, whose resistor may be off by all that edges say."""
    box = view.reference.box
    if box is None or (view.prior.monitored and abs(excess) > _slack_ma(view)):
        return []
    closed, supply_mv = _always_closed(view), float(np.median(box.supply_mv))
    for k in range(len(box.channels_ns)):
        share = excess / max(box.current_ma(k + 1), 1e-9)
        by_edges = -_shares(view, k)[1]
        if len(by_edges) and abs(float(np.median(by_edges)) - share) > BROKEN * abs(share):
            closed &= ~(1 << k)
    return [words(box, fault) for fault in resistors(excess, closed, box.channels_ns, supply_mv)]


def _perhaps_off(view: View, allowed: float) -> list[str]:
    """The channels that are closed in every base, where the run's first edge is off: their resistors show in
    it and in the base alone."""
    box = view.reference.box
    off, real = edges_off(view)
    if box is None or not (off[0] or real[0]):
        return []
    closed = _always_closed(view)
    named = [(k + 1, box.current_ma(k + 1)) for k in range(len(box.channels_ns)) if closed >> k & 1]
    return [f"{k} ({ma:.1f} mA)" for k, ma in named if MOST_SHARE * ma > allowed]


Channels = list[tuple[str, float]]  # by name, with their currents (mA)


def _unshown(view: View) -> tuple[Channels, Channels]:
    """Channels that no edge shows to work: those that may conduct always, and those that never may."""
    box = view.reference.box
    if box is None:
        return [], []
    closed = _always_closed(view)
    most_ma = _slack_ma(view) if view.prior.monitored else np.inf
    always: Channels = []
    never: Channels = []
    for k in range(len(box.channels_ns)):
        share, current = _shares(view, k)[1], box.current_ma(k + 1)
        works = len(share) > 0 and np.median(share) < BROKEN
        if not works and guard.FAULT_UA / 1000 < current <= most_ma:
            (never if closed >> k & 1 else always).append((f"{k + 1} ({current:.1f} mA)", current))
    return always, never


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


def perhaps_broken(view: View, off: Bools) -> list[int]:
    """The channels whose few edges are all off by their current; off: the edges that are off."""
    box = view.reference.box
    found = []
    for k in range(0 if box is None else len(box.channels_ns)):
        shows, share = _shares(view, k)
        if np.count_nonzero(shows) >= 2 and off[shows].all() and np.median(np.abs(share - 1)) < NEARLY:
            found.append(k + 1)
    return found

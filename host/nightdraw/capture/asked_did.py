"""Differences between what was asked and what the box says it did: one clock, no noise, level by level."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from nightdraw.capture import differences as df
from nightdraw.capture.accounts import Account, Train
from nightdraw.capture.differences import Difference
from nightdraw.capture.journal import SETTLED_KINDS, Did, Event
from nightdraw.capture.seen import Ints

MONITOR_MA = 0.5  # the box's current monitor: offset ...
MONITOR_SHARE = 0.01  # ... and tolerance


def asked_and_did(wanted: Account, did: Did) -> Iterator[Difference]:
    """Differences between what was asked and what the box says it did, which share one clock.

    Where the journal lost records nothing is said.
    """
    asked, done = wanted.train(), did.account.train()
    unsure, unsaid = (did.lost.touches(train.start_s, train.end_s) for train in (asked, done))
    here, there = df.match(asked.start_s, asked.end_s, done.start_s, done.end_s)
    found = list(_unplayed(asked, np.setdiff1d(np.flatnonzero(~unsure), here), did))
    for j in np.setdiff1d(np.flatnonzero(~unsaid), there):
        start_s, level = float(done.start_s[j]), done.level_ma[j]
        text = f"the journal has a pulse at {start_s:.4f} s ({level:.1f} mA) that nobody asked for"
        found.append(Difference(df.EXTRA, None, None, start_s, None, text))
    for i, j in zip(here.tolist(), there.tolist(), strict=True):
        if not unsure[i] and not unsaid[j]:
            why = _why(did, float(asked.start_s[i]), float(asked.end_s[i]))
            found += _of_one_pulse(asked, i, done, j, why)
    if abs(done.base_ma - asked.base_ma) > df.level_tolerance(asked.base_ma):
        text = f"the base is {done.base_ma:.1f} mA in the journal instead of {asked.base_ma:.1f} mA"
        found.append(Difference(df.BASE, None, asked.base_ma, done.base_ma, None, text))
    yield from found
    yield from _levels(wanted, did, asked, found)


def _levels(wanted: Account, did: Did, asked: Train, told: list[Difference]) -> Iterator[Difference]:
    """Stretches of another level than asked, which no row about a pulse tells: a staircase played flat."""
    end_s = min(wanted.end_s, did.account.end_s)
    corners = np.unique(np.concatenate((wanted.t_s, did.account.t_s, [end_s])))
    corners = corners[corners <= end_s]
    if len(corners) < 2:
        return
    middle = (corners[:-1] + corners[1:]) / 2
    one, other = wanted.at(middle), did.account.at(middle)
    off = (np.abs(other - one) > df.tolerance_ma(one - asked.base_ma)) & (np.diff(corners) > df.TIME_S)
    off &= ~did.lost.touches(corners[:-1], corners[1:])
    off &= ~np.array([bool(_why(did, float(a), float(b))) for a, b in pairwise(corners)], bool)
    numbers = {row.pulse for row in told}
    base = any(row.kind == df.BASE for row in told)
    pulse = np.searchsorted(asked.start_s, middle, side="right") - 1
    inside = (pulse >= 0) & (middle < np.append(asked.end_s, -np.inf)[pulse])
    said: set[int] = set()
    for k in np.flatnonzero(off).tolist():
        number = int(pulse[k]) + 1 if inside[k] else None
        known = number in numbers or number in said if number is not None else base or bool(told)
        if known:
            continue
        said.add(number or 0)
        text = (
            f"{other[k]:.1f} mA in the journal from {corners[k]:.4f} s to {corners[k + 1]:.4f} s instead of "
            f"{one[k]:.1f} mA"
        )
        yield Difference(df.LEVEL, number, float(one[k]), float(other[k]), None, text)


def _of_one_pulse(asked: Train, i: int, done: Train, j: int, why: str) -> Iterator[Difference]:
    wanted = float(asked.level_ma[i])
    compared = (
        (df.DURATION, asked.duration_s[i], done.duration_s[j], df.TIME_S, "lasted {:.4f} s", "{:.4f} s"),
        (df.TIME, asked.start_s[i], done.start_s[j], df.TIME_S, "started at {:.4f} s", "{:.4f} s"),
        (df.LEVEL, wanted, done.level_ma[j], df.level_tolerance(wanted), "was {:.1f} mA high", "{:.1f} mA"),
    )
    for kind, one, other, allowed, said, instead in compared:
        if abs(other - one) > allowed:
            text = f"{said.format(other)} in the journal instead of {instead.format(one)}{why}"
            yield Difference(kind, i + 1, float(one), float(other), None, text)


def _why(did: Did, from_s: float, to_s: float) -> str:
    spell = next((s for s in did.spells if s.from_s < to_s and s.to_s > from_s), None)
    return f": {spell.why.text()}" if spell else ""


def _unplayed(asked: Train, unmatched: Ints, did: Did) -> Iterator[Difference]:
    """Pulses that were asked and not played: those of one spell with open switches in one row."""
    left = set(unmatched.tolist())
    for spell in did.spells:
        gone = sorted(i for i in left if asked.start_s[i] < spell.to_s and asked.end_s[i] > spell.from_s)
        if gone:
            left -= set(gone)
            which = f"{len(gone)} pulses ({gone[0] + 1} to {gone[-1] + 1})" if len(gone) > 1 else "the pulse"
            text = f"{which} not played: {spell.why.text()}"
            yield Difference(df.MISSING, gone[0] + 1, float(asked.start_s[gone[0]]), None, None, text)
    for i in sorted(left):
        text = f"the pulse at {asked.start_s[i]:.4f} s is not in the journal"
        yield Difference(df.MISSING, i + 1, float(asked.start_s[i]), None, None, text)


def ended(did: Did) -> float:
    """Until when the run was to be played: to its end where somebody, or the profile's own limit, ended
    it."""
    stop = did.stopped()
    return stop.t_s if stop is not None and stop.kind in SETTLED_KINDS else np.inf


def flagged(did: Did) -> Iterator[Difference]:
    """What the box's own current monitor said about a channel."""
    for event in did.events:
        if event.kind == "flag":
            kind = {"switch-on": df.STUCK_ON, "switch-open": df.OPEN}.get(str(event.record.get("fault")))
            if kind is not None:
                yield _flag_row(did, kind, event)
                return


def _flag_row(did: Did, kind: str, event: Event) -> Difference:
    pattern, supply_mv = int(event.record["pattern"]), float(event.record["supply_mv"])
    currents = np.array(did.channels_ns) * 1e-9 * supply_mv
    closed = (pattern >> np.arange(len(currents)) & 1).astype(bool)
    predicted, measured = float(currents[closed].sum()), float(event.record["reading"]) / 1000
    gap = abs(measured - predicted)
    alike = np.abs(currents - gap) <= np.maximum(MONITOR_MA, MONITOR_SHARE * predicted)
    channels = np.flatnonzero(alike & (~closed if kind == df.STUCK_ON else closed)) + 1
    word = "stuck on" if kind == df.STUCK_ON else "open"
    guess = (
        f"channel {' or '.join(str(k) for k in channels)} may be {word}"
        if len(channels)
        else "no single switch"
    )
    text = (
        f"the box's own monitor at {event.t_s:.3f} s: {measured:.1f} mA in the bank instead of "
        f"{predicted:.1f} mA: {guess}"
    )
    return Difference(kind, None, None, measured, None, text)

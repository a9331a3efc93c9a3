"""Differences between what was asked and what the box says it did: one clock, no noise."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from nightdraw.capture import differences as df
from nightdraw.capture.accounts import Course, Did, Event, Train
from nightdraw.capture.differences import Difference
from nightdraw.capture.faults import MA_PER_NS_MV
from nightdraw.capture.match import match
from nightdraw.capture.seen import Ints

MONITOR_MA = 0.5  # the box's current monitor: offset ...
MONITOR_SHARE = 0.01  # ... and tolerance


def asked_and_did(course: Course, did: Did) -> Iterator[Difference]:
    """Differences between what was asked and what the box says it did, which share one clock.

    Where the journal lost records nothing is said.
    """
    asked, done = course.train(), did.course.train()
    unsure, unsaid = (did.lost.touches(train.start_s, train.end_s) for train in (asked, done))
    here, there = match(asked.start_s, asked.end_s, done.start_s, done.end_s)
    yield from _unplayed(asked, np.setdiff1d(np.flatnonzero(~unsure), here), did)
    for j in np.setdiff1d(np.flatnonzero(~unsaid), there):
        start_s, level = float(done.start_s[j]), done.level_ma[j]
        text = f"the journal has a pulse at {start_s:.4f} s ({level:.1f} mA) that nobody asked for"
        yield Difference(df.EXTRA, None, None, round(start_s, 6), None, text)
    for i, j in zip(here.tolist(), there.tolist(), strict=True):
        if not unsure[i] and not unsaid[j]:
            why = _why(did, float(asked.start_s[i]), float(asked.end_s[i]))
            yield from _of_one_pulse(asked, i, done, j, why)
    if abs(done.base_ma - asked.base_ma) > df.level_tolerance(asked.base_ma):
        text = f"the base is {done.base_ma:.1f} mA in the journal instead of {asked.base_ma:.1f} mA"
        yield Difference(df.BASE, None, round(asked.base_ma, 6), round(done.base_ma, 6), None, text)


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
            yield Difference(kind, i + 1, round(float(one), 6), round(float(other), 6), None, text)


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
            yield Difference(
                df.MISSING, gone[0] + 1, round(float(asked.start_s[gone[0]]), 6), None, None, text
            )
    for i in sorted(left):
        text = f"the pulse at {asked.start_s[i]:.4f} s is not in the journal"
        yield Difference(df.MISSING, i + 1, round(float(asked.start_s[i]), 6), None, None, text)


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
    currents = np.array(did.channels_ns) * MA_PER_NS_MV * supply_mv
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
    return Difference(kind, None, None, round(measured, 6), None, text)

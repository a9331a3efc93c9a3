"""One recording of a sleeping vehicle as an account of it: levels on the way to sleep, and its pulses.

Theory: a vehicle that is left alone draws a staircase that falls to what it draws asleep, and pulses on it.
So the recording is taken from the last wake-up on; between two steps that stay, the base has one level (its
median); the last of them is its draw asleep. Recordings that have no such end are refused.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from nightdraw.capture import seen as sn
from nightdraw.capture.events import see
from nightdraw.capture.pulses import Pulses
from nightdraw.capture.read import MILLIAMPERE, Recording
from nightdraw.capture.seen import Seen
from nightdraw.errors import CannotTellError, Finding, InputError

LEAST_ASLEEP_S = 60.0  # a shorter rest behind the last step may end any moment; our own figure
MOST_ASLEEP_MA = 500.0  # what draws more isn't asleep: lamps or the ignition are on; our own figure
TURNED_MA = -5.0  # further below nothing than a clamp's zero is off: a charger, or the clamp is turned
WOKE_MA = 30.0  # a step up by more is a wake-up; less is a load that stays (our own figure) ...
WAKE_S = 60.0  # a pulse that lasts so long is a wake-up, ...
WAKE_SHORT_S, WAKE_PARTS = 5.0, 3  # or one that lasts so long and has so many levels (our own figures)
LEAST_STAGE_S = 1.0  # what stays for less on the way to sleep is a pulse that met a step (our own figure)
WOKE_SHARE = 0.5  # ... or by more than this share of what it draws asleep
STEP_SHARE = 0.01  # two levels nearer than this share and ...
STEP_MA = 1.5  # ... nearer than this are one: a clamp's zero wanders by as much


@dataclass(frozen=True)
class Rest:
    """What one recording tells. stairs: (from_s, mA) of each level from the last wake-up on, the last one
    asleep; to end_s. pulses: all from there on. woke: the instants of wake-ups before it."""

    seen: Seen
    recording: Recording
    stairs: tuple[tuple[float, float], ...]
    pulses: Pulses
    woke: tuple[float, ...]

    @property
    def begin_s(self) -> float:
        """From where on it is fitted."""
        return self.stairs[0][0]

    @property
    def asleep_from_s(self) -> float:
        """Its falling asleep."""
        return self.stairs[-1][0]

    @property
    def end_s(self) -> float:
        """Its last sample."""
        return self.seen.end_s

    @property
    def asleep_s(self) -> float:
        """How long it was asleep."""
        return self.end_s - self.asleep_from_s

    @property
    def asleep_ma(self) -> float:
        """What it draws asleep, pulses left out."""
        return self.stairs[-1][1]


def measure(recording: Recording) -> Rest:
    """Take a recording's account; raises InputError and CannotTellError for one of no sleeping vehicle."""
    if recording.unit != MILLIAMPERE:
        message = f"channel {recording.channel} is a voltage: a current around the battery's cable is needed"
        raise InputError(Finding(message, file=recording.name, hint="name it with --channel"))
    seen = see(recording)
    woken = _episodes(seen)
    begin_s, stairs = seen.start_s, list[tuple[float, float]]()
    if len(woken):
        begin_s = float(woken.start_s[-1] + woken.duration_s[-1])
        stairs = _within(seen, woken.take(slice(-1, None)))
    steps = seen.events.take((seen.events.kind == sn.STEP) & (seen.events.start_s > begin_s))
    at_s = [begin_s, *(float(t) for t in steps.start_s)]
    stairs += [
        (low, _level(seen, low, high)) for low, high in zip(at_s, [*at_s[1:], seen.end_s], strict=True)
    ]
    stairs = _without_pulses(stairs, seen.end_s)
    rises = [k for k in range(1, len(stairs)) if _wakes(stairs[k][1] - stairs[k - 1][1], stairs[-1][1])]
    stairs = _joined(stairs[rises[-1] if rises else 0 :])
    _refuse(recording, seen, stairs)
    events = seen.events
    own = ~np.isin(events.start_s, woken.start_s) & (events.start_s >= stairs[0][0])
    # of a wake-up at the very begin nothing is lost
    woke_s = [float(t) for t in woken.start_s if t > seen.start_s + 2 * seen.interval_s]
    woke_s += [at for at, _ in stairs[:1] if rises and not len(woken)]
    return Rest(seen, recording, tuple(stairs), Pulses(replace(seen, events=events.take(own))), tuple(woke_s))


def _without_pulses(stairs: list[tuple[float, float]], end_s: float) -> list[tuple[float, float]]:
    """Without levels that rise for an instant: a pulse that met a step looks like two steps, one that the
    recording's end cuts off like one."""
    found = stairs[:1]
    begun_s: float | None = None
    for k, (at_s, level) in enumerate(stairs[1:], 1):
        is_last = k + 1 == len(stairs)
        lasts_s = (end_s if is_last else stairs[k + 1][0]) - at_s
        if level <= found[-1][1] and lasts_s < LEAST_STAGE_S and not is_last:
            begun_s = at_s if begun_s is None else begun_s
            continue  # the step came with it, the pulse ended later
        if lasts_s >= WAKE_SHORT_S or level <= found[-1][1]:
            found.append((at_s if begun_s is None else begun_s, level))
        begun_s = None
    return found


def _wakes(rise_ma: float, asleep_ma: float) -> bool:
    return rise_ma > max(WOKE_MA, WOKE_SHARE * asleep_ma)


def _episodes(seen: Seen) -> sn.Events:
    """The times in which it was awake between two rests: they look like long pulses of several levels."""
    e = seen.events
    parts = e.part_to - e.part_from
    lasting = (e.duration_s >= WAKE_S) | ((e.duration_s >= WAKE_SHORT_S) & (parts >= WAKE_PARTS))
    risen = np.array([_wakes(level, 0.0) for level in e.level], dtype=bool)
    woken = risen & ((e.kind == sn.PLATEAU) | ((e.kind == sn.PULSE) & lasting))
    short = woken & (e.kind == sn.PULSE) & (e.duration_s < WAKE_S)
    for k in np.flatnonzero(short):
        woken[k] = _falls(_within(seen, e.take(slice(k, k + 1))))
    return e.take(woken)


def _falls(stairs: list[tuple[float, float]]) -> bool:
    """Whether it goes down from its first level, as what was woken does: pulses that meet rise on the way, or
    have one level beneath them."""
    levels = [level for _, level in stairs]
    return len(levels) > 1 and levels[0] == max(levels)


def _within(seen: Seen, event: sn.Events) -> list[tuple[float, float]]:
    """The levels of one such time, the pulses on them left out."""
    parts = seen.parts.take(slice(int(event.part_from[0]), int(event.part_to[0])))
    beside = float(seen.base.at(event.start_s + event.duration_s)[0])
    rows = [
        [float(at), float(lasts), beside + float(level)]
        for at, lasts, level in zip(parts.start_s, parts.duration_s, parts.level, strict=True)
    ]
    k = 1
    while k < len(rows) - 1:
        before, here, after = rows[k - 1 : k + 2]
        if here[2] > before[2] and _one_level(before[2], after[2]):
            weight = before[1] + after[1]
            level = (before[2] * before[1] + after[2] * after[1]) / weight
            rows[k - 1 : k + 2] = [[before[0], weight + here[1], level]]
            k = max(1, k - 1)
        else:
            k += 1
    return [(at, level) for at, _, level in rows]


def _one_level(one_ma: float, other_ma: float) -> bool:
    return abs(one_ma - other_ma) <= max(STEP_MA, STEP_SHARE * abs(one_ma))


def _level(seen: Seen, low_s: float, high_s: float) -> float:
    """The median of the base between two instants."""
    base = seen.base
    inside = (base.t_s > low_s) & (base.t_s < high_s)
    if inside.any():
        return float(np.median(base.level[inside]))
    return float(base.at(np.array([(low_s + high_s) / 2]))[0]) if len(base) else seen.mean


def _joined(stairs: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Without steps that are too small to be one: they are the clamp's."""
    found = stairs[:1]
    for at_s, level in stairs[1:]:
        if not _one_level(found[-1][1], level):
            found.append((at_s, level))
    return found


def _refuse(recording: Recording, seen: Seen, stairs: list[tuple[float, float]]) -> None:
    at_s, last_ma = stairs[-1]
    rest_s = seen.end_s - at_s
    if last_ma < TURNED_MA:
        message = f"it ends with {last_ma:.3g} mA: a charger is on, or the clamp was the wrong way round"
        raise CannotTellError(Finding(message, file=recording.name, hint="--invert turns it round"))
    if last_ma > MOST_ASLEEP_MA:
        message = f"it ends with {last_ma:.4g} mA: no vehicle sleeps with more than {MOST_ASLEEP_MA:g} mA"
        hint = "record it locked, with the key away, until it has fallen asleep"
        raise CannotTellError(Finding(message, file=recording.name, hint=hint))
    if rest_s < LEAST_ASLEEP_S:
        message = f"it rests for {rest_s:.3g} s at its end: at least {LEAST_ASLEEP_S:g} s are needed"
        raise CannotTellError(Finding(message, file=recording.name, hint="record it longer"))

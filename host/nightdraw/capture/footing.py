"""The base that pulses rise from: how high it was seen, and what that says of the box.

A base that is too high is any load on the circuit; only the box alone on its supply, or a channel that the
run never switched, is told from others here. A base that is too low no other load can make.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from boxcore import guard

from nightdraw.capture import differences as df
from nightdraw.capture import faults
from nightdraw.capture.accounts import Did
from nightdraw.capture.against import Seen
from nightdraw.capture.company import SLEEPING_MA, Circuit
from nightdraw.capture.differences import Difference
from nightdraw.capture.judge import Reference, Suspects
from nightdraw.capture.seen import Floats

ABOUT = 0.5  # of what the base is too high: a switch of less is not what lifts it
STANDING_S = 0.1  # patterns that last this long are compared by the box's own monitor


@dataclass(frozen=True)
class Footing:
    """excess_ma: by how much the base was seen too high (None: as it should be); rows; notes; told: False
    where a broken switch may hide in it."""

    excess_ma: float | None
    rows: tuple[Difference, ...] = ()
    notes: tuple[str, ...] = ()
    told: bool = True


AS_IT_SHOULD_BE = Footing(None)


def alone(reference: Reference, seen: Seen, suspects: Suspects) -> Iterator[Difference]:
    """The base over the whole recording of a box that may be alone on its supply."""
    known = seen.base & (seen.count > 0)
    if not known.any():
        return
    number = float(seen.count[known].sum())
    excess = float(np.sum(seen.count[known] * seen.excess[known]) / number)
    level = reference.train.base_ma
    if abs(excess) <= df.level_tolerance(level) + df.DOUBTS * seen.sigma_ma / np.sqrt(number):
        return
    cause = "another load on this circuit" if excess > 0 else "a switch that is open"
    message = f"{_seen(level, excess)}: {cause}, or the clamp's zero{suspects(excess, None)}"
    yield reference.base_row(level + excess, message)


def shared(reference: Reference, seen: Seen, did: Did | None, circuit: Circuit, switched: int) -> Footing:
    """The base of a circuit with other loads; switched: the channels that edges of the recording speak for,
    as a pattern."""
    known = seen.base & (seen.count > 0)
    if not known.any():
        return AS_IT_SHOULD_BE
    excess = _middle(seen.excess[known], seen.count[known])
    level = reference.train.base_ma
    number = float(seen.count[known].sum())
    allowed = df.level_tolerance(level) + df.DOUBTS * seen.sigma_ma / np.sqrt(number)
    if abs(excess) <= allowed:
        return AS_IT_SHOULD_BE
    if excess < 0:
        text = (
            f"{_seen(level, excess)}, which no other load can do: a switch that is open, or the clamp's zero"
        )
        text += "" if did is not None else ", or the power was off for a while (the journal would tell)"
        return Footing(excess, (reference.base_row(level + excess, text),))
    stuck, opened = ([], []) if did is None else _hidden(did, seen, circuit, switched, excess, allowed)
    text = f"{_seen(level, excess)}: another load on this circuit"
    low, high = SLEEPING_MA
    if excess <= high:
        text += f" (a vehicle asleep draws some {low} .. {high} mA)"
    about = [named for named, current in stuck if current >= ABOUT * excess]
    if did is None:
        text += ", or a stuck switch: the journal would tell more"
    elif about:
        text += f", or a stuck switch of about that current: channel {' or '.join(about)}"
    elif stuck:
        text += f"; a stuck switch may hide in it: channel {' or '.join(named for named, _ in stuck)}"
    if opened:
        text += f"; a switch that is open may hide in it: channel {' or '.join(named for named, _ in opened)}"
    return Footing(excess, notes=(text,), told=did is not None and not stuck and not opened)


def _seen(level: float, excess: float) -> str:
    way = "above" if excess > 0 else "below"
    return f"the base was seen at {level + excess:.1f} mA, {abs(excess):.1f} mA {way} {level:.1f} mA"


def _middle(values: Floats, weight: Floats) -> float:
    """The median by weight: what holds for half of the time."""
    order = np.argsort(values)
    run = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(run, run[-1] / 2)])


Channels = list[tuple[str, float]]  # by name, with their currents (mA)


def _hidden(
    did: Did, seen: Seen, circuit: Circuit, switched: int, excess: float, allowed: float
) -> tuple[Channels, Channels]:
    """Channels that may conduct all the time, and such as may never, without any edge that shows it."""
    base = did.pattern[seen.base]
    closed = int(np.bitwise_and.reduce(base)) if len(base) else 0
    supply_mv = float(np.median(did.supply_mv[seen.base]))
    slack_ma = _slack_ma(did) if circuit.monitored else np.inf
    least = max(allowed, guard.FAULT_UA / 1000)  # what the box's own monitor lets pass is no fault
    stuck: Channels = []
    opened: Channels = []
    for k, ns in enumerate(did.channels_ns):
        current = ns * faults.MA_PER_NS_MV * supply_mv
        if switched >> k & 1 or not least < current <= slack_ma:
            continue
        if closed >> k & 1:
            opened.append((f"{k + 1} ({current:.1f} mA)", current))
        elif current <= excess + allowed:
            stuck.append((f"{k + 1} ({current:.1f} mA)", current))
    return stuck, opened


def _slack_ma(did: Did) -> float:
    """The least current that the box's own monitor would have flagged where a pattern stood."""
    lasting = did.course.until_s - did.course.t_s
    stood = lasting >= STANDING_S
    bank_ma = float(np.min(did.course.level_ma[stood] - did.own_ma, initial=np.inf))
    return bank_ma * guard.FAULT_PERCENT / 100 + guard.FAULT_UA / 1000

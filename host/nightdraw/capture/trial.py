"""A recording on trial: held against the journal, or against what was asked where there is no journal.

The order matters: first the clocks, then one broken channel that would explain everything, and only what that
leaves unexplained is told pulse by pulse.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from nightdraw.capture import accounts, against, faults, judge, timing
from nightdraw.capture import differences as df
from nightdraw.capture.accounts import Course, Did, Lost
from nightdraw.capture.against import Seen
from nightdraw.capture.align import Clock
from nightdraw.capture.differences import Difference
from nightdraw.capture.faults import Diagnosis, Fault
from nightdraw.capture.judge import Reference
from nightdraw.capture.match import match
from nightdraw.capture.pulses import Pulses
from nightdraw.capture.reading import Recording
from nightdraw.capture.steps import Floats
from nightdraw.capture.transitions import Bools

TOGETHER_S = 1.0  # a recording whose own zero is this near to the run's was started with it


@dataclass(frozen=True)
class Held:
    """told: False where the recording can't speak about the run; broken: a channel was found to be."""

    told: bool
    differences: list[Difference]
    broken: bool
    notes: list[str]


def reference_of(asked: Course | None, did: Did | None) -> Reference:
    """What the recording is held against."""
    course = did.course if did is not None else asked
    assert course is not None
    train = course.train()
    if asked is None or did is None:
        name = "did" if did is not None else "asked"
        return Reference(name, course, train, None, np.arange(len(train)), asked)
    wanted = asked.train()
    here, there = match(wanted.start_s, wanted.end_s, train.start_s, train.end_s)
    asked_of = np.full(len(train), -1)
    asked_of[there] = here
    return Reference("did", course, train, wanted, asked_of, asked)


def hold(reference: Reference, did: Did | None, recording: Recording, pulses: Pulses, clock: Clock) -> Held:
    """Everything in which the recording differs from the reference."""
    lost = accounts.NOTHING_LOST if did is None else did.lost
    seen = against.look(reference.course, clock, recording, pulses)
    seen = seen.without(lost.touches(reference.course.t_s, reference.course.until_s))
    if not seen.count.any():
        return Held(False, [], False, ["the recording shows nothing of the run"])
    broken = _diagnose(seen, did) if did is not None else None
    rows = []
    suspects: judge.Suspects = _nobody
    if did is not None and broken is not None:
        effect = broken.fault.effect_ma(did.channels_ns, did.pattern, did.supply_mv)
        rows.append(_fault_row(reference, seen, did, broken, effect))
        seen = seen.against(seen.course.level_ma + effect)
    elif did is not None:
        suspects = _suspects(reference, did)
    return _unexplained(reference, lost, seen, pulses, clock, suspects, rows)


def _unexplained(
    reference: Reference,
    lost: Lost,
    seen: Seen,
    pulses: Pulses,
    clock: Clock,
    suspects: judge.Suspects,
    rows: list[Difference],
) -> Held:
    """What is left when a broken channel's part is taken off: pulse by pulse, and the base."""
    broken = bool(rows)
    high = judge.heights(reference, seen)
    ends = timing.ends(reference.train, seen.course, pulses, clock)
    pulse = np.arange(len(reference.train))
    known, alone = np.isfinite(high.level_ma), ~ends.found
    known &= ~lost.touches(reference.train.start_s, reference.train.end_s)
    gone = known & alone & (high.level_ma < reference.train.level_ma / 2)
    rows += judge.missing(reference, high, np.flatnonzero(gone))
    rows += judge.extra(reference, lost, pulses, clock, seen, ends.start_s)
    moved = dict(timing.moved(reference, seen, ends, known))
    rows += moved.values()
    # where a pulse moved its level was looked for in the wrong place
    still = known & ~gone & ~np.isin(pulse, list(moved))
    rows += judge.levels(reference, high, still, suspects) or judge.parts(reference, high, still, seen)
    rows += judge.base(reference, seen, suspects)
    hidden = known & alone & (df.DOUBTS * high.deviation_ma > reference.train.level_ma)
    told = bool(rows) or not len(pulse) or bool((known & ~hidden).any())
    notes = list(_notes(reference, known, hidden, clock, pulses))
    ahead = int(np.count_nonzero(clock.to_run(pulses.start_s) < -TOGETHER_S))
    if reference.name == "asked" and ahead > int((known & ~gone).sum()):
        told = bool(rows)
        notes.append(f"{ahead} pulses come before the best place, more than fit there: is it this run?")
    return Held(told, rows, broken, notes)


def _nobody(_excess_ma: float, _pulse: int | None) -> str:
    return ""


def _suspects(reference: Reference, did: Did) -> judge.Suspects:
    """Names the resistors that would explain an excess, by the patterns that the journal has there."""
    base = reference.course.is_base()

    def suspects(excess_ma: float, pulse: int | None) -> str:
        if pulse is None:
            patterns = did.pattern[base]
            closed = int(np.bitwise_and.reduce(patterns)) if len(patterns) else 0
        else:
            first = int(reference.train.first[pulse])
            under = int(did.pattern[first - 1]) if first else 0
            closed = int(did.pattern[first]) & ~under
        found = faults.resistors(excess_ma, closed, did.channels_ns, float(np.median(did.supply_mv)))
        return "".join(f"; or {_words(fault, did)}" for fault in found)

    return suspects


def _notes(reference: Reference, known: Bools, hidden: Bools, clock: Clock, pulses: Pulses) -> Iterator[str]:
    if clock.others and abs(clock.offset_s) > TOGETHER_S:
        yield (
            "the pulses repeat so evenly that the recording may as well begin some whole periods earlier or "
            f"later ({clock.others} other places fit): record the run's start or end to be sure"
        )
    if not clock.matched and len(reference.train):
        yield "no edge of the recording could be matched: it is taken to begin with the run"
    if hidden.any():
        yield f"{int(hidden.sum())} pulses are too small for this recording's noise"
    outside = len(known) - int(known.sum())
    if outside:
        yield f"{outside} of {len(known)} pulses can't be judged: not recorded, too short, or lost"
    if pulses.scan.gaps:
        yield f"the recording has {pulses.scan.gaps} gaps"


def _diagnose(seen: Seen, did: Did) -> Diagnosis | None:
    level, sigma = did.course.level_ma, max(seen.sigma_ma, 1e-3)
    both = np.flatnonzero((seen.n_before > 0) & (seen.n_after > 0))
    steps = faults.Steps(
        before=did.pattern[both - 1],
        after=did.pattern[both],
        supply_mv=(did.supply_mv[both - 1] + did.supply_mv[both]) / 2,
        level_before=level[both - 1],
        level_after=level[both],
        excess=(seen.after - seen.before)[both] - (level[both] - level[both - 1]),
        variance=sigma**2 * (1 / seen.n_before[both] + 1 / seen.n_after[both]),
    )
    known = np.flatnonzero((seen.count > 0) & seen.base)
    if not len(known):
        return None
    weight = seen.count[known] / seen.count[known].sum()
    pattern, place = np.unique(did.pattern[known], return_inverse=True)
    whole = faults.Level(
        pattern=pattern,
        share=np.bincount(place.reshape(-1), weight).astype(float),
        supply_mv=float(np.sum(weight * did.supply_mv[known])),
        level_ma=float(np.sum(weight * level[known])),
        excess=float(np.sum(weight * seen.excess[known])),
        variance=float(sigma**2 / seen.count[known].sum()),
    )
    return faults.diagnose(steps, whole, did.channels_ns)


def _fault_row(reference: Reference, seen: Seen, did: Did, broken: Diagnosis, effect: Floats) -> Difference:
    """The fault where it shows most: the levels there, and the words."""
    worst = int(np.argmax(np.abs(effect) * (seen.count > 0)))
    train = reference.train
    inside = np.flatnonzero((train.first <= worst) & (train.last >= worst))
    said = did.course.level_ma[worst]
    asked = None
    if reference.asked_course is not None:
        asked = round(float(reference.asked_course.at(did.course.t_s[worst : worst + 1])[0]), 6)
    number = reference.number(int(inside[0])) if len(inside) else None
    shown = round(float(seen.mean[worst]), 6)
    text = _fault_text(broken, did)
    return Difference(broken.fault.kind, number, asked, round(float(said), 6), shown, text)


def _fault_text(broken: Diagnosis, did: Did) -> str:
    text = _words(broken.fault, did)
    if broken.rivals:
        text += "; as well possible: " + "; ".join(_words(rival, did) for rival in broken.rivals)
    if broken.clamp:
        text += "; or it is the clamp: set its zero with the box's fuse out, check its gain, record again"
    return text


def _words(fault: Fault, did: Did) -> str:
    supply_mv = float(np.median(did.supply_mv))
    ns = did.channels_ns[fault.channel - 1]
    full_ma = ns * faults.MA_PER_NS_MV * supply_mv
    if fault.kind == faults.STUCK_ON:
        return (
            f"channel {fault.channel} is stuck on: its {full_ma:.1f} mA flow where its switch should be open"
        )
    if fault.kind == faults.OPEN:
        return f"channel {fault.channel} is open: its {full_ma:.1f} mA are missing where its switch is closed"
    way = "more" if fault.share > 0 else "less"
    ohms = 1e9 / ns
    real = f"about {_ohms(ohms / (1 + fault.share))} instead of {_ohms(ohms)}"
    return f"channel {fault.channel} draws {100 * abs(fault.share):.0f} % {way} than the box believes: {real}"


def _ohms(ohms: float) -> str:
    return f"{ohms:.3g} ohm" if ohms < 1000 else f"{ohms / 1000:.3g} kohm"

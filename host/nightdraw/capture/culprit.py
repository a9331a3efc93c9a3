"""The broken channel that a recording shows, if nothing speaks against it, and the words for it.

The weighing of channels is done in faults; whether a channel's current can be there at all is asked here.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from nightdraw.capture import company, faults
from nightdraw.capture import differences as df
from nightdraw.capture.accounts import Did
from nightdraw.capture.against import Seen
from nightdraw.capture.case import Case
from nightdraw.capture.differences import Difference
from nightdraw.capture.faults import Diagnosis, Fault
from nightdraw.capture.judge import Reference
from nightdraw.capture.seen import Floats

MENDED = 0.3  # of the edges that were off may be left so by the fault that explains them
QUIETEST = 0.1  # of the base's levels: with the fewest other loads awake
LEAST_MA = 1e-3  # a recording without noise is still no better known than this
LEAST_VARIANCE = 1e-9


def diagnose(case: Case, seen: Seen) -> Diagnosis | None:
    """The broken channel that explains what was seen, if one does and nothing speaks against it."""
    did = case.did
    assert did is not None
    edges = case.edges(seen) if case.busy else company.edges_of(seen)
    both = np.flatnonzero(edges.known)
    level = did.course.level_ma
    steps = faults.Steps(
        before=np.append(0, did.pattern[:-1])[both],
        after=did.pattern[both],
        supply_mv=((np.append(did.supply_mv[:1], did.supply_mv[:-1]) + did.supply_mv) / 2)[both],
        level_before=np.append(did.course.idle_ma, level[:-1])[both],
        level_after=level[both],
        excess=edges.excess[both],
        variance=np.maximum(edges.variance[both], LEAST_VARIANCE),
        doubt_ma=edges.doubt_ma[both] if case.busy else np.zeros(len(both)),
        lone_ma=faults.LONE_MA if case.busy else 0.0,
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
        variance=float(max(seen.sigma_ma, LEAST_MA) ** 2 / seen.count[known].sum()),
    )
    known_to = faults.setups(case.busy, case.circuit.levels)
    found = faults.diagnose(steps, whole, did.channels_ns, known_to)
    if found is not None and case.busy:
        found = _twins(case, seen, found)
    return found if found is not None and _stands(case, seen, whole, found.fault) else None


def _twins(case: Case, seen: Seen, found: Diagnosis) -> Diagnosis:
    """A switch that is stuck and one that is open change the same edges alike. Among other loads only the
    base tells them apart: those draw something, at every time."""
    did, fault = case.did, found.fault
    assert did is not None
    if fault.kind == faults.OFF:
        return found
    stuck, opened = (Fault(k, fault.channel, s) for k, s in ((faults.STUCK_ON, 1.0), (faults.OPEN, -1.0)))
    rivals = tuple(rival for rival in found.rivals if rival.channel != fault.channel)
    if case.circuit.levels:
        base = np.flatnonzero((seen.count > 0) & seen.base)
        others = seen.excess - stuck.effect_ma(did.channels_ns, did.pattern, did.supply_mv)
        least = float(np.quantile(others[base], QUIETEST))
        level = float(np.mean(did.course.level_ma[base]))
        if least < -df.level_tolerance(level):
            return replace(found, fault=opened, rivals=rivals)
    return replace(found, fault=stuck, rivals=(opened, *rivals))


def _stands(case: Case, seen: Seen, whole: faults.Level, fault: Fault) -> bool:
    """Whether the current that a fault adds can be there: the base must be that much higher, which others may
    raise and a clamp's zero shift; and in company the fault must mend most of the edges that are off."""
    did = case.did
    assert did is not None
    effect = fault.effect_ma(did.channels_ns, did.pattern, did.supply_mv)
    if case.circuit.levels:
        lift = fault.effect_ma(did.channels_ns, whole.pattern, np.full(len(whole.pattern), whole.supply_mv))
        above = whole.excess - float(np.sum(lift * whole.share))
        if above < -(faults.FREE.zero_ma + df.LEVEL_SHARE * whole.level_ma):
            return False
    if not case.busy:
        return True
    mended = case.off(seen.against(seen.course.level_ma + effect))
    return mended <= MENDED * case.off(seen)


def fault_row(reference: Reference, seen: Seen, did: Did, broken: Diagnosis, effect: Floats) -> Difference:
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
    text = words(broken.fault, did)
    if broken.rivals:
        text += "; as well possible: " + "; ".join(words(rival, did) for rival in broken.rivals)
    if broken.clamp:
        text += "; or it is the clamp: set its zero with the box's fuse out, check its gain, record again"
    return text


def words(fault: Fault, did: Did) -> str:
    """A fault for people: the channel, and its current or its resistor."""
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

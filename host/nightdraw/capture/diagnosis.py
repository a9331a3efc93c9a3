"""The one broken channel, or the clamp's scale, that a recording shows, if nothing speaks against it.

The weighing is done in hypotheses; here the evidence is put together, it is asked whether a channel's current
can be there at all, and the words are found.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from nightdraw.capture import differences as df
from nightdraw.capture import hypotheses as hyp
from nightdraw.capture.differences import Difference
from nightdraw.capture.hypotheses import Diagnosis, Fault
from nightdraw.capture.instrument import gain_of
from nightdraw.capture.journal import Did
from nightdraw.capture.judge import View, odd_edges
from nightdraw.capture.observed import Observed
from nightdraw.capture.reference import Reference
from nightdraw.capture.seen import Floats

MENDED = 0.3  # of the edges that were off may be left so by the fault that explains them
QUIETEST = 0.1  # of the base's levels: with the fewest other loads awake
LEAST_MA = 1e-3  # a recording without noise is still no better known than this
LEAST_VARIANCE = 1e-9


def diagnose(view: View, scale: bool = True) -> Diagnosis:
    """What explains the piece best. scale: whether the clamp's may be off too (not where a source feeds the
    circuit beside the battery)."""
    reference, seen = view.reference, view.observed
    box, account, shared = reference.box, reference.account, view.prior.shared
    if shared:
        seen = seen.without_edges(odd_edges(view)[0])
    both = np.flatnonzero(seen.known)
    known = np.flatnonzero((seen.count > 0) & seen.base & np.isfinite(seen.whole_ma))
    if not len(both) or not len(known):
        return Diagnosis()
    pattern = np.zeros(len(account.t_s), dtype=np.int64) if box is None else box.pattern
    supply_mv = np.zeros(len(account.t_s)) if box is None else box.supply_mv
    steps = hyp.Steps(
        before=np.append(0, pattern[:-1])[both],
        after=pattern[both],
        supply_mv=((np.append(supply_mv[:1], supply_mv[:-1]) + supply_mv) / 2)[both],
        level_before=account.before_ma[both],
        level_after=account.level_ma[both],
        excess=seen.edge_ma[both],
        variance=np.maximum(seen.edge_var[both], LEAST_VARIANCE),
        doubt_ma=seen.doubt_ma[both],
        lone_ma=hyp.LONE_MA if shared else 0.0,
    )
    weight = seen.count[known] / seen.count[known].sum()
    patterns, place = np.unique(pattern[known], return_inverse=True)
    # a base that is off by something else each time is other loads', no switch's
    spread = 1.4826 * float(np.median(np.abs(seen.whole_ma[known] - np.median(seen.whole_ma[known]))))
    base = hyp.Base(
        pattern=patterns,
        share=np.bincount(place.reshape(-1), weight).astype(float),
        supply_mv=float(np.sum(weight * supply_mv[known])),
        level_ma=float(np.sum(weight * account.level_ma[known])),
        excess=float(np.sum(weight * seen.whole_ma[known])),
        variance=float(max(seen.sigma_ma, LEAST_MA) ** 2 / seen.count[known].sum()) + spread**2,
    )
    step = account.step_ma[both]
    large = np.abs(step) >= 0.3 * np.max(np.abs(step))
    gain = gain_of((seen.edge_ma[both] + step)[large], step[large])
    gains: tuple[float, ...] = ()
    if (
        scale and view.prior.levels and gain
    ):  # a fault may spoil most steps: the usual slips are looked at, too
        way = float(np.sign(gain))
        power = float(np.log10(abs(gain)))
        gains = (gain, way, way * 10.0 ** np.floor(power), way * 10.0 ** np.ceil(power))
    channels = () if box is None else box.channels_ns
    found = hyp.diagnose(steps, base, channels, hyp.setups(shared, view.prior.levels), gains)
    if found.fault is None or found.either:
        return found
    if shared and found.gain == 1.0:
        found = _twins(view, found)
    stands = found.fault is not None and _stands(view, base, found)
    return found if stands else Diagnosis(found.gain)


def _twins(view: View, found: Diagnosis) -> Diagnosis:
    """A switch that is stuck and one that is open change the same edges alike. Among other loads only the
    base tells them apart: those draw something, at every time."""
    box, fault, seen = view.reference.box, found.fault, view.observed
    assert box is not None
    assert fault is not None
    if fault.kind == hyp.OFF:
        return found
    stuck, opened = (Fault(k, fault.channel, s) for k, s in ((hyp.STUCK_ON, 1.0), (hyp.OPEN, -1.0)))
    rivals = tuple(rival for rival in found.rivals if rival.channel != fault.channel)
    if view.prior.levels:
        base = np.flatnonzero((seen.count > 0) & seen.base)
        others = seen.whole_ma - stuck.effect_ma(box.channels_ns, box.pattern, box.supply_mv)
        least = float(np.quantile(others[base], QUIETEST))
        level = float(np.mean(box.account.level_ma[base]))
        if least < -df.level_tolerance(level):
            return replace(found, fault=opened, rivals=rivals)
    return replace(found, fault=stuck, rivals=(opened, *rivals))


def _stands(view: View, base: hyp.Base, found: Diagnosis) -> bool:
    """Whether the current that a fault adds can be there: the base must be that much higher, which others may
    raise and a clamp's zero shift; and among other loads the fault must mend most of the edges that are
    off."""
    box, fault = view.reference.box, found.fault
    assert box is not None
    assert fault is not None
    if view.prior.levels:
        supply = np.full(len(base.pattern), base.supply_mv)
        lift = float(np.sum(fault.effect_ma(box.channels_ns, base.pattern, supply) * base.share))
        excess = (base.excess + base.level_ma) / found.gain - base.level_ma
        if excess - lift < -(hyp.FREE.zero_ma + df.LEVEL_SHARE * base.level_ma):
            return False
    if not view.prior.shared:
        return True
    before = int(np.count_nonzero(odd_edges(view)[1]))
    effect = fault.effect_ma(box.channels_ns, box.pattern, box.supply_mv)
    step = np.diff(effect, prepend=0.0)
    mended = replace(view.observed, edge_ma=view.observed.edge_ma - step)
    return int(np.count_nonzero(odd_edges(replace(view, observed=mended))[1])) <= MENDED * before


def fault_row(reference: Reference, seen: Observed, found: Diagnosis) -> Difference:
    """The fault where it shows most: the levels there, and the words. seen: against what is expected."""
    box, fault = reference.box, found.fault
    assert box is not None
    assert fault is not None
    effect = fault.effect_ma(box.channels_ns, box.pattern, box.supply_mv)
    worst = int(np.argmax(np.abs(effect) * (seen.count > 0)))
    level = float(seen.account.level_ma[worst] + np.nan_to_num(seen.whole_ma[worst]))
    return reference.level_row(fault.kind, worst, level, fault_text(found, box))


def fault_text(found: Diagnosis, box: Did) -> str:
    """The fault, and what else it may be."""
    assert found.fault is not None
    text = box.words(found.fault)
    if found.rivals:
        text += "; as well possible: " + "; ".join(box.words(rival) for rival in found.rivals)
    return text


def either_text(found: Diagnosis, box: Did | None) -> str:
    """The clamp's scale or a part of the box, where both explain the same."""
    what = f"the clamp shows {abs(found.gain):.4g} mA of each mA"
    what += ", the wrong way round" if found.gain < 0 else ""
    part = f", or {fault_text(found, box)}" if box is not None and found.fault is not None else ""
    return f"{what}{part}: both explain what was seen; check the clamp's scale, record again"


def expected_ma(found: Diagnosis, box: Did | None) -> Floats | float:
    """What the fault adds to each level."""
    if found.fault is None or found.either or box is None:
        return 0.0
    return found.fault.effect_ma(box.channels_ns, box.pattern, box.supply_mv)

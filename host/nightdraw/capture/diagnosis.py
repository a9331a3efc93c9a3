"""What was found to be wrong, what a recording shows then, and how that is told; nothing is weighed here."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from nightdraw.capture.accounts import Account
from nightdraw.capture.differences import Difference
from nightdraw.capture.faults import Fault
from nightdraw.capture.journal import Did
from nightdraw.capture.observed import Observed
from nightdraw.capture.view import Reference

UNLOADED = 0.9  # of the readings of the supply lie below its voltage without load


@dataclass(frozen=True)
class Diagnosis:
    """gain: of the clamp; lead_per_a: by which share a series resistance lessens the box's current for each
    ampere; fault: the box's, None where none is needed; rivals: others that explain the same about as well;
    either: instrument or wiring and a part of the box explain the same, each without the other."""

    gain: float = 1.0
    lead_per_a: float = 0.0
    fault: Fault | None = None
    rivals: tuple[Fault, ...] = ()
    either: bool = False

    @property
    def accused(self) -> bool:
        """Whether the box is."""
        return self.fault is not None and not self.either


def drawn(account: Account, box: Did | None, per_a: float) -> Account:
    """What a box behind a series resistance draws. It reckons by the supply as it last read it, with whatever
    it drew then in the leads; without load the supply is as high as the highest readings."""
    if box is None:
        return account.behind_lead(per_a)
    return account.behind_lead(per_a, float(np.quantile(box.supply_mv, UNLOADED)) / box.supply_mv)


def expected_of(found: Diagnosis, reference: Reference) -> Account:
    """What the recording should show, with what was found."""
    account = reference.account
    if found.accused:
        assert found.fault is not None
        assert reference.box is not None
        box = reference.box
        effect = found.fault.effect_ma(box.channels_ns, box.pattern, box.supply_mv)
        account = replace(account, level_ma=account.level_ma + effect)
    return drawn(account, reference.box, found.lead_per_a) if found.lead_per_a else account


def fault_row(reference: Reference, seen: Observed, found: Diagnosis) -> Difference:
    """The fault where it shows most: the levels there, and the words. seen: against what is expected."""
    box, fault = reference.box, found.fault
    assert box is not None
    assert fault is not None
    effect = fault.effect_ma(box.channels_ns, box.pattern, box.supply_mv)
    worst = int(np.argmax(np.abs(effect) * (seen.count > 0)))
    level = float(seen.account.level_ma[worst] + np.nan_to_num(seen.whole_ma[worst]))
    return reference.level_row(fault.kind, worst, level, _fault_text(found, box))


def _fault_text(found: Diagnosis, box: Did) -> str:
    """The fault, and what else it may be."""
    assert found.fault is not None
    faults = [box.words(fault) for fault in (found.fault, *found.rivals)]
    return "; as well possible: ".join([faults[0], "; ".join(faults[1:])] if faults[1:] else faults)


def either_text(found: Diagnosis, box: Did | None, supply_v: float) -> str:
    """The clamp or the wiring, and a part of the box, where both explain the same."""
    if found.lead_per_a:
        what = f"{found.lead_per_a * supply_v:.2f} ohm in series with the box take from its current"
    else:
        what = f"the clamp shows {abs(found.gain):.4g} mA of each mA"
        what += ", the wrong way round" if found.gain < 0 else ""
    part = "a resistor of the box is off"
    if box is not None and found.fault is not None:
        part = _fault_text(found, box)
    check = "check the clamp's scale and the leads, record again"
    return f"{what}, or {part}: both explain what was seen; {check}"

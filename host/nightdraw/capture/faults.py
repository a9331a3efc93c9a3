"""What may be wrong with a channel of the bank, the clamp or the wiring: what a recording shows then, and the
words for it. Nothing is weighed here."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from nightdraw.capture.accounts import Account
from nightdraw.capture.differences import Difference
from nightdraw.capture.journal import Did
from nightdraw.capture.observed import Observed
from nightdraw.capture.seen import Floats, Ints
from nightdraw.capture.view import Reference

NOTHING, STUCK_ON, OPEN, OFF = "", "stuck-on", "open", "level"
MA_PER_NS_MV = 1e-9
LEAST_SHARE = 0.05  # a channel off by less is within tolerances, not a fault
MOST_SHARE = 0.6  # a resistor of another value within arm's reach in the box of resistors
UNLOADED = 0.9  # of the readings of the supply lie below its voltage without load


@dataclass(frozen=True)
class Fault:
    """kind; channel from 1; share: of its current that is too much (1: all of it, stuck on; -1: open)."""

    kind: str
    channel: int
    share: float

    def effect_ma(self, channels_ns: tuple[int, ...], pattern: Ints, supply_mv: Floats) -> Floats:
        """What the fault adds to the current of each pattern."""
        return self.share * unit_effect(self.kind, self.channel - 1, channels_ns, pattern, supply_mv)


def unit_effect(
    kind: str, k: int, channels_ns: tuple[int, ...], pattern: Ints, supply_mv: Floats | float
) -> Floats:
    """A channel's current (mA) in the patterns that have it closed; of one that is stuck on, that haven't."""
    on = (pattern >> k & 1).astype(float)
    current: Floats = channels_ns[k] * MA_PER_NS_MV * supply_mv * (1.0 - on if kind == STUCK_ON else on)
    return current


def resistors(excess_ma: float, closed: int, channels_ns: tuple[int, ...], supply_mv: float) -> list[Fault]:
    """Resistors that, being off, would explain an excess where the channels of pattern `closed` are, and not
    where they aren't; only those that are off by LEAST_SHARE to MOST_SHARE."""
    found = []
    for k, ns in enumerate(channels_ns):
        share = excess_ma / max(ns * MA_PER_NS_MV * supply_mv, 1e-9)
        if closed >> k & 1 and LEAST_SHARE <= abs(share) <= MOST_SHARE:
            found.append(Fault(OFF, k + 1, share))
    return sorted(found, key=lambda fault: abs(fault.share))


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
    faults = [words(box, fault) for fault in (found.fault, *found.rivals)]
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


def words(box: Did, fault: Fault) -> str:
    """A fault for people: the channel, and its current or its resistor."""
    full_ma, number = box.current_ma(fault.channel), fault.channel
    if fault.kind == STUCK_ON:
        return f"channel {number} is stuck on: its {full_ma:.1f} mA flow where its switch should be open"
    if fault.kind == OPEN:
        return f"channel {number} is open: its {full_ma:.1f} mA are missing where its switch is closed"
    way = "more" if fault.share > 0 else "less"
    ohms = 1e9 / box.channels_ns[number - 1]
    real = f"about {_ohms(ohms / (1 + fault.share))} instead of {_ohms(ohms)}"
    return f"channel {number} draws {100 * abs(fault.share):.0f} % {way} than the box believes: {real}"


def _ohms(ohms: float) -> str:
    return f"{ohms:.3g} ohm" if ohms < 1000 else f"{ohms / 1000:.3g} kohm"

"""What can be wrong with one channel of a bank, and what that adds to the current; nothing is weighed."""

from __future__ import annotations

from dataclasses import dataclass

from nightdraw.capture.seen import Floats, Ints

NOTHING, STUCK_ON, OPEN, OFF = "", "stuck-on", "open", "level"
MA_PER_NS_MV = 1e-9
LEAST_SHARE = 0.05  # a channel off by less is within tolerances, not a fault
MOST_SHARE = 0.6  # a resistor of another value within arm's reach in the box of resistors


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

"""How far an answer may be off and still be right, by the instruments that the group had or the class file.

The bounds are our own rule, made of what the instruments' own figures allow (two standard uncertainties, a
display's last digits) and of shares below which nobody is asked to read.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from nightdraw import units
from nightdraw.bank.parts import blade_fuses
from nightdraw.instruments.model import Instruments
from nightdraw.lesson import model
from nightdraw.lesson.truth import Behaviour
from nightdraw.report.words import Message
from nightdraw.vehicle.model import Vehicle

CURRENT, DURATION, INTERVAL = "current", "duration", "interval"
LEAST_SHARE = {CURRENT: 0.05, DURATION: 0.05, INTERVAL: 0.03}  # nobody is asked to read finer than that
MOST_SHARE = 0.25  # further off than a quarter nothing is right, whatever the instruments
DIGITS = 3  # of a meter's last digit (common practice)
FUSE_SHARE = 0.15  # a cold fuse's resistance is a typical value: our own figure
RECORDED_S = 0.005  # a pulse's edges on a recording of some hundred samples a second, both of them
BY_HAND_S = 0.5  # a stop watch, both ends (our own figure)
ROOM = 1.5  # a range is taken that leaves room for the vehicle's own draw
OWN_A = 0.05


@dataclass(frozen=True)
class Allowed:
    """How far a value in A or s may be off: a share of the truth or an amount, whichever is more; where it
    comes from."""

    share: float
    amount: float
    why: Message

    def around(self, truth: float) -> float:
        """The amount around a truth."""
        return max(self.share * abs(truth), self.amount)


def allowed(
    item: str, behaviour: Behaviour, kit: Instruments, vehicle: Vehicle, fuse: str, of: model.ClassFile
) -> Allowed:
    """What an item of `current`, `duration` or `interval` may be off by."""
    given = of.tolerances.get(item)
    if given is not None:
        share = float(given.percent or 0) / 100
        return Allowed(share, float(given.amount or 0), Message.of("tolerance.class"))
    if item == CURRENT:
        return _current(behaviour, kit, vehicle, fuse)
    least = LEAST_SHARE[item]
    if kit.recorder is not None:
        amount = max(RECORDED_S, 2 / kit.recorder.rate_hz)
        return Allowed(least, amount, _timed("recording", least, amount))
    update_s = kit.meter.update_s if kit.meter is not None else 1.0
    amount = BY_HAND_S + update_s
    return Allowed(least, amount, _timed("watch", least, amount))


def _current(behaviour: Behaviour, kit: Instruments, vehicle: Vehicle, fuse: str) -> Allowed:
    level_a = behaviour.level_a[1]
    longest_s = float(max(behaviour.duration_s)) if len(behaviour.duration_s) else float("inf")
    found: list[tuple[float, str]] = []
    meter = kit.meter
    if meter is not None and meter.capture_s <= longest_s:
        most_a = ROOM * (level_a + behaviour.base_a + OWN_A)
        scale = next((one for one in meter.ranges if one.most_a >= most_a), meter.ranges[-1])
        found.append((meter.accuracy * level_a + DIGITS * scale.step_a, "meter"))
    clamp = kit.clamp
    if clamp is not None:
        noise_a = clamp.noise_a if kit.recorder is None else clamp.noise_a / 3  # a dozen samples' mean
        found.append((2 * noise_a + clamp.step_a + (clamp.drift_a if behaviour.steady else 0.0), "clamp"))
    ohms = _fuse_ohms(vehicle, fuse)
    if kit.fuse_meter is not None and behaviour.steady and ohms:
        found.append((FUSE_SHARE * level_a + kit.fuse_meter.step_mv / 1000 / ohms, "fuse_meter"))
    least_a = LEAST_SHARE[CURRENT] * level_a
    widest_a, name = max(found, default=(least_a, ""))
    amount = min(max(widest_a, least_a), MOST_SHARE * level_a)
    percent = f"{100 * (amount / level_a if level_a else LEAST_SHARE[CURRENT]):.0f}"
    by = name if level_a else ""
    return Allowed(0.0, amount, Message.of(f"tolerance.{by or 'share'}", percent=percent))


def _timed(by: str, share: float, amount_s: float) -> Message:
    return Message.of(f"tolerance.{by}", percent=f"{100 * share:g}", least=shown(amount_s, DURATION))


def _fuse_ohms(vehicle: Vehicle, name: str) -> float | None:
    """A fuse's cold resistance, None where it isn't known."""
    for fuse in vehicle.fuses:
        if fuse.name == name:
            mohm, _ = blade_fuses.cold_mohm(fuse.type, fuse.rating_a)
            return None if mohm is None else mohm / 1000
    return None


def shown(amount: float, item: str, digits: int = 3) -> str:
    """An amount of an item for people."""
    dimension = "current" if item == CURRENT else "time"
    return units.show(Fraction(float(f"{amount:.{digits}g}")), dimension)

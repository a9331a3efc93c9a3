"""Whether two boxes on one car get in each other's way: faults that can be taken for one another, and a box
beside which the other's fault is no longer found.

To a group the other one's box is a part of the car: a module that draws, and pulses of its own.
"""

from __future__ import annotations

from dataclasses import replace

from boxcore.program import TICKS_PER_S

from nightdraw.bench import findable
from nightdraw.bench.finding import train
from nightdraw.bench.finding.place import LIKE_SIZE, LIKE_WIDTH
from nightdraw.bench.finding.train import Signature
from nightdraw.instruments.model import Instruments
from nightdraw.lesson.candidates import Made, found
from nightdraw.vehicle.model import Module, Twitch, Vehicle

NEIGHBOUR = "other-box"  # what the other group's box is called as a part of the car


def alike(one: Made, other: Made) -> bool:
    """Whether a student can take one fault for the other: both pulse, about as high and as long, or both
    stay, about as high."""
    mine, theirs = _pulsed(one), _pulsed(other)
    if mine is None and theirs is None:
        return _near(train.base_a(one.profile), train.base_a(other.profile))
    if mine is None or theirs is None:
        return False
    return _near(mine.amps, theirs.amps) and _as_long(mine, theirs)


def _pulsed(made: Made) -> Signature | None:
    return next(
        (signature for signature in made.pulses if signature.train is not None and not signature.train.dense),
        None,
    )


def _near(one: float, other: float) -> bool:
    return max(one, other) <= LIKE_SIZE * min(one, other)


def _as_long(one: Signature, other: Signature) -> bool:
    assert one.train is not None
    assert other.train is not None
    return (
        one.narrow_s <= LIKE_WIDTH * other.train.widest_s
        and other.narrow_s <= LIKE_WIDTH * one.train.widest_s
    )


def beside(vehicle: Vehicle, other: Made, fuse: str) -> Vehicle:
    """The car with another group's box on a fuse, as parts of the car."""
    box = Module(NEIGHBOUR, fuse, (), train.base_a(other.profile), (), False)
    pulses = _pulsed(other)
    if pulses is None or pulses.train is None:
        return replace(vehicle, modules=(*vehicle.modules, box))
    least = max(1, round(pulses.train.widest_s * TICKS_PER_S))
    mean = max(least + 1, round(pulses.train.cycle_s * TICKS_PER_S))
    twitch = Twitch(NEIGHBOUR, fuse, pulses.amps, least, (mean, mean), False)
    return replace(vehicle, modules=(*vehicle.modules, box), twitches=(*vehicle.twitches, twitch))


def within_s(made: Made, vehicle: Vehicle, splice: str, kit: Instruments) -> float:
    """Seconds in which 95 % of searches for the fault in this car end; inf where they don't."""
    search = findable.Search(
        made.profile, vehicle, kit, splice, made.profile.seed, known=made.pulses, quick=True
    )
    return found(search)[1]

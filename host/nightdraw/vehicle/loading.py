"""What a vehicle's own loads ask of its fuses and wires at their most: none is overloaded, none drops it all.

Within these bounds every voltage in the circuit stays at or above zero, whatever a script does.
"""

from __future__ import annotations

from collections.abc import Iterator

from nightdraw.bank.parts import blade_fuses as blades
from nightdraw.vehicle.model import Feed, Fuse, Main, Vehicle
from nightdraw.vehicle.root import WEAK_V

NOMINAL_V = 12.0  # what lamps draw is stated at, for each battery in series
HOT = 2.0  # times its cold resistance: more than any fuse that was seen has at its rated current


def most_a(vehicle: Vehicle, fuse: str) -> float:
    """What all loads on a fuse draw together at their most; lamps are taken as constant draws."""
    modules = [module for module in vehicle.modules if module.fuse == fuse]
    total = sum(
        max([module.asleep_a, module.waits_a, *(stage.draw_a for stage in module.stages)])
        for module in modules
    )
    total += sum(twitch.draw_a for twitch in vehicle.twitches if twitch.fuse == fuse)
    lit = sum(lamp.siemens for lamp in vehicle.lamps if lamp.fuse == fuse)
    lit += sum(relay.siemens for relay in vehicle.relays if relay.fuse == fuse)
    lit += sum(defect.siemens for defect in vehicle.defects if defect.fuse == fuse)
    return total + lit * NOMINAL_V * vehicle.battery.in_series


def overloads(vehicle: Vehicle) -> Iterator[tuple[str, str]]:
    """A feed's or a fuse's name and what is wrong with it, for each that its loads ask too much of."""
    most = {fuse.name: most_a(vehicle, fuse.name) for fuse in vehicle.fuses}
    for feed in vehicle.feeds:
        own = [fuse for fuse in vehicle.fuses if fuse.feed == feed.name]
        total_a = sum(most[fuse.name] for fuse in own)
        if feed.main is not None and total_a > feed.main.rating_a:
            yield feed.name, _too_much("feed", feed.name, total_a, feed.main.rating_a)
        for fuse in own:
            if most[fuse.name] > fuse.rating_a:
                yield fuse.name, _too_much("fuse", fuse.name, most[fuse.name], fuse.rating_a)
            drop_v = total_a * _feed_ohms(feed) + most[fuse.name] * (fuse.wire_ohms + _hot_ohms(fuse))
            if drop_v > WEAK_V * vehicle.battery.in_series:
                yield fuse.name, f"wires and fuses to the loads on {fuse.name} may drop {drop_v:.3g} V"


def _too_much(what: str, name: str, amps: float, rating_a: float) -> str:
    return f"the loads on {what} {name} may draw {amps:.3g} A together, its fuse is for {rating_a:g} A"


def _feed_ohms(feed: Feed) -> float:
    return feed.ohms + (0.0 if feed.main is None else _hot_ohms(feed.main))


def _hot_ohms(fuse: Fuse | Main) -> float:
    mohm, _ = blades.cold_mohm(fuse.type, fuse.rating_a)
    assert mohm is not None  # the reader refused what no list knows
    return HOT * mohm / 1000

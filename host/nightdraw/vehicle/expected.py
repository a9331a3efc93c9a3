"""What a vehicle does to its currents by itself while a script runs, and whose each change is.

For whoever lays a recording beside what a box did: what stands here is expected and has a name. No box, no
instrument, no recording; twitches come at instants that nobody knows, so they are told by their law.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from boxcore.program import TICKS_PER_S

from nightdraw.vehicle import script, standing
from nightdraw.vehicle.model import Vehicle
from nightdraw.vehicle.simulated import SimulatedVehicle

CHARGER, ENGINE = "support charger", "engine"  # their changes reach the battery's cable, not a fuse


@dataclass(frozen=True)
class Change:
    """From `at_s` (seconds from the script's zero) on `who` draws `to_a` instead of `from_a` behind a fuse; a
    source has no fuse, and its amperes are what it gives."""

    at_s: float
    who: str
    fuse: str | None
    from_a: float
    to_a: float


@dataclass(frozen=True)
class Again:
    """A twitch: so many amperes for `on_s`, start to start within `every_s`; asleep_only as in its file. Of a
    module that wakes by itself the most that it draws, and how long it takes at most."""

    who: str
    fuse: str
    draw_a: float
    on_s: float
    every_s: tuple[float, float]
    asleep_only: bool


def changes(vehicle: Vehicle, plan: script.Script, ticks: int) -> Iterator[Change]:
    """Every change that modules, lamps and sources make within so many ticks, in the order of time.

    A load behind a pulled fuse draws nothing; lamps are told at their nominal voltage. Sources are told as
    they are switched; how what they give tapers afterwards isn't.
    """
    tick = 0
    simulated = SimulatedVehicle(standing.certain(vehicle), plan, lambda: tick)
    network = simulated.network
    network.solve()
    before = simulated.drawn()
    while simulated.agenda.next() < ticks:
        tick = max(tick, simulated.agenda.next())
        gave = list(network.source_a)
        on = list(network.on)
        simulated.agenda.run(tick)
        network.solve()
        while simulated.undervoltage.check():
            network.solve()
        after = simulated.drawn()
        at_s = tick / TICKS_PER_S
        for load, amps in after.items():
            if amps != before[load]:
                yield Change(at_s, *load, before[load], amps)
        for k, who in enumerate((CHARGER, ENGINE)):
            if network.on[k] != on[k]:
                yield Change(at_s, who, None, gave[k], network.source_a[k])
        before = after


def drawn_at_zero(vehicle: Vehicle, plan: script.Script) -> dict[tuple[str, str], float]:
    """What each module and lamp draws when the script begins (amperes), by its name and its fuse."""
    return SimulatedVehicle(standing.certain(vehicle), plan, lambda: 0).drawn()


def again(vehicle: Vehicle) -> list[Again]:
    """The vehicle's twitches, and each load that a module wakes which wakes by itself at random."""
    found = [
        Again(
            t.name, t.fuse, t.draw_a, t.on_ticks / TICKS_PER_S,
            (t.every_ticks[0] / TICKS_PER_S, t.every_ticks[1] / TICKS_PER_S), t.asleep_only,
        )
        for t in vehicle.twitches
    ]  # fmt: skip
    for module, calls in standing.callers(vehicle):
        if standing.at_random(calls):
            wake = standing.wake(vehicle, module)
            every_s = calls.every_ticks[0] / TICKS_PER_S, calls.every_ticks[1] / TICKS_PER_S
            found += [
                Again(name, fuse, most_a, wake.seconds, every_s, False)
                for (name, fuse), most_a in wake.draws.items()
                if most_a > 0
            ]
    return found

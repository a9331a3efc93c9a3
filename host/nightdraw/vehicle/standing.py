"""What a vehicle draws by itself when it has been parked for long, and what one wake of a module takes.

For whoever computes instead of simulating: no script, no instrument. Defects that are there from the start
count, as do modules that wake by themselves.
"""

from __future__ import annotations

import functools
from collections.abc import Iterator
from dataclasses import dataclass, replace

from boxcore.program import TICKS_PER_S

from nightdraw.vehicle import script
from nightdraw.vehicle.model import CORROSION, DIODE, SHEDS_EARLY, WAKES_ITSELF, Bus, Calls, Module, Vehicle
from nightdraw.vehicle.simulated import SimulatedVehicle

MEAN_TICKS = 24 * 3600 * TICKS_PER_S  # modules that wake by themselves are averaged over a day


@dataclass(frozen=True)
class Wake:
    """One wake of a module: seconds until all that it wakes sleeps again, and what each module that is woken
    draws at most meanwhile, beyond what it draws asleep (by name and fuse)."""

    seconds: float
    draws: dict[tuple[str, str], float]


@functools.cache
def stands(vehicle: Vehicle) -> dict[tuple[str, str], float]:
    """What each load draws, by its name and its fuse, long parked and between what comes again."""
    return SimulatedVehicle(_between(vehicle), script.EMPTY, lambda: 0).drawn()


def stays_a(vehicle: Vehicle, fuse: str | None = None) -> float:
    """What all loads draw together so, or those on one fuse; twitches come on top."""
    return sum(amps for (_, on), amps in stands(vehicle).items() if fuse in (None, on))


def mean_a(vehicle: Vehicle) -> float:
    """The mean draw of a parked vehicle over its first day; twitches by their duty."""
    return twitches_a(vehicle) + (_over_a_day(vehicle) if list(callers(vehicle)) else stays_a(vehicle))


def twitches_a(vehicle: Vehicle) -> float:
    """The mean draw of the vehicle's twitches."""
    return sum(t.draw_a * t.on_ticks * 2 / sum(t.every_ticks) for t in vehicle.twitches)


def at_root(vehicle: Vehicle) -> tuple[float, float]:
    """The siemens of leaks that are there from the start: in the alternator's cable, across the battery's
    posts."""
    there = [defect for defect in vehicle.defects if defect.on and defect.fuse is None]
    found = [sum(one.siemens for one in there if one.kind == kind) for kind in (DIODE, CORROSION)]
    return found[0], found[1]


def sheds_below_pct(vehicle: Vehicle) -> float:
    """The charge below which the battery sensor sheds; below 0 without one."""
    early = [one.below_pct for one in vehicle.defects if one.on and one.kind == SHEDS_EARLY]
    return early[-1] if early else -1.0 if vehicle.sensor is None else vehicle.sensor.sheds_below_pct


def callers(vehicle: Vehicle) -> Iterator[tuple[Module, Calls]]:
    """The modules that wake by themselves, by a schedule or by a defect that is there from the start."""
    modules = {module.name: module for module in vehicle.modules}
    for module in vehicle.modules:
        if module.calls is not None:
            yield module, module.calls
    for defect in vehicle.defects:
        if defect.on and defect.kind == WAKES_ITSELF:
            yield modules[defect.module or ""], Calls(0, defect.every_ticks)


def wake(vehicle: Vehicle, module: Module) -> Wake:
    """What it takes if a module is woken, with all gateways up: an upper bound of both."""
    working = {module.name: module}
    buses = {bus.name: bus for bus in vehicle.buses}
    masters = {bus.master for name in module.buses if (bus := buses[name]).master is not None}
    working.update({one.name: one for one in vehicle.modules if one.name in masters})
    reached = _reached(vehicle, [name for one in working.values() for name in one.buses])
    members = [one for one in vehicle.modules if not reached.keys().isdisjoint(one.buses)]
    draws = {(one.name, one.fuse): max(one.waits_a - one.asleep_a, 0.0) for one in members}
    for one in working.values():
        most_a = max((stage.draw_a for stage in one.stages), default=one.asleep_a)
        draws[one.name, one.fuse] = max(most_a - one.asleep_a, draws.get((one.name, one.fuse), 0.0))
    work_s = max(sum(stage.ticks for stage in one.stages) for one in working.values()) / TICKS_PER_S
    idle_s = max((bus.idle_ticks for bus in reached.values() if bus.master is None), default=0) / TICKS_PER_S
    return Wake(work_s + idle_s, draws)


def _reached(vehicle: Vehicle, names: list[str]) -> dict[str, Bus]:
    """The buses of these names and those that gateways lead to from them."""
    buses = {bus.name: bus for bus in vehicle.buses}
    found, todo = dict[str, Bus](), list(names)
    while todo:
        name = todo.pop()
        if name not in found:
            found[name] = buses[name]
            todo += [other for module in vehicle.modules if name in module.buses for other in module.buses]
    return found


def certain(vehicle: Vehicle) -> Vehicle:
    """The vehicle without what comes at instants that nobody knows."""
    modules = tuple(
        replace(module, calls=None) if module.calls is not None and at_random(module.calls) else module
        for module in vehicle.modules
    )
    defects = tuple(defect for defect in vehicle.defects if defect.kind != WAKES_ITSELF)
    return replace(vehicle, twitches=(), modules=modules, defects=defects)


def at_random(calls: Calls) -> bool:
    """Whether the instants of these calls are known by their law only."""
    return calls.every_ticks[0] != calls.every_ticks[1]


def _between(vehicle: Vehicle) -> Vehicle:
    """The vehicle without what comes again."""
    modules = tuple(replace(module, calls=None) for module in vehicle.modules)
    return replace(certain(vehicle), modules=modules)


@functools.cache
def _over_a_day(vehicle: Vehicle) -> float:
    tick, charge = 0, 0.0
    simulated = SimulatedVehicle(replace(vehicle, twitches=()), script.EMPTY, lambda: tick)
    while tick < MEAN_TICKS:
        until = min(simulated.agenda.next(), MEAN_TICKS)
        charge += sum(simulated.drawn().values()) * (until - tick)
        tick = until
        simulated.agenda.run(tick)
    return charge / MEAN_TICKS

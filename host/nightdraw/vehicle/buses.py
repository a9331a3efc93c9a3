"""Data buses: which modules keep which others awake, how a wake-up travels, when a bus sleeps.

In general terms of network management: a module that has work to do is a need for each bus that it is on; it
gives its sleep indication when it is ready. A bus on which nobody has a need sleeps after its idle time, and
the modules on it that are ready sleep with it. A module on several buses is a gateway: it passes a wake-up on
to the others, and a need on one of them keeps all awake. One wake-up pattern (ISO 11898-2: some microseconds)
wakes everyone on a bus within a tick.

LIN: a bus with a master is awake while its master is, and its children sleep on the master's go-to-sleep
frame, or after 4 .. 10 s of silence where the master was cut off before it (ISO 17987-2). A child that wakes,
wakes the master; children have no say in how long it stays so.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence

from nightdraw.vehicle.agenda import Agenda
from nightdraw.vehicle.model import Bus, Vehicle
from nightdraw.vehicle.modules import ASLEEP, ModuleState

PASS_TICKS = 500  # until a gateway that was woken transmits on its other buses: 50 ms, our own figure


class BusState:
    """One bus. Its members are those modules that are on it, a master among them."""

    def __init__(self, spec: Bus, agenda: Agenda, now: Callable[[], int]) -> None:
        self.spec = spec
        self.awake = False
        self.members: list[ModuleState] = []
        self.master: ModuleState | None = None
        self._agenda = agenda
        self._now = now
        self._turn = 0  # a sleep that was planned before something had a need again is void
        self._planned = False

    def wake(self, by_master: bool = False) -> None:
        """Somebody sent a wake-up, or has something to say."""
        self._planned = False
        if not self.awake:
            self.awake = True
            for member in self.members:
                member.wake_by_bus()
            for member in self.members:
                for other in member.buses if member.live else ():
                    if not other.awake:
                        transmits = functools.partial(_pass_on, member, other)
                        self._agenda.add(self._now() + PASS_TICKS, transmits)
            if self.master is not None and not by_master and not self.master.needs:
                self.master.wake()
        self.look()

    def look(self) -> None:
        """Plan the bus's sleep where nobody has a need any more, or drop that plan where somebody has."""
        if not self.awake:
            return
        if self._needed():
            self._turn += 1
            self._planned = False
        elif not self._planned:
            self._turn += 1
            self._planned = True
            if self.master is not None and self.master.live:
                self._sleep(self._turn)  # by the master's frame
            else:
                turn = self._turn
                self._agenda.add(self._now() + self.spec.idle_ticks, lambda: self._sleep(turn))

    def _needed(self) -> bool:
        if self.master is not None:
            return self.master.live and (self.master.needs or self._kept_up(self.master))
        found, todo = {id(self)}, [self]
        while todo:
            for member in todo.pop().members:
                if not member.live:
                    continue
                if member.needs:
                    return True
                for bus in member.buses:
                    if bus.master is None and id(bus) not in found:
                        found.add(id(bus))
                        todo.append(bus)
        return False

    @staticmethod
    def _kept_up(master: ModuleState) -> bool:
        """Whether a master is up for a bus that isn't its own: its own keep it no more than it keeps them."""
        return any(bus.awake and bus.master is not master for bus in master.buses)

    def _sleep(self, turn: int) -> None:
        if turn != self._turn or not self.awake:
            return
        self.awake = self._planned = False
        for member in self.members:
            member.bus_asleep()


def connect(
    vehicle: Vehicle, modules: Sequence[ModuleState], agenda: Agenda, now: Callable[[], int]
) -> list[BusState]:
    """Put the modules on the vehicle's buses."""
    buses = {bus.name: BusState(bus, agenda, now) for bus in vehicle.buses}
    for module in modules:
        module.buses = [buses[name] for name in module.spec.buses]
        for bus in module.buses:
            bus.members.append(module)
            if bus.spec.master == module.spec.name:
                bus.master = module

    def look() -> None:
        for bus in buses.values():
            bus.look()

    for module in modules if buses else ():
        module.changed = look
    return list(buses.values())


def stand(buses: Sequence[BusState]) -> None:
    """Long parked: let what is awake have passed its wake-ups on already."""
    todo = [bus for bus in buses if bus.awake]
    while todo:
        for member in todo.pop().members:
            for other in member.buses:
                if not other.awake:
                    _pass_on(member, other)
                    todo.append(other)


def _pass_on(gateway: ModuleState, bus: BusState) -> None:
    """A gateway that is still awake sends on a bus that still sleeps."""
    if gateway.live and not bus.awake and gateway.stage != ASLEEP:
        bus.wake(by_master=gateway is bus.master)

"""What flows where in a vehicle that stands in a given state, with a box that draws so much: no instrument.

The state is that of the vehicle's own life at an instant of a script: which sources feed, which modules are
awake, how far the battery is charged. It is taken as lasting while one searches; only the battery's charge
goes on, and with it what a charger gives.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace

from boxcore.program import TICKS_PER_S

from nightdraw.vehicle import script
from nightdraw.vehicle.cells import SLOW_TICKS
from nightdraw.vehicle.model import BATTERY, Splice, Vehicle
from nightdraw.vehicle.simulated import SimulatedVehicle

CREEP_STEPS = 6  # what charges do in so many slow steps tells how fast a current creeps
CREEP_S = CREEP_STEPS * SLOW_TICKS / TICKS_PER_S


@dataclass(frozen=True)
class State:
    """An instant of a script; without a script the vehicle has long been asleep."""

    plan: script.Script = script.EMPTY
    at_ticks: int = 0

    @property
    def given(self) -> bool:
        """Whether a script says what it is."""
        return self.plan is not script.EMPTY


ASLEEP = State()


class VehicleCircuit:
    """A vehicle in a state, its box at a splice.

    idle_a: what the box draws until then. rested_ticks(below_v): how long the box has had less than so much.
    """

    def __init__(self, vehicle: Vehicle, splice: Splice, state: State, idle_a: float = 0.0) -> None:
        self._vehicle = vehicle
        quiet = replace(vehicle, twitches=())  # they come on top, one at a time
        self._tick = 0
        self._simulated = SimulatedVehicle(quiet, state.plan, lambda: self._tick)
        self._network = self._simulated.network
        self._places = self._network.fuse_places
        self._feeds = {feed.name: k for k, feed in enumerate(vehicle.feeds)}
        self._box = [splice.ohms, idle_a, 0.0]
        self._branch = self._network.branches[self._places[splice.fuse]]
        self._branch.boxes.append(self._box)
        self._fuse = splice.fuse
        self._supplies: list[tuple[int, float]] = []
        self._live(state.at_ticks)

    def _live(self, until: int) -> None:
        """Let the vehicle live up to then; what the box has is noted at each change."""
        agenda = self._simulated.agenda
        while True:
            self._network.touch(self._branch)
            self._supplies.append((self._tick, self._network.box_v(self._places[self._fuse], self._box)))
            if agenda.next() > until:
                break
            self._tick = max(self._tick, agenda.next())
            agenda.run(self._tick)
        self._tick = until

    @property
    def asleep(self) -> bool:
        """Whether no module is awake and the engine stands."""
        return self._simulated.asleep()

    @property
    def engine(self) -> bool:
        """Whether the engine is cranked or runs."""
        return self._network.on[1] or self._network.starter_a > 0

    @property
    def fed(self) -> list[str]:
        """The sources beside the battery that feed the vehicle now."""
        self._network.solve()
        names = ("support charger", "alternator")
        return [name for name, amps in zip(names, self._network.source_a, strict=True) if amps > 0]

    @property
    def shared(self) -> bool:
        """Whether a second battery gives a part of all that is drawn."""
        return self._network.joined

    @property
    def charge_pct(self) -> float:
        """The battery's charge now."""
        return self._simulated.charge_pct

    def rested_ticks(self, below_v: float) -> int:
        """The longest time up to now for which the box had less than so much without a break."""
        longest, since = 0, None
        for tick, volts in [*self._supplies, (self._tick, 0.0)]:
            if since is not None:
                longest = max(longest, tick - since)
            if volts >= below_v:
                since = None
            elif since is None:
                since = tick
        return longest

    @functools.cache  # noqa: B019 (lives as long as the search)
    def amps(
        self, where: str, box_a: float, meter_ohms: float = 0.0, more: tuple[str, float] | None = None
    ) -> float:
        """What flows at a place (BATTERY, a feed or a fuse) with the box drawing so much; more: a fuse and
        what is drawn on it besides; meter_ohms: in the battery's cable. Below 0: into the battery."""
        network = self._network
        branch = None if more is None else network.branches[self._places[more[0]]]
        drawn_a = 0.0 if branch is None else branch.draw_a
        was = self._box[1], network.meter_ohms
        self._set(box_a, meter_ohms)
        if branch is not None and more is not None:
            branch.draw_a = drawn_a + more[1]
            network.touch(branch)
        found = self._read(where)
        if branch is not None:
            branch.draw_a = drawn_a
            network.touch(branch)
        self._set(*was)
        return found

    def volts(self, box_a: float) -> float:
        """What the box has while it draws so much."""
        was = self._box[1], self._network.meter_ohms
        self._set(box_a, 0.0)
        found = self._network.box_v(self._places[self._fuse], self._box)
        self._set(*was)
        return found

    @functools.cache  # noqa: B019
    def creeps(self, where: str, box_a: float, meter_ohms: float = 0.0) -> float:
        """By how much the current at a place changes a second, for the batteries' charges go on."""
        before_a = self.amps(where, box_a, meter_ohms)
        was = self._box[1], self._network.meter_ohms
        self._set(box_a, meter_ohms)
        with self._simulated.cells.ahead(CREEP_STEPS):
            after_a = self._read(where)
        self._set(*was)
        return abs(after_a - before_a) / CREEP_S

    def awake_a(self) -> float:
        """The most that any one module draws now."""
        return self._simulated.largest_draw_a()

    def _set(self, box_a: float, meter_ohms: float) -> None:
        network = self._network
        self._box[1] = box_a
        network.touch(self._branch)
        if network.meter_ohms != meter_ohms:
            network.meter_ohms = meter_ohms
            network.touch()

    def _read(self, where: str) -> float:
        network = self._network
        network.solve()
        if where == BATTERY:
            return network.battery_a
        if where in self._feeds:
            return network.feeds[self._feeds[where]].current_a
        return network.branches[self._places[where]].current_a

"""What is wrong with the vehicle itself, and what each kind of defect does to its circuit, modules, switches.

It sets what modules, relays, cabin and circuit do; whoever switches a defect lets the rest see the change.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from nightdraw.vehicle import model
from nightdraw.vehicle.agenda import Agenda
from nightdraw.vehicle.cabin import Cabin
from nightdraw.vehicle.loads import Contact, Loads
from nightdraw.vehicle.model import Calls, Defect, Vehicle
from nightdraw.vehicle.modules import Caller, ModuleState
from nightdraw.vehicle.network import Network
from nightdraw.vehicle.sensor import SensorState


@dataclass(frozen=True)
class Parts:
    """What of a vehicle defects act on."""

    network: Network
    loads: Mapping[str, Loads]
    modules: Sequence[ModuleState]
    contacts: Sequence[Contact]
    cabin: Cabin
    sensor: SensorState | None


class Defects:
    """A vehicle's defects by name."""

    def __init__(
        self, vehicle: Vehicle, parts: Parts, seed: int, agenda: Agenda, now: Callable[[], int]
    ) -> None:
        self._specs = {defect.name: defect for defect in vehicle.defects}
        self._parts = parts
        self._modules = {module.spec.name: module for module in parts.modules}
        self._contacts = {contact.name: contact for contact in parts.contacts}
        self._sensor = vehicle.sensor
        self._present: set[str] = set()
        self._callers = {
            defect.name: Caller(Calls(0, defect.every_ticks), self._module(defect), seed, agenda, now)
            for defect in vehicle.defects
            if defect.kind == model.WAKES_ITSELF
        }
        self._slots = {
            defect.name: parts.loads[defect.fuse].slot()
            for defect in vehicle.defects
            if defect.fuse is not None
        }

    def begin(self) -> None:
        """Those that are there from the start: long parked, a module that never sleeps hasn't slept."""
        for defect in self._specs.values():
            if defect.on:
                self.switch(defect.name, True)
                if defect.kind == model.NO_SLEEP:
                    self._module(defect).stay_in_last_stage()
        for module in self._modules.values():
            if self._parts.cabin.holds(module.spec) and module.spec.gives_up_ticks is None:
                module.stay_in_last_stage()  # by a latch that reads open

    def present(self) -> list[str]:
        """Those that are there now."""
        return sorted(self._present)

    def leaks(self) -> dict[tuple[str, str], float]:
        """The siemens of the leaks that are there now, by name and fuse."""
        found = [self._specs[name] for name in self.present()]
        return {(defect.name, defect.fuse): defect.siemens for defect in found if defect.fuse is not None}

    def switch(self, name: str, on: bool) -> bool:
        """Let a defect come about or be mended; True where the modules now see a door open or close."""
        defect = self._specs[name]
        (self._present.add if on else self._present.discard)(name)
        if defect.kind == model.LATCH_OPEN:
            return self._parts.cabin.stick_latch(on)
        self._ACTIONS[defect.kind](self, defect, on)
        return False

    def _module(self, defect: Defect) -> ModuleState:
        return self._modules[defect.module or ""]

    def _never_ready(self, defect: Defect, on: bool) -> None:
        module = self._module(defect)
        module.never_ready = on
        module.reconsider()

    def _call(self, defect: Defect, on: bool) -> None:
        caller = self._callers[defect.name]
        if on:
            caller.begin_anywhere()
        else:
            caller.stop()

    def _stick(self, defect: Defect, on: bool) -> None:
        contact = self._contacts[defect.relay]
        contact.stuck = on
        contact.follow()

    def _fail(self, defect: Defect, on: bool) -> None:
        contact = self._contacts[defect.relay]
        contact.failed = on
        contact.follow()

    def _leak(self, defect: Defect, on: bool) -> None:
        """Behind a fuse, or at the battery: each sum is made anew, so that nothing drifts."""
        network = self._parts.network
        if defect.fuse is not None:
            self._parts.loads[defect.fuse].conduct(self._slots[defect.name], defect.siemens if on else 0.0)
            return
        there = [self._specs[name] for name in self.present() if self._specs[name].fuse is None]
        network.posts_s = sum(one.siemens for one in there if one.kind == model.CORROSION)
        network.leak_s = sum(one.siemens for one in there if one.kind == model.DIODE)
        network.touch()

    def _shed_early(self, defect: Defect, on: bool) -> None:
        sensor, spec = self._parts.sensor, self._sensor
        assert sensor is not None  # the reader refused a vehicle
        assert spec is not None  # without one
        sensor.sheds_below_pct = defect.below_pct if on else spec.sheds_below_pct

    _ACTIONS = {  # noqa: RUF012 (a table that nobody changes)
        model.NO_SLEEP: _never_ready, model.WAKES_ITSELF: _call, model.STUCK_CONTACT: _stick,
        model.OPEN_CONTACT: _fail,
        model.GROUND_FAULT: _leak, model.CORROSION: _leak, model.DIODE: _leak,
        model.SHEDS_EARLY: _shed_early,
    }  # fmt: skip

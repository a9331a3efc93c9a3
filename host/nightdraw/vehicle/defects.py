"""What is wrong with the vehicle itself, and what each kind of defect does to its modules and switches.

It sets what modules and cabin do; whoever switches a defect lets the rest see the change.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from nightdraw.vehicle.agenda import Agenda
from nightdraw.vehicle.cabin import Cabin
from nightdraw.vehicle.model import LATCH_OPEN, NO_SLEEP, WAKES_ITSELF, Calls, Defect, Vehicle
from nightdraw.vehicle.modules import Caller, ModuleState


class Defects:
    """A vehicle's defects by name."""

    def __init__(
        self,
        vehicle: Vehicle,
        modules: Sequence[ModuleState],
        cabin: Cabin,
        seed: int,
        agenda: Agenda,
        now: Callable[[], int],
    ) -> None:
        self._said = {defect.name: defect for defect in vehicle.defects}
        self._modules = {module.said.name: module for module in modules}
        self._present: set[str] = set()
        self._cabin = cabin
        self._callers = {
            defect.name: Caller(
                Calls(0, defect.every_ticks), self._modules[defect.module or ""], seed, agenda, now
            )
            for defect in vehicle.defects
            if defect.kind == WAKES_ITSELF
        }

    def begin(self) -> None:
        """Those that are there from the start: long parked, a module that never sleeps hasn't slept."""
        for defect in self._said.values():
            if defect.on:
                self.switch(defect.name, True)
                if defect.kind == NO_SLEEP:
                    self._modules[defect.module or ""].hang()
        for module in self._modules.values():
            if self._cabin.holds(module.said) and module.said.gives_up_ticks is None:
                module.hang()  # by a latch that reads open

    def present(self) -> list[str]:
        """Those that are there now."""
        return sorted(self._present)

    def switch(self, name: str, on: bool) -> bool:
        """Let a defect come about or be mended; True where the modules now see a door open or close."""
        defect = self._said[name]
        (self._present.add if on else self._present.discard)(name)
        if defect.kind == LATCH_OPEN:
            return self._cabin.stick_latch(on)
        if defect.kind == NO_SLEEP:
            module = self._modules[defect.module or ""]
            module.never_ready = on
            module.reconsider()
        else:
            self._call(defect, on)
        return False

    def _call(self, defect: Defect, on: bool) -> None:
        caller = self._callers[defect.name]
        if on:
            caller.begin_anywhere()
        else:
            caller.stop()

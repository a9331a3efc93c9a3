"""Modules whose supply is too low: which stop, and when they start anew. All else of them is their own."""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence

from nightdraw.vehicle.agenda import NEVER, Agenda
from nightdraw.vehicle.model import Vehicle
from nightdraw.vehicle.modules import ModuleState
from nightdraw.vehicle.network import Network

AGAIN_V = 0.5  # each battery in series: a module that has stopped needs so much more before it starts anew
WIRES_V = 4.0  # likewise: what wires and fuses to a load drop at most, as `loading` and a box allow


class Undervoltage:
    """A vehicle's modules and the voltage at their wires.

    alarm_v: while the battery has so much every module has enough; any_stopped: whether one has stopped.
    """

    def __init__(
        self,
        vehicle: Vehicle,
        network: Network,
        modules: Sequence[ModuleState],
        agenda: Agenda,
        now: Callable[[], int],
    ) -> None:
        most_v = max((module.dies_below_v for module in vehicle.modules), default=0.0)
        self.alarm_v = most_v + WIRES_V * vehicle.battery.in_series if most_v else -1.0
        self.any_stopped = False
        self._again_v = AGAIN_V * vehicle.battery.in_series
        self._network = network
        self._modules = modules
        self._agenda = agenda
        self._now = now

    def check(self) -> bool:
        """Let modules stop whose wires have too little, and plan their new start where they have enough
        again; True where a load changed. Ask it after each solution with less than alarm_v, or while one has
        stopped."""
        now, stopped = self._now(), False
        self.any_stopped = False
        for module in self._modules:
            volts, least_v = module.loads.branch.end_v, module.spec.dies_below_v
            if module.live and volts < least_v:
                module.brown_out()
                stopped = True
            # more than it stopped at: its own draw would pull the voltage below that again
            elif module.browned_out and module.back == NEVER and volts >= least_v + self._again_v:
                module.back = now + module.pause_ticks
                self._agenda.add(module.back, functools.partial(self._again, module, module.back))
            self.any_stopped = self.any_stopped or module.browned_out
        return stopped

    def _again(self, module: ModuleState, planned: int) -> None:
        """A module starts anew, if its wires still have enough."""
        if not module.browned_out or module.back != planned:
            return
        self._network.solve()
        if module.loads.branch.end_v >= module.spec.dies_below_v:
            module.restart()
        else:
            module.back = NEVER

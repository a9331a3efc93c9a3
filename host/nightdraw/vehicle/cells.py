"""The vehicle's batteries as time goes on: charge, surface charge, and whether the engine would start.

Slow steps: between them the circuit takes each battery's voltage and resistance as constant. What flows is
the network's to count.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator

from boxcore.program import TICKS_PER_S

from nightdraw.vehicle import battery
from nightdraw.vehicle.model import Battery, Vehicle
from nightdraw.vehicle.network import Network

SLOW_TICKS = 10 * TICKS_PER_S  # the batteries' charge and the fuses' warmth are brought up to date this often
SLOW_HOURS = SLOW_TICKS / TICKS_PER_S / battery.SECONDS_AN_HOUR
JUDGED_PCT = 0.01  # of charge between two looks whether the engine would start


class Cells:
    """A vehicle's batteries on its network; charge_pct, surface_v and second_pct are their present state.
    tell: takes a line for people and the tick."""

    def __init__(self, vehicle: Vehicle, network: Network, tell: Callable[[str, int], None]) -> None:
        self._vehicle = vehicle
        self._network = network
        self._tell = tell
        self.charge_pct = vehicle.battery.charge_pct
        self.second_pct = 0.0 if vehicle.second is None else vehicle.second.cell.charge_pct
        self.surface_v = 0.0
        self.rate_a = self.second_rate_a = 0.0  # the mean currents that count for Peukert's law
        self._judged_pct = self.charge_pct  # the charge at which starting was last judged
        self._told_weak = not self.starts()
        self.set()

    def slow(self, now: int) -> float:
        """Bring the charges up to date at the end of a slow step; the mean amperes that left the battery's
        cable in it."""
        network, cell = self._network, self._vehicle.battery
        network.count(now)
        out_a, in_a = network.drawn / SLOW_TICKS, network.entered / SLOW_TICKS
        posts_a = network.posts / SLOW_TICKS  # no cable shows it
        second_out_a, second_in_a = network.second_drawn / SLOW_TICKS, network.second_entered / SLOW_TICKS
        network.clear()
        over_v = network.bus_v - network.voc_v
        own_a = out_a - in_a
        self.surface_v = battery.surface_after(cell, self.surface_v, own_a, over_v, SLOW_HOURS)
        self.rate_a = battery.rate_after(self.rate_a, own_a, SLOW_HOURS)
        self.charge_pct = _after(cell, self.charge_pct, out_a, in_a)
        if self._vehicle.second is not None:
            mean_a = second_out_a - second_in_a
            self.second_rate_a = battery.rate_after(self.second_rate_a, mean_a, SLOW_HOURS)
            self.second_pct = _after(self._vehicle.second.cell, self.second_pct, second_out_a, second_in_a)
        self.set()
        return own_a - posts_a

    def set(self) -> None:
        """Let the network have the present state."""
        cell, network = self._vehicle.battery, self._network
        network.surface_v = self.surface_v
        network.voc_v = battery.rest_v(cell, self.charge_pct)
        network.battery_ohms = battery.ohms(cell, self.charge_pct, self.rate_a)
        network.charge_ohms = battery.charge_ohms(cell, self.charge_pct)
        second = self._vehicle.second
        if second is not None:
            network.second_v = battery.rest_v(second.cell, self.second_pct)
            inner_ohms = battery.ohms(second.cell, self.second_pct, self.second_rate_a)
            network.second_ohms = second.ohms + inner_ohms
            network.second_charge_ohms = second.ohms + battery.charge_ohms(second.cell, self.second_pct)
        network.touch()

    @contextlib.contextmanager
    def ahead(self, steps: int) -> Iterator[None]:
        """Within it the batteries are as they will be after so many slow steps with all else as it is. For a
        network that isn't driven on: its own count of what flows is at its end."""
        network = self._network
        kept = self.charge_pct, self.second_pct, self.surface_v, self.rate_a, self.second_rate_a
        network.solve()
        network.clear()
        for _ in range(steps):
            network.solve()
            self.slow(network.counted + SLOW_TICKS)
        yield
        self.charge_pct, self.second_pct, self.surface_v, self.rate_a, self.second_rate_a = kept
        self.set()

    def judge(self, now: int) -> None:
        """Say it once when the battery has become too weak to start the engine."""
        pct = self.charge_pct
        if abs(pct - self._judged_pct) < JUDGED_PCT:
            return
        self._judged_pct = pct
        weak = not self.starts()
        if weak and not self._told_weak:
            self._tell(f"from now on the engine wouldn't start: {pct:.1f} % of charge", now)
        self._told_weak = weak

    def starts(self) -> bool:
        """Whether the engine would start now, where it has a starter."""
        starter = self._vehicle.starter
        return starter is None or battery.starts(self._vehicle.battery, self.charge_pct, starter.draw_a)


def _after(cell: Battery, charge_pct: float, out_a: float, in_a: float) -> float:
    """Percent charged after a slow step in which so much left and entered on average."""
    stored_a = in_a * battery.STORED[cell.type] if in_a else 0.0
    return battery.went(cell, charge_pct, out_a - stored_a, SLOW_HOURS)

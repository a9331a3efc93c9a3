"""A battery sensor: what it notes of the draw, when it sheds loads and when it lets them on again.

It is told mean currents and charge, step by step, and answers; it knows no circuit and no clock.
"""

from __future__ import annotations

from nightdraw.vehicle.model import Sensor


class SensorState:
    """One sensor's memory. A draw is noted once for each time that it lasts.

    Loads that were shed stay off until the engine has run (as workshop manuals have it: the state clears once
    the vehicle is started), however the charge comes back.
    """

    def __init__(self, spec: Sensor) -> None:
        self._spec = spec
        self.sheds_below_pct = spec.sheds_below_pct  # a defect may set another
        self._over_since: int | None = None
        self._noted = False
        self.sheds = False

    def draws(self, mean_a: float, begun: int, now: int, engine_ran: bool) -> bool:
        """Take the mean draw since `begun`; True where it has now lasted and is noted."""
        if engine_ran or mean_a <= self._spec.logs_above_a:
            self._over_since, self._noted = None, False
            return False
        if self._over_since is None:
            self._over_since = begun
        if self._noted or now - self._over_since < self._spec.logs_after_ticks:
            return False
        self._noted = True
        return True

    def charged(self, charge_pct: float, engine_ran: bool) -> bool:
        """Take the state of charge; True where loads are shed from now on."""
        if self.sheds or engine_ran or charge_pct >= self.sheds_below_pct:
            return False
        self.sheds = True
        return True

    def started(self) -> bool:
        """The engine runs; True where shed loads come on again."""
        shed, self.sheds = self.sheds, False
        return shed

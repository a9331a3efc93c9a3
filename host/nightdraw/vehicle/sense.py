"""What a drain does to a vehicle's battery: charge after a lesson, whether and how long it still starts.

Formulas over the battery's model; no box runs here.
"""

from __future__ import annotations

from dataclasses import dataclass

from nightdraw.vehicle import battery
from nightdraw.vehicle.model import Vehicle


@dataclass(frozen=True)
class Sense:
    """Percent charged at first and after the lesson, whether it then starts, days to no start or None."""

    charge_start_pct: float
    charge_end_pct: float
    starts_after: bool
    days_to_no_start: float | None
    assumptions: tuple[str, ...]

    def text(self) -> str:
        """The same for people."""
        days = "never" if self.days_to_no_start is None else f"{self.days_to_no_start:.2f} days"
        lines = [
            f"charge at first    {self.charge_start_pct:.2f} %",
            f"charge after       {self.charge_end_pct:.2f} %",
            f"starts after       {'yes' if self.starts_after else 'no'}",
            f"no start after     {days}, in this vehicle",
        ]
        return "\n".join(lines + [f"- {assumption}" for assumption in self.assumptions])


def sense(vehicle: Vehicle, drain_a: float, hours: float) -> Sense:
    """The battery under a mean drain of `drain_a` amperes for `hours`, and for ever after.

    The vehicle's own sleeping draw and self-discharge come on top; a support charger that is on carries all
    of it as long as its limit allows.
    """
    cell = vehicle.battery
    crank_a = 0.0 if vehicle.starter is None else vehicle.starter.draw_a
    asleep_a = vehicle.asleep_a()
    total_a = drain_a + asleep_a
    said = [
        f"the vehicle's own {asleep_a * 1000:.1f} mA asleep and {cell.self_discharge_pct:g} % a month of"
        " self-discharge (at 25 C) are counted",
        f"it starts from {cell.no_start_pct:g} % of charge and {cell.crank_min_v:g} V while cranking with"
        f" {crank_a:g} A up",
    ]
    charger = vehicle.charger
    if charger is not None and charger.on:
        total_a = max(0.0, total_a - charger.most_a)
        said.append(f"the support charger is on and hides it: it feeds up to {charger.most_a:g} A")
    end_pct = battery.after(cell, cell.charge_pct, total_a, hours)
    return Sense(
        cell.charge_pct,
        end_pct,
        battery.starts(cell, end_pct, crank_a),
        battery.days_to_no_start(cell, cell.charge_pct, total_a, crank_a),
        tuple(said),
    )

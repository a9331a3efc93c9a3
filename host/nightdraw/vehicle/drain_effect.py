"""What a drain does to a vehicle's battery: charge after a lesson, whether and how long it still starts.

It judges and puts into words what the forecast of the charge says; no box runs here.
"""

from __future__ import annotations

from dataclasses import dataclass

from nightdraw.vehicle import battery, standing
from nightdraw.vehicle.charge_forecast import ChargeForecast
from nightdraw.vehicle.model import Vehicle


@dataclass(frozen=True)
class DrainEffect:
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


def drain_effect(vehicle: Vehicle, drain_a: float, hours: float) -> DrainEffect:
    """The battery under a mean drain of `drain_a` amperes for `hours`, and for ever after.

    The vehicle's own sleeping draw and self-discharge come on top; a support charger that is on carries of it
    what it can and charges with what is left; a battery sensor sheds below its charge, for good.
    """
    cell = vehicle.battery
    crank_a = 0.0 if vehicle.starter is None else vehicle.starter.draw_a
    forecast = ChargeForecast(vehicle, drain_a)
    end_pct = forecast.after(hours)
    days: float | None = 0.0
    if battery.starts(cell, cell.charge_pct, crank_a):
        passed = forecast.hours_to(battery.floor_pct(cell, cell.charge_pct, crank_a))
        days = None if passed is None else passed / battery.HOURS_A_DAY
    starts_after = battery.starts(cell, end_pct, crank_a)
    return DrainEffect(cell.charge_pct, end_pct, starts_after, days, _assumptions(vehicle, forecast, crank_a))


def _assumptions(vehicle: Vehicle, forecast: ChargeForecast, crank_a: float) -> tuple[str, ...]:
    cell, charger, sensor = vehicle.battery, vehicle.charger, vehicle.sensor
    assumptions = [
        f"the vehicle's own {standing.mean_a(vehicle) * 1000:.1f} mA asleep and"
        f" {cell.self_discharge_pct:g} % a"
        " month of self-discharge (at 25 C) are counted",
        f"it starts from {cell.no_start_pct:g} % of charge and {cell.crank_min_v:g} V while cranking with"
        f" {crank_a:g} A up",
    ]
    if charger is not None and charger.on:
        enough = "all of it" if charger.most_a >= forecast.load_a else "a part of it"
        assumptions.append(
            f"the support charger is on and hides {enough}: it feeds up to {charger.most_a:g} A"
        )
    if sensor is not None and forecast.shed_a > 0:
        assumptions.append(
            f"below {standing.sheds_below_pct(vehicle):g} % of charge the battery sensor sheds"
            f" {forecast.shed_a * 1000:.1f} mA"
        )
    for defect in vehicle.defects:
        if defect.on:
            assumptions.append(f"the vehicle's own defect {defect.name} ({defect.kind}) is counted")
    return tuple(assumptions)

"""What a profile comes to in the long run: peak, mean, charge a day, days until the engine no longer starts.

Formulas over the model, no schedule is run. Limits and the start rule are left out, the box's own consumption
is counted.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from boxcore import program as pg

from nightdraw import units
from nightdraw.profile import fit
from nightdraw.profile.model import Profile, Random, Replay, Steady
from nightdraw.profile.quantities import show_ua

SUPPLY_V = Fraction(126, 10)
BATTERY_AH = Fraction(60)
NO_START_PCT = Fraction(50)  # common practice: a starter battery at half its capacity may fail to crank
HOURS_A_DAY = 24


@dataclass(frozen=True)
class Figures:
    """Milliamperes, ampere-hours, days (None: never), pulses an hour, and what these figures rest on."""

    peak_ma: float
    mean_ma: float
    charge_per_day_ah: float
    days_to_no_start: float | None
    pulses_per_hour: float
    own_ma: float
    assumptions: tuple[str, ...]

    def document(self) -> dict[str, object]:
        """The same as the JSON contract's keys."""
        return {**vars(self), "assumptions": list(self.assumptions)}

    def text(self) -> str:
        """The same for people."""
        days = "never" if self.days_to_no_start is None else f"{self.days_to_no_start:.2f} days"
        lines = [
            f"peak               {self.peak_ma:.3f} mA",
            f"mean               {self.mean_ma:.3f} mA",
            f"charge a day       {self.charge_per_day_ah:.3f} Ah",
            f"no start after     {days}",
            f"pulses an hour     {self.pulses_per_hour:.2f}",
            f"the box itself     {self.own_ma:.3f} mA",
            "assumed:",
        ]
        return "\n".join(lines + [f"- {assumption}" for assumption in self.assumptions])


def figures(
    profile: Profile,
    supply_v: Fraction = SUPPLY_V,
    battery_ah: Fraction = BATTERY_AH,
    no_start_pct: Fraction = NO_START_PCT,
    in_vehicle: bool = False,
) -> Figures:
    """The figures of a profile with a battery of `battery_ah` that no longer starts at `no_start_pct` of it.

    in_vehicle: nothing is assumed of the battery, somebody who knows it says the days.
    mean: the base and each draw's long-run mean (duty of a pulse train; renewal-reward for random ones).
    days: charge down to no-start over the charge a day, from a full battery, nothing else draining it.
    """
    moving = [draw for draw in profile.draws if not isinstance(draw, Steady)]
    mean_ua = profile.base_ua() + sum((draw.mean_ua() for draw in moving), Fraction(0))
    per_tick = sum((draw.pulses_per_tick() for draw in moving), Fraction(0))
    charge_ah = mean_ua / 1_000_000 * HOURS_A_DAY
    usable_ah = battery_ah * (100 - no_start_pct) / 100
    return Figures(
        peak_ma=(profile.base_ua() + fit.peak(profile.draws)[0]) / 1000,
        mean_ma=float(mean_ua / 1000),
        charge_per_day_ah=float(charge_ah),
        days_to_no_start=float(usable_ah / charge_ah) if charge_ah else None,
        pulses_per_hour=float(per_tick * 3600 * pg.TICKS_PER_S),
        own_ma=profile.board.own_ua / 1000,
        assumptions=(
            *_of_profile(profile),
            *(() if in_vehicle else (_of_battery(battery_ah, no_start_pct),)),
            _supply(profile, supply_v),
        ),
    )


def _of_battery(battery_ah: Fraction, no_start_pct: Fraction) -> str:
    return (
        f"the battery has {units.show(battery_ah, 'charge')}, is full at first, and no longer starts the"
        f" engine at {units.show(no_start_pct, 'percent')}; self-discharge and the vehicle's own key-off"
        " draw come on top"
    )


def _of_profile(profile: Profile) -> list[str]:
    own = show_ua(profile.board.own_ua)
    if profile.has_steady():
        base = f"the steady level includes the box's own consumption of {own}"
    else:
        base = f"no draw is steady: the base is the box's own consumption of {own}"
    assumptions = [
        base,
        "limits and the start rule are left out: the run never ends",
    ]
    kinds = {type(draw) for draw in profile.draws}
    moving = [draw for draw in profile.draws if not isinstance(draw, Steady)]
    if len(moving) > 1:
        assumptions.append(
            "the peak counts draws that can meet as meeting; each draw's pulses count by themselves"
        )
    if any(isinstance(draw, Random) and draw.law == "exponential" for draw in moving):
        assumptions.append(
            "an exponential gap is cut at 8 means, its average is 0.03 % below the mean written"
        )
    if Replay in kinds:
        assumptions.append("a replay's pulses are its rises from its lowest level")
    if any(isinstance(draw, Replay) and draw.repeat for draw in moving):
        assumptions.append("a replay that ends counts in the peak only: in the long run it adds nothing")
    return assumptions


def _supply(profile: Profile, supply_v: Fraction) -> str:
    """What the supply changes: nothing but how near the bank comes, as long as the guards allow it."""
    supply_mv = units.to_mv(supply_v)
    supply = units.show(supply_v, "voltage")
    held = profile.limits.within(profile.board.caps)
    if not held.supply_min_mv <= supply_mv <= held.supply_max_mv:
        low, high = held.supply_min_mv / 1000, held.supply_max_mv / 1000
        return f"at {supply} the box holds its loads open (allowed: {low:g} V .. {high:g} V): not counted"
    bank = profile.bank()
    levels = {profile.base_ua()} | {
        profile.base_ua() + sum(draw.peak_ua() for draw in group) for group in fit.meeting(profile.draws)
    }
    worst = max(fit.off_ua(bank, level - profile.board.own_ua, supply_mv) for level in levels)
    return f"at {supply} the bank's nearest patterns come within {show_ua(worst)} of these levels"

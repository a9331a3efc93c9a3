"""One verdict for each part: what it dissipates, what it may dissipate, how hot it is, and a remedy.

The temperatures come from steady_state; the limits from the resistors, the MOSFET's sheet and the touch
tables.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from nightdraw.bank.heat import touch
from nightdraw.bank.heat.enclosure import HeatedEnclosure, Temperatures
from nightdraw.bank.heat.mosfet import junction_c, on_ohms, on_w, switch_w
from nightdraw.bank.heat.mounted import MountedChannel
from nightdraw.bank.parts.resistor_packages import AIR, CATALOGUE
from nightdraw.board import Switch

ELECTRONICS_C = 85.0  # RP2040 boards and HCT logic: highest ambient of the industrial range (from memory)


@dataclass(frozen=True)
class HeatVerdict:
    """One verdict. margin: the share of allowed_w that is not used (negative: over by that much)."""

    name: str
    dissipation_w: float
    allowed_w: float
    temp_c: float
    limit_c: float
    ok: bool
    about: str = ""
    remedy: str = ""

    @property
    def margin(self) -> float:
        if self.allowed_w <= 0:
            return 0.0 if self.dissipation_w <= 0 else -1.0
        return 1 - self.dissipation_w / self.allowed_w


@dataclass(frozen=True)
class HeatInput:
    """What heats the box: watts into its air, and through plates into its wall."""

    to_air_w: float
    to_wall_w: float

    @property
    def total_w(self) -> float:
        return self.to_air_w + self.to_wall_w


@dataclass(frozen=True)
class Wall:
    """The shell: its mean temperature by loss, and how far its hottest spot lies above that."""

    mean_c: float
    above_k: float

    @property
    def hottest_c(self) -> float:
        return self.mean_c + self.above_k


def resistor_verdict(
    channel: MountedChannel, supply_v: float, air: Temperatures, box: HeatedEnclosure, above_k: float
) -> HeatVerdict:
    """One resistor of a channel: its derated rating, its hot spot, its voltage. above_k: of the wall under it
    over the wall's mean."""
    air = replace(air, wall_c=air.wall_c + above_k)
    watts = channel.watts(supply_v) / channel.channel.count
    around = air.wall_c if channel.on_plate else air.air_c
    temp = around + watts * channel.rise_k_w()
    allowed = channel.allowed_w(air)
    volts_ok = channel.element_volts(supply_v) <= channel.package.volts_max
    ok = watts <= allowed and volts_ok
    where = "on the wall" if channel.on_plate else "in air"
    about = f"{channel.element_ohms():g} ohm, {channel.package.name} {where} at {around:.0f} C"
    remedy = "" if ok else _package_remedy(channel, watts, air, box, volts_ok)
    return HeatVerdict(channel.name, watts, allowed, temp, channel.package.limit_c, ok, about, remedy)


def _package_remedy(
    channel: MountedChannel, watts: float, air: Temperatures, box: HeatedEnclosure, volts_ok: bool
) -> str:
    """The smallest package of the catalogue that would do in this box as it is, or a split."""
    if not volts_ok:
        return f"its {channel.package.volts_max:g} V are exceeded: two or more in series"
    for package in CATALOGUE.values():
        low, high = package.ohms
        if not low <= channel.element_ohms() <= high:
            continue
        if package.plate and box.metal:
            by_plate = (package.limit_c - air.wall_c) / package.plate_k_per_w
            if min(package.plate.allowed_w(air.wall_c), by_plate) >= watts:
                return f"use a {package.name} on the enclosure's wall"
        elif package.law(AIR).allowed_w(air.air_c) >= watts:
            return f"use a {package.name}"
    return "split it: four of the same ohms, two by two, share the heat; or a larger box"


def switch_verdict(
    switch: Switch, channel: MountedChannel, supply_v: float, air: Temperatures
) -> HeatVerdict:
    """A channel's MOSFET: its junction at its own fixed point."""
    current = channel.current_a(supply_v)
    temp = junction_c(switch, current, air.air_c)
    limit = float(switch.junction_c)
    watts = switch_w(switch, current, air.air_c)
    allowed = max(0.0, (limit - air.air_c) / float(switch.to_air_k_w))
    ok = temp <= limit
    remedy = ""
    if not ok:
        fits = max(0.0, limit - air.air_c) / on_w(switch, current, limit)
        remedy = f"cool it to {fits:.3g} K/W or take a part with less on-resistance"
    about = (
        f"{switch.part}, {on_ohms(switch):g} ohm at 25 C, {float(switch.to_air_k_w):g} K/W, {current:.3g} A"
    )
    return HeatVerdict(f"switch {channel.number}", watts, allowed, temp, limit, ok, about, remedy)


def air_verdict(box: HeatedEnclosure, load: HeatInput, air: Temperatures, ambient_c: float) -> HeatVerdict:
    """The air inside, which is the ambient of the electronics."""

    def at(scale: float) -> float:
        return box.balance(ambient_c, load.to_air_w * scale, load.to_wall_w * scale).air_c

    allowed = load.total_w * _scale(at, ELECTRONICS_C)
    ok = air.air_c <= ELECTRONICS_C
    remedy = (
        "" if ok else f"carry heat to the wall or take a larger box: {allowed:.3g} W is what this one bears"
    )
    return HeatVerdict(
        "air inside", load.total_w, allowed, air.air_c, ELECTRONICS_C, ok, "electronics' ambient", remedy
    )


def handling_verdict(box: HeatedEnclosure, load: HeatInput, wall: Wall) -> HeatVerdict:
    """The wall held in the hand, at the standard's own 25 C."""
    material = touch.METAL if box.metal else touch.PLASTIC
    limit = touch.handling_limit_c(material)
    about = f"{material}, touched {touch.HANDLED}, in a room of {touch.REFERENCE_C:g} C: {touch.TS1_SOURCE}"
    return _wall_verdict("wall, handled", box, load, wall, limit, touch.REFERENCE_C, about)


def burn_verdict(box: HeatedEnclosure, load: HeatInput, wall: Wall, ambient_c: float) -> HeatVerdict:
    """The wall touched by accident, at the given ambient."""
    material = touch.METAL if box.metal else touch.PLASTIC
    limit = touch.burn_limit_c(material)
    about = f"{material}, {touch.BRUSHED_S:g} s, at {ambient_c:g} C around: {touch.BURN_SOURCE}"
    return _wall_verdict("wall, brushed", box, load, wall, limit, ambient_c, about)


def _wall_verdict(
    name: str, box: HeatedEnclosure, load: HeatInput, wall: Wall, limit: float, ambient_c: float, about: str
) -> HeatVerdict:
    allowed = load.total_w * _scale(
        lambda share: (
            box.balance(ambient_c, load.to_air_w * share, load.to_wall_w * share).wall_c
            + wall.above_k * share
        ),
        limit,
    )
    ok = wall.hottest_c <= limit
    remedy = ""
    if ambient_c >= limit:
        remedy = f"in a room of {ambient_c:g} C no box may be touched"
    elif not ok:
        remedy = (
            f"{allowed:.3g} W is what this box may lose: a plate under the resistors, more and smaller ones, "
            "more "
            "surface, or a lower level"
        )
    about += f"; the hottest spot, {wall.above_k:.0f} K above the mean"
    return HeatVerdict(name, load.total_w, allowed, wall.hottest_c, limit, ok, about, remedy)


def _scale(temperature_at: Callable[[float], float], limit_c: float) -> float:
    """By how much all heat may grow (or must shrink) until a temperature is at its limit."""
    from scipy.optimize import brentq

    if temperature_at(0.0) >= limit_c:
        return 0.0
    high = 1.0
    while temperature_at(high) < limit_c and high < 1e6:
        high *= 2
    return float(brentq(lambda scale: temperature_at(scale) - limit_c, 0.0, high, xtol=1e-6))

"""How much a resistor bears for a short time: the makers' overload and pulse-energy rules.

One pulse into a resistor at its derated rating. The heat of many pulses together is warm_up's.
"""

from __future__ import annotations

from nightdraw.bank.parts.resistor_packages import ResistorPackage


def pulse_w(package: ResistorPackage, rating_w: float, seconds: float) -> float:
    """What one resistor may dissipate for `seconds`, watts, at a (derated) rating.

    Up to the overload time: so many times the rating (IEC 60115-1 short-time overload, the resistor's own
    figures); a wire takes more where the pulse is so short that its energy is the limit, a film does not.
    Beyond it: the rating plus the same excess energy spread over the longer time.
    """
    times, span = package.overload_times, package.overload_s
    if seconds > span:
        return rating_w * (1 + (times - 1) * span / seconds)
    overload = times * rating_w
    if package.short_j is None or seconds <= 0:
        return overload
    return max(overload, package.short_j / seconds)

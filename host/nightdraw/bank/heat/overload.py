"""How much a body bears for a short time: the makers' overload and pulse-energy rules.

One pulse into a body at its derated rating. What many pulses heat up together is thermal's business.
"""

from __future__ import annotations

from nightdraw.bank.parts.resistor_packages import Body


def pulse_w(body: Body, rating_w: float, seconds: float) -> float:
    """What one body may dissipate for `seconds`, watts, at a (derated) rating.

    Up to the overload time: so many times the rating (IEC 60115-1 short-time overload, the body's own
    figures); a wire takes more where the pulse is so short that its energy is the limit, a film does not.
    Beyond it: the rating plus the same excess energy spread over the longer time.
    """
    times, span = body.overload_times, body.overload_s
    if seconds > span:
        return rating_w * (1 + (times - 1) * span / seconds)
    overload = times * rating_w
    if body.short_j is None or seconds <= 0:
        return overload
    return max(overload, body.short_j / seconds)

"""What a starter draws from the instant at which it is switched on: inrush, then a swing with each
compression.

Straight steps: the truth of a recording is piecewise constant. Nothing happens here.
"""

from __future__ import annotations

from boxcore.program import TICKS_PER_S

from nightdraw.vehicle.model import Starter

INRUSH_TICKS = TICKS_PER_S // 10  # until it turns: about a tenth of a second (common practice)
INRUSH_STEPS = 5
SWING_TICKS = TICKS_PER_S // 16  # half of a compression: four cylinders at 240 revolutions a minute


def levels(starter: Starter) -> list[tuple[int, float]]:
    """(ticks from the switch, amperes) of each step; 0 A at the end. Behind the inrush high and low half
    swings take turns, as many of either: their mean is draw_a."""
    found, at = [], 0
    if starter.inrush_a > starter.draw_a:
        each = min(INRUSH_TICKS, starter.ticks) // INRUSH_STEPS
        for k in range(INRUSH_STEPS):
            share = 1 - k / INRUSH_STEPS
            found.append((at, starter.draw_a + (starter.inrush_a - starter.draw_a) * share))
            at += each
    pairs = (starter.ticks - at) // (2 * SWING_TICKS) if starter.ripple else 0
    for _ in range(pairs):
        found.append((at, starter.draw_a * (1 + starter.ripple)))
        found.append((at + SWING_TICKS, starter.draw_a * (1 - starter.ripple)))
        at += 2 * SWING_TICKS
    if at < starter.ticks:
        found.append((at, starter.draw_a))
    return [*found, (starter.ticks, 0.0)]

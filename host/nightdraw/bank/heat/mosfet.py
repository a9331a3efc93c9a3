"""A MOSFET as a heated resistor: its junction settles where its own heat, growing with it, is carried off.

Whether its gate is driven well enough for the sheet's resistance is not asked here.
"""

from __future__ import annotations

from nightdraw.board import Switch

REFERENCE_C = 25.0  # on-resistances are specified here
RUNAWAY_C = 1000.0  # stands for a junction that finds no temperature to stay at


def on_ohms(switch: Switch) -> float:
    """The greatest on-resistance at 25 C over the rows of the sheet."""
    return max(float(row.ohms) for row in switch.specified)


def junction_c(switch: Switch, current_a: float, air_c: float) -> float:
    """Where a MOSFET's junction settles: T = Ta + Rth I^2 R25 (1 + a (T - 25)), solved for T.

    Where the growth of the resistance outruns the cooling there is no such T: RUNAWAY_C.
    """
    rise = float(switch.to_air_k_w) * current_a**2 * on_ohms(switch)
    tempco = float(switch.tempco)
    slack = 1 - rise * tempco
    if slack <= 0:
        return RUNAWAY_C
    return min(RUNAWAY_C, (air_c + rise * (1 - REFERENCE_C * tempco)) / slack)


def on_w(switch: Switch, current_a: float, junction: float) -> float:
    """What a MOSFET dissipates with its junction at a temperature: I^2 R25 (1 + a (T - 25)), watts."""
    return current_a**2 * on_ohms(switch) * (1 + float(switch.tempco) * (junction - REFERENCE_C))


def switch_w(switch: Switch, current_a: float, air_c: float) -> float:
    """What a MOSFET dissipates where its junction settles, watts."""
    return on_w(switch, current_a, junction_c(switch, current_a, air_c))

"""How wide a track must be for its current, and how far apart copper of different voltage: IPC-2221.

Pure arithmetic on lengths in mm, currents in A, voltages in V.
"""

from __future__ import annotations

# IPC-2221's chart of conductor current as the curve I = k dT^0.44 A^0.725, A in square mils; k 0.048 for
# outer layers, 0.024 for inner ones. The curve is the one that makers of boards and parts publish for that
# chart.
OUTER_K = 0.048
RISE_POWER, AREA_POWER = 0.44, 0.725
MIL_MM = 0.0254
COPPER_MM = 0.035  # one ounce on a square foot, nominal
RISE_K = 10.0  # allowed over the board's temperature: common practice

# IPC-2221 table 6-1, column B2 (outer conductors, uncoated, to 3050 m): highest volts -> mm.
APART_MM = ((15.0, 0.1), (30.0, 0.1), (50.0, 0.6), (100.0, 0.6), (150.0, 0.6), (170.0, 1.25))


def width_mm(current_a: float, rise_k: float = RISE_K, copper_mm: float = COPPER_MM) -> float:
    """The least width of an outer track for a current that flows for ever."""
    if current_a <= 0:
        return 0.0
    area_mil2 = (current_a / (OUTER_K * rise_k**RISE_POWER)) ** (1 / AREA_POWER)
    return float(area_mil2) * MIL_MM**2 / copper_mm


def apart_mm(volts: float) -> float:
    """The least distance between bare outer conductors; raises ValueError beyond the rows kept here."""
    for highest, distance in APART_MM:
        if volts <= highest:
            return distance
    raise ValueError(f"{volts:g} V is beyond the distances kept here ({APART_MM[-1][0]:g} V)")

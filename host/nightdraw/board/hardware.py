"""From the board file's circuit to the whole numbers that the box's shell asks for (boxcore.board.HARDWARE).

Only what the file says is given; for the rest the shell has its own values.
"""

from __future__ import annotations

import math
from fractions import Fraction

from boxcore import sensors

from nightdraw import units
from nightdraw.board.circuit import Circuit, Pins, Thermistor

ROOM_K = 298.15  # an NTC's ohms are given at 25 C
FIRST_CK = 23_315  # -40 C, hundredths of a kelvin
STEP_CDEG = 500  # straight lines over 5 K follow an NTC's divider within 0.2 K
LAST_CK = 43_315  # 160 C
FULL_DUTY = 0xFFFF  # the indicator at its brightest


def full_scale(shunt_ohms: Fraction, gain: int) -> Fraction:
    """The current that an amplified shunt's full count stands for, amperes."""
    return Fraction(sensors.REFERENCE_MV, 1000) / (shunt_ohms * gain)


def hardware(circuit: Circuit) -> dict[str, int | list[int]]:
    """The keys of HARDWARE that the circuit settles."""
    sense, found = circuit.sense, dict[str, int | list[int]]()
    if sense.shunt_ohms is not None and sense.gain is not None:
        found["shunt_full_ua"] = units.to_ua(full_scale(sense.shunt_ohms, sense.gain))
    elif sense.shunt_ohms is not None:
        found["monitor_shunt_uohm"] = units.half_up(sense.shunt_ohms * 1_000_000)
    if circuit.controller is not None:
        found["clock_khz"] = units.half_up(circuit.controller.clock_hz / 1000)
        found["indicator_duty"] = units.half_up(circuit.controller.brightness * FULL_DUTY)
    if sense.divider_ohms is not None:
        found["supply_full_mv"] = full_mv(*sense.divider_ohms)
    if sense.thermistor is not None:
        found["thermistor"] = thermistor_table(sense.thermistor)
    if circuit.pins != Pins():
        pins = circuit.pins
        found["enable_pin"] = pins.enable
        found["selector_pins"] = list(pins.selector)
        found["arm_pin"] = pins.arm
        found["button_pin"] = pins.button
        found["indicator_pin"] = pins.indicator
    return found


def full_mv(top: Fraction, bottom: Fraction) -> int:
    """The supply that a full count stands for: the converter's reference times the divider's ratio."""
    return units.half_up(sensors.REFERENCE_MV * (top + bottom) / bottom)


def thermistor_table(part: Thermistor) -> list[int]:
    """First temperature, step, and 14-bit counts, as boxcore.sensors.thermistor_cdeg wants them.

    R = R25 exp(beta (1/T - 1/298.15 K)), to ground with a pull-up to the converter's reference.
    """
    counts = []
    for kelvin_hundredths in range(FIRST_CK, LAST_CK + 1, STEP_CDEG):
        ratio = math.exp(float(part.beta_k) * (100 / kelvin_hundredths - 1 / ROOM_K))
        ohms = float(part.ohms) * ratio
        counts.append(round(sensors.FULL_COUNT * ohms / (ohms + float(part.pull_up_ohms))))
    return [FIRST_CK, STEP_CDEG, *counts]

"""A lead-acid battery at rest, under small drains and on a charger: voltage, resistance, charge over days.

Pure functions of the battery's data. Not a model of high currents: below a twentieth of the capacity
Peukert's law corrects nothing useful (common practice), and a lesson's drains are far below it. Nor one of
surface charge: a battery is at rest as soon as nothing flows.

Charging: a current into the battery meets a further resistance that grows as it fills, A / (C (1 - s + 2 %)),
s the share charged and C its ampere-hours. So at a voltage held the current tapers, and cold it is less.
"""

from __future__ import annotations

import math
from itertools import pairwise

from nightdraw.vehicle.model import AGM, FLOODED, Battery

# percent charged -> volts at 26.7 C (80 F), rested
OCV_V = {
    # the Battery Council International's table for flooded batteries
    FLOODED: ((0, 11.89), (25, 12.06), (50, 12.24), (75, 12.45), (100, 12.65)),
    # the edges of the bands that a leisure vehicle maker's owner's manual has for AGM; 0 % our own figure
    AGM: ((0, 11.80), (25, 12.00), (50, 12.30), (75, 12.60), (100, 12.80)),
}
TABLE_C = 80 * 5 / 9 - 160 / 9  # 26.67 C: 80 F
V_PER_K = 0.024 / (10 * 5 / 9)  # 24 mV per 10 F, a battery maker's table
EMPTY_RESISTANCE = 2.0  # times the full battery's: common practice, our own figure
COLD_PER_K = 0.007  # resistance rises with each kelvin below 25 C; our own figure
ROOM_C = 25.0
TWICE_EVERY_K = 10.0  # self-discharge doubles every 10 K (common practice)
# A above, volt-hours at 25 C. AGM: what a tester's charges at 0.2 C and 0.4 C give that reached 14.4 V at
# 77.4 and at 63.3 % (2.1 and 1.8). Flooded: the low end of a marine service's 20 .. 40 % of C to 14.6 V at
# 75 %.
ACCEPTS_VH = {FLOODED: 2.8, AGM: 2.0}
FULL_ACCEPTS = 0.02  # what a full battery still takes, as if 2 % were free: it gasses; our own figure
SLOWER_EVERY_K = 20.0  # cold, it accepts half as much every 20 K below 25 C; our own figure
# Of what is accepted so much is stored: teaching texts give lead-acid 85 %; AGM our own figure
STORED = {FLOODED: 0.85, AGM: 0.95}
EMPTY_PCT = 1e-9  # no more than this is nothing
HOURS_A_MONTH = 730.0
SECONDS_AN_HOUR = 3600.0
HOURS_A_DAY = 24.0


def ocv_v(kind: str, charge_pct: float, temp_c: float = TABLE_C) -> float:
    """The rested open-circuit voltage, volts: straight lines between the table's points, and temperature."""
    table = OCV_V[kind]
    charge = min(max(charge_pct, 0.0), 100.0)
    shift = V_PER_K * (temp_c - TABLE_C)
    for (low, at_low), (high, at_high) in pairwise(table):
        if charge <= high:
            return at_low + (at_high - at_low) * (charge - low) / (high - low) + shift
    return table[-1][1] + shift


def rest_v(battery: Battery, charge_pct: float) -> float:
    """The rested voltage of all batteries in series at a state of charge and their temperature."""
    return battery.in_series * ocv_v(battery.type, charge_pct, battery.temp_c)


def ohms(battery: Battery, charge_pct: float) -> float:
    """The inner resistance of all in series at a state of charge and their temperature."""
    empty = 1 - min(max(charge_pct, 0.0), 100.0) / 100
    cold = 1 + COLD_PER_K * max(0.0, ROOM_C - battery.temp_c)
    return battery.in_series * battery.ohms * (1 + (EMPTY_RESISTANCE - 1) * empty) * cold


def charge_ohms(battery: Battery, charge_pct: float) -> float:
    """What a current into the battery meets: its inner resistance and that of its acceptance."""
    room = 1 - min(max(charge_pct, 0.0), 100.0) / 100 + FULL_ACCEPTS
    cold = math.exp2(max(0.0, ROOM_C - battery.temp_c) / SLOWER_EVERY_K)
    accepts = battery.in_series * ACCEPTS_VH[battery.type] / (battery.capacity_ah * room)
    return ohms(battery, charge_pct) + accepts * cold


def lost_per_hour(battery: Battery) -> float:
    """The share of the present charge that goes by itself in an hour, 1/h, at the battery's temperature."""
    at_room = -math.log(1 - battery.self_discharge_pct / 100) / HOURS_A_MONTH
    return at_room * math.exp2((battery.temp_c - ROOM_C) / TWICE_EVERY_K)


def after(battery: Battery, charge_pct: float, drain_a: float, hours: float) -> float:
    """Percent charged after a constant drain of `drain_a` amperes for `hours`, self-discharge counted.

    dq/dt = -I/C - k q, so q = (q0 + I/(C k)) exp(-k t) - I/(C k); never below 0 or above 100. Of a drain
    below 0, a charge, only a part is stored.
    """
    share = 100 * drain_a / battery.capacity_ah * (STORED[battery.type] if drain_a < 0 else 1.0)
    rate = lost_per_hour(battery)
    if rate * hours < 1e-12:
        return min(100.0, max(0.0, charge_pct - share * hours))
    # expm1 keeps the digits where k t is small; what is taken from the charge is never below 0 for a drain
    gone = -math.expm1(-rate * hours)
    return min(100.0, max(0.0, charge_pct - (charge_pct + share / rate) * gone))


def starts(battery: Battery, charge_pct: float, crank_a: float) -> bool:
    """Whether the engine would start: not empty, charge at its floor or above, volts while cranking."""
    volts = rest_v(battery, charge_pct) - crank_a * ohms(battery, charge_pct)
    return charge_pct > 0 and charge_pct >= battery.no_start_pct and volts >= battery.crank_min_v


def floor_pct(battery: Battery, charge_pct: float, crank_a: float) -> float:
    """The charge at which it stops starting, as it starts now: all conditions only get worse, so halving."""
    good, bad = charge_pct, 0.0
    for _ in range(60):
        middle = (good + bad) / 2
        good, bad = (middle, bad) if starts(battery, middle, crank_a) else (good, middle)
    return good if good > EMPTY_PCT else 0.0

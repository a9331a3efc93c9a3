"""A lead-acid battery to its end: voltage, resistance, charge over days, on a charger and after it.

Pure functions of the battery's data. Theory of operation:

High currents, by Peukert's law: at I above a twentieth of C only C (C / 20 / I)^(k - 1) come out down to
10.5 V. Nothing is lost by that: the rest stays in for as long as the current lasts, and comes out at a lower
one. The current that counts is a mean over RATE_MEAN_H, the time that acid takes to diffuse; below a
twentieth of the capacity the law corrects nothing useful (common practice), and a lesson's drains are far
below it.

The end: below KNEE_AT of its charge the resistance grows as KNEE_VH / C (KNEE_AT / s - 1), s the share of its
charge that is left. A current of a twentieth of C reaches 10.5 V with some 2 % left, and the last of it comes
slower and slower: no more than was stored ever comes out. Cold, a part of the charge stays in (COLD_SHARES)
until it is warm again. An aged battery has less capacity and more resistance.

Surface charge: charging lifts the voltage by up to SURFACE_V; that goes by itself with a time constant of
SURFACE_H, and a load takes it away, a volt for SURFACE_AH_PER_V of the capacity. The voltage lies in front
of the inner resistance and meets that of acceptance behind it: it is no charge that could be drawn.

Charging: a current into the battery meets a further resistance that grows as it fills, A / (C (1 - s + 2 %)),
s the share charged and C its ampere-hours. So at a voltage held the current tapers, and cold it is less.
"""

from __future__ import annotations

import functools
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
# resistance rises with each kelvin below 25 C: a dealer's definitions have a fifth less of the current that
# holds 7.2 V for 30 s at -18 C than at 0 C, others up to a fifth more at 0 C
COLD_PER_K = 0.018
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
# k. Flooded: RC = 0.83 C20^1.17 minutes at 25 A (EN 50342, as printed) makes it 1.172 at any size; teaching
# texts have 1.1 .. 1.3, up to 1.6 when old. AGM: what a maker's specification of a 40 Ah sealed battery
# (read) gives at its rates of 10 h and 5 h, 1.117 and 1.133; its rate of 1 h would take 1.2.
PEUKERT = {FLOODED: 1.172, AGM: 1.13}
RATE_H = 20.0  # hours to 10.5 V at the current that the capacity is given for (EN 50342)
END_V = 10.5  # each battery: the end of a discharge (EN 50342)
RATE_MEAN_H = 1 / 6  # acid diffuses into the plates within some ten minutes; our own figure
KNEE_AT = 0.2  # of the charge: from here on down resistance rises beyond that of EMPTY_RESISTANCE
KNEE_VH = 2.2  # our own figure, so that C / 20 ends at 10.5 V as its definition has it (EN 50342)
# C -> the share of the capacity that comes out: 25, 10 and -10 C by a maker's specification of a 40 Ah sealed
# battery (read), -40 C our own figure; straight lines between
COLD_SHARES = ((-40.0, 0.35), (-10.0, 0.74), (10.0, 0.90), (25.0, 1.0))
# resistance grows by so much more than capacity shrinks: half as much again at 80 % (common practice)
AGED = 2.0
SURFACE_V = 0.5  # each battery: some 13.1 V behind a drive where 12.6 V are its rest (common practice)
SURFACE_H = 2.0  # after 6 hours a twentieth is left: one waits so long before one measures (common practice)
SURFACE_AH_PER_V = 0.014  # of C: lamps of 10 A take it away within 3 min of 60 Ah (common practice)
HOURS_A_MONTH = 730.0
NOTHING = 1e-14  # of the charge: as if so much were always left, or resistance had no bound
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


def stored_ah(battery: Battery) -> float:
    """What it holds when it is full: less than its rated capacity where it has aged."""
    return battery.capacity_ah * battery.health_pct / 100


def stays_in(battery: Battery) -> float:
    """The share of its charge that doesn't come out at its temperature."""
    return _stays_in(battery.temp_c)


@functools.cache
def _stays_in(temp_c: float) -> float:
    at_c = max(temp_c, COLD_SHARES[0][0])
    for (low, at_low), (high, at_high) in pairwise(COLD_SHARES):
        if at_c <= high:
            return 1 - (at_low + (at_high - at_low) * (at_c - low) / (high - low))
    return 0.0


def rate_stays_in(battery: Battery, out_a: float) -> float:
    """The share of its charge that a current keeps in by Peukert's law, beyond what the knee does then."""
    capacity_ah = stored_ah(battery)
    rate_a = capacity_ah / RATE_H
    if out_a <= rate_a:
        return 0.0
    share = 1 - math.pow(rate_a / out_a, PEUKERT[battery.type] - 1)
    return max(0.0, share - _at_the_end(battery, out_a) + _at_the_end(battery, rate_a))


def _at_the_end(battery: Battery, out_a: float) -> float:
    """The share that is left when a current has pulled the battery down to END_V by its knee alone."""
    cells = battery.in_series
    left_v = ocv_v(battery.type, 0.0, battery.temp_c) - END_V - out_a * inner_ohms(battery, 0.0) / cells
    if left_v <= 0:
        return KNEE_AT
    return KNEE_AT / (1 + left_v * stored_ah(battery) / (KNEE_VH * out_a))


def rate_after(rate_a: float, out_a: float, hours: float) -> float:
    """The mean current that counts for Peukert's law after so long at `out_a` (0 where it is charged)."""
    toward_a = max(0.0, out_a)
    return toward_a + (rate_a - toward_a) * math.exp(-hours / RATE_MEAN_H)


def ohms(battery: Battery, charge_pct: float, rate_a: float = 0.0) -> float:
    """The inner resistance of all in series at a state of charge and their temperature, its knee included;
    rate_a: the mean current, see rate_after."""
    left = charge_pct / 100 - _stays_in(battery.temp_c)
    if rate_a > 0:
        left -= rate_stays_in(battery, rate_a)
    left = max(left, NOTHING)
    inner = inner_ohms(battery, charge_pct)
    if left >= KNEE_AT:
        return inner
    return inner + (KNEE_AT / left - 1) * battery.in_series * KNEE_VH / stored_ah(battery)


def inner_ohms(battery: Battery, charge_pct: float) -> float:
    """The same without the knee: what a current into the battery meets besides its acceptance."""
    empty = 1 - min(max(charge_pct, 0.0), 100.0) / 100
    cold = 1 + COLD_PER_K * max(0.0, ROOM_C - battery.temp_c)
    aged = 1 + AGED * (100 / battery.health_pct - 1)
    return battery.in_series * battery.ohms * (1 + (EMPTY_RESISTANCE - 1) * empty) * cold * aged


def charge_ohms(battery: Battery, charge_pct: float) -> float:
    """What a current into the battery meets: its inner resistance and that of its acceptance."""
    room = 1 - min(max(charge_pct, 0.0), 100.0) / 100 + FULL_ACCEPTS
    cold = math.exp2(max(0.0, ROOM_C - battery.temp_c) / SLOWER_EVERY_K)
    accepts = battery.in_series * ACCEPTS_VH[battery.type] / (stored_ah(battery) * room)
    return inner_ohms(battery, charge_pct) + accepts * cold


def surface_after(battery: Battery, surface_v: float, out_a: float, over_v: float, hours: float) -> float:
    """The surface's volts after so long: `out_a` leave the battery (below 0: enter), whose terminals lie
    `over_v` above its rest.

    dv/dt = -v / SURFACE_H - out / (SURFACE_AH_PER_V C), solved exactly for a constant current; it never falls
    below 0, and charging lifts it no further than its terminals, or SURFACE_V.
    """
    if not surface_v and out_a >= 0:
        return 0.0
    kept = math.exp(-hours / SURFACE_H)
    toward_v = -out_a * battery.in_series * SURFACE_H / (SURFACE_AH_PER_V * stored_ah(battery))
    lifted_v = toward_v + (surface_v - toward_v) * kept
    most_v = max(min(SURFACE_V * battery.in_series, over_v), surface_v * kept)
    return min(max(0.0, lifted_v), most_v)


def lost_per_hour(battery: Battery) -> float:
    """The share of the present charge that goes by itself in an hour, 1/h, at the battery's temperature."""
    at_room = -math.log(1 - battery.self_discharge_pct / 100) / HOURS_A_MONTH
    return at_room * math.exp2((battery.temp_c - ROOM_C) / TWICE_EVERY_K)


def after(battery: Battery, charge_pct: float, drain_a: float, hours: float) -> float:
    """Percent charged after a constant drain of `drain_a` amperes for `hours`, self-discharge counted.

    dq/dt = -I/C - k q, so q = (q0 + I/(C k)) exp(-k t) - I/(C k); never below 0 or above 100. Of a drain
    below 0, a charge, only a part is stored.
    """
    return went(battery, charge_pct, drain_a * (STORED[battery.type] if drain_a < 0 else 1.0), hours)


def went(battery: Battery, charge_pct: float, drain_a: float, hours: float) -> float:
    """The same, of what is charged only counting what is stored."""
    share = 100 * drain_a / stored_ah(battery)
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

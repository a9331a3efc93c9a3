"""A battery under discharge beside what others have published of theirs: an open data set and two makers'
tables. How far the model lies from each is stated, and bounded by that."""

from __future__ import annotations

import dataclasses

import pytest
from nightdraw.vehicle import battery, model
from nightdraw.vehicle.model import Battery

from tests.vehicle.circuits import BATTERY

# Sulzer, Chapman, Please, Howey, Monroe: "Faster lead-acid battery simulations from porous-electrode theory:
# Part I", J. Electrochem. Soc. 166 (2019) A2363; its measurements are open (BSD-3-Clause) in the repository
# valentinsulzer/faster-lead-acid, telemetry of 2017-03-25 to 2017-04-04: one valve-regulated battery of 12 V
# and 17 Ah, AGM, in a room of 19 .. 24 C, at constant currents down to 10.5 V. Read from it by hand: amperes
# -> hours since the current began and volts; the last row is the end, between two readings. 1.034 A flowed
# behind five minutes at half of it, which count as half as long.
MEASURED = {
    3.043: ((0.5, 12.541), (1, 12.450), (2, 12.242), (3, 12.018), (4, 11.778), (5, 11.518), (5.5, 11.348),
            (6, 11.125), (6.25, 10.938), (6.487, 10.5)),
    1.034: ((1, 12.713), (2, 12.605), (4, 12.423), (9, 12.042), (10, 11.960), (12, 11.790), (13, 11.696),
            (14, 11.584), (15, 11.460), (16, 11.294), (17, 11.031), (17.25, 10.914), (17.5, 10.740),
            (17.671, 10.5)),
    0.529: ((1, 12.833), (2, 12.767), (4, 12.655), (16.5, 12.114), (18, 12.052), (20, 11.975),
            (32.5, 11.228), (33, 11.163), (34, 10.969), (34.5, 10.784), (34.805, 10.5)),
}  # fmt: skip
# A maker's specification of a sealed battery of 12 V and 40 Ah (vinachem.com.vn, 12V-40AH): ampere-hours that
# come out at each rate, down to so many volts.
SHEET = {"20 h": (2.0, 10.8, 40.0), "10 h": (3.72, 10.5, 37.2), "5 h": (6.8, 10.2, 34.0)}
# Another maker's corrections of the capacity for temperature, by the time that the discharge takes
# (discover-energy.com, "How does temperature affect a batteries available capacity"): below 30 min, beyond
# an hour.
CORRECTED = {0: (0.80, 0.84), 5: (0.85, 0.88), 10: (0.88, 0.90), 15: (0.92, 0.94), 20: (0.97, 0.99)}


def cell(**changes: object) -> Battery:
    """A full AGM battery that loses nothing by itself."""
    plain = {"type": model.AGM, "charge_pct": 100.0, "temp_c": 25.0, "self_discharge_pct": 0.0}
    return dataclasses.replace(BATTERY, **{**plain, **changes})  # type: ignore[arg-type]


def discharged(made: Battery, amps: float, end_v: float = 10.5) -> list[tuple[float, float]]:
    """Hours and volts at the terminals under a constant current until they have fallen to so much."""
    pct, hours, step = 100.0, 0.0, made.capacity_ah / amps / 2000
    rows = []
    while True:
        volts = battery.rest_v(made, pct) - amps * battery.ohms(made, pct, amps)
        rows.append((hours, volts))
        if volts <= end_v:
            return rows
        pct = battery.after(made, pct, amps, step)
        hours += step


def as_large(amps: float, hours: float) -> Battery:
    """The battery that lasts so long at a current: a battery's capacity is what its label says by chance, and
    it began each run as full as the one before had let it be charged."""
    low_ah, high_ah = amps * hours / 2, amps * hours * 2
    for _ in range(16):
        made = cell(capacity_ah=(low_ah + high_ah) / 2, ohms=0.02)
        if discharged(made, amps)[-1][0] < hours:
            low_ah = made.capacity_ah
        else:
            high_ah = made.capacity_ah
    return made


@pytest.mark.parametrize("amps", MEASURED)
def test_voltage_under_discharge_beside_a_measured_one(amps: float) -> None:
    """Within 0.25 V (at a sixth of C 0.35 V) as long as half of its charge is in, and 0.55 V to the end,
    where the measured one lies lower: a small standby battery's acid is used up further (it rests at
    11.0 .. 11.4 V afterwards, where the tables of vehicle batteries that the model follows have 11.8 V). Both
    fall ever faster behind the knee."""
    end_h = MEASURED[amps][-1][0]
    made = as_large(amps, end_h)
    rows = discharged(made, amps)
    off = {}
    for hours, volts in MEASURED[amps][:-1]:
        off[hours] = min(rows, key=lambda row: abs(row[0] - hours))[1] - volts
    print({hours: round(each, 3) for hours, each in off.items()})
    assert max(abs(each) for hours, each in off.items() if hours <= end_h / 2) < (0.25 if amps < 2 else 0.35)
    assert max(abs(each) for each in off.values()) < 0.55
    for course in (rows, list(MEASURED[amps])):
        middle_v, knee_v = (
            min(course, key=lambda row: abs(row[0] - share * end_h))[1] for share in (0.5, 0.9)
        )
        assert (knee_v - 10.5) / 0.1 > 1.5 * (middle_v - knee_v) / 0.4


def test_one_battery_lasts_at_each_current_as_measured() -> None:
    """The capacity that explains 0.5 A explains 1 A: 18.4 and 18.3 Ah came out, each behind a day's charging.
    That of 3 A, 19.7 Ah, came out of a battery that had been charged for longer and can't be set beside
    them."""
    small = as_large(0.529, 34.805)
    assert small.capacity_ah == pytest.approx(34.805 * 0.529, rel=0.03)
    assert discharged(small, 1.034)[-1][0] == pytest.approx(17.671, rel=0.05)


@pytest.mark.parametrize("rate", SHEET)
def test_capacity_over_rate_beside_a_makers_sheet(rate: str) -> None:
    amps, end_v, ampere_hours = SHEET[rate]
    hours = discharged(cell(capacity_ah=40.0, ohms=0.008), amps, end_v)[-1][0]
    assert hours * amps == pytest.approx(ampere_hours, rel=0.03)


@pytest.mark.parametrize("temp_c", CORRECTED)
def test_capacity_in_the_cold_beside_a_makers_table(temp_c: int) -> None:
    """At a tenth of C: between the table's short and long discharges, give or take 2 %. Above 25 C the table
    has up to a twentieth more, the model no more."""
    warm, cold = (discharged(cell(capacity_ah=60.0, temp_c=float(each)), 6.0)[-1][0] for each in (25, temp_c))
    short, long = CORRECTED[temp_c]
    assert short - 0.02 < cold / warm < long + 0.02

"""A battery under discharge, at rest and cranking beside what others have published of theirs: an open data
set, makers' tables, standards as quoted. How far the model lies from each is stated, and bounded by that."""

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
# A flooded deep-cycle battery's data sheet (J305P-AC, issue 0314, read): ampere-hours of 330 at rates;
# minutes at currents. One of 6 V, of which two in series make 12 V.
FLOODED_SHEET_AH = {5: 271.0, 10: 304.0, 20: 330.0, 100: 367.0}
FLOODED_SHEET_MIN = {25.0: 711.0, 75.0: 195.0}
# A flooded battery's rested volts over temperature (a table of rested voltages, meeknet.co.uk "State Of
# Charge", as its numbers stand in the repository age-series/ElectricalAge2): C -> full, half full, empty
RESTED_V = {48.9: (12.663, 12.253, 11.903), 26.7: (12.650, 12.240, 11.890), 10.0: (12.622, 12.212, 11.862),
            -1.1: (12.588, 12.178, 11.828), -17.8: (12.516, 12.106, 11.756)}  # fmt: skip


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


@pytest.mark.parametrize("hours", FLOODED_SHEET_AH)
def test_flooded_capacity_over_rate_beside_a_data_sheet(hours: int) -> None:
    """Within 4 % up to 20 h; at 100 h the sheet has a ninth more, the model none."""
    made = cell(type=model.FLOODED, capacity_ah=330.0, ohms=0.002)
    sheet_ah = FLOODED_SHEET_AH[hours]
    amps = sheet_ah / hours
    ampere_hours = discharged(made, amps)[-1][0] * amps
    print(f"{hours} h: {ampere_hours:.0f} Ah, the sheet has {sheet_ah:.0f} Ah")
    assert ampere_hours == pytest.approx(sheet_ah, rel=0.045 if hours <= 20 else 0.12)


@pytest.mark.parametrize("amps", FLOODED_SHEET_MIN)
def test_flooded_minutes_at_a_current_beside_a_data_sheet(amps: float) -> None:
    made = cell(type=model.FLOODED, capacity_ah=330.0, ohms=0.002)
    minutes = 60 * discharged(made, amps)[-1][0]
    print(f"{amps:g} A: {minutes:.0f} min, the sheet has {FLOODED_SHEET_MIN[amps]:.0f}")
    assert minutes == pytest.approx(FLOODED_SHEET_MIN[amps], rel=0.06)


@pytest.mark.parametrize("temp_c", RESTED_V)
def test_flooded_rested_voltage_over_temperature_beside_a_table(temp_c: float) -> None:
    """The table bends, steeper in the cold, the model is straight: 0.06 V at -18 C, 0.09 V at 49 C."""
    for charge_pct, volts in zip((100, 50, 0), RESTED_V[temp_c], strict=True):
        off_v = battery.ocv_v(model.FLOODED, charge_pct, temp_c) - volts
        print(f"{temp_c} C, {charge_pct} %: {off_v:+.3f} V")
        assert abs(off_v) < (0.065 if temp_c < 40 else 0.09)


# -- cranking in the cold ----------------------------------------------------------------------------------


def cranked_v(made: Battery, amps: float, seconds: int) -> list[float]:
    """The terminals' volts after each second of a current."""
    pct, rate_a, found = 100.0, 0.0, []
    for _ in range(seconds):
        pct = battery.after(made, pct, amps, 1 / 3600)
        rate_a = battery.rate_after(rate_a, amps, 1 / 3600)
        found.append(battery.rest_v(made, pct) - amps * battery.ohms(made, pct, rate_a))
    return found


def holds_a(made: Battery, volts: float, seconds: int) -> float:
    """The largest current at which its terminals have so much after so long."""
    low, high = 1.0, 5000.0
    for _ in range(40):
        amps = (low + high) / 2
        low, high = (amps, high) if cranked_v(made, amps, seconds)[-1] > volts else (low, amps)
    return low


STARTER = cell(type=model.FLOODED, capacity_ah=60.0, ohms=0.005)


def test_cranking_amperes_at_0_c_and_18_c_below() -> None:
    """Of 7.2 V after 30 s (the ratings' definition): -18 C has a fifth less than 0 C (a dealer's definitions,
    batteriesnorthwest.com, read), 0 C up to a fifth more (firewize.com.au, read)."""
    at_0, at_18 = (holds_a(dataclasses.replace(STARTER, temp_c=c), 7.2, 30) for c in (0.0, -17.8))
    print(f"{at_0:.0f} A at 0 C, {at_18:.0f} A at -18 C: {at_0 / at_18:.3f} times")
    assert 1.18 < at_0 / at_18 < 1.26


# A technical manual's sentence (TM 5-1185, constructionrollers.tpub.com, read): of the cranking power at 80 F
# a battery has 65 % at 30 F and 40 % at 0 F. The latter isn't to be had together with the ratings above.
@pytest.mark.parametrize(("temp_c", "share", "off"), [(-1.1, 0.65, 0.06), (-17.8, 0.40, 0.20)])
def test_cranking_power_in_the_cold_beside_a_manual(temp_c: float, share: float, off: float) -> None:
    warm, cold = (holds_a(dataclasses.replace(STARTER, temp_c=c), 7.2, 30) for c in (26.7, temp_c))
    print(f"{cold / warm:.2f} at {temp_c} C, the manual has {share}")
    assert share - 0.02 < cold / warm < share + off


def test_a_battery_at_its_cold_cranking_current() -> None:
    """EN 50342 (as a maker's lexicon quotes it, bannerbatterien.com, read): at -18 C and its current 7.5 V
    after 10 s, and 90 s or more to 6 V; SAE 7.2 V after 30 s. One that just has the first has the last by
    0.02 V, and comes down to 6 V 8 s too soon."""
    made = dataclasses.replace(STARTER, temp_c=-18.0)
    amps = holds_a(made, 7.5, 10)
    volts = cranked_v(made, amps, 120)
    ends_s = next(second for second, at_v in enumerate(volts, 1) if at_v < 6)
    print(f"{amps:.0f} A: {volts[29]:.2f} V after 30 s, 6 V after {ends_s} s")
    assert 500 < amps < 600  # 5 milliohms warm, 60 Ah: what is sold as 540 A (common practice)
    assert volts[29] == pytest.approx(7.2, abs=0.05)
    assert 80 <= ends_s < 150

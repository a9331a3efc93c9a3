"""Guards, the current monitor and the start rules, by readings and ticks alone."""

import pytest
from boxcore import bank, guard, port
from boxcore import program as pg
from boxcore import states as st
from hypothesis import given
from hypothesis import strategies as some

from tests.boxcore import fakes

CAPS = fakes.board().caps
STEADY = [(pg.STEADY, 40_000)]


def readings(**values):
    found = port.Readings()
    found.supply_mv = 12_600
    for name, value in values.items():
        setattr(found, name, value)
    return found


def a_guard(**limits):
    return guard.Guard(guard.Limits(CAPS, pg.Program("p", STEADY, **limits)))


@pytest.mark.parametrize(
    ("field", "of_program", "of_caps", "tighter"),
    [
        ("supply_min_mv", 11_800, 9_000, 11_800),
        ("supply_min_mv", 8_000, 9_000, 9_000),
        ("supply_max_mv", 15_000, 16_000, 15_000),
        ("supply_max_mv", 17_000, 16_000, 16_000),
        ("run_ticks", 500, 600, 500),
        ("run_ticks", 700, 600, 600),
        ("charge_mas", 5, 6, 5),
        ("charge_mas", 7, 6, 6),
        ("bank_temp_cdeg", 9_000, 11_000, 9_000),
        ("bank_temp_cdeg", 12_000, 11_000, 11_000),
    ],
)
def test_the_tighter_limit_wins(field, of_program, of_caps, tighter):
    limits = guard.Limits({**CAPS, field: of_caps}, pg.Program("p", STEADY, **{field: of_program}))
    assert getattr(limits, field) == tighter


@pytest.mark.parametrize(
    ("values", "fault"),
    [
        ({}, st.NO_FAULT),
        ({"supply_mv": 11_800}, st.NO_FAULT),
        ({"supply_mv": 11_799}, st.SUPPLY_LOW),
        ({"supply_mv": 0}, st.SUPPLY_LOW),
        ({"supply_mv": 16_000}, st.NO_FAULT),
        ({"supply_mv": 16_001}, st.SUPPLY_HIGH),
        ({"bank_cdeg": 9_000}, st.NO_FAULT),
        ({"bank_cdeg": 9_001}, st.BANK_HOT),
        ({"bank_cdeg": port.NOT_MEASURED}, st.NO_FAULT),
        ({"board_cdeg": 8_501}, st.BOARD_HOT),
        ({"bank_cdeg": -5_001}, st.SENSOR_BAD),
        ({"board_cdeg": -27_315}, st.SENSOR_BAD),
        ({"bank_cdeg": 9_001, "supply_mv": 0}, st.BANK_HOT),  # a trip goes before a hold
    ],
)
def test_each_guard_at_its_limit(values, fault):
    assert a_guard().check(5, readings(**values)) == fault


def test_nothing_is_loaded_below_what_a_battery_gives():
    lax = guard.Guard(guard.Limits({**CAPS, "supply_min_mv": 0}, pg.Program("p", STEADY, supply_min_mv=0)))
    assert lax.check(0, readings(supply_mv=guard.PRESENT_MV)) == st.NO_FAULT
    assert lax.check(0, readings(supply_mv=guard.PRESENT_MV - 1)) == st.SUPPLY_LOW


@given(some.lists(some.tuples(some.integers(1, 30_000), some.integers(11_000, 17_000)), max_size=60))
def test_a_hold_ends_only_after_a_settled_time_well_inside(steps):
    one = a_guard()
    now, calm_since, held = 0, None, None
    for ticks, supply_mv in steps:
        now += ticks
        verdict = one.check(now, readings(supply_mv=supply_mv))
        outside = not 11_800 <= supply_mv <= 16_000
        if held is None and not outside:
            assert verdict == st.NO_FAULT
            continue
        if outside:
            assert verdict
        held = held or verdict
        low = 11_800 + (guard.HYSTERESIS_MV if held == st.SUPPLY_LOW else 0)
        high = 16_000 - (guard.HYSTERESIS_MV if held == st.SUPPLY_HIGH else 0)
        if not low <= supply_mv <= high:
            calm_since = None
            assert verdict == held
        else:
            calm_since = now if calm_since is None else calm_since
            released = now - calm_since >= guard.RELEASE_TICKS
            assert verdict == (st.NO_FAULT if released else held)
            if released:
                held = calm_since = None


@pytest.mark.parametrize(
    ("outside", "too_near", "inside"),
    [
        (11_799, 11_800 + guard.HYSTERESIS_MV - 1, 11_800 + guard.HYSTERESIS_MV),
        (16_001, 16_000 - guard.HYSTERESIS_MV + 1, 16_000 - guard.HYSTERESIS_MV),
    ],
    ids=["low", "high"],
)
def test_a_hold_ends_at_its_hysteresis_to_the_millivolt_and_to_the_tick(outside, too_near, inside):
    for supply_mv, calm in ((too_near, False), (inside, True)):
        one = a_guard()
        held = one.check(0, readings(supply_mv=outside))
        assert held
        assert one.check(1, readings(supply_mv=supply_mv)) == held
        assert one.check(guard.RELEASE_TICKS, readings(supply_mv=supply_mv)) == held
        after = one.check(guard.RELEASE_TICKS + 1, readings(supply_mv=supply_mv))
        assert after == (st.NO_FAULT if calm else held)


BANK = bank.Bank([1_000_000, 2_000_000, 4_000_000])


def watch(measured, pattern=2, standing=5_000, monitor=None, **more):
    monitor = monitor or guard.Monitor(BANK)
    return [monitor.check(readings(bank_ua=ua, **more), pattern, standing) for ua in measured]


def test_a_stuck_and_an_open_channel_are_flagged_after_three_readings():
    assert watch([37_800] * 3) == [0, 0, st.SWITCH_ON]
    assert watch([0] * 3) == [0, 0, st.SWITCH_OPEN]
    assert watch([25_200, 26_000, 24_000, 27_000, 23_000] * 3) == [0] * 15
    assert watch([0, 0, 25_200, 0, 0]) == [0] * 5
    assert watch([port.NOT_MEASURED] * 9) == [0] * 9


def test_readings_soon_after_an_edge_say_nothing():
    assert watch([0] * 9, standing=guard.STANDING_TICKS - 1) == [0] * 9


def test_a_bad_channel_is_found_though_patterns_without_it_play_between():
    monitor = guard.Monitor(BANK)
    for last in (0, 0, st.SWITCH_OPEN):
        assert watch([0], pattern=2, monitor=monitor) == [last]
        if not last:
            assert watch([12_600] * 4, pattern=1, monitor=monitor) == [0] * 4


def test_a_current_that_no_pattern_explains_trips_at_once():
    full = 7 * 12_600
    assert watch([full * 5 // 4 + 20_001], standing=0) == [st.OVER_CURRENT]
    assert watch([full], pattern=7) == [0]


def test_a_supply_that_jumps_under_a_standing_pattern_is_no_fault():
    # 7 mS at 11.1 V and then at 13.0 V: 77.7 mA and 91.0 mA, 17 % apart
    assert watch([77_700] * 4, pattern=7, supply_mv=11_100) == [0] * 4
    assert watch([91_000] * 4, pattern=7, supply_mv=13_000) == [0] * 4
    assert watch([91_000] * 3, pattern=7, supply_mv=11_100) == [0, 0, st.SWITCH_ON]


def rule(start, quiet=0, **fields):
    return guard.StartRule(pg.Program("p", STEADY, start=start, **fields), quiet)


def test_power_means_a_measured_supply_not_a_boot():
    one = rule(pg.START_POWER, start_after_ticks=100)
    one.update(0, readings(supply_mv=guard.PRESENT_MV - 1))
    assert one.due() is None
    one.update(50, readings())
    assert one.due() == 150
    one.update(120, readings(supply_mv=0))
    assert one.due() is None
    one.update(130, readings())
    assert one.due() == 230


def test_panel_means_the_switch_on_a_supply():
    one = rule(pg.START_PANEL, start_after_ticks=100)
    one.update(0, readings(arm=False))
    assert one.due() is None
    one.update(10, readings(arm=True))
    one.update(20, readings(arm=True))
    assert one.due() == 110
    one.update(30, readings(arm=True, supply_mv=0))
    assert one.due() is None


def test_rest_means_below_a_level_for_a_time_and_then_the_delay():
    one = rule(pg.START_REST, start_below_mv=13_000, start_steady_ticks=600, start_after_ticks=1_000)
    one.update(0, readings(supply_mv=14_400))
    assert one.due() is None
    one.update(100, readings(supply_mv=12_999))
    assert one.due() == 1_700
    one.update(500, readings(supply_mv=13_000))
    assert one.due() is None
    one.update(900, readings(supply_mv=12_800))
    one.update(950, readings(supply_mv=12_700))
    assert one.due() == 2_500


def test_quiet_time_comes_first_and_counts_from_the_supplys_return():
    one = rule(pg.START_POWER, quiet=5_000, start_after_ticks=100)
    one.update(0, readings(supply_mv=0))
    one.update(1_000, readings())
    assert one.due() == 6_100
    one = rule(pg.START_PANEL, quiet=5_000)
    one.update(1_000, readings())
    one.update(9_000, readings(arm=True))
    assert one.due() == 9_000

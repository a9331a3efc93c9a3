"""Guards, the current monitor and the start rules, by readings and ticks alone."""

from dataclasses import fields

import pytest
from boxcore import bank, board, guard, port, run
from boxcore import program as pg
from boxcore import states as st
from hypothesis import given, settings
from hypothesis import strategies as some
from nightdraw.profile import model

from tests.boxcore import borders, fakes

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


TIGHTER = [
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
]


def test_every_limit_of_a_board_may_be_a_profiles_and_is_in_force():
    assert set(CAPS) == set(board.CAPS) == {row[0] for row in TIGHTER}
    assert (
        set(board.CAPS)
        == set(vars(guard.Limits(CAPS, pg.Program("p", STEADY))))
        == {field.name for field in fields(model.Limits)}
    )
    assert set(board.CAPS) <= set(pg.NUMBERS)


@pytest.mark.parametrize(("field", "of_program", "of_caps", "tighter"), TIGHTER)
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


LOW_MV, HIGH_MV = 11_800, 16_000  # the limits of a_guard()
INNER_MV = (LOW_MV + guard.HYSTERESIS_MV, HIGH_MV - guard.HYSTERESIS_MV)
BELOW, ABOVE, NEAR, ANY = range(4)  # below the limits, above them, at the border that ends the hold, anywhere
PLACE = some.sampled_from([NEAR, NEAR, NEAR, BELOW, ABOVE, ANY])
TO_RELEASE = [-10, -11, -9]  # stand for: to the end of the settled time, a tick less, a tick more
PASSING = some.sampled_from(TO_RELEASE) | some.integers(1, 30_000)
STEP = some.tuples(PASSING, PLACE, some.sampled_from([-1, 0, 0, 1]), some.integers(11_000, 17_000))


def supply_at(place, off, anywhere, held):
    """The reading of a step, while `held`."""
    border = {st.SUPPLY_LOW: INNER_MV[0], st.SUPPLY_HIGH: INNER_MV[1]}.get(held, LOW_MV)
    return {BELOW: LOW_MV - 1, ABOVE: HIGH_MV + 1, NEAR: border + off, ANY: anywhere}[place]


def test_a_hold_ends_only_after_a_settled_time_well_inside():
    """Held against the rule in plain words, with readings and times steered to the borders of its bands."""
    met = borders.Borders(
        "at a limit", "beyond it", "at the inner band", "short of it", "on the tick", "a tick early"
    )

    @settings(max_examples=150)
    @given(some.lists(STEP, min_size=10, max_size=60))
    def against_the_rule(steps):
        one = a_guard()
        now, calm_since, held = 0, None, None
        for ticks, place, off, anywhere in steps:
            if ticks < 0:
                begun = now if calm_since is None else calm_since
                ticks = max(1, begun + guard.RELEASE_TICKS + ticks - TO_RELEASE[0] - now)
            now += ticks
            supply_mv = supply_at(place, off, anywhere, held)
            verdict = one.check(now, readings(supply_mv=supply_mv))
            outside = not LOW_MV <= supply_mv <= HIGH_MV
            met.met("at a limit", supply_mv in (LOW_MV, HIGH_MV))
            met.met("beyond it", supply_mv in (LOW_MV - 1, HIGH_MV + 1))
            if held is None and not outside:
                assert verdict == st.NO_FAULT
                continue
            if outside:
                assert verdict
            held = held or verdict
            low = INNER_MV[0] if held == st.SUPPLY_LOW else LOW_MV
            high = INNER_MV[1] if held == st.SUPPLY_HIGH else HIGH_MV
            if not low <= supply_mv <= high:
                met.met("short of it", supply_mv == (low - 1 if held == st.SUPPLY_LOW else high + 1))
                calm_since = None
                assert verdict == held
            else:
                met.met("at the inner band", supply_mv == (low if held == st.SUPPLY_LOW else high))
                calm_since = now if calm_since is None else calm_since
                calm = now - calm_since
                met.met("on the tick", calm == guard.RELEASE_TICKS)
                met.met("a tick early", calm == guard.RELEASE_TICKS - 1)
                released = calm >= guard.RELEASE_TICKS
                assert verdict == (st.NO_FAULT if released else held)
                if released:
                    held = calm_since = None

    against_the_rule()
    met.enough(3)


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
    """A run that waits, its supply gone before anything is seen."""
    fake = fakes.board()
    one = run.Run(
        pg.Program("p", STEADY, start=start, **fields), 0, 1, 1, 0, fake, bank.Bank(fake.channels_ns)
    )
    one.wait(0, port.Readings(), quiet, 0)
    return one


def test_power_means_a_measured_supply_not_a_boot():
    one = rule(pg.START_POWER, start_after_ticks=100)
    one.look(0, readings(supply_mv=guard.PRESENT_MV - 1))
    assert one.due() is None
    one.look(50, readings())
    assert one.due() == 150
    one.look(120, readings(supply_mv=0))
    assert one.due() is None
    one.look(130, readings())
    assert one.due() == 230


def test_panel_means_the_switch_on_a_supply():
    one = rule(pg.START_PANEL, start_after_ticks=100)
    one.look(0, readings(arm=False))
    assert one.due() is None
    one.look(10, readings(arm=True))
    one.look(20, readings(arm=True))
    assert one.due() == 110
    one.look(30, readings(arm=True, supply_mv=0))
    assert one.due() is None


def test_rest_means_below_a_level_for_a_time_and_then_the_delay():
    one = rule(pg.START_REST, start_below_mv=13_000, start_steady_ticks=600, start_after_ticks=1_000)
    one.look(0, readings(supply_mv=14_400))
    assert one.due() is None
    one.look(100, readings(supply_mv=12_999))
    assert one.due() == 1_700
    one.look(500, readings(supply_mv=13_000))
    assert one.due() is None
    one.look(900, readings(supply_mv=12_800))
    one.look(950, readings(supply_mv=12_700))
    assert one.due() == 2_500


def test_quiet_time_comes_first_and_counts_from_the_supplys_return():
    one = rule(pg.START_POWER, quiet=5_000, start_after_ticks=100)
    one.look(0, readings(supply_mv=0))
    one.look(1_000, readings())
    assert one.due() == 6_100
    one = rule(pg.START_PANEL, quiet=5_000)
    one.look(1_000, readings())
    one.look(9_000, readings(arm=True))
    assert one.due() == 9_000

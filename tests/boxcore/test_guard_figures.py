"""The guards' figures as the guides state them, each met to the millivolt, microampere and tick: by hand, in
volts and seconds, from none of the firmware's own numbers."""

import pytest
from boxcore import bank, guard
from boxcore import states as st

from tests.boxcore.test_guard import a_guard, readings

S = 10_000  # ticks


def test_a_hold_lasts_until_five_calm_seconds_a_fifth_of_a_volt_inside():
    one = a_guard()
    assert one.check(0, readings(supply_mv=11_799)) == st.SUPPLY_LOW
    assert one.check(S, readings(supply_mv=12_000)) == st.SUPPLY_LOW
    assert one.check(6 * S - 1, readings(supply_mv=12_000)) == st.SUPPLY_LOW
    assert one.check(6 * S, readings(supply_mv=12_000)) == st.NO_FAULT


@pytest.mark.parametrize("values", [{"board_cdeg": 8_500}, {"board_cdeg": -5_000}, {"bank_cdeg": -5_000}])
def test_a_temperature_at_its_limit_is_still_good(values):
    assert a_guard().check(0, readings(**values)) == st.NO_FAULT


def test_a_supply_is_lost_once_below_six_volts_for_a_second():
    one = a_guard()
    assert [one.is_lost(now, 5_999) for now in (7, 7 + S - 1, 7 + S)] == [False, False, True]
    assert not one.is_lost(8 + S, 6_000)
    assert [one.is_lost(now, 0) for now in (2 * S, 3 * S - 1, 3 * S)] == [False, False, True]


# Channels of 1, 2 and 4 mS: at 12.6 V all of them draw 88.2 mA, the second alone 25.2 mA.
BANK = bank.Bank([1_000_000, 2_000_000, 4_000_000])


def verdicts(count, ua, pattern=7, standing=5_000):
    monitor = guard.Monitor(BANK)
    return [monitor.check(readings(bank_ua=ua), pattern, standing) for _ in range(count)]


@pytest.mark.parametrize(
    ("pattern", "low", "high"),
    [
        (7, 88_200 - 11_820, 88_200 + 11_820),  # 10 % of it and 3 mA
        (2, 25_200 - 5_520, 25_200 + 5_520),
        (0, None, 3_000),
    ],
)
def test_a_channel_may_be_off_by_a_tenth_and_three_milliamperes(pattern, low, high):
    assert verdicts(4, high, pattern) == [0] * 4
    assert verdicts(4, high + 1, pattern) == [0, 0, st.SWITCH_ON, st.SWITCH_ON]
    if low is not None:
        assert verdicts(4, low, pattern) == [0] * 4
        assert verdicts(4, low - 1, pattern) == [0, 0, st.SWITCH_OPEN, st.SWITCH_OPEN]


def test_a_quarter_and_twenty_milliamperes_beyond_the_whole_bank_is_an_over_current():
    most_ua = 88_200 * 5 // 4 + 20_000
    assert verdicts(1, most_ua, standing=0) == [st.NO_FAULT]
    assert verdicts(1, most_ua + 1, standing=0) == [st.OVER_CURRENT]


def test_a_pattern_that_has_stood_for_a_tenth_of_a_second_may_be_judged():
    assert verdicts(3, 0, standing=S // 10 - 1) == [0, 0, 0]
    assert verdicts(3, 0, standing=S // 10) == [0, 0, st.SWITCH_OPEN]


def test_a_reading_that_agrees_forgives_its_own_pattern_alone():
    monitor = guard.Monitor(BANK)

    def check(ua, pattern):
        return monitor.check(readings(bank_ua=ua), pattern, 5_000)

    assert [check(0, 2), check(0, 2), check(12_600, 1), check(0, 2)] == [0, 0, 0, st.SWITCH_OPEN]
    monitor.reset()
    assert [check(0, 2), check(0, 2), check(25_200, 2), check(0, 2), check(0, 2)] == [0] * 5
    monitor.reset()
    assert [check(0, 2), check(0, 2)] == [0, 0]


def test_a_standing_pattern_is_summed_up_once_and_anew_for_a_trimmed_bank():
    class Counted(bank.Bank):
        sums = 0

        def conductance_ns(self, pattern):
            self.sums += 1
            return super().conductance_ns(pattern)

    counted = Counted(BANK.channels_ns)
    monitor = guard.Monitor(counted)
    for _ in range(5):
        assert monitor.check(readings(bank_ua=88_200), 7, 5_000) == st.NO_FAULT
    assert counted.sums == 1
    counted.use([2 * ns for ns in BANK.channels_ns])
    monitor.reset()
    assert [monitor.check(readings(bank_ua=88_200), 7, 5_000) for _ in range(3)] == [0, 0, st.SWITCH_OPEN]


@pytest.mark.parametrize(
    ("fault", "values", "told"),
    [
        (st.SUPPLY_LOW, {}, 11_000),
        (st.SUPPLY_HIGH, {}, 11_000),
        (st.BANK_HOT, {}, 9_500),
        (st.BOARD_HOT, {}, 8_600),
        (st.OVER_CURRENT, {}, 150_000),
        (st.SENSOR_BAD, {"bank_cdeg": -5_001}, -5_001),
        (st.SENSOR_BAD, {"bank_cdeg": -5_000, "board_cdeg": -6_000}, -6_000),
    ],
)
def test_a_record_tells_the_reading_that_the_fault_came_from(fault, values, told):
    seen = {"supply_mv": 11_000, "bank_ua": 150_000, "bank_cdeg": 9_500, "board_cdeg": 8_600, **values}
    assert guard.reading(fault, readings(**seen)) == told

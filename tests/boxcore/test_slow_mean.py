"""What a locked box tells of its supply: means over whole ten minutes, by hand and against a plain sum."""

from random import Random

import pytest
from boxcore.lock import SlowMean

S = 10_000  # ticks
HALF = S // 2  # a sample


def told(readings):
    """What it tells behind each of [(second, millivolts)]."""
    mean = SlowMean()
    found = []
    for second, supply_mv in readings:
        mean.take(int(second * S), supply_mv)
        found.append(mean.mv)
    return found


def test_it_tells_nothing_before_the_first_reading_and_then_that_to_a_tenth_of_a_volt():
    assert SlowMean().mv == 0
    for supply_mv, mv in ((12_349, 12_300), (12_350, 12_400), (12_449, 12_400), (5_999, 6_000), (0, 0)):
        assert told([(0, supply_mv)]) == [mv]


def test_the_first_mean_is_of_ten_seconds_each_reading_standing_until_the_next():
    assert told([(0, 12_000), (5, 13_000), (9.9, 13_000), (10, 9_000)]) == [12_000] * 3 + [12_500]
    assert told([(0, 12_000), (2.5, 13_000), (10, 9_000)])[-1] == 12_800  # 12.75 V


def test_means_end_at_whole_ten_minutes_of_the_boxs_clock():
    # From 10 s to 600 s: 12 V for 295 s, 13 V for as long.
    readings = [(0, 12_000), (10, 12_000), (305, 13_000), (599.9, 16_000), (600, 16_000), (1199.9, 16_000)]
    assert told(readings) == [12_000] * 4 + [12_500] * 2
    assert told([*readings, (1200, 7_000)])[-1] == 16_000


@pytest.mark.parametrize(
    ("came_s", "second_s"),
    [(200, 600), (290, 600), (290.5, 1200), (580, 1200), (600, 1200), (890, 1200), (890.5, 1800)],
)
def test_the_second_mean_behind_a_supply_that_came_takes_five_minutes_and_more(came_s, second_s):
    """Its first mean of ten seconds ends 300 s and more before the end of the second, or the one after."""
    readings = [(came_s, 12_000), (came_s + 10, 12_000), (came_s + 10.5, 14_000)]
    assert told([*readings, (second_s - 0.1, 14_000)])[-1] == 12_000
    assert told([*readings, (second_s, 14_000)])[-1] == 14_000


def test_a_supply_that_goes_is_told_at_once_and_so_is_one_that_comes():
    assert told([(0, 12_600), (100, 5_999), (105, 3_000), (106, 7_000)]) == [12_600, 6_000, 6_000, 7_000]


def test_after_a_whole_mean_without_a_reading_the_last_one_is_told():
    """12 V for 290 s of the first ten minutes' mean and 13 V for 300 s, then nothing."""
    readings = [(0, 12_000), (10, 12_000), (300, 13_000)]
    assert told([*readings, (600, 15_000)])[-1] == 12_500
    assert told([*readings, (1199.5, 15_000)])[-1] == 12_500
    assert told([*readings, (1200, 15_000)])[-1] == 13_000
    assert told([*readings, (5000, 15_000)])[-1] == 13_000


def test_the_next_mean_begins_with_its_ten_minutes_though_nothing_was_read_when_they_began():
    readings = [(0, 12_000), (10, 12_000), (1500, 14_000), (1800, 14_000)]
    assert told(readings)[-1] == 13_000  # 12 V stood from 1200 s to 1500 s, 14 V from there


def test_any_readings_give_the_mean_of_what_stood(seed):
    """Of readings every second, at random: the mean of ten minutes by a plain sum."""
    choose = Random(f"{seed} slow mean")
    for _ in range(20):
        supply = [choose.randrange(11_000, 14_000) for _ in range(1300)]
        mean = SlowMean()
        for second, supply_mv in enumerate(supply):
            mean.take(second * S + choose.randrange(HALF), supply_mv)
        assert abs(mean.mv - sum(supply[600:1200]) / 600) <= 50
        assert mean.mv % 100 == 0


def test_six_volts_are_a_supply_still():
    assert told([(0, 12_600), (100, 6_000)]) == [12_600, 12_600]

"""Quantities: each unit, each way to be wrong, and the conversions to whole numbers."""

from __future__ import annotations

import contextlib
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from nightdraw import units


@pytest.mark.parametrize(
    ("text", "dimension", "value"),
    [
        ("250us", "time", Fraction(1, 4000)),
        ("700 ms", "time", Fraction(7, 10)),
        ("75 s", "time", 75),
        ("1.5 min", "time", 90),
        ("2h", "time", 7200),
        ("1 d", "time", 86400),
        ("40 mA", "current", Fraction(1, 25)),
        ("7 uA", "current", Fraction(7, 10**6)),
        ("1.1A", "current", Fraction(11, 10)),
        ("12.6V", "voltage", Fraction(63, 5)),
        ("-14 V", "voltage", -14),
        ("385 mV", "voltage", Fraction(385, 1000)),
        ("1500 mAh", "charge", Fraction(3, 2)),
        ("60Ah", "charge", 60),
        ("1kHz", "frequency", 1000),
        ("50 Hz", "frequency", 50),
        ("9.1 kohm", "resistance", 9100),
        (".05 ohm", "resistance", Fraction(1, 20)),
        ("5 W", "power", 5),
        ("-18 C", "temperature", -18),
        ("3 m", "length", 3),
        ("20 mm", "length", Fraction(1, 50)),
        ("0.5 mm2", "area", Fraction(1, 2)),
        ("1 %", "percent", 1),
        ("1e3 ms", "time", 1),
    ],
)
def test_every_unit(text: str, dimension: str, value: Fraction) -> None:
    assert units.parse(text, dimension) == value


@pytest.mark.parametrize(
    ("text", "dimension", "said"),
    [
        ("", "time", "is not a time"),
        ("s", "time", "is not a time"),
        ("75", "time", "has no unit"),
        ("75 S", "time", "did you mean 's'?"),
        ("75 sec", "time", "did you mean 's'?"),
        ("5 m", "time", "did you mean 'min'?"),
        ("5 mA", "time", "is a current, wanted a time"),
        ("5 ma", "current", "did you mean 'mA'?"),
        ("5 \u00b5A", "current", "did you mean 'uA'?"),
        ("47 \u03a9", "resistance", "did you mean 'ohm'?"),
        ("-1 s", "time", "is negative"),
        ("-1 mA", "current", "is negative"),
        ("-0 mA", "current", "is negative"),
        ("1,5 s", "time", "decimal point"),
        ("1_0 s", "time", "unknown unit"),
        ("1  s", "time", "unknown unit"),
        ("1\ts", "time", "unknown unit"),
        ("\u0661 s", "time", "is not a time"),
        ("nan s", "time", "is not a time"),
        ("inf s", "time", "is not a time"),
        ("0x10 s", "time", "unknown unit"),
        ("1e999 s", "time", "out of range"),
        ("1e9999999 s", "time", "out of range"),
        ("9" * 100_000 + " s", "time", "is not a time"),
        ("1:30", "time", "unknown unit"),
        ("1 s s", "time", "unknown unit"),
        ("41 AWG", "area", "gauge"),
        ("1.5 AWG", "area", "gauge"),
        ("18 AWG", "length", "unknown unit"),
    ],
)
def test_every_way_to_be_wrong(text: str, dimension: str, said: str) -> None:
    with pytest.raises(ValueError, match=r".") as caught:
        units.parse(text, dimension)
    assert said in str(caught.value)
    assert len(str(caught.value)) < 250, "a message stays readable whatever it quotes"


@pytest.mark.parametrize("text", ["200 ms .. 900 ms", "200 ms..900 ms", "200ms..900ms", ".2 s..0.9 s"])
def test_ranges_both_ways(text: str) -> None:
    assert units.parse_range(text, "time") == (Fraction(1, 5), Fraction(9, 10))


@pytest.mark.parametrize(
    "text",
    ["5 s", "5 .. 9 s", "5 s .. 9", "9 s .. 5 s", "1 s .. 2 s .. 3 s", "..", "1 s ...2 s", "1 s - 2 s"],
)
def test_wrong_ranges(text: str) -> None:
    with pytest.raises(units.QuantityError):
        units.parse_range(text, "time")


def test_a_span_may_be_one_quantity() -> None:
    assert units.parse_span("5 s", "time") == (5, 5)
    assert units.parse_span("5 s .. 6 s", "time") == (5, 6)


@pytest.mark.parametrize(
    ("seconds", "ticks"),
    [
        ("1 ms", 10),
        ("1.04 ms", 10),
        ("1.05 ms", 11),
        ("1.15 ms", 12),
        ("70 us", 1),
        ("49 us", 0),
        ("50 us", 1),
    ],
)
def test_durations_go_to_the_nearest_tick_halves_up(seconds: str, ticks: int) -> None:
    assert units.to_ticks(units.parse(seconds, "time")) == ticks


def test_whole_numbers_of_the_core() -> None:
    assert units.to_ua(units.parse("0.35 A", "current")) == 350_000
    assert units.to_mv(units.parse("12.6 V", "voltage")) == 12_600
    assert units.to_mas(units.parse("2 Ah", "charge")) == 7_200_000
    assert units.to_cdeg(units.parse("90 C", "temperature")) == 9000
    assert units.to_ns(Fraction(22)) == 45_454_545


@given(st.integers(-(10**9), 10**9), st.integers(1, 10**6))
def test_half_up_is_nearest_and_ties_go_up(numerator: int, denominator: int) -> None:
    value = Fraction(numerator, denominator)
    whole = units.half_up(value)
    assert -Fraction(1, 2) < whole - value <= Fraction(1, 2)


@given(st.integers(1, 10**10))
def test_what_is_shown_reads_back(ticks: int) -> None:
    value = Fraction(ticks, units.TICKS_PER_S)
    read_back = units.parse(units.show(value, "time"), "time")
    assert abs(read_back - value) <= value / 100_000


@given(st.text(max_size=30), st.sampled_from(sorted(units.UNITS)))
def test_any_text_is_a_quantity_or_a_quantity_error(text: str, dimension: str) -> None:
    for parse in (units.parse, units.parse_range, units.parse_span):
        with contextlib.suppress(units.QuantityError):
            parse(text, dimension)

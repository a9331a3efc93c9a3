"""What students write, read with good will and without guessing. Examples are by hand, with the reason."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from nightdraw.lesson import claims
from nightdraw.report.words import load_words

MEANT = [  # text, dimension, low, high: every one can mean this alone
    ("350 mA", "current", Fraction(35, 100), Fraction(35, 100)),
    ("0.35A", "current", Fraction(35, 100), Fraction(35, 100)),
    ("0,35 A", "current", Fraction(35, 100), Fraction(35, 100)),  # a decimal comma
    ("0,350 A", "current", Fraction(35, 100), Fraction(35, 100)),  # after a lone zero no thousands can follow
    ("about 350 mA", "current", Fraction(35, 100), Fraction(35, 100)),
    ("350 \u00b5A", "current", Fraction(35, 10**5), Fraction(35, 10**5)),
    ("3e-1 A", "current", Fraction(3, 10), Fraction(3, 10)),
    ("700 ms", "time", Fraction(7, 10), Fraction(7, 10)),
    ("0.7 sec", "time", Fraction(7, 10), Fraction(7, 10)),
    ("1.25 min", "time", Fraction(75), Fraction(75)),
    ("20 s .. 3 min", "time", Fraction(20), Fraction(180)),
    ("20s-3min", "time", Fraction(20), Fraction(180)),
    ("20 to 180 s", "time", Fraction(20), Fraction(180)),
    ("20 \u2013 180 s", "time", Fraction(20), Fraction(180)),
    ("180 s .. 20 s", "time", Fraction(20), Fraction(180)),
    ("on 200 ms .. 900 ms", "time", Fraction(2, 10), Fraction(9, 10)),
    ("48/h", "time", Fraction(75), Fraction(75)),  # 3600 / 48
    ("48 per hour", "time", Fraction(75), Fraction(75)),
    ("0.8 / min", "time", Fraction(75), Fraction(75)),
    ("2 Hz", "time", Fraction(1, 2), Fraction(1, 2)),
    ("20 mHz", "time", Fraction(50), Fraction(50)),
    ("twice a minute", "time", Fraction(30), Fraction(30)),
    ("0 .. 1 s", "time", Fraction(1, 10**6), Fraction(1)),  # from as little as can be measured
    ("once every 75 s", "time", Fraction(75), Fraction(75)),
    ("2 pulses per 150 s", "time", Fraction(75), Fraction(75)),
    ("1 min 15 s", "time", Fraction(75), Fraction(75)),
    ("between 20 s and 180 s", "time", Fraction(20), Fraction(180)),
    ("700 msec", "time", Fraction(7, 10), Fraction(7, 10)),
    ("350 milliamps", "current", Fraction(35, 100), Fraction(35, 100)),
    ("350 ma", "current", Fraction(35, 100), Fraction(35, 100)),
    ("350 mA \u00b1 10 mA", "current", Fraction(35, 100), Fraction(35, 100)),  # their own uncertainty
]
NOTHING = [  # text, dimension, a part of the reason
    ("", "current", "No answer"),
    ("350", "current", "has no unit"),
    ("350 V", "current", "a unit of something else"),
    ("350 mA", "time", "a unit of something else"),
    ("-350 mA", "current", "negative"),
    ("1,500 mA", "current", "can mean"),
    ("5 m", "time", "m"),  # minutes to one, milli to another
    ("1e400 A", "current", "out of range"),
    ("1e25 A", "current", "beyond everything"),
    ("0 A", "current", "is nothing"),
    ("9" * 5000 + " A", "current", "can't be read"),
    ("1\x00 A", "current", "can't be read"),
    ("\x1b[31m1 A", "current", "can't be read"),
    ("=1+1", "current", "is not"),
    ("@SUM(A1)", "time", "is not"),
    ("0 Hz", "time", "beyond everything"),
    ("1 s .. 2 s .. 3 s", "time", "neither"),
    ("nan A", "current", "is not"),
    ("1:15", "time", "unknown unit"),  # minutes and seconds, or hours and minutes
    ("3 per 0 s", "time", "over no time"),
    ("\u0661\u0662 mA", "current", "is not"),
    ("<350 mA", "current", "is not"),
]


@pytest.mark.parametrize(("text", "dimension", "low", "high"), MEANT)
def test_what_can_mean_one_thing_is_read(text, dimension, low, high):
    claim = claims.quantity(text, dimension)
    assert (claim.low, claim.high, claim.why) == (low, high, None)


@pytest.mark.parametrize(("text", "dimension", "reason"), NOTHING)
def test_what_means_nothing_or_two_things_is_no_value_with_a_sentence(text, dimension, reason):
    claim = claims.quantity(text, dimension)
    assert not claim.known
    assert claim.why is not None
    why = load_words().text(claim.why)
    assert reason in why
    assert claim.text.isprintable()
    assert why.isprintable()


@given(st.text(max_size=200), st.sampled_from(["current", "time"]))
def test_whatever_is_written_there_is_a_value_or_a_reason(text, dimension):
    claim = claims.quantity(text, dimension)
    assert claim.known == (not claim.why)
    assert claim.text.isprintable()
    assert claims.kind(text).text.isprintable()
    assert claims.circuit(text, ["F1", "F2"]).text.isprintable()


def test_a_pause_is_told_from_a_period():
    assert claims.quantity("off 20 s .. 3 min", "time").off
    assert not claims.quantity("every 20 s", "time").off
    assert claims.quantity("48/h", "time").rate


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("F7", "F7"),
        ("f7", "F7"),
        (" fuse F7 (tailgate) ", "F7"),
        ("F 7", "F7"),
        ("fuse 7", "F7"),
        ("F07", "F7"),
        ("a 7 A fuse", None),
        ("not F7", None),
        ("F7 or F6", None),
        ("F77", None),
        ("", None),
    ],
)
def test_a_circuit_is_one_name(text, value):
    word = claims.circuit(text, ["F6", "F7"])
    assert word.value == value
    assert bool(word.why) == (value is None)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("Pulse", "pulse"),
        ("periodic", "pulse"),
        ("irregular", "random"),
        ("loud", None),
        ("periodic pulses", "pulse"),
        ("irregular pulses", "random"),
        ("a steady draw", "steady"),
        ("not steady", None),
        ("steady and pulses", "steady"),
        ("regular or irregular", None),
    ],
)
def test_a_kind_is_one_of_three_words(text, value):
    assert claims.kind(text).value == value


def test_a_kind_may_be_called_as_the_pages_call_it():
    """On a translated sheet one ticks the page's own word."""
    called = {"steady": "st\u00e4ndig", "pulse": "Takt", "random": "zuf\u00e4llig"}
    assert claims.kind("Takt", called).value == "pulse"
    assert claims.kind("pulse", called).value == "pulse"

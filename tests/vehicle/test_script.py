"""A script's times: durations, or minutes and hours as a clock has them; reader and schema agree."""

from __future__ import annotations

import json
import re
from datetime import timedelta
from fractions import Fraction

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from nightdraw import data, units
from nightdraw.vehicle.script import moment

SCHEMA = json.loads((data.folder("profiles") / "scripts" / "script.schema.json").read_text())
DURATION, CLOCK = (
    SCHEMA["$defs"]["time"],
    SCHEMA["properties"]["events"]["items"]["properties"]["at"]["anyOf"][1],
)
SHAPE = re.compile(f"{DURATION['pattern']}|{CLOCK['pattern']}")


@given(st.integers(0, 30 * 86_400 * 10_000))
def test_a_clock_says_what_the_standard_library_does(ticks: int) -> None:
    span = timedelta(microseconds=ticks * 100)
    hours, rest = divmod(span, timedelta(hours=1))
    minutes, seconds = divmod(rest, timedelta(minutes=1))
    second = f"{seconds.seconds:02}.{seconds.microseconds // 100:04}"
    texts = [f"{hours}:{minutes:02}:{second}", f"{hours * 60 + minutes}:{second}"]
    for text in texts:
        assert moment(text) == Fraction(ticks, 10_000) == Fraction(str(span.total_seconds()))
        assert SHAPE.match(text)


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("12:30", 750), ("1:02:03", 3723), ("0:05", 5), ("90:00", 5400), ("12.5 min", 750), (" 0:00.5 ", 0.5)],
)
def test_times_as_people_write_them(text: str, seconds: float) -> None:
    assert moment(text) == Fraction(seconds)


@example("0e31s")
@example("1e030s")
@given(st.text(st.sampled_from("0123456789:. mins-+e"), max_size=12))
def test_reader_and_schema_accept_the_same(text: str) -> None:
    try:
        moment(text)
        read = True
    except units.QuantityError:
        read = False
    assert bool(SHAPE.match(text)) == read or not text.strip()


@pytest.mark.parametrize(
    "text", ["1:2:03", "1:62:03", "1:02:3", "1:00:00:00", ":30", "12:", "1:60", "nan:00"]
)
def test_what_is_no_time_is_refused_by_both(text: str) -> None:
    with pytest.raises(units.QuantityError):
        moment(text)
    assert not SHAPE.match(text)

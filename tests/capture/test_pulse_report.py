"""What a person reads of a recording is what the document has, and both are what was laid down."""

from __future__ import annotations

import re

import numpy as np
import pytest
from nightdraw.capture import read
from nightdraw.capture.pulses import Pulses, measure
from nightdraw.errors import CannotTellError

RATE_HZ = 1000
NOISE_MA = 0.1


def recorded(
    changes: list[tuple[float, float]], seconds: float, base_ma: float = 20.0, seed: int = 3
) -> Pulses:
    """The measured recording of a base and of changes (instant in s, mA)."""
    t_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    value = base_ma + NOISE_MA * np.random.default_rng(seed).standard_normal(len(t_s))
    for at_s, change_ma in changes:
        value[t_s >= at_s] += change_ma
    return measure(read.from_arrays(t_s, value, unit="mA"))


def between(start_s: float, end_s: float, ma: float) -> list[tuple[float, float]]:
    """The two changes of something that comes and goes."""
    return [(start_s, ma), (end_s, -ma)]


@pytest.fixture(scope="module")
def found() -> Pulses:
    """Four pulses of two seconds' period, a staircase, a step, a sample of 2 A and a dip."""
    changes = [change for k in range(4) for change in between(2.0 + 2 * k, 2.5 + 2 * k, 100.0)]
    changes += [(12.0, 300.0), (12.4, -180.0), (13.0, -120.0)]
    changes += [(20.0, 30.0), *between(30.0, 30.001, 2000.0), *between(34.0, 34.5, -15.0)]
    return recorded(changes, 40.0)


def lines(pulses: Pulses, word: str) -> list[list[float]]:
    """The numbers in each line of the text that begins with a word."""
    rows = [line for line in pulses.text().split("\n") if line.startswith(word + ":")]
    return [[float(number) for number in re.findall(r"[+-]?\d+(?:\.\d+)?", row)] for row in rows]


def test_a_step_a_spike_and_a_dip_are_told_by_instant_and_height(found: Pulses) -> None:
    ((at_s, change_ma),) = lines(found, "step that stays")
    assert (at_s, change_ma) == (pytest.approx(20.0, abs=1e-3), pytest.approx(30.0, abs=0.2))
    ((at_s, level_ma, *_),) = lines(found, "spike")
    assert (at_s, level_ma) == (pytest.approx(30.0, abs=2e-3), pytest.approx(2000.0, rel=0.01))
    ((at_s, level_ma, lasting_ms),) = lines(found, "dip")
    assert (at_s, level_ma) == (pytest.approx(34.0, abs=1e-3), pytest.approx(-15.0, abs=0.2))
    assert lasting_ms == pytest.approx(500, abs=1)


def test_each_pulse_has_a_row_of_its_own(found: Pulses) -> None:
    text = found.text()
    row = re.compile(r"^ *([\d.]+) s +([\d.]+) ms +([\d.]+) +([\d.]+) mA +([\d.]+)(.*)$", re.MULTILINE)
    rows = row.findall(text)
    assert len(rows) == len(found) == 5
    for k, (start_s, lasting_ms, _, level_ma, _, _) in enumerate(rows[:4]):
        assert float(start_s) == pytest.approx(2.0 + 2 * k, abs=1e-3)
        assert float(lasting_ms) == pytest.approx(500, abs=1)
        assert float(level_ma) == pytest.approx(100, abs=0.2)
    assert all(not more for *_, more in rows[:4])
    assert rows[4][-1] == "  parts: 300 for 400 ms, 120 for 600 ms"
    assert text.startswith("base 20.0 mA, 5 pulses, noise 0.1 mA rms")
    assert "kind: 4 of 100.0 mA, 500 ms (" in text
    assert "every 2.0000 s" in text
    assert text.count("u: standard uncertainty; twice as much holds the truth in 95 of 100") == 1


def test_the_document_has_the_same_figures(found: Pulses) -> None:
    document = found.document()
    pulses = document["pulses"]
    assert isinstance(pulses, list)
    assert [bool(row.get("parts")) for row in pulses] == [False] * 4 + [True]
    first, second = pulses[4]["parts"]
    assert first["start_s"] == pytest.approx(12.0, abs=1e-3)
    assert second["start_s"] == pytest.approx(12.4, abs=1e-3)
    assert (first["level_ma"], second["level_ma"]) == (
        pytest.approx(300, abs=0.2),
        pytest.approx(120, abs=0.2),
    )
    assert (first["duration_s"], second["duration_s"]) == (
        pytest.approx(0.4, abs=1e-3),
        pytest.approx(0.6, abs=1e-3),
    )
    for key, word in (("steps", "step that stays"), ("spikes", "spike"), ("dips", "dip")):
        rows = document[key]
        assert isinstance(rows, list)
        assert len(rows) == len(lines(found, word)) == 1
        at_s = rows[0].get("at_s", rows[0].get("start_s"))
        assert at_s == pytest.approx(lines(found, word)[0][0], abs=1e-4)
    judged = document["not_judged"]
    assert isinstance(judged, dict)
    assert judged["pct"] == pytest.approx(100 * judged["s"] / 40.0, rel=1e-3)
    assert judged["s"] == pytest.approx(
        sum(span["until_s"] - span["from_s"] for span in judged["spans"]), abs=1e-3
    )


def test_of_many_steps_twenty_are_told_and_the_others_counted() -> None:
    pulses = recorded([(2.0 * k, 10.0) for k in range(1, 26)], 54.0)
    rows = lines(pulses, "step that stays")
    assert len(rows) == 21
    assert [row[0] for row in rows[:20]] == pytest.approx([2.0 * k for k in range(1, 21)], abs=1e-3)
    assert rows[20] == [5.0]


def test_nothing_to_tell_is_no_table() -> None:
    text = recorded([], 20.0).text()
    assert text.startswith("base 20.0 mA, 0 pulses")
    assert "standard uncertainty" not in text
    assert "above base" not in text


@pytest.mark.parametrize(("base_ma", "pulse_ma", "inverted"), [
    (-5.6, 0.0, True),
    (-4.4, 0.0, False),  # as much as a clamp's zero is off
    (-60.0, 50.0, True),
    (-60.0, 70.0, False),  # something feeds the battery, and something draws from it
])  # fmt: skip
def test_what_lies_below_nothing_as_a_whole_looks_inverted(
    base_ma: float, pulse_ma: float, inverted: bool
) -> None:
    changes = [change for k in range(4) for change in between(2.0 + 2 * k, 2.5 + 2 * k, pulse_ma)]
    if not inverted:
        assert recorded(changes, 12.0, base_ma).base_ma == pytest.approx(base_ma, abs=0.1)
        return
    with pytest.raises(CannotTellError, match=f"looks inverted: its base is {base_ma:.1f} mA"):
        recorded(changes, 12.0, base_ma)

"""The digits of `capture pulses --json`: instants to 0.1 us, levels to 0.1 uA, spans that were not
judged to 0.1 ms, from a structure put together by hand."""

from __future__ import annotations

from math import e, pi, sqrt

import numpy as np
import pytest
from nightdraw.capture import seen as sn
from nightdraw.capture.pulses import Pulses

STARTS_S = (1 + pi / 10, 3 + e / 10, 5 + sqrt(2) / 10, 7 + sqrt(3) / 10, 9 + sqrt(5) / 10)
KINDS = (sn.PULSE, sn.PULSE, sn.STEP, sn.SPIKE, sn.DIP)
LASTING_S = (pi / 3, e / 3, 0.0, 0.001 / 3, sqrt(7) / 10)
LEVELS = (100 * pi, 100 * e, -10 * sqrt(2), 1000 * sqrt(3), -10 * sqrt(5))
LENGTH_S = 20.0
SPANS = (sn.Span(sqrt(11), sqrt(13), sn.NOISE), sn.Span(15 + pi / 100, 16 + e / 100, sn.GAP))


def column(*values: float) -> sn.Floats:
    return np.array(values, dtype=float)


def by_hand(unit: str = "mA") -> Pulses:
    """Two pulses, the first of two parts, a step, a spike and a dip on a base that falls slowly."""
    count = len(KINDS)
    events = sn.Events(
        kind=np.array(KINDS),
        first_edge=np.full(count, -1),
        last_edge=np.full(count, -1),
        start_s=column(*STARTS_S),
        start_u_s=np.full(count, 1e-4 / 3),
        duration_s=column(*LASTING_S),
        duration_u_s=np.full(count, 1e-3 / 7),
        level=column(*LEVELS),
        level_u=np.full(count, 1 / 7),
        mean=column(*LEVELS),
        part_from=np.array([0, 2, 3, 3, 3]),
        part_to=np.array([2, 3, 3, 3, 3]),
    )
    parts = sn.Parts(
        start_s=column(STARTS_S[0], STARTS_S[0] + 1 / 3, STARTS_S[1]),
        duration_s=column(1 / 3, pi / 3 - 1 / 3, e / 3),
        level=column(100 * pi, 10 * pi, 100 * e),
        level_u=column(1 / 7, 1 / 9, 1 / 7),
    )
    times_s = np.linspace(0.0, LENGTH_S, 201)
    base = sn.Base(times_s, 20 * pi - times_s / 3600 * 7 / 3, np.full(len(times_s), 0.1))
    edges = sn.Edges(*(column() for _ in range(8)))
    return Pulses(
        sn.Seen(
            name="by hand",
            channel="clamp",
            unit=unit,
            samples=20_001,
            start_s=0.0,
            end_s=LENGTH_S - 0.001,
            interval_s=0.001,
            noise=sqrt(3),
            wander=0.0,
            mean=70.0,
            z=5.0,
            least_change=1 / 3,
            time_constant_s=0.0033491,
            edges=edges,
            base=base,
            events=events,
            parts=parts,
            unjudged=SPANS,
        )
    )


def holds(shown: object, truth: float, digits: int) -> None:
    """That a number has so many digits behind the point, and is the truth within half of the last."""
    assert isinstance(shown, float)
    assert len(repr(shown).partition(".")[2]) == digits, shown
    assert shown == pytest.approx(truth, rel=0, abs=0.5001 * 10**-digits)


@pytest.mark.parametrize("unit", ["mA", "mV"])
def test_every_event_has_its_digits(unit: str) -> None:
    document, end = by_hand(unit).document(), unit.lower()
    pulses = document["pulses"]
    assert isinstance(pulses, list)
    assert len(pulses) == 2
    for k, row in enumerate(pulses):
        holds(row["start_s"], STARTS_S[k], 7)
        holds(row["duration_s"], LASTING_S[k], 7)
        holds(row["duration_u_s"], 1e-3 / 7, 7)
        holds(row[f"level_{end}"], LEVELS[k], 4)
        holds(row[f"level_u_{end}"], 1 / 7, 4)
    assert "parts" not in pulses[1]
    first, second = pulses[0]["parts"]
    holds(first["duration_s"], 1 / 3, 7)
    holds(second["start_s"], STARTS_S[0] + 1 / 3, 7)
    holds(second[f"level_{end}"], 10 * pi, 4)
    holds(second[f"level_u_{end}"], 1 / 9, 4)
    (step,), (spike,), (dip,) = document["steps"], document["spikes"], document["dips"]  # type: ignore[misc]
    holds(step["at_s"], STARTS_S[2], 7)
    holds(step[f"change_{end}"], LEVELS[2], 4)
    for row, k in ((spike, 3), (dip, 4)):
        holds(row["start_s"], STARTS_S[k], 7)
        holds(row["duration_s"], LASTING_S[k], 7)
        holds(row[f"level_{end}"], LEVELS[k], 4)
    assert document["plateaus"] == []


def test_the_summary_has_its_digits() -> None:
    document = by_hand().document()
    holds(document["noise_ma"], sqrt(3), 4)
    holds(document["drift_ma_per_h"], -7 / 3, 4)
    holds(document["time_constant_s"], 0.0033491, 6)
    judged = document["not_judged"]
    assert isinstance(judged, dict)
    hidden_s = sum(span.until_s - span.from_s for span in SPANS)
    holds(judged["s"], hidden_s, 4)
    holds(judged["pct"], 100 * hidden_s / LENGTH_S, 4)
    for row, span in zip(judged["spans"], SPANS, strict=True):
        holds(row["from_s"], span.from_s, 4)
        holds(row["until_s"], span.until_s, 4)
        assert row["why"] == span.why
    least = document["surely_found_ma"]
    assert isinstance(least, dict)
    assert list(least) == ["0.01 s", "0.1 s", "1 s"]
    for seconds in (0.01, 0.1, 1.0):  # a mean of n samples is the square root of n less noisy
        holds(least[f"{seconds:g} s"], max((5 + 3.1) * 1.27 * sqrt(3) / sqrt(1000 * seconds), 1 / 3), 4)
    holds(document["period_s"], STARTS_S[1] - STARTS_S[0], 7)


def test_the_text_says_milliseconds_and_the_unit() -> None:
    text = by_hand("mV").text()
    assert f"{1e3 * LASTING_S[0]:.2f} ms" in text
    assert f"{1e3 * LASTING_S[1]:.2f} ms" in text
    assert f"{LEVELS[0]:.2f} mV" in text
    assert "parts: 314 for 333 ms, 31 for 714 ms" in text
    assert "drift -2.33 mV/h" in text
    assert "mV for 10 ms, " in text
    assert "mV for 1000 ms" in text
    assert "a time constant of 3.3 ms" in text
    assert f"dip: at {STARTS_S[4]:.4f} s by {LEVELS[4]:+.1f} mV, {1e3 * LASTING_S[4]:.1f} ms" in text
    share = 100 * sum(span.until_s - span.from_s for span in SPANS) / LENGTH_S
    assert f"not judged: 1.3 s, {share:.2g} % of the recording (1 gaps, 1 stretches too noisy)" in text

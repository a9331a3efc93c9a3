"""What an instrument's faults are said to be, each from the fault itself."""

from __future__ import annotations

import re

import pytest
from nightdraw.capture.instrument import Instrument


def said(**off: float) -> str:
    return " | ".join(Instrument(**off).remarks())


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("share", [-0.035, -0.01, 0.0, 0.01, 0.035])
@pytest.mark.parametrize(
    ("power", "word"), [(100.0, "large"), (10.0, "large"), (0.1, "small"), (0.01, "small")]
)
def test_a_scale_off_by_a_power_of_ten_is_said_to_be_one(
    sign: int, share: float, power: float, word: str
) -> None:
    """Up to twice what a clamp in order may be off besides, 4 %: a wrong --scale, not a worn clamp."""
    text = said(gain=sign * power * (1 + share))
    assert f"{max(power, 1 / power):g} times too {word}" in text
    assert "%" not in text
    assert ("wrong way round" in text) == (sign < 0)


@pytest.mark.parametrize(
    ("gain", "percent"),
    [(1.05, 5.0), (0.93, -7.0), (10.45, 945.0), (9.5, 850.0), (0.0955, -90.5), (3.0, 200.0)],
)
def test_any_other_scale_is_said_in_per_cent(gain: float, percent: float) -> None:
    text = said(gain=gain)
    told = re.search(r"it shows ([\d.]+) mA of each mA \(([-+][\d.]+) %\)", text)
    assert told is not None, text
    assert float(told[1]) == pytest.approx(gain, rel=1e-3)
    assert float(told[2]) == pytest.approx(percent, abs=0.051)


@pytest.mark.parametrize(
    "off", [{"gain": 1.019}, {"gain": 0.981}, {"zero_ma": -1.9}, {"rate_ppm": 199.0}, {}]
)
def test_what_any_instrument_may_be_off_by_is_not_mentioned(off: dict[str, float]) -> None:
    assert said(**off) == ""


@pytest.mark.parametrize(
    ("off", "words"),
    [
        ({"gain": -1.0}, "wrong way round"),
        ({"gain": 1.021}, r"\+2\.1 %"),
        ({"zero_ma": -2.1}, r"zero -2\.1 mA"),
        ({"lead_ohm": 0.5}, r"0\.50 ohm in series"),
        ({"tau_s": 0.0123}, r"time constant 12\.3 ms"),
        ({"rate_ppm": -201.0}, "-201 ppm"),
    ],
)
def test_each_fault_has_its_remark_and_no_other(off: dict[str, float], words: str) -> None:
    (remark,) = Instrument(**off).remarks()
    assert re.search(words, remark)

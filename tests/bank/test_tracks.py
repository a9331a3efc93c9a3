"""Widths and distances of tracks against published figures."""

from __future__ import annotations

import pytest
from nightdraw.bank.kicad.tracks import APART_MM, MIL_MM, apart_mm, width_mm


@pytest.mark.parametrize(
    ("amperes", "rise_k", "mils"),
    # Makers' calculators for IPC-2221 on one ounce of copper, outer layer (values from memory, two of them
    # worked out by the published curve on 1.378 mil): 1 A and 10 K 11.8 mil, 5 A and 10 K 109 mil, 10 A and
    # 20 K 186 mil.
    [(1.0, 10.0, 11.8), (5.0, 10.0, 109.0), (10.0, 20.0, 186.0)],
)
def test_widths_are_those_of_published_tables(amperes: float, rise_k: float, mils: float) -> None:
    assert width_mm(amperes, rise_k) / MIL_MM == pytest.approx(mils, rel=0.02)


def test_a_wider_track_for_more_current_and_less_rise() -> None:
    assert width_mm(2.0) > width_mm(1.0) > width_mm(1.0, 20.0) > width_mm(0.0) == 0.0
    assert width_mm(1.0, copper_mm=0.07) == pytest.approx(width_mm(1.0) / 2)


def test_distances_are_those_of_the_standard_s_table() -> None:
    # IPC-2221A table 6-1, column B2: 0 to 30 V 0.1 mm, 31 to 150 V 0.6 mm, 151 to 170 V 1.25 mm.
    assert [apart_mm(volts) for volts in (0.0, 12.0, 30.0, 31.0, 59.3, 92.0, 150.0, 151.0, 170.0)] == [
        *(0.1, 0.1, 0.1),
        *(0.6, 0.6, 0.6, 0.6),
        *(1.25, 1.25),
    ]
    for beyond in ("170.1", "200"):
        with pytest.raises(ValueError, match=rf"^{beyond} V is beyond .*\(170 V\)$"):
            apart_mm(float(beyond))
    assert [distance for _, distance in APART_MM] == sorted(distance for _, distance in APART_MM)

"""The proof of a replay: recordings of its being played with faults made here, each told with its size."""

from __future__ import annotations

import numpy as np
import pytest
from boxcore.bank import Bank
from nightdraw.capture.replay import Proof, proof, replay

from tests.capture.synthetic import CHANNELS_NS, OWN_MA, SUPPLY_MV, Clamp, Floats, Truth

RISE_S = np.array([2.0, 5.0, 7.5, 11.0, 16.0])  # since the recording's start
LASTING_S = np.array([0.5, 1.2, 0.3, 2.0, 0.8])
LEVEL_MA = np.array([200.0, 350.0, 200.0, 500.0, 350.0])
BASE_MA, END_S = 30.0, 20.0
SAMPLE_S = 1e-3
OFF_S = np.zeros(5)


def truth(rise_s: Floats, fall_s: Floats, level_ma: Floats, base_ma: float) -> Truth:
    """Pulses on a base."""
    t_s = np.column_stack((rise_s, fall_s)).ravel()
    above_ma = np.column_stack((level_ma, 0.0 * level_ma)).ravel()
    levels_ma = base_ma + np.append(0.0, above_ma)
    return Truth(np.append(0.0, t_s), levels_ma, END_S, base_ma)


def proved(rise_late_s: Floats = OFF_S, fall_late_s: Floats = OFF_S, times: Floats = OFF_S + 1) -> Proof:
    """What is said of a replay whose edges come late, and whose levels are so many times what they should."""
    recorded = truth(RISE_S, RISE_S + LASTING_S, LEVEL_MA, BASE_MA)
    made = replay(Clamp(sigma_ma=0.5).recording(recorded), Bank(CHANNELS_NS), SUPPLY_MV, 0.01)
    begin_s = made.at_s[0]
    rise_s, fall_s = RISE_S + rise_late_s - begin_s, RISE_S + LASTING_S + fall_late_s - begin_s
    if rise_s[0] <= 0:  # the replay begins with its first pulse
        rise_s[0] = 0.0
    played = truth(rise_s, fall_s, times * LEVEL_MA, OWN_MA)
    return proof(made, Clamp(sigma_ma=0.5, seed=2).recording(played), OWN_MA)


def only(which: int, off: float, others: float = 0.0) -> Floats:
    """One of the five off, and the others."""
    return np.where(np.arange(5) == which, off, others)


def test_a_replay_as_it_was_asked_for_is_proved() -> None:
    found = proved()
    assert found.edge_s is not None
    assert found.edge_s <= found.edge_bound_s < 3 * SAMPLE_S
    assert found.charge_error < 0.005
    assert found.level_error_ma < 0.01 * LEVEL_MA.max()
    assert found.agrees(0.01, float(LEVEL_MA.max()))


@pytest.mark.parametrize("which", [1, 3, 4])
@pytest.mark.parametrize("off_s", [-0.04, 0.04, 0.2])
@pytest.mark.parametrize("edge", ["rise", "fall"])
def test_the_worst_edge_is_told_whichever_way_it_goes(edge: str, off_s: float, which: int) -> None:
    late_s = only(which, off_s, off_s / 4)
    found = proved(**{f"{edge}_late_s": late_s})
    assert found.edge_s == pytest.approx(abs(off_s), abs=2 * SAMPLE_S)
    assert not found.agrees(1.0, float(LEVEL_MA.max()))


@pytest.mark.parametrize("edge", ["rise", "fall"])
def test_an_edge_more_than_half_a_second_away_is_missing(edge: str) -> None:
    sign = -1 if edge == "rise" else 1  # the pulse comes to be longer
    near, far = (proved(**{f"{edge}_late_s": only(3, sign * off_s)}) for off_s in (0.48, 0.52))
    assert near.edge_s == pytest.approx(0.48, abs=2 * SAMPLE_S)
    assert far.edge_s is None
    assert not far.agrees(1.0, float(LEVEL_MA.max()))


@pytest.mark.parametrize("times", [0.95, 1.05])
def test_levels_that_are_off_show_in_charge_and_level(times: float) -> None:
    """By hand: every level off by a twentieth is a twentieth of the charge, and of the rms level."""
    found = proved(times=OFF_S + times)
    rms_ma = np.sqrt(np.sum(LASTING_S * LEVEL_MA**2) / np.sum(LASTING_S))
    assert found.charge_error == pytest.approx(0.05, abs=0.005)
    assert found.level_error_ma == pytest.approx(0.05 * rms_ma, rel=0.1)
    assert not found.agrees(0.04, 1e9), "for its charge"
    assert not found.agrees(0.06, found.level_error_ma / 0.07), "for its levels"
    assert found.agrees(0.06, found.level_error_ma / 0.05)

"""Gates, enable and their currents by hand: nodal analysis with a conductance matrix, at the tolerances that
each function names."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from nightdraw.bank.circuit import node_voltages as nv
from nightdraw.bank.circuit.part_text import FAMILIES
from nightdraw.bank.wiring.board_wiring import peak_a
from nightdraw.board import load_board
from nightdraw.board.circuit import Gates

HCT = FAMILIES["HCT"]
GATES = Gates(
    part="octal buffer 74HCT541",
    supply_v=Fraction(5),
    lockout_v=Fraction("4.5"),
    series_ohms=Fraction(100),
    pull_down_ohms=Fraction(100_000),
    enable_pull_up_ohms=Fraction(10_000),
    enable_pull_down_ohms=Fraction(15_000),
)


def solved(branches: list[tuple[float, float]], into_a: float) -> float:
    """A node's voltage by superposition: each source alone, then the current alone."""
    all_ohms = 1 / np.sum([1 / ohms for _, ohms in branches])
    by_source = 0.0
    for k, (volts, ohms) in enumerate(branches):
        others = [1 / other for j, (_, other) in enumerate(branches) if j != k]
        rest = 1 / np.sum(others) if others else np.inf
        by_source += volts * (1.0 if np.isinf(rest) else rest / (rest + ohms))
    return float(by_source + into_a * all_ohms)


def test_a_gate_that_is_off_has_its_leakage_times_its_pull_down() -> None:
    assert nv.gate_off_v(100_000.0, HCT) == pytest.approx(5e-6 * 105_000)


def test_a_gate_rises_in_three_time_constants() -> None:
    """60 nC at 5 V are 12 nF, behind 110 ohm of the output and 100 ohm, 5 % more."""
    assert nv.gate_rise_s(GATES, HCT) == pytest.approx(3 * (110 + 105) * 12e-9)
    assert nv.gate_rise_s(replace(GATES, series_ohms=None), HCT) == pytest.approx(3 * 110 * 12e-9)


def test_a_gate_that_is_on_is_divided_by_its_pull_down_and_lifted_by_the_shunt() -> None:
    board = load_board()
    shunt = float(board.circuit.sense.shunt_ohms or 0)
    lift = shunt * peak_a(board)
    assert lift > 0
    assert nv.gate_open_v(GATES) == pytest.approx(4.4)  # CMOS at light load: its supply less 0.1 V
    divided = 4.5 * (100_000 / 1.05) / (100_000 / 1.05 + 110 + 105)
    assert nv.gate_on_v(board, GATES, HCT) == pytest.approx(min(divided, 4.4) - lift)
    small = replace(GATES, pull_down_ohms=Fraction(1000))
    divided = 4.5 * (1000 / 1.05) / (1000 / 1.05 + 110 + 105)
    assert divided < 4.4
    assert nv.gate_on_v(board, small, HCT) == pytest.approx(divided - lift)
    assert nv.gate_on_v(board, replace(GATES, pull_down_ohms=None), HCT) == pytest.approx(4.4 - lift)
    assert nv.gate_on_v(replace(board, monitor=False), small, HCT) == pytest.approx(divided)


@pytest.mark.parametrize("packages", [1, 2])
@pytest.mark.parametrize("controller", [True, False])
def test_the_enable_stays_high_by_itself_at_the_least(packages: int, controller: bool) -> None:
    branches = [(4.5, 10_000 * 1.05), (0.0, 15_000 / 1.05)]
    branches += [(0.0, 50_000.0)] if controller else []
    leak_a = 1e-6 * (packages + controller)
    assert nv.enable_off_v(GATES, packages, controller) == pytest.approx(solved(branches, -leak_a))
    alone = replace(GATES, enable_pull_down_ohms=None)
    without = [branch for branch in branches if branch[1] != 15_000 / 1.05]
    assert nv.enable_off_v(alone, packages, controller) == pytest.approx(solved(without, -leak_a))


@pytest.mark.parametrize("packages", [1, 2])
def test_the_controllers_pin_bears_the_divided_supply_at_the_most(packages: int) -> None:
    top_v = 5.0 * nv.RIPPLE
    branches = [(top_v, 10_000 / 1.05), (0.0, 15_000 * 1.05)]
    assert nv.enable_pin_v(GATES, packages) == pytest.approx(solved(branches, 1e-6 * (packages + 1)))
    # leakage can't lift it above the supply that it leaks from
    assert nv.enable_pin_v(replace(GATES, enable_pull_down_ohms=None), packages) == top_v
    assert nv.enable_sink_a(GATES) == pytest.approx(top_v / (10_000 / 1.05))

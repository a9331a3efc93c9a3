"""The supply's cases themselves, and what a part may take in one: no simulation runs here."""

from __future__ import annotations

import pytest
from nightdraw.bank.circuit.assembly import build
from nightdraw.bank.circuit.simulate import probes_of
from nightdraw.bank.circuit.supply_cases import cases
from nightdraw.board import load_board

from tests.bank.test_simulate import BOARDS, case


@pytest.mark.parametrize("name", sorted(BOARDS))
def test_every_supply_begins_where_its_case_says(name: str) -> None:
    """Instants go up; a box that is connected has nothing before, and what is on begins at the supply."""
    board = load_board(BOARDS[name])
    for one in cases(board):
        seconds = [at_s for at_s, _ in one.waveform]
        assert seconds[0] == 0
        assert sorted(set(seconds)) == seconds, one.name
    power_up = case(board, "power-up")
    assert [volts for at_s, volts in power_up.waveform if at_s <= 1e-3] == [0, 0]
    assert power_up.waveform[1][0] == 1e-3
    assert power_up.waveform[-1][1] == board.supply_nominal_mv / 1000
    down = case(board, "brown-out").waveform
    assert [volts for _, volts in down] == [12.6 if "12" in name else down[0][1], 0, down[0][1], down[0][1]]
    assert down[2][0] == 4


@pytest.mark.parametrize("name", sorted(BOARDS))
def test_a_switch_may_take_its_watts_for_as_long_as_the_case_lasts_but_a_second_at_the_least(
    name: str,
) -> None:
    board = load_board(BOARDS[name])
    netlist = build(board)
    lengths = set()
    for one in cases(board):
        for probe in probes_of(board, netlist, one):
            if probe.what == "heat":
                watts = next(s.rating for s in netlist.part(probe.part).stress if s.what == "dissipation")
                assert probe.limit == pytest.approx(watts * max(1.0, one.waveform[-1][0]))
                lengths.add(one.waveform[-1][0] > 1)
    assert lengths == {True, False}

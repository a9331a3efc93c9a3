"""The SPICE deck of every shipped board in ngspice: an outside simulator against the tool's own figures.

The reversed supply is ISO 16750-2's (from memory); what stresses the parts is test_simulate's.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from boxcore.edgeplayer import TICKS_PER_S
from nightdraw import data
from nightdraw.bank.circuit import ngspice, spice
from nightdraw.bank.circuit.assembly import build
from nightdraw.bank.circuit.netlist import Netlist
from nightdraw.bank.circuit.spice import BOX
from nightdraw.bank.circuit.transients import system
from nightdraw.bank.rules.gates import OFF_V
from nightdraw.board import BoardModel, load_board
from nightdraw.errors import InputError

pytestmark = pytest.mark.skipif(
    not ngspice.available(), reason="ngspice is not installed (apt-get install ngspice)"
)
SHIPPED = sorted(data.folder("hardware").glob("*.yaml"))
WITHIN = 0.005  # of the tool's currents


@pytest.fixture(scope="module", params=SHIPPED, ids=lambda path: path.stem)
def board(request: pytest.FixtureRequest) -> BoardModel:
    return load_board(request.param)


@pytest.fixture(scope="module")
def netlist(board: BoardModel) -> Netlist:
    return build(board)


def meas(name: str, expression: str, how: str = "max") -> str:
    """Control lines that measure an expression over a transient; names get a prefix: a result's name would
    hide a node's."""
    return f"let m_{name}x = {expression}\nmeas tran m_{name} {how} m_{name}x"


def volts(net: str, ground: str = BOX) -> str:
    """The volts of a net over the box's ground, as ngspice writes them."""
    return f"(v({spice.node(net)})-v({ground}))".lower()


def test_every_channels_current_at_three_supplies(board: BoardModel, netlist: Netlist) -> None:
    """All on, then each alone; the tool is asked for the current at the supply that the box measures."""
    count = len(board.channels)
    bank = board.bank()
    everything = ngspice.run(spice.deck(board, netlist))
    supplies = everything[f"v(vp,{BOX.lower()})"]
    assert len(supplies) == 3
    for place, supply in enumerate(supplies):
        for number in range(1, count + 1):
            wanted = bank.current_ua(1 << number - 1, round(supply * 1000)) / 1e6
            assert everything[f"i(vq{number})"][place] == pytest.approx(wanted, rel=WITHIN)
    alone = "\n".join(
        f"alter vch{number} = 3.3\nop\nprint v(vp,{BOX.lower()}) i(vq{number})\nalter vch{number} = 0"
        for number in range(1, count + 1)
    )
    single = ngspice.run(
        spice.deck(board, netlist, drives=dict.fromkeys(range(1, count + 1), "0"), control=alone)
    )
    for number in range(1, count + 1):
        supply = single[f"v(vp,{BOX.lower()})"][number - 1]
        wanted = bank.current_ua(1 << number - 1, round(supply * 1000)) / 1e6
        assert single[f"i(vq{number})"][0] == pytest.approx(wanted, rel=WITHIN)


def test_the_protected_supply_is_what_ohms_law_leaves(board: BoardModel, netlist: Netlist) -> None:
    """Battery, fuse and lead by hand; only the reverse MOSFET's own few millivolts are the simulator's."""
    answer = ngspice.run(spice.deck(board, netlist))
    nominal = board.supply_nominal_mv / 1000
    drawn = -answer["i(vsup)"][1]
    ohms = spice.BATTERY_OHMS + sum(netlist.part(ref).number for ref in ("F1", "W1", "W2"))
    left = nominal - drawn * ohms
    reverse = netlist.part("Q0").number
    assert left - 1.5 * drawn * reverse < answer[f"v(vp,{BOX.lower()})"][1] < left


def test_gate_edges_are_far_shorter_than_a_tick(board: BoardModel, netlist: Netlist) -> None:
    """A tick is 100 us. The gate's time is that of its charge through series resistor and output (handbook:
    24 nC at 12 mA take 2 us)."""
    last = len(board.channels)
    gate, drive = volts(f"G{last}", spice.node(netlist.net(f"Q{last}", "S") or "")), volts(f"CH{last}")
    half = board.supply_nominal_mv / 1000 / float(board.channels[-1].ohms) / 2
    control = "\n".join(
        [
            "tran 20n 60u",
            f"let vg = {gate}",
            f"let vc = {drive}",
            "meas tran m_rise trig vg val=0.5 rise=1 targ vg val=4.4 rise=1",
            "meas tran m_fall trig vg val=4.4 fall=1 targ vg val=0.5 fall=1",
            f"meas tran m_on trig vc val=1.65 rise=1 targ i(vq{last}) val={half:g} rise=1",
            f"meas tran m_off trig vc val=1.65 fall=1 targ i(vq{last}) val={half:g} fall=1",
        ]
    )
    pulse = {last: "PULSE(0 3.3 5u 5n 5n 25u 1)"}
    found = ngspice.run(spice.deck(board, netlist, drives=pulse, control=control))
    tick_s = 1 / TICKS_PER_S
    for name in ("m_rise", "m_fall", "m_on", "m_off"):
        assert 0 < found[name][0] < tick_s / 20, name


def test_a_reversed_supply_draws_nothing(board: BoardModel, netlist: Netlist) -> None:
    worst = system(board).reversed_v
    control = f"foreach volts -4 -{worst:g}\nalter vsup = $volts\nop\nprint i(vsup) v(vp,{BOX.lower()})\nend"
    found = ngspice.run(spice.deck(board, netlist, control=control))
    assert len(found["i(vsup)"]) == 2
    assert all(abs(current) < 1e-3 for current in found["i(vsup)"])
    assert all(abs(supply) < 0.5 for supply in found[f"v(vp,{BOX.lower()})"])


def test_without_reverse_protection_the_body_diodes_would_conduct(
    board: BoardModel, netlist: Netlist
) -> None:
    """The check above can fail: with the MOSFET bridged the whole bank is on."""
    deck = spice.deck(board, netlist, control="alter vsup = -14\nop\nprint i(vsup)")
    lines = [line for line in deck.splitlines() if not line.startswith("MQ0")]
    bridged = "\n".join([lines[0], "RBRIDGE IN VP 0.01", *lines[1:]])
    assert abs(ngspice.run(bridged)["i(vsup)"][0]) > 0.05


@pytest.mark.parametrize("step_v", [2.0, pytest.param(0.5, marks=pytest.mark.campaign)])
def test_the_lock_out_keeps_gates_off_while_the_supply_climbs(
    board: BoardModel, netlist: Netlist, step_v: float
) -> None:
    """From nothing to nominal: a gate is either off or driven above the lock-out, never between."""
    nominal = board.supply_nominal_mv / 1000
    steps = " ".join(f"{1 + k * step_v:g}" for k in range(int((nominal - 1) / step_v) + 1))
    control = (
        f"foreach volts {steps}\nalter vsup = $volts\nop\n"
        f"print v(g1,{spice.node(netlist.net('Q1', 'S') or '').lower()}) v(v5,{BOX.lower()})\nend"
    )
    found = ngspice.run(spice.deck(board, netlist, control=control))
    gates = next(values for name, values in found.items() if name.startswith("v(g1"))
    assert board.circuit.gates is not None
    lowest = float(board.circuit.gates.lockout_v or 0) - 0.2
    assert any(gate > lowest for gate in gates)
    assert all(gate < OFF_V or gate > lowest for gate in gates)


def test_the_committed_deck_runs_as_it_is(board: BoardModel) -> None:
    path: Path = data.folder("hardware") / board.name / "deck.cir"
    found = ngspice.run(path.read_text())
    assert len(found[f"i(vq{len(board.channels)})"]) == 3


def test_a_deck_that_fails_is_an_error_not_an_empty_answer() -> None:
    with pytest.raises(InputError, match="could not run"):
        ngspice.run("* broken\nR1 a 0\nM1 a b c NOSUCH\n.control\nop\nprint v(a)\n.endc\n.end\n")


def test_the_fuse_drop_of_a_reference_run() -> None:
    """12.6 V, 5 mohm, a 7.70 mohm fuse, 50 mohm of wire, 126 ohm: 0.7696170 mV, 99.9503 mA, as another
    ngspice run gave (10 A medium blade, cold-resistance table as quoted)."""
    deck = (
        "* fuse\nV1 a 0 12.6\nR1 a b 5m\nRF b c 7.70m\nRW c d 50m\nRL d 0 126\n"
        ".options numdgt=7\n.control\nset numdgt=9\nop\nprint v(b,c) i(v1)\n.endc\n.end\n"
    )
    found = ngspice.run(deck)
    assert found["v(b,c)"][0] == pytest.approx(7.696170e-4, rel=1e-6)
    assert -found["i(v1)"][0] == pytest.approx(99.9503e-3, rel=1e-5)

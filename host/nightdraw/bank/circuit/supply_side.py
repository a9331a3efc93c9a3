"""The netlist's supply side: splice, fuse, lead, terminal, clamp, reverse protection, 5 V supply.

Nets from the vehicle inwards: BAT, FUSED, IN, VP (protected), VPF (filtered), V5; CHASSIS is the vehicle's
ground, GND the box's.
"""

from __future__ import annotations

from nightdraw.bank.circuit.netlist import (
    CLAMP,
    CONVERTER,
    FUSE,
    GROUND,
    LEAD,
    REVERSE_FET,
    SCHOTTKY,
    SPLICE,
    TERMINAL,
    WALL,
    WIRE,
    ZENER,
    Draft,
    Part,
    Stress,
)
from nightdraw.bank.circuit.passives import RIPPLE, ceramic, electrolytic, inrush_resistor, resistor
from nightdraw.bank.circuit.transients import CLAMP_MARGIN, lasting_v, system
from nightdraw.bank.parts import blade_fuses
from nightdraw.bank.wiring.board_wiring import peak_a
from nightdraw.bank.wiring.conductor import Conductor
from nightdraw.board import BoardModel
from nightdraw.board.circuit import MOSFET, Clamp, Converter, Fuse, Reverse, Wire

PULL_OHMS = 47_000.0  # the reverse MOSFET's gate to ground: a fifth of a milliampere at 24 V
ZENER_TOLERANCE = 1.05
HOT = 1.6  # a MOSFET's on-resistance at 125 C over that at 25 C, usual sheets
TO_AIR_K_W = 62.0  # TO-220 upright in still air, usual sheets
HOTTEST_C, AROUND_C = 150.0, 85.0
BULK_V = (16.0, 25.0, 35.0, 50.0, 63.0, 100.0, 160.0)  # electrolytics' standard voltages
BULK_UF = 100.0
CERAMIC_V = (100.0, 200.0, 500.0)  # their usual voltages
INSULATED = "TO-220, upright in air"


def front(draft: Draft, board: BoardModel) -> None:
    """Everything from the vehicle to VP."""
    circuit = board.circuit
    assert circuit.fuse is not None
    assert circuit.lead is not None
    assert circuit.clamp is not None
    assert circuit.reverse is not None
    peak = peak_a(board)
    _lead(draft, board, circuit.fuse, circuit.lead, peak)
    _clamp(draft, board, circuit.clamp)
    reverse = _mosfet if circuit.reverse.kind == MOSFET else _diode
    reverse(draft, board, circuit.reverse, circuit.clamp, peak)
    through = float(circuit.clamp.clamps_v)
    rated = next((volts for volts in CERAMIC_V if volts >= through * CLAMP_MARGIN), CERAMIC_V[-1])
    draft.add(
        ceramic("C1", None, through, rated),
        {"1": "VP", "2": GROUND},
    )


def _lead(draft: Draft, board: BoardModel, fuse: Fuse, lead: Wire, peak: float) -> None:
    name = blade_fuses.NAMES[fuse.type]
    volts = blade_fuses.VOLTS[1] if system(board).name == "24 V" else blade_fuses.VOLTS[0]
    mm2 = float(lead.area_mm2)
    draft.add(
        Part("X1", SPLICE, "splice", "-", "splice and ring terminal",
             f"crimp splice with adhesive heat-shrink for {mm2:g} mm2 and the circuit's wire; ring terminal "
             f"M6",
             "soldered splice under adhesive heat-shrink", ("BAT", "CHASSIS"), place=LEAD),
        {"BAT": "BAT", "CHASSIS": "CHASSIS"},
    )  # fmt: skip
    rating = float(fuse.rating_a)
    colour = blade_fuses.colour(fuse.type, rating)
    mohm, _ = blade_fuses.cold_mohm(fuse.type, rating)
    draft.add(
        Part("F1", FUSE, f"{rating:g} A", f"{volts} V, {blade_fuses.STANDARD} type {fuse.type}", name,
             f"{name} fuse, {rating:g} A{f' ({colour})' if colour else ''}, {volts} V, with in-line holder "
             f"for "
             f"{mm2:g} mm2, weather cap", "the same rating and type of another maker, never a larger one",
             ("1", "2"), (mohm or 0.0) / 1000, LEAD,
             stress=(Stress("current at 40 C", peak, rating * blade_fuses.share(fuse.type, 40.0), "A"),)),
        {"1": "BAT", "2": "FUSED"},
    )  # fmt: skip
    conductor = Conductor(mm2, float(lead.temp_c))
    for ref, colour, ends in (("W1", "red", ("FUSED", "IN")), ("W2", "black", ("CHASSIS", GROUND))):
        draft.add(
            Part(ref, WIRE, f"{mm2:g} mm2, {float(lead.length_m):g} m", f"{float(lead.temp_c):g} C",
                 "thin-wall vehicle cable", f"vehicle cable, {mm2:g} mm2, {colour}, ISO 6722 class B",
                 f"flexible wire IEC 60228 class 5, {mm2:g} mm2 or more, in sleeving", ("1", "2"),
                 conductor.mohm_m() / 1000 * float(lead.length_m), LEAD,
                 stress=(Stress("current at 40 C", peak, conductor.ampacity_a(40.0), "A"),)),
            {"1": ends[0], "2": ends[1]},
        )  # fmt: skip
    draft.add(
        Part("J1", TERMINAL, "2-way", "10 A, 2.5 mm2", "screw terminal, 5 mm pitch",
             "screw terminal block, 2-way, 5 mm pitch, 10 A or more", "3.5 mm pitch of 10 A or more",
             ("+", "-"), stress=(Stress("current", peak, 10.0, "A"),)),
        {"+": "IN", "-": GROUND},
    )  # fmt: skip


def _clamp(draft: Draft, board: BoardModel, clamp: Clamp) -> None:
    kind = system(board)
    draft.add(
        Part("D1", CLAMP, f"{float(clamp.standoff_v):g} V stand-off",
             f"{float(clamp.clamps_v):g} V at {float(clamp.at_a):g} A", "axial", clamp.part,
             "another bidirectional suppressor with the same stand-off and clamping voltage and 1.5 kW or "
             "more",
             ("1", "2"), float(clamp.breakdown_v),
             stress=(
                 Stress("suppressed load dump", kind.dump_v, float(clamp.standoff_v), "V"),
                 Stress("jump start", kind.jump_v, float(clamp.standoff_v), "V"),
             )),
        {"1": "IN", "2": GROUND},
    )  # fmt: skip


def _mosfet(draft: Draft, board: BoardModel, reverse: Reverse, clamp: Clamp, peak: float) -> None:
    ohms = float(reverse.ohms or 0)
    gate_clamp = float(reverse.gate_clamp_v or 0)
    through = float(clamp.clamps_v)
    draft.add(
        Part("Q0", REVERSE_FET, f"{ohms * 1000:g} mohm", f"{float(reverse.volts):g} V", INSULATED,
        reverse.part,
             "any P-channel MOSFET of at least this voltage and at most this resistance, same pin order",
             ("G", "D", "S"), ohms,
             stress=(
                 Stress("drain voltage", through, float(reverse.volts), "V"),
                 Stress("gate voltage", gate_clamp * ZENER_TOLERANCE, float(reverse.gate_max_v or 0), "V"),
                 Stress("dissipation", peak**2 * ohms * HOT, (HOTTEST_C - AROUND_C) / TO_AIR_K_W, "W"),
             )),
        {"G": "Q0G", "D": "IN", "S": "VP"},
    )  # fmt: skip
    draft.add(
        Part("Z1", ZENER, f"{gate_clamp:g} V", "0.5 W, 5 %", "axial, glass",
             f"zener diode, {gate_clamp:g} V, 0.5 W, 5 %", "1.3 W type of the voltage", ("A", "K"),
             gate_clamp,
             stress=(Stress("dissipation", gate_clamp * (through - gate_clamp) / PULL_OHMS, 0.25, "W"),)),
        {"K": "VP", "A": "Q0G"},
    )  # fmt: skip
    draft.add(resistor("R1", PULL_OHMS, lasting_v(board), through), {"1": "Q0G", "2": GROUND})


def _diode(draft: Draft, board: BoardModel, reverse: Reverse, clamp: Clamp, peak: float) -> None:
    drop = float(reverse.drop_v or 0)
    draft.add(
        Part("D0", SCHOTTKY, f"{float(reverse.volts):g} V", f"{float(reverse.volts):g} V, 3 A", "axial",
        reverse.part,
             "any Schottky diode of at least this voltage, 3 A or more", ("A", "K"), drop,
             stress=(
                 Stress("reverse voltage", float(clamp.clamps_v), float(reverse.volts), "V"),
                 Stress("current", peak, 3.0, "A"),
             )),
        {"A": "IN", "K": "VP"},
    )  # fmt: skip


def five_volts(draft: Draft, board: BoardModel, converter: Converter) -> None:
    """VP to V5: series resistor, bulk, module."""
    circuit = board.circuit
    assert circuit.clamp is not None
    through = float(circuit.clamp.clamps_v)
    rated = next((volts for volts in BULK_V if volts >= through), BULK_V[-1])  # its rating then says so
    series = float(converter.series_ohms)
    highest = max(board.caps["supply_max_mv"] / 1000, system(board).jump_v, system(board).dump_v)
    inrush_j = BULK_UF * 1e-6 * highest**2 / 2  # charging C to V costs the resistor as much as C then holds
    charging = inrush_resistor("R2", series, board.own_ua / 1e6 * series * 2, inrush_j)
    draft.add(charging, {"1": "VP", "2": "VPF"})
    draft.add(electrolytic("C2", BULK_UF, rated, through, "PS1"), {"+": "VPF", "-": GROUND})
    draft.add(
        Part("PS1", CONVERTER, f"{float(converter.output_v):g} V", f"{float(converter.input_max_v):g} V in",
             "module, 4 pins", converter.part,
             "any step-down module with these figures; set 5.0 V first where adjustable",
             ("IN+", "IN-", "OUT+", "OUT-"), float(converter.output_v), supply=("IN+", "OUT+"),
             stress=(Stress("input voltage", through, float(converter.input_max_v), "V"),)),
        {"IN+": "VPF", "IN-": GROUND, "OUT+": "V5", "OUT-": GROUND},
    )  # fmt: skip
    top = float(converter.output_v) * RIPPLE
    draft.add(electrolytic("C3", 47, 16.0, top, "PS1"), {"+": "V5", "-": GROUND})


__all__ = ["AROUND_C", "HOTTEST_C", "WALL", "five_volts", "front"]

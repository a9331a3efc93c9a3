"""The netlist as a SPICE deck for ngspice, with the tool's own models; it says what is modelled and how.

Nothing is run here. The processor's pins are sources, buffers and supervisor behave by their thresholds, the
step-down module takes the box's own power; all else is the netlist, part by part.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from nightdraw.bank.circuit.netlist import (
    BUFFER,
    CAPACITOR,
    CLAMP,
    CONVERTER,
    FUSE,
    GROUND,
    LIGHT,
    PROCESSOR,
    RESISTOR,
    REVERSE_FET,
    SCHOTTKY,
    SPLICE,
    SUPERVISOR,
    SWITCH,
    THERMISTOR,
    WIRE,
    ZENER,
    Netlist,
    Part,
)
from nightdraw.board import BoardModel, Switch

BOX = "BGND"  # the box's ground; `gnd` is node 0 to SPICE, and that is the vehicle's
HIGH_V = 3.3
BATTERY_OHMS = 0.01  # a small starter battery
LOGIC_SHARE = 0.3  # HCT inputs switch at 1.5 V with 5 V, and lower with less
SOURCE_OHMS = 50.0  # logic outputs
RUNS_FROM_V = 6.0  # below, the step-down module stands still
DROPOUT_V = 1.0
GATE_SHARE = 0.1  # of the on-resistance that no gate voltage takes away
P_THRESHOLD_V = -3.0
# Capacitances of a 60 V TO-220 logic-level MOSFET of this size, typical (from memory): 1.8 nF gate to source,
# 1.5 nF gate to drain while on and 0.15 nF while off, which makes some 25 nC in all.
CAPACITANCES = "Cgs=1.8n Cgdmax=1.5n Cgdmin=0.15n a=0.3 Cjo=0.8n"


def node(net: str) -> str:
    """A net's name in the deck."""
    return {GROUND: BOX, "CHASSIS": "0"}.get(net, net)


def deck(
    board: BoardModel,
    netlist: Netlist,
    supply: str | None = None,
    drives: Mapping[int, str] | None = None,
    control: str | None = None,
) -> str:
    """The deck: by default all channels on, currents at the lowest, nominal and highest supply.

    supply: the source's SPICE value; drives: channel -> its GPIO's value (others are on, 3.3 V); control: the
    lines between .control and .endc.
    """
    nominal = f"{board.supply_nominal_mv / 1000:g}"
    lines = [
        f"* {board.name}: the circuit of the board file, for ngspice (run: ngspice -b FILE)",
        "* Node 0 is the vehicle's ground, BGND the box's, a lead away. VP is the protected supply.",
        f"VSUP SUP 0 {supply or nominal}",
        f"RSUP SUP BAT {BATTERY_OHMS:g}",
    ]
    said = drives or {}
    for number in range(1, len(board.channels) + 1):
        lines.append(f"VCH{number} GPIO{number} {BOX} {said.get(number, f'{HIGH_V:g}')}")
        lines.append(f"BCH{number} CH{number} {BOX} V=min(v(GPIO{number},{BOX}), v(3V3X,{BOX}))")
    for part in netlist.parts:
        make = ELEMENTS.get(part.kind)
        if make is not None:
            lines += make(part, {pin: _net(netlist, part, pin) for pin in part.pins}, board)
    lines += models(board, netlist)
    lines += [".control", control or table(board), ".endc", ".end"]
    return "\n".join(lines) + "\n"


def _net(netlist: Netlist, part: Part, pin: str) -> str:
    return node(netlist.net(part.ref, pin) or f"NC_{part.ref}")


def table(board: BoardModel) -> str:
    """Control lines that print the protected supply and every channel's current at three supplies."""
    volts = [board.caps["supply_min_mv"], board.supply_nominal_mv, board.caps["supply_max_mv"]]
    listed = " ".join(f"{value / 1000:g}" for value in volts)
    wanted = " ".join(f"i(vq{number})" for number in range(1, len(board.channels) + 1))
    printed = f"print v(vp,{BOX.lower()}) i(vsup) {wanted}"
    return f"foreach volts {listed}\n  alter vsup = $volts\n  op\n  {printed}\nend"


def _splice(part: Part, nets: Mapping[str, str], board: BoardModel) -> list[str]:
    return []


def _two(part: Part, nets: Mapping[str, str], board: BoardModel) -> list[str]:
    first, second = (nets[pin] for pin in part.pins)
    return [f"R{part.ref} {first} {second} {part.number:g}"]


def _capacitor(part: Part, nets: Mapping[str, str], board: BoardModel) -> list[str]:
    first, second = (nets[pin] for pin in part.pins)
    return [f"C{part.ref} {first} {second} {part.number:g}"]


def _clamp(part: Part, nets: Mapping[str, str], board: BoardModel) -> list[str]:
    first, second = (nets[pin] for pin in part.pins)
    return [f"D{part.ref}A MID_{part.ref} {first} CLAMPD", f"D{part.ref}B MID_{part.ref} {second} CLAMPD"]


def _diode(model: str) -> Callable[[Part, Mapping[str, str], BoardModel], list[str]]:
    def made(part: Part, nets: Mapping[str, str], board: BoardModel) -> list[str]:
        return [f"D{part.ref} {nets['A']} {nets['K']} {model}"]

    return made


def _reverse(part: Part, nets: Mapping[str, str], board: BoardModel) -> list[str]:
    return [f"M{part.ref} {nets['D']} {nets['G']} {nets['S']} PREV"]


def _switch(part: Part, nets: Mapping[str, str], board: BoardModel) -> list[str]:
    return [
        f"V{part.ref} {nets['D']} X{part.ref} 0",  # what a channel draws is this source's current
        f"M{part.ref} X{part.ref} {nets['G']} {nets['S']} NSW",
    ]


def _converter(part: Part, nets: Mapping[str, str], board: BoardModel) -> list[str]:
    watts = board.own_ua / 1e6 * board.supply_nominal_mv / 1000
    volts = f"v({nets['IN+']},{nets['IN-']})"
    return [
        f"B{part.ref} {nets['IN+']} {nets['IN-']} I={volts} > {RUNS_FROM_V:g} ? {watts:g}/{volts} : 1e-9",
        f"B{part.ref}O O{part.ref} {nets['OUT-']} V=max(0, min({part.number:g}, {volts}-{DROPOUT_V:g}))",
        f"R{part.ref}O O{part.ref} {nets['OUT+']} 0.1",
    ]


def _processor(part: Part, nets: Mapping[str, str], board: BoardModel) -> list[str]:
    """3.3 V from VSYS; the enable pin pulled low once there is 3.3 V, as the firmware does in a run."""
    rail = "v(3V3X)"
    enable = next((net for net in nets.values() if net == "OE"), None)
    lines = [f"B{part.ref} 3V3X {BOX} V=max(0, min({HIGH_V:g}, v({nets['39 VSYS']},{BOX})))"]
    lines.append(f"R{part.ref} 3V3X {nets['36 3V3']} 0.5")
    lines.append(f"RVSYS {nets['39 VSYS']} {BOX} 100k")
    if enable is not None:
        lines.append(f"BOEN {enable} {BOX} I=({rail}-v({BOX})) > 3 ? v({enable},{BOX})/{SOURCE_OHMS:g} : 0")
    return lines


def _supervisor(part: Part, nets: Mapping[str, str], board: BoardModel) -> list[str]:
    supply = f"v({nets['VDD']},{nets['GND']})"
    return [
        f"B{part.ref} S{part.ref} {nets['GND']} V={supply} < {part.number:g} ? max(0, {supply}) : 0",
        f"R{part.ref} S{part.ref} {nets['RST']} {SOURCE_OHMS:g}",
    ]


def _buffer(part: Part, nets: Mapping[str, str], board: BoardModel) -> list[str]:
    """Each output: 50 ohm to VCC or ground while both enables are low (HCT: 1.5 V at 5 V), else nothing."""
    ground = nets["GND"]
    supply = f"v({nets['VCC']},{ground})"
    level = f"{LOGIC_SHARE:g}*{supply}"
    driven = f"v({nets['OE1']},{ground}) < {level} ? (v({nets['OE2']},{ground}) < {level} ? 1 : 0) : 0"
    lines = [f"BEN{part.ref} EN{part.ref} {ground} V={driven}"]
    for pin in part.pins:
        if pin.startswith("Y") and pin not in part.spare:
            inlet, outlet = nets["A" + pin[1:]], nets[pin]
            wanted = f"(v({inlet},{ground}) > {level} ? {supply} : 0)"
            flow = f"v(EN{part.ref},{ground})*(v({outlet},{ground})-{wanted})/{SOURCE_OHMS:g}"
            lines.append(f"B{part.ref}{pin} {outlet} {ground} I={flow}")
    return lines


ELEMENTS: dict[str, Callable[[Part, Mapping[str, str], BoardModel], list[str]]] = {
    SPLICE: _splice,
    FUSE: _two,
    WIRE: _two,
    RESISTOR: _two,
    THERMISTOR: _two,
    CAPACITOR: _capacitor,
    CLAMP: _clamp,
    ZENER: _diode("ZEN"),
    SCHOTTKY: _diode("SCH"),
    LIGHT: _diode("LAMPD"),
    REVERSE_FET: _reverse,
    SWITCH: _switch,
    CONVERTER: _converter,
    PROCESSOR: _processor,
    SUPERVISOR: _supervisor,
    BUFFER: _buffer,
}


def models(board: BoardModel, netlist: Netlist) -> list[str]:
    """The semiconductors' models, from the board file's figures."""
    lines = [
        ".model SCH D(Is=1u N=1.05 Rs=0.1 BV=60)",
        ".model LAMPD D(Is=1e-20 N=1.8 Rs=5)",
    ]
    if board.switch is not None:
        threshold, gain, rest = switch_law(board.switch)
        lines.append(
            f".model NSW VDMOS(Vto={threshold:.4g} Kp={gain:.4g} Rs={rest:.4g} "
            f"BV={float(board.switch.drain_v):g} "
            f"Is=1e-12 Rb=0.01 {CAPACITANCES})"
        )
    for part in netlist.of(CLAMP):
        lines.append(f".model CLAMPD D(Is=1e-12 BV={part.number:g} IBV=1m Rs=0.3)")
    for part in netlist.of(ZENER):
        lines.append(f".model ZEN D(Is=1e-12 BV={part.number:g} IBV=5m Rs=5)")
    for part in netlist.of(REVERSE_FET):
        gain = 1 / (part.number * (10 + P_THRESHOLD_V))
        volts = part.stress[0].rating
        lines.append(
            f".model PREV VDMOS(pchan Vto={P_THRESHOLD_V:g} Kp={gain:.4g} BV={volts:g} Is=1e-12 Rb=0.01 "
            f"{CAPACITANCES})"
        )
    return lines


def switch_law(switch: Switch) -> tuple[float, float, float]:
    """Threshold, gain and fixed resistance so that R(Vg) = 1/(Kp (Vg - Vto)) + Rs meets the sheet's two
    lowest rows; with one row the threshold is taken at 0.45 of its gate voltage."""
    rows = [(float(row.gate_v), float(row.ohms)) for row in switch.specified]
    rest = GATE_SHARE * min(ohms for _, ohms in rows)
    low_v, low_ohms = rows[0]
    threshold = 0.45 * low_v
    if len(rows) > 1 and rows[1][1] < low_ohms:
        high_v, high_ohms = rows[1]
        ratio = (low_ohms - rest) / (high_ohms - rest)
        threshold = max(0.0, (ratio * low_v - high_v) / (ratio - 1))
    return threshold, 1 / ((low_ohms - rest) * (low_v - threshold)), rest

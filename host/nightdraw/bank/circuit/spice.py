"""The netlist as a SPICE deck for ngspice, with the tool's own models; it says what is modelled and how.

Nothing is run here. The processor's pins are sources, buffers and supervisor behave by their thresholds, the
step-down module takes the box's own power; all else is the netlist, part by part. Thresholds are steep but
smooth (tanh): a step in a source leaves Newton's method without a slope to follow, and where the step feeds
back on itself (converter, cranking) without a solution at all.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from nightdraw.bank.circuit.control import gpio_pin
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
from nightdraw.bank.circuit.node_voltages import PIN_LEAK_A, PULLS_OHMS
from nightdraw.bank.circuit.part_text import WORST, family
from nightdraw.board import BoardModel, Switch

BOX = "BGND"  # the box's ground; `gnd` is node 0 to SPICE, and that is the vehicle's
HIGH_V = 3.3
BATTERY_OHMS = 0.01  # a small starter battery
LOGIC_SHARE = 0.3  # HCT inputs switch at 1.5 V with 5 V, and lower with less
SOURCE_OHMS = 50.0  # logic outputs
RUNS_FROM_V = 6.0  # below, the step-down module takes less and less
DROPOUT_V = 1.0
EFFICIENCY = 0.8  # of the step-down module at light load (usual sheets, from memory)
RELTOL = 1e-4  # with ngspice's own 1e-3 an operating point a volt beside the solution has passed for it
EDGE_V = 0.02  # half the width of a threshold
RELEASE_S = 0.1  # a supervisor holds its reset so long after its supply is back (usual sheets, from memory)
SNAP = 5e-4  # of its charge: its output changes within 0.1 ms although the charge runs out slowly
HYSTERESIS_V = 0.1  # of it; its sheet's highest threshold lies further up
FALL_S = 1e-5  # and gives it so soon after the supply fell
HENRY_M = 1e-6  # a pair of wires side by side, for each metre of lead (common practice)
LOSS_OHMS = 50.0  # across that inductance: near the pair's surge impedance, without it the ringing never ends
# What the controller does: it runs (enable low once it has its 3.3 V), is in reset or blank (its pins' own
# pull-downs), or isn't in its socket (every pin open, each input's leakage lifting it).
RUNS, RESET, ABSENT = "runs", "reset", "absent"
THRESHOLD_SHARE = 0.45
LEAST_THRESHOLD_V = 1.0  # of a logic-level MOSFET (usual sheets)
P_THRESHOLD_V = -3.0
GATE_SHARE = 0.1  # of the on-resistance that no gate voltage takes away
# Capacitances of a 60 V TO-220 logic-level MOSFET of this size, typical (from memory): 1.8 nF gate to source,
# 1.5 nF gate to drain while on and 0.15 nF while off, which makes some 25 nC in all.
CAPACITANCES = "Cgs=1.8n Cgdmax=1.5n Cgdmin=0.15n a=0.3 Cjo=0.8n"


def node(net: str) -> str:
    """A net's name in the deck."""
    return {GROUND: BOX, "CHASSIS": "0"}.get(net, net)


@dataclass(frozen=True)
class Feed:
    """What the board hangs on: the vehicle's side as a SPICE source value with its resistance, USB (volts,
    None: not plugged in), and what the controller does."""

    supply: str | None = None
    ohms: float = BATTERY_OHMS
    usb_v: float | None = None
    controller: str = RUNS


def deck(
    board: BoardModel,
    netlist: Netlist,
    feed: Feed = Feed(),
    drives: Mapping[int, str] | None = None,
    control: str | None = None,
) -> str:
    """The deck: by default all channels on, currents at the lowest, nominal and highest supply.

    drives: channel -> its GPIO's value (others are on, 3.3 V); control: the lines between .control and .endc.
    """
    nominal = f"{board.supply_nominal_mv / 1000:g}"
    lines = [
        f"* {board.name}: the circuit of the board file, for ngspice (run: ngspice -b FILE)",
        "* Node 0 is the vehicle's ground, BGND the box's, a lead away. VP is the protected supply.",
        f"VSUP SUP 0 {feed.supply or nominal}",
        f"RSUP SUP BAT {feed.ohms:g}",
    ]
    for part in netlist.parts:
        make = ELEMENTS.get(part.kind)
        here = part.kind != PROCESSOR or feed.controller != ABSENT
        if make is not None and here:
            lines += make(part, {pin: _net(netlist, part, pin) for pin in part.pins}, board)
        if part.kind == PROCESSOR:
            lines += _pins(part, netlist, board, feed, drives or {})
    lines += models(board, netlist)
    lines += [f".options reltol={RELTOL:g}", ".control", control or table(board), ".endc", ".end"]
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
    """Its resistance; a shunt's sense pins (1S, 2S) are its own ends again."""
    first, second, *_ = (nets[pin] for pin in part.pins)
    sensed = [pin for pin in part.pins[2:] if pin.endswith("S")]
    return [
        f"R{part.ref} {first} {second} {part.number:g}",
        *(f"V{part.ref}{pin} {nets[pin[:-1]]} {nets[pin]} 0" for pin in sensed),
    ]


def _wire(part: Part, nets: Mapping[str, str], board: BoardModel) -> list[str]:
    """A conductor of the lead: its resistance, and half of the pair's inductance."""
    first, second = (nets[pin] for pin in part.pins)
    assert board.circuit.lead is not None
    henry = HENRY_M * float(board.circuit.lead.length_m) / 2
    return [
        f"R{part.ref} {first} M_{part.ref} {part.number:g}",
        f"L{part.ref} M_{part.ref} {second} {henry:g}",
        f"R{part.ref}L M_{part.ref} {second} {LOSS_OHMS:g}",
    ]


def _capacitor(part: Part, nets: Mapping[str, str], board: BoardModel) -> list[str]:
    first, second = (nets[pin] for pin in part.pins)
    return [f"C{part.ref} {first} {second} {part.number:g}"]


def _clamp(part: Part, nets: Mapping[str, str], board: BoardModel) -> list[str]:
    first, second = (nets[pin] for pin in part.pins)
    return [
        f"V{part.ref} {first} X{part.ref} 0",  # what it carries is this source's current
        f"D{part.ref}A MID_{part.ref} X{part.ref} CLAMPD",
        f"D{part.ref}B MID_{part.ref} {second} CLAMPD",
    ]


def _diode(model: str) -> Callable[[Part, Mapping[str, str], BoardModel], list[str]]:
    def made(part: Part, nets: Mapping[str, str], board: BoardModel) -> list[str]:
        return [f"D{part.ref} {nets['A']} {nets['K']} {model}"]

    return made


def _reverse(part: Part, nets: Mapping[str, str], board: BoardModel) -> list[str]:
    return [f"V{part.ref} {nets['D']} X{part.ref} 0", f"M{part.ref} X{part.ref} {nets['G']} {nets['S']} PREV"]


def _switch(part: Part, nets: Mapping[str, str], board: BoardModel) -> list[str]:
    return [
        f"V{part.ref} {nets['D']} X{part.ref} 0",  # what a channel draws is this source's current
        f"M{part.ref} X{part.ref} {nets['G']} {nets['S']} NSW",
    ]


def _converter(part: Part, nets: Mapping[str, str], board: BoardModel) -> list[str]:
    """It takes the box's own power, and gives current but takes none back."""
    watts = own_w(board)
    volts = f"v({nets['IN+']},{nets['IN-']})"
    wanted = f"max(0, min({part.number:g}, {volts}-{DROPOUT_V:g}))"
    return [
        f"B{part.ref} {nets['IN+']} {nets['IN-']} "
        f"I={volts} > {RUNS_FROM_V:g} ? {watts:g}/{volts} : {watts / RUNS_FROM_V**2:g}*{volts}",
        f"B{part.ref}O {nets['OUT-']} {nets['OUT+']} I=max(0, {wanted}-v({nets['OUT+']},{nets['OUT-']}))/0.1",
        f"R{part.ref} {nets['OUT+']} {nets['OUT-']} 100k",
    ]


def own_w(board: BoardModel) -> float:
    """What the box itself takes while it runs, watts."""
    return board.own_ua / 1e6 * board.supply_nominal_mv / 1000


def _processor(part: Part, nets: Mapping[str, str], board: BoardModel) -> list[str]:
    """3.3 V from VSYS, which bears what the converter's efficiency leaves of the box's own power."""
    vsys = nets["39 VSYS"]
    return [
        f"B{part.ref} {BOX} 3V3X I=max(0, min({HIGH_V:g}, v({vsys},{BOX}))-v(3V3X,{BOX}))/0.1",
        f"R{part.ref} 3V3X {nets['36 3V3']} 0.5",
        f"R{part.ref}L {vsys} {BOX} {25 / (EFFICIENCY * own_w(board)):.4g}",
    ]


def _pins(
    part: Part, netlist: Netlist, board: BoardModel, feed: Feed, drives: Mapping[int, str]
) -> list[str]:
    """The controller's pins to the buffers, by what it does; and its USB socket, behind its own diode."""
    lines = []
    wanted = {f"CH{number}": gpio_pin(channel.pin) for number, channel in enumerate(board.channels, 1)}
    wanted["OE"] = gpio_pin(board.circuit.pins.enable)
    for name, pin in wanted.items():
        net = _net(netlist, part, pin or "")
        if net.startswith("NC_"):
            continue
        if feed.controller == ABSENT:
            lines.append(f"BPIN{name} {BOX} {net} I={PIN_LEAK_A:g}*max(0, min(1, (5-v({net},{BOX}))/0.1))")
            lines.append(f"RPIN{name} {net} {BOX} 100meg")
        elif feed.controller == RESET:
            lines.append(f"RPIN{name} {net} {BOX} {PULLS_OHMS[0]:g}")
        elif name == "OE":
            on = _above(f"v(3V3X,{BOX})", "3")
            lines.append(f"BOEN {net} {BOX} I={on}*v({net},{BOX})/{SOURCE_OHMS:g}")
        else:
            number = name.removeprefix("CH")
            lines.append(f"VCH{number} GPIO{number} {BOX} {drives.get(int(number), f'{HIGH_V:g}')}")
            lines.append(f"BCH{number} PIN{number} {BOX} V=max(0, min(v(GPIO{number},{BOX}), v(3V3X,{BOX})))")
            lines.append(f"RCH{number} PIN{number} {net} {SOURCE_OHMS:g}")
    if feed.usb_v is not None:
        lines += [f"VUSB VBUS {BOX} {feed.usb_v:g}", f"DUSB VBUS {_net(netlist, part, '39 VSYS')} SCH"]
    return lines


def _above(volts: str, level: str, edge: float = EDGE_V) -> str:
    """1 where the volts are above the level, 0 below."""
    return f"(0.5+0.5*tanh(({volts}-{level})/{edge:g}))"


def _supervisor(part: Part, nets: Mapping[str, str], board: BoardModel) -> list[str]:
    """RESET high while its supply is below the threshold, and for RELEASE_S after. Without hysteresis there
    is a state between, in which the bank's own drop on the lead holds it at its threshold."""
    ground = nets["GND"]
    supply = f"v({nets['VDD']},{ground})"
    held = f"v(T{part.ref},{ground})"
    low = f"(1-{_above(supply, f'({part.number:g}+{HYSTERESIS_V:g}*{held})')})"
    charge = f"({low}-{held})*1e-6"  # into a microfarad
    return [
        f"B{part.ref}T {ground} T{part.ref} I={low} > {held} ? {charge}/{FALL_S:g} : {charge}/{RELEASE_S:g}",
        f"C{part.ref}T T{part.ref} {ground} 1u",
        f"B{part.ref} S{part.ref} {ground} V=max(0, {supply})*{_above(held, '0.4', SNAP)}",
        f"R{part.ref} S{part.ref} {nets['RST']} {SOURCE_OHMS:g}",
    ]


def _buffer(part: Part, nets: Mapping[str, str], board: BoardModel) -> list[str]:
    """Each output: 50 ohm to VCC or ground while both enables are low (HCT: 1.5 V at 5 V), else the family's
    greatest leakage from VCC. Inputs of a family without over-voltage tolerance feed VCC through diodes."""
    ground = nets["GND"]
    supply = f"v({nets['VCC']},{ground})"
    level = f"{LOGIC_SHARE:g}*{supply}"
    kind = (family(board.circuit.gates.part) if board.circuit.gates else None) or WORST
    off = [_above(f"v({nets[pin]},{ground})", level) for pin in ("OE1", "OE2")]
    lines = [f"BEN{part.ref} EN{part.ref} {ground} V=(1-{off[0]})*(1-{off[1]})"]
    for pin in part.pins:
        if not pin.startswith("Y") or pin in part.spare:
            continue
        inlet, outlet = nets["A" + pin[1:]], nets[pin]
        out, enabled = f"v({outlet},{ground})", f"v(EN{part.ref},{ground})"
        flow = f"{enabled}*({out}-{supply}*{_above(f'v({inlet},{ground})', level)})/{SOURCE_OHMS:g}"
        leak = f"(1-{enabled})*{kind.leak_a:g}*max(0, min(1, ({supply}-{out})/0.1))"
        lines.append(f"B{part.ref}{pin} {outlet} {ground} I={flow}-{leak}")
        if not kind.tolerant:
            lines.append(f"D{part.ref}{pin} {inlet} {nets['VCC']} INPUTD")
    return lines


ELEMENTS: dict[str, Callable[[Part, Mapping[str, str], BoardModel], list[str]]] = {
    SPLICE: _splice,
    FUSE: _two,
    WIRE: _wire,
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
        ".model INPUTD D(Is=1e-12 Rs=20)",
    ]
    if board.switch is not None:
        threshold, gain, rest = switch_law(board.switch)
        lines.append(
            f".model NSW VDMOS(Vto={threshold:.4g} Kp={gain:.4g} Rs={rest:.4g} "
            f"BV={float(board.switch.drain_v):g} "
            f"Is=1e-12 Rb=0.01 {CAPACITANCES})"
        )
    for part in netlist.of(CLAMP):
        lines.append(f".model CLAMPD D(Is=1e-12 BV={part.number:g} IBV=1m Rs={_clamp_ohms(board):.4g})")
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


def _clamp_ohms(board: BoardModel) -> float:
    """Half of a suppressor's slope from its lowest breakdown to its greatest clamping voltage: the model has
    two diodes in series, one of them forward (about 1 V at that current)."""
    clamp = board.circuit.clamp
    assert clamp is not None
    return max(0.01, float((clamp.clamps_v - clamp.breakdown_v - 1) / clamp.at_a) / 2)


def switch_law(switch: Switch) -> tuple[float, float, float]:
    """Threshold, gain and fixed resistance so that R(Vg) = 1/(Kp (Vg - Vto)) + Rs meets the sheet's two
    lowest rows. Rows far apart say little of the threshold: where they would put it below what a logic-level
    part has, and with one row, it is taken at 0.45 of the lowest gate voltage."""
    rows = [(float(row.gate_v), float(row.ohms)) for row in switch.specified]
    rest = GATE_SHARE * min(ohms for _, ohms in rows)
    low_v, low_ohms = rows[0]
    threshold = THRESHOLD_SHARE * low_v
    if len(rows) > 1 and rows[1][1] < low_ohms:
        high_v, high_ohms = rows[1]
        ratio = (low_ohms - rest) / (high_ohms - rest)
        fitted = (ratio * low_v - high_v) / (ratio - 1)
        if fitted >= LEAST_THRESHOLD_V:
            threshold = fitted
        else:
            gain = (1 / (low_v - threshold) - 1 / (high_v - threshold)) / (low_ohms - high_ohms)
            return threshold, gain, low_ohms - 1 / (gain * (low_v - threshold))
    return threshold, 1 / ((low_ohms - rest) * (low_v - threshold)), rest

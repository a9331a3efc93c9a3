"""The build guide: in which order, what to measure before going on, first power-up, self-test, trim, removal.

Every figure is worked out from the board file and the netlist; the words are the trade's practice.
"""

from __future__ import annotations

from collections.abc import Iterator

from nightdraw.bank.cautions import CAUTIONS
from nightdraw.bank.circuit import node_voltages
from nightdraw.bank.circuit.gate_drive import buffers_of
from nightdraw.bank.circuit.netlist import BOARD, REVERSE_FET, Netlist
from nightdraw.bank.circuit.passives import ohms_text
from nightdraw.bank.drawings import commission, stripboard_plan
from nightdraw.bank.drawings.commission import LIMIT_MA, measured
from nightdraw.bank.drawings.parts_list import what_to_buy
from nightdraw.bank.kicad.layout import connectors
from nightdraw.bank.kicad.library import CHECK
from nightdraw.bank.wiring.board_wiring import peak_a
from nightdraw.board import BoardModel
from nightdraw.board.circuit import Gates

METER_SHARE = 0.01  # a hand-held meter's own error, added to the resistor's tolerance


BUILDING = (
    "Solder and drill with eye protection. Nothing here is connected to a vehicle before the last section.",
    "Power off before a part goes into its socket or comes out. Without the controller (U1) the circuit "
    "holds "
    "every switch off by itself; section 3 measures it.",
)


def guide(board: BoardModel, netlist: Netlist) -> str:
    """The page, in Markdown."""
    parts = [
        *_head(board),
        *_before(board, netlist),
        *_supply(board, netlist),
        *_electronics(board, netlist),
        *commission.software(board),
        *commission.bank(board, netlist),
        *commission.power_up(board, netlist),
        *commission.trim(board),
        *commission.vehicle(board),
    ]
    return "\n".join(parts) + "\n"


def _head(board: BoardModel) -> Iterator[str]:
    yield f"# {board.name}: build guide"
    yield ""
    yield (
        f"{board.about} Made by `nightdraw bank draw` from `hardware/{board.name}.yaml`: change that, not "
        "this. Nobody has built one yet."
    )
    yield ""
    yield "Beside this page: `parts.csv` (what to buy), `kicad/` (the circuit board), `schematic.pdf`,"
    yield (
        "`wiring.csv` (every wire, with a column to tick), `pinmap.md`, `placement.pdf` (what sits where on a"
    )
    yield "perforated board), `lead.pdf` (pigtail and splice), `drill.pdf` (drilling template, one to one),"
    yield "`box.pdf` (the box as drilled), `label.pdf`, `enclosure/` (a view), `deck.cir` (for ngspice)."
    yield ""
    yield "## Cautions"
    yield ""
    for caution in (*CAUTIONS, *BUILDING):
        yield f"- {caution}"
    low, high = board.caps["supply_min_mv"] / 1000, board.caps["supply_max_mv"] / 1000
    yield ""
    yield (
        f"Readings: where a row names no supply, it holds at {low:g} V and at {high:g} V as well; take "
        "it at both ends."
    )


def _before(board: BoardModel, netlist: Netlist) -> Iterator[str]:
    need = max(1.0, round(peak_a(board) * 1.5, 1))
    volts = f"{board.caps['supply_max_mv'] / 1000:g}"
    yield ""
    yield "## 1. Before you start"
    yield from what_to_buy(board, netlist)
    yield ""
    yield (
        f"- A bench supply of 0 .. {volts} V with a current limit, {need:g} A; a meter with mA and mV ranges;"
    )
    yield "  a soldering iron; drill and the drilling template; a computer with Nightdraw installed."
    yield (
        "- The circuit board: two layers, 1.6 mm, 35 um of copper. Where there is no "
        "`order/` folder with gerbers,"
    )
    yield (
        "  KiCad 9 makes them from `kicad/`. By hand instead: a perforated board by "
        "`wiring.csv` and `placement.pdf`.\n"
        f"  In `order/`, `{board.name}.step` is the bare board with its holes as a solid, to try in a "
        "drawing of another box."
    )
    yield (
        "- Check the parts against `parts.csv`. Measure every bank resistor now: it is the last easy time."
    )
    yield ""
    yield "| resistor | should be | accept |"
    yield "| --- | --- | --- |"
    for number, channel in enumerate(board.channels, 1):
        each = float(channel.each if channel.each is not None else channel.ohms)
        slack = float(channel.tolerance_pct) / 100 + METER_SHARE
        many = f" ({channel.count} of them)" if channel.count > 1 else ""
        low, high = each * (1 - slack), each * (1 + slack)
        yield f"| RB{number}{many} | {ohms_text(each)} ohm | {low:.4g} .. {high:.4g} ohm |"
    yield ""
    yield (
        "**Pin orders.** A wrong one passes every check of a drawing. Hold each part's own sheet against the"
    )
    yield "names printed on the board:"
    yield ""
    yield "| part | the board has it so |"
    yield "| --- | --- |"
    for kind, order in CHECK.items():
        refs = [part.ref for part in netlist.of(kind)]
        if refs:
            yield f"| {_span(refs)} | {order} |"
    if board.monitor and board.circuit.sense.shunt_ohms is not None:
        shunt = float(board.circuit.sense.shunt_ohms)
        yield ""
        yield (
            "**The monitor's own resistor.** Most modules carry one, often 0.1 ohm, between IN+ "
            f"and IN-. RS1 is {shunt:g} ohm"
        )
        yield (
            "by the board file and stands on the board: unsolder the module's. Left in, the two "
            "are in parallel and every"
        )
        yield (
            f"current reads too low ({shunt * 0.1 / (shunt + 0.1) / shunt * 100:.0f} % of it with 0.1 ohm)."
        )


def _span(refs: list[str]) -> str:
    return refs[0] if len(refs) == 1 else f"{refs[0]} .. {refs[-1]}"


def _supply(board: BoardModel, netlist: Netlist) -> Iterator[str]:
    circuit = board.circuit
    fet = bool(netlist.of(REVERSE_FET))
    reverse, first = ("Q0, Z1, R1", "Q0") if fet else ("D0", "D0")
    loss = 0.1 if fet else float((circuit.reverse and circuit.reverse.drop_v) or 0.5)
    yield ""
    yield "## 2. Supply side"
    yield ""
    yield (
        "Drill the enclosure first and try everything for size; then the circuit board, lowest parts first: "
        "`assembly/parts.html`"
    )
    yield "shows where each goes."
    if stripboard_plan.fits(netlist, len(board.channels)):
        yield (
            "On stripboard instead: all cuts, then all links of insulated hook-up wire, for some cross, "
            "by `placement.pdf` and"
        )
        yield (
            "`links.csv`, ticking each. **Measure** every cut: open. **Measure** every link: under 0.5 ohm "
            "end to end. Links that"
        )
        yield "would run under a socket go in before it."
    else:
        yield (
            "On a perforated board instead: the buses of bus wire first, by `placement.pdf`; then "
            "every wire of"
        )
        yield "`wiring.csv`, ticking each as it is soldered."
    yield ""
    yield (
        f"Fit J1, D1, {reverse}, C1, R2, C2, PS1, C3. Mind the diodes' bands (Z1's to VP), "
        "the plus of C2 and C3."
    )
    yield "Leave U1, the buffers and D2 out. Set an adjustable PS1 before its output is soldered."
    yield from measured(_supply_rows(board, first, loss))


def _supply_rows(board: BoardModel, first: str, loss: float) -> list[tuple[str, str, str]]:
    assert board.circuit.converter is not None
    nominal = board.supply_nominal_mv / 1000
    low, high = board.caps["supply_min_mv"] / 1000, board.caps["supply_max_mv"] / 1000
    output = float(board.circuit.converter.output_v)
    return [
        (
            "unpowered: J1 + to J1 -",
            "more than 10 kohm, rising while C2 charges",
            f"a short: D1, C1 or a bridge; below 100 ohm both ways {first}",
        ),
        (
            f"{nominal:g} V, limit {LIMIT_MA} mA, at J1: VP to GND",
            f"within {loss:g} V of the supply",
            (
                f"0 V: {first} the wrong way round or Z1 shorted; half a volt less: {first} passes by "
                "its diode only, see Z1 and R1"
            ),
        ),
        (
            "V5 to GND",
            f"{output:g} V +-0.1 V",
            ("more: take PS1 out before anything else is fitted; 0 V: pin order of PS1, R2"),
        ),
        ("current", "below 20 mA", "at the limit: C2 or C3 turned round, PS1's pins"),
        (
            f"V5 at {low:g} V and at {high:g} V",
            f"the same {output:g} V",
            "sags at the lower end: PS1 needs more input than it gets",
        ),
        (
            f"leads swapped, {nominal:g} V, limit {LIMIT_MA} mA",
            "under 1 mA, VP 0 V",
            (f"current flows: {first} is turned round or shorted. Stop. Swap the leads back"),
        ),
    ]


def _electronics(board: BoardModel, netlist: Netlist) -> Iterator[str]:
    chips = buffers_of(board)
    gates, sense = board.circuit.gates, board.circuit.sense
    assert gates is not None
    down = ohms_text(float(gates.pull_down_ohms or 0))
    parts = "R5, R6, C6, D3, R8" + (", R7, C7, RT1 (its bead still free)" if sense.thermistor else "")
    pulled = any(part.ref == "R10" for part in netlist.parts)
    parts += (", RS1, U5, C5" if board.monitor else "") + (", R10, R11" if pulled else "")
    both = " and ".join(chips)
    own = ", ".join(
        sorted((ref for ref in ("C9", "C10", "C12") if _has(netlist, ref)), key=lambda r: int(r[1:]))
    )
    panel = ", ".join(ref for ref in ("S1", "S2", "S3", "LED1") if _has(netlist, ref))
    plugs = ", ".join(one.ref for one in connectors(board, netlist))
    yield ""
    yield "## 3. Electronics"
    yield ""
    yield (
        f"Fit the socket strips for U1 and a socket for {both}, then D2, C4, {parts}, {own} (each at "
        "its chip),"
    )
    yield "R3, R9, R4, U4, every RG and RP, and the MOSFETs Q1 and up (by the tab; touch ground first)."
    yield (
        f"Put {panel} into the panel and wire them by `wiring.csv` with hook-up wire, its ends in "
        "sleeving. On the"
    )
    yield (
        f"circuit board by crimps and housings: {plugs}. The panel's headers differ in their ways, so "
        "that no plug"
    )
    yield (
        "fits another's; where a part has fewer wires than its plug, they are the outermost. By hand "
        "the same wires"
    )
    yield "are soldered in. U1 and the buffers stay out."
    nominal = board.supply_nominal_mv / 1000
    rows = [
        ("unpowered: each gate to its source", f"{down} ohm", "less: a bridge at Q; open: RP"),
        ("V5 to GND, V3 to GND, neighbouring socket pins", "no short", "a bridge: find it before any power"),
        ("U1's socket, pin 29, to LED1's A (J6 pin 1)", "1 kohm (R8)", "open or short: R8"),
        *_unpowered(board, netlist),
        (
            f"{nominal:g} V, limit {LIMIT_MA} mA: V5, and pin 20 of {both}",
            "5 V",
            "0 V: a track or joint between",
        ),
        ("pin 39 of U1's socket", "4.6 .. 5 V", "0 V: D2 turned round"),
        ("every gate", "0 V", "anything else: a bridge to V5"),
    ]
    yield from measured(rows)
    yield from _plugged(board)


def _idle_v(drive: Gates) -> float:
    """The output-enable with nothing but its divider."""
    up, down = float(drive.enable_pull_up_ohms or 0), float(drive.enable_pull_down_ohms or 0)
    return float(drive.supply_v) * down / (up + down) if up + down else 0.0


def _has(netlist: Netlist, ref: str) -> bool:
    return any(part.ref == ref for part in netlist.parts)


def _unpowered(board: BoardModel, netlist: Netlist) -> Iterator[tuple[str, str, str]]:
    """What is measured at U1's empty socket without power."""
    yield from _switches(netlist)
    at = {join.net: join.pin.split()[0] for join in netlist.joins if join.ref == "U1"}
    if _has(netlist, "S1"):
        pins = ", ".join(f"{at[f'SEL{code}']} ({code})" for code in (1, 2, 4, 8))
        yield (
            f"U1's socket, pin {at['V3']} to pins {pins}, S1 at 1, 2, 4 and 8",
            "closes with its own weight only; at 0 none",
            "all but one closed: a switch of complement code; another weight: wires of J3",
        )
    if _has(netlist, "R10"):
        yield "U1's socket, pins 1 and 2, to V3", "4.7 kohm each (R10, R11)", "open: R10, R11"
    if _has(netlist, "RS1"):
        yield (
            "across RS1, at its holes 1S and 2S (by hand: at its leads), and from them to U5's IN+ and IN-",
            "under 0.5 ohm, the leads' own",
            "open: RS1, or the sense tracks or wires",
        )
    if _has(netlist, "RT1"):
        ohms = netlist.part("RT1").number
        plugs = ", or the plugs of J6 and J7 swapped" if netlist.part("RT1").place != BOARD else ""
        yield (
            f"U1's socket, pin {at['HOT']} to GND, in a room of 20 .. 25 C",
            f"{ohms_text(ohms / 2)} .. {ohms_text(ohms * 1.3)} ohm (RT1, and what lies beside it)",
            f"more: RT1's wires{plugs}; less: a bridge",
        )


def _switches(netlist: Netlist) -> Iterator[tuple[str, str, str]]:
    """That each switch of the panel is wired to its own connector."""
    at = {join.net: join.pin.split()[0] for join in netlist.joins if join.ref == "U1"}
    for net, ref, plug in (("ARM", "S2", "J4"), ("BUTTON", "S3", "J5")):
        yield (
            f"U1's socket, pin {at['V3']} to pin {at[net]} ({net})",
            f"closes with {ref} and nothing else",
            f"closes with the other one: the wires of J4 and J5 are swapped; never: {ref} or {plug}",
        )


def _plugged(board: BoardModel) -> Iterator[str]:
    """What is measured with the buffers in their sockets, without the controller and with it."""
    nominal, sense, drive = board.supply_nominal_mv / 1000, board.circuit.sense, board.circuit.gates
    assert drive is not None
    packages = len(buffers_of(board))
    lowest, highest = (
        node_voltages.enable_off_v(drive, packages, True),
        node_voltages.enable_pin_v(drive, packages),
    )
    yield ""
    yield "Power off. Plug in the buffers (notch as printed). Power on, U1's socket still empty:"
    yield from measured(
        [
            ("OE", f"{_idle_v(drive):.2g} V +-0.3 V", "5 V: R9 open, and U1 would not bear it; 0 V: R3 open"),
            ("every gate", "0 V", "5 V: off at once; OE, the buffers' notches, a bridge"),
        ]
    )
    yield ""
    yield "Power off. Plug in U1, its USB socket at the board's edge. Power on:"
    low = board.caps["supply_min_mv"] / 1000
    rows = [
        ("every gate", "0 V", "5 V: off at once; pin order of U4, R3"),
        ("OE", f"{lowest:.1f} .. {highest:.1f} V", "0 V: R3; firmware takes it later"),
        ("LOCK", "0 V", "5 V at a sound V5: U4's pin order"),
        (
            f"turn the supply down from {low:g} V: gates and LOCK",
            "LOCK goes high as V5 falls below 4.5 .. 4.75 V, gates stay 0 V",
            "LOCK stays low: U4",
        ),
        (
            "J1 open, USB in: pin 20 of the buffers",
            "below 0.5 V, every gate 0 V",
            ("about 2.5 V: a 74HCT541, fed through its inputs: take the part of the list"),
        ),
    ]
    if sense.divider_ohms is not None:
        top, bottom = (float(ohms) for ohms in sense.divider_ohms)
        share = bottom / (top + bottom)
        high = board.caps["supply_max_mv"] / 1000
        rows.append(
            (
                f"pin 31 of U1's socket at {low:g}, {nominal:g} and {high:g} V",
                f"{low * share:.2f}, {nominal * share:.2f} and {high * share:.2f} V +-2 %",
                "3.6 V: R6 open, D3 holds it; 0 V: R5 open",
            )
        )
    yield from measured(rows)

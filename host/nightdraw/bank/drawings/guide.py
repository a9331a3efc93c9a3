"""The build guide: in which order, what to measure before going on, first power-up, self-test, trim, removal.

Every figure is worked out from the board file and the netlist; the words are the trade's practice.
"""

from __future__ import annotations

from collections.abc import Iterator

from nightdraw.bank.cautions import CAUTIONS
from nightdraw.bank.circuit.gate_drive import buffers_of
from nightdraw.bank.circuit.netlist import REVERSE_FET, WALL, Netlist
from nightdraw.bank.circuit.passives import ohms_text
from nightdraw.bank.circuit.transients import system
from nightdraw.bank.drawings import stripboard_plan
from nightdraw.bank.parts import blade_fuses
from nightdraw.bank.wiring.board_wiring import peak_a
from nightdraw.board import BoardModel

METER_SHARE = 0.01  # a hand-held meter's own error, added to the resistor's tolerance
LIMIT_MA = 100  # for the first power-up: enough for the electronics, too little to hurt


def guide(board: BoardModel, netlist: Netlist) -> str:
    """The page, in Markdown."""
    parts = [
        *_head(board),
        *_before(board),
        *_supply(board, netlist),
        *_electronics(board, netlist),
        *_bank(board, netlist),
        *_power_up(board, netlist),
        *_software(board),
        *_trim(board),
        *_vehicle(board),
    ]
    return "\n".join(parts) + "\n"


def _head(board: BoardModel) -> Iterator[str]:
    yield f"# {board.name}: build guide"
    yield ""
    yield (
        f"{board.about} Made by `nightdraw bank draw` from `hardware/{board.name}.yaml`: change that, not "
        "this."
    )
    yield ""
    yield (
        "Beside this page: `parts.csv` (what to buy), `schematic.pdf`, `wiring.csv` (every wire, with a "
        "column to"
    )
    yield (
        "tick), `pinmap.md`, `placement.pdf` (what sits where), `lead.pdf` (pigtail and splice), "
        "`drill.pdf` (drilling"
    )
    yield "template, one to one), `deck.cir` (the circuit for ngspice)."
    yield ""
    yield "## Cautions"
    yield ""
    for caution in CAUTIONS:
        yield f"- {caution}"
    yield (
        "- Solder and drill with eye protection. Nothing here is connected to a vehicle before the last "
        "section."
    )


def _before(board: BoardModel) -> Iterator[str]:
    peak = peak_a(board)
    need = max(1.0, round(peak * 1.5, 1))
    volts = f"{board.caps['supply_max_mv'] / 1000:g}"
    yield ""
    yield "## 1. Before you start"
    yield ""
    yield (
        f"- A bench supply of 0 .. {volts} V with a current limit, {need:g} A; a meter with mA and mV "
        "ranges; a soldering"
    )
    yield "  iron; drill and the drilling template; a computer with Nightdraw installed."
    yield "- Check the parts against `parts.csv`. Measure every bank resistor now: it is the last easy time."
    yield ""
    yield "| resistor | should be | accept |"
    yield "| --- | --- | --- |"
    for number, channel in enumerate(board.channels, 1):
        each = float(channel.each if channel.each is not None else channel.ohms)
        slack = float(channel.tolerance_pct) / 100 + METER_SHARE
        many = f" ({channel.count} of them)" if channel.count > 1 else ""
        yield (
            f"| RB{number}{many} | {ohms_text(each)} ohm | {each * (1 - slack):.4g} .. "
            f"{each * (1 + slack):.4g} ohm |"
        )
    yield ""
    yield (
        "- Check the pin order of MOSFETs, supervisor and step-down module against their own sheets: "
        "TO-220 is usually"
    )
    yield (
        "  gate, drain, source from the left with the print towards you and the tab is the drain; TO-92 "
        "differs by part."
    )


def _supply(board: BoardModel, netlist: Netlist) -> Iterator[str]:
    circuit = board.circuit
    assert circuit.converter is not None
    nominal = board.supply_nominal_mv / 1000
    reverse = "Q0, Z1, R1" if netlist.of(REVERSE_FET) else "D0"
    yield ""
    yield "## 2. Supply side"
    yield ""
    yield "Drill the enclosure first and try everything for size; then the circuit board, lowest parts first."
    if stripboard_plan.fits(netlist, len(board.channels)):
        yield "On the stripboard: all cuts, then all links, by `placement.pdf` and `links.csv`, ticking each."
        yield "**Measure** every cut: open. **Measure** every link: under 0.5 ohm end to end."
    yield ""
    yield (
        f"1. Fit J1, D1, {reverse}, C1, R2, C2, PS1, C3. Mind diodes' bands (Z1's to VP), the plus of C2 "
        "and C3. Leave U1,"
    )
    yield "   the buffers and D2 out."
    yield (
        "2. **Measure, unpowered:** J1 + to J1 -: more than 10 kohm and rising while C2 charges; never a "
        "short."
    )
    yield (
        f"3. **Measure, powered:** bench supply at {nominal:g} V, limit {LIMIT_MA} mA, to J1. VP reads "
        "within 0.1 V of it; set or"
    )
    yield f"   check PS1 to {float(circuit.converter.output_v):g} V +-0.1 V; current below 20 mA."
    yield (
        f"4. **Measure, reversed:** supply off, leads swapped, on again at {nominal:g} V: the current "
        "reads 0 mA (under 1 mA) and VP"
    )
    first = reverse.split(",")[0]
    yield f"   0 V. If not, {first} is the wrong way round: stop. Swap the leads back."


def _electronics(board: BoardModel, netlist: Netlist) -> Iterator[str]:
    chips = buffers_of(board)
    gates = board.circuit.gates
    assert gates is not None
    down = ohms_text(float(gates.pull_down_ohms or 0))
    sensing = "R5, R6, C6, D3" + (", R7, C7" if board.circuit.sense.thermistor else "")
    monitor = ", RS1, U5, C5" if board.monitor else ""
    yield ""
    yield "## 3. Electronics"
    yield ""
    yield (
        f"1. Fit sockets for U1 and {' and '.join(chips)}, then D2, C4, {sensing}{monitor}, the capacitor "
        "of each chip, R3, R4, U4,"
    )
    yield "   and every RG and RP. Wire the panel's parts by `wiring.csv` and tick each wire."
    yield "2. Fit the MOSFETs Q1 and up. Handle them by the tab; touch ground first."
    yield (
        f"3. **Measure, unpowered, sockets empty:** each gate to its source {down} ohm; 5V to GND and 3V3 "
        "to GND no short;"
    )
    yield "   neighbouring socket pins no short."
    yield (
        f"4. **Measure, powered ({board.supply_nominal_mv / 1000:g} V, {LIMIT_MA} mA), sockets empty:** 5 "
        "V at pin 20 of "
    )
    yield f"   {' and '.join(chips)}, 0 V at every gate, about {5 - 0.3:g} V at pin 39 of U1's socket."
    yield (
        "5. Supply off. Plug in the buffers (notch as drawn) and U1 (USB to the outside). Supply on: "
        "every gate still 0 V,"
    )
    yield "   OE at 3.3 V, LOCK at 0 V."
    yield (
        "6. **Lock-out:** turn the supply down slowly. Below about 6 V at J1 the 5 V rail sags and LOCK "
        "goes high: gates stay 0 V."
    )
    yield "7. **USB alone:** J1 open, USB in: below 0.5 V at pin 20 of the buffers, 0 V at every gate."
    yield "   About 2.5 V there is a 74HCT541, fed through its inputs: take the part of the list."


def _bank(board: BoardModel, netlist: Netlist) -> Iterator[str]:
    walls = [part.ref for part in netlist.parts if part.place == WALL and part.ref.startswith("RB")]
    yield ""
    yield "## 4. Bank"
    yield ""
    if walls:
        yield (
            f"1. Screw {', '.join(walls)} to the floor with a thin film of compound; sleeve their terminals."
        )
        if board.enclosure is not None and board.enclosure.plate_m:
            yield "   Their screws go through the aluminium sheet, compound below it too: it spreads heat."
            yield "   Feet of 20 mm under the box let air at its bottom."
        yield "   Fasten RT1 to the wall beside the largest of them, electrically insulated."
    else:
        yield (
            "1. Fit the bank's resistors 5 mm clear of the board, away from C2 and U1; RT1 touching the "
            "largest, insulated."
        )
    yield "2. Wire VP to every RB and every RB to its MOSFET's drain by `wiring.csv`."
    yield "3. **Measure, unpowered:** from VP to each drain the value of section 1's table; from each"
    yield "   drain to GND no short, the meter's plus on the drain (some kohm by the supply side are normal)."
    if walls:
        yield "4. **Measure:** every clad resistor's terminals to the enclosure: open (more than 10 Mohm)."


def _power_up(board: BoardModel, netlist: Netlist) -> Iterator[str]:
    volts = board.supply_nominal_mv / 1000
    yield ""
    yield "## 5. First power-up, behind a current limit"
    yield ""
    yield (
        f"1. Supply at {volts:g} V, limit {LIMIT_MA} mA, to the end of the lead, fuse in. Nothing warm, "
        "nothing smelling."
    )
    yield (
        f"2. The box alone draws about {board.own_ua / 1000:g} mA once it runs ({_own(board)}). More than "
        f"{board.own_ua / 500:g} mA: off, find"
    )
    yield "   the reason; a channel that is on by itself shows as its current in the table below."
    yield "3. The indicator blinks once in ten seconds: idle."
    yield ""
    yield (
        f"What each channel draws alone at {volts:g} V, and what it drops across the fuse beside the "
        "box's own:"
    )
    yield ""
    yield "| channel | current | across F1 | power in RB |"
    yield "| --- | --- | --- | --- |"
    fuse = board.circuit.fuse
    mohm = blade_fuses.cold_mohm(fuse.type, float(fuse.rating_a))[0] if fuse else None
    for number, channel in enumerate(board.channels, 1):
        amperes = volts / float(channel.ohms + channel.on_ohms)
        drop = "-" if mohm is None else f"{amperes * mohm:.2f} mV"
        watts = amperes**2 * float(channel.ohms)
        yield f"| {number} | {amperes * 1000:.2f} mA | {drop} | {watts:.2f} W |"


def _own(board: BoardModel) -> str:
    said = [f"{name} {value / 1000:g} mA" for name, value in board.own_states_ua.items()]
    return "; ".join(said) if said else "own consumption of the board file"


def _software(board: BoardModel) -> Iterator[str]:
    path = f"hardware/{board.name}.yaml"
    yield ""
    yield "## 6. Firmware and self-test"
    yield ""
    yield "MicroPython comes first: hold the board's boot button while USB is plugged in and copy"
    yield "MicroPython's UF2 file onto the drive that appears; or put both on at once with the image of"
    yield "`nightdraw box image`."
    yield ""
    yield "```text"
    yield "nightdraw box find"
    yield f"nightdraw box install --board {path}"
    yield "nightdraw box check"
    yield "nightdraw box selftest"
    yield "```"
    yield ""
    if board.monitor:
        yield (
            "The self-test closes one channel after another for some milliseconds and compares its "
            "current with the board"
        )
        yield (
            "file. Raise the bench supply's limit to the sum of the table before it. A channel that fails "
            "is named; look for its"
        )
        yield "MOSFET's pin order first, then for a swapped wire."
    else:
        yield (
            "This board measures no current: the self-test covers storage and sensors. Check the channels "
            "by hand with `nightdraw"
        )
        yield "box level` and a meter in the lead: 1, 2, 4 by their currents in the table above."


def _trim(board: BoardModel) -> Iterator[str]:
    volts = board.supply_nominal_mv / 1000
    last = len(board.channels)
    amperes = volts / float(board.channels[-1].ohms + board.channels[-1].on_ohms)
    yield ""
    yield "## 7. Trim"
    yield ""
    yield (
        f"With the meter in the lead (highest range first) and the supply at {volts:g} V as the meter "
        "reads it:"
    )
    yield ""
    yield "```text"
    yield "nightdraw box trim"
    yield f"nightdraw box trim --reading {last}={amperes * 1000:.1f}mA@{volts:g}V"
    yield "```"
    yield ""
    yield (
        "The first asks for each channel in turn; the second enters one reading: channel, its current "
        "without the box's own, and"
    )
    yield "the volts at J1. Let the bank warm up for ten minutes, then read the largest channels again."
    yield (
        "Feel the wall after an hour at the highest level: `nightdraw bank heat "
        f"hardware/{board.name}.yaml` says what to expect."
    )


def _vehicle(board: BoardModel) -> Iterator[str]:
    yield ""
    yield "## 8. Into a vehicle, and out again"
    yield ""
    yield (
        f"{system(board).name} training vehicles only, by `lead.pdf`: never with the engine running, "
        "never behind a relay that sleeps,"
    )
    yield (
        "on the vehicle's side of any battery sensor. Hang the tag where the driver sees it. To remove: "
        "box off, fuse F1 out, negative"
    )
    yield (
        "off, splice cut back and sealed, ring off, negative on; scan and clear what the battery sensor "
        "logged; sign the tag."
    )
    yield "The vehicle maker's procedure, local codes and a licensed technician come first."

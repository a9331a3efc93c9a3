"""The build guide, from the firmware on: bank and box, first power-up, trim, into a vehicle and out."""

from __future__ import annotations

from collections.abc import Iterator

from nightdraw.bank.circuit.netlist import WALL, Netlist
from nightdraw.bank.circuit.transients import system
from nightdraw.bank.drawings.box_files import why_not_printed
from nightdraw.bank.kicad.layout import connectors
from nightdraw.bank.mechanics.inside import (
    CLEARANCE_MM,
    STAND_OFF_MM,
    USB_HOLE_MM,
    resistor_screw_mm,
    screw_of,
    stand_off_screws_mm,
)
from nightdraw.bank.mechanics.placement import placed
from nightdraw.bank.parts import blade_fuses
from nightdraw.board import BoardModel

LIMIT_MA = 100  # for the first power-up: enough for the electronics, too little to hurt
INSULATED = (
    "each clad resistor's terminals to the enclosure",
    "open, more than 10 Mohm",
    "anything less: a burr through the compound, or a damaged part",
)


def measured(rows: list[tuple[str, str, str]]) -> Iterator[str]:
    """What is measured, what is right, and what a wrong reading means."""
    yield ""
    yield "| measure | right | wrong |"
    yield "| --- | --- | --- |"
    for row in rows:
        yield "| " + " | ".join(row) + " |"


def software(board: BoardModel) -> Iterator[str]:
    """MicroPython, the firmware and its checks."""
    path = f"hardware/{board.name}.yaml"
    yield ""
    yield "## 4. Firmware"
    yield ""
    yield (
        "On USB alone, J1 open, by a USB lead that carries data. MicroPython comes first: hold the boot "
        "button "
        "while USB is plugged in and"
    )
    yield (
        "copy MicroPython's UF2 file onto the drive that appears; or put both on at once "
        "with the image of `nightdraw"
    )
    yield "box image`."
    yield ""
    yield "```text"
    yield "nightdraw box find"
    yield f"nightdraw box install --board {path}"
    yield "nightdraw box check"
    yield "```"
    yield ""
    yield (
        "The indicator now blinks once in ten seconds: idle. Dark: R8, or LED1 turned round (J6, A and K)."
    )


def bank(board: BoardModel, netlist: Netlist) -> Iterator[str]:
    """Resistors, box, and what is measured."""
    bodies = [part for part in netlist.parts if part.ref.startswith("RB")]
    walls = [part.ref for part in bodies if part.place == WALL]
    here = [part.ref for part in bodies if part.place != WALL]
    yield ""
    yield "## 5. Bank and box"
    yield ""
    yield "Power off, USB out."
    yield ""
    if walls:
        first = f"Fit {', '.join(here)} to the circuit board, 5 mm clear of it. " if here else ""
        yield (
            f"1. {first}Screw {', '.join(walls)} to the floor with a thin film of compound; sleeve their "
            "terminals. Screws that"
        )
        yield f"   fit their own holes: {_threads(board)} (usual sizes: check)."
        if board.enclosure is not None and board.enclosure.plate_m:
            yield "   They go through the aluminium sheet, compound below it too: it spreads heat."
            yield "   Feet of 20 mm under the box let air at its bottom."
        yield "   RT1's bead goes to the wall beside the largest of them, electrically insulated."
        ends = ", ".join(one.ref for one in connectors(board, netlist) if one.note.startswith("RB"))
        yield (
            f"2. Wire each to its terminal, the one with its name (VP and the drain; {ends}): either end may"
        )
        yield "   be either."
    else:
        yield (
            "1. Fit the bank's resistors 5 mm clear of the board; RT1's bead touching the largest, insulated."
        )
    yield from _stands(board, 3 if walls else 2)
    yield from _lead(netlist, 4 if walls else 3)
    yield from measured(
        [
            (
                "from VP to each drain",
                "the value of section 1's table",
                "another channel's value: wires swapped",
            ),
            (
                "each drain to GND, the meter's plus on the drain",
                "no short",
                "a short: Q's pin order (some kohm by the supply side are normal)",
            ),
            *([INSULATED] if walls else []),
        ]
    )


def _lead(netlist: Netlist, number: int) -> Iterator[str]:
    """The lead as far as it is made on the bench, and the enclosure's openings."""
    yield (
        f"{number}. The lead by `lead.pdf`: W1 (red) and W2 (black), {netlist.part('W1').value} each, in "
        "sleeving "
        "through the cable gland,"
    )
    yield (
        "   W1 to J1's +, W2 to J1's -. The in-line holder of F1 into W1 near its far end, its weather "
        "cap over "
        "it, spare fuses"
    )
    yield (
        "   beside the tag. X1 (splice and ring) waits for the vehicle: until then the far ends go to "
        "the bench "
        "supply."
    )
    yield "   The rubber plug closes the USB hole whenever the USB lead is out."


def _threads(board: BoardModel) -> str:
    """Which screw for which resistor, as drilled."""
    refs: dict[str, list[str]] = {}
    for package in sorted(placed(board), key=lambda each: each.channel):
        thread = screw_of(board.channels[package.channel - 1].package)
        refs.setdefault(thread, []).append(f"RB{package.channel}")
    return "; ".join(
        f"{thread} x {resistor_screw_mm(board, thread)} in {CLEARANCE_MM[thread]:g} mm for "
        f"{', '.join(dict.fromkeys(each))}"
        for thread, each in sorted(refs.items())
    )


def _stands(board: BoardModel, number: int) -> Iterator[str]:
    """How the circuit board stands in the box."""
    below, above = stand_off_screws_mm(board)
    yield (
        f"{number}. The circuit board stands on four M3 stand-offs of {STAND_OFF_MM:g} mm (M3 x {below} "
        f"from below, M3 x {above} from above),"
    )
    yield (
        "   its terminal of the lead and the controller's USB socket to the rear. **Try** a USB lead through "
        f"its {USB_HOLE_MM:g} mm hole:"
    )
    yield "   it clicks home without force. A board wired by hand: mark that hole at its own socket."
    yield (
        "   `label.pdf` goes on front and rear, the hot-surface sign (ISO 7010 W017: a yellow triangle "
        "with three"
    )
    yield "   wavy lines over a bar) on the lid, when everything works."
    if not why_not_printed(board):
        yield (
            "   Printed instead of bought: `enclosure/tray.stl` and `lid.stl` (or STEP), in a plastic that "
            "bears 80 C such as"
        )
        yield (
            "   ABS or ASA, never PLA (it gives way near 60 C; both from memory); four M3 x 12 screws that "
            "cut their thread."
        )
        yield "   Its floor is thicker: its USB hole is in it, the template's is for the metal box."


def power_up(board: BoardModel, netlist: Netlist) -> Iterator[str]:
    """The first power-up and the self-test."""
    volts = board.supply_nominal_mv / 1000
    yield ""
    yield "## 6. First power-up, behind a current limit, and self-test"
    yield ""
    yield (
        f"1. Supply at {volts:g} V, limit {LIMIT_MA} mA, to the end of the lead, fuse in. "
        "Nothing warm, nothing smelling."
    )
    yield (
        f"2. The box alone draws about {board.own_ua / 1000:g} mA ({_own(board)}). More than "
        f"{board.own_ua / 500:g} mA: off,"
    )
    yield "   find the reason; a channel that is on by itself shows as its current in the table below."
    yield "3. `nightdraw box selftest`."
    if board.monitor:
        yield (
            "   It closes one channel after another for some milliseconds and compares its "
            "current with the board file."
        )
        yield (
            "   Raise the bench supply's limit to the sum of the table before it. A channel that "
            "fails is named: look for"
        )
        yield (
            "   its MOSFET's pin order first, then for a swapped wire; all of them low: the "
            "monitor's own resistor."
        )
    else:
        yield (
            "   This board measures no current: it covers storage and sensors. Check the "
            "channels by hand with `nightdraw"
        )
        yield "   box level` and a meter in the lead: 1, 2, 4 by their currents in the table."
    yield ""
    yield (
        f"What each channel draws alone at {volts:g} V, and what it drops across the fuse "
        "beside the box's own:"
    )
    yield ""
    low, high = board.caps["supply_min_mv"] / 1000, board.caps["supply_max_mv"] / 1000
    yield f"| channel | current | at {low:g} V | at {high:g} V | across F1 | power in RB |"
    yield "| --- | --- | --- | --- | --- | --- |"
    fuse = board.circuit.fuse
    mohm = blade_fuses.cold_mohm(fuse.type, float(fuse.rating_a))[0] if fuse else None
    for number, channel in enumerate(board.channels, 1):
        amperes = volts / float(channel.ohms + channel.on_ohms)
        drop = "-" if mohm is None else f"{amperes * mohm:.2f} mV"
        watts = amperes**2 * float(channel.ohms)
        ends = " | ".join(f"{amperes / volts * end * 1000:.2f} mA" for end in (low, high))
        yield f"| {number} | {amperes * 1000:.2f} mA | {ends} | {drop} | {watts:.2f} W |"


def _own(board: BoardModel) -> str:
    states = [f"{name} {value / 1000:g} mA" for name, value in board.own_states_ua.items()]
    return "; ".join(states) if states else "own consumption of the board file"


def trim(board: BoardModel) -> Iterator[str]:
    """Trimming by a meter."""
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


def vehicle(board: BoardModel) -> Iterator[str]:
    """Into a vehicle and out."""
    yield ""
    yield "## 8. Into a vehicle, and out again"
    yield ""
    yield (
        f"{system(board).name} training vehicles only, by `lead.pdf` (X1: splice and ring): never with "
        "the engine running, "
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
    yield "A computer beside the vehicle runs from its own battery, or behind the USB isolator."
    yield "The vehicle maker's procedure, local codes and a licensed technician come first."

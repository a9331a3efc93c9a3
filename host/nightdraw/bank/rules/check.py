"""`bank check`: every rule over a board, each finding with its part, its rule's name and its severity.

The rules live with what they are about; here they are put in order and run, none hiding another.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from nightdraw.bank.circuit import part_text, transients
from nightdraw.bank.circuit.assembly import AMBIENT_C, assemble, missing
from nightdraw.bank.heat.mounted import MountedChannel, mounted_channels
from nightdraw.bank.heat.steady_state import steady_heat
from nightdraw.bank.mechanics.placement import has_room, needed_mm
from nightdraw.bank.remarks import ERROR, Remark
from nightdraw.bank.rules import electrical, gates, plausibility, sensors, supplies
from nightdraw.bank.wiring.board_wiring import wire_up
from nightdraw.board import BoardModel
from nightdraw.errors import InputError

# rule -> what it holds; the command's help and the documents list it
RULES = {
    "board-missing": "the file names everything that the circuit needs",
    "pin-shared": "one pin, one user",
    "pin-unreachable": "the processor board brings the GPIO out",
    "pins-edge-player": "the channels' GPIOs ascend without a gap, as the edge player needs them",
    "switch-missing": "the file names the MOSFET",
    "gates-missing": "the file names the gates' drive",
    "gate-drive": "the sheet specifies the on-resistance at the volts that the gate surely gets",
    "gate-volts": "the gate bears what the buffer gives",
    "gate-pull-down": "every gate has a pull-down that holds it off against leakage",
    "gate-series": "every gate has a series resistor that damps and doesn't delay",
    "gate-lockout": "the buffer is locked out while its supply is low, and released when it is not",
    "half-driven-gate": "what a half-driven gate would dissipate",
    "enable-pull-up": "the output-enable is held off at reset, with a blank controller and without one",
    "enable-pin": "the controller's pin at the output-enable bears what the pull-up gives it",
    "usb-feed": "on USB alone nothing feeds the 5 V supply",
    "part-family": "every part is of the family, channel and direction that the circuit needs",
    "part-text": "no key claims more than its part's own text",
    "part-figures": "no figure is better than parts of the kind have",
    "on-resistance": "on_ohms is what the switch has",
    "own-draw": "the box's own consumption is that of a processor board",
    "converter-output": "the 5 V supply suits buffers, processor board and lock-out at both ends",
    "converter-headroom": "the converter still regulates at the lowest supply",
    "guard-supply": "the supply guard's limits leave the box alive and in its vehicle's range",
    "guard-temperature": "the bank's temperature limit is one that its sensor bears and a cold box passes",
    "divider-span": "the supply's divider spans the guard's limits and reads them well enough",
    "thermistor-span": "the thermistor's divider spans its range and reads the limit within 5 K",
    "shunt-range": "the shunt's reading tells the smallest channel from nothing",
    "resistor-body": "every resistor has a package that exists",
    "resistor-power": "no resistor has more than its derated rating, or its voltage",
    "heat": "junctions, air and walls stay within their limits",
    "room": "the enclosure holds circuit board and resistors side by side",
    "reverse-protection": "a reversed supply is kept out",
    "reverse-volts": "by a part that bears it",
    "reverse-gate": "whose gate is clamped",
    "load-dump-clamp": "the supply's transients are clamped",
    "clamp-standoff": "by a part that doesn't conduct in what lasts",
    "clamp-figures": "whose figures a suppressor can have, and that bears pulse 1 of ISO 7637-2",
    "switch-volts": "the MOSFETs bear what the clamp lets through",
    "converter-input": "so does the step-down module",
    "dump-overload": "the resistors bear a suppressed load dump",
    "load-dump-unsuppressed": "what no part here bears",
    "lead-missing": "the file names the lead",
    "inside-missing": "the file names the wires inside",
    "conductor": "drop and heat of every conductor",
    "fuse-missing": "there is a fuse at the source",
    "fuse-rating": "of a standard rating",
    "fuse-below-load": "that bears the box for ever",
    "fuse-above-conductor": "and that the lead outlives",
    "fuse-larger": "no larger than needed",
    "fuse-volts": "of the right rated voltage",
    "splice-fuse": "the circuit's own fuse bears box and load together",
    "net-single-pin": "no net has one pin",
    "pin-two-nets": "no pin is on two nets",
    "pin-open": "no pin is left open by accident",
    "pin-unknown": "no net names a pin that isn't there",
    "supply-capacitor": "every supply pin has its capacitor",
    "rating": "every rating is above its worst case",
}


@dataclass(frozen=True)
class BoardCheck:
    """All findings of a board; ok where none is an error."""

    remarks: tuple[Remark, ...]

    @property
    def ok(self) -> bool:
        return all(remark.severity != ERROR for remark in self.remarks)


def check(board: BoardModel, ambient_c: float = AMBIENT_C) -> BoardCheck:
    """Hold a board to every rule; the board may have been read without the pins' own checks."""
    found = [*gates.pins(board), *gates.gates(board), *part_text.remarks(board)]
    found += [*supplies.remarks(board), *sensors.remarks(board, ambient_c)]
    packages, more = _packages(board)
    found += [*more, *plausibility.remarks(board, packages)]
    allowed: dict[str, float] = {}
    if packages and board.enclosure is not None:
        heat, allowed = _heat(board, ambient_c)
        found += heat
    found += _room(board)
    found += transients.remarks(board, packages)
    found += wire_up(board, ambient_c).remarks
    lacking = [key for key in missing(board) if key in ("converter", "enclosure")]
    found += [Remark(key, "board-missing", f"the board file lacks the key `{key}`", ERROR) for key in lacking]
    if packages and not missing(board):
        weighed = any(remark.rule == "resistor-power" for remark in found)
        netlist = assemble(board, packages, allowed)
        found += [r for r in electrical.remarks(netlist) if not (weighed and _is_watts(r))]
    return BoardCheck(tuple(found))


def _room(board: BoardModel) -> Iterator[Remark]:
    box = board.enclosure
    if box is None or has_room(board):
        return
    width = float(box.width_m) * 1000
    length, least = needed_mm(board, width)
    message = (
        f"{float(box.length_m) * 1000:g} x {width:g} mm have no room for circuit board and resistors side by "
        f"side: about {length:.0f} x {max(least, width):.0f} mm are needed"
    )
    yield Remark("enclosure", "room", message, ERROR)


def _is_watts(remark: Remark) -> bool:
    """A resistor's watts, which were weighed already under a name that says more."""
    return remark.rule == "rating" and remark.part.startswith("RB")


def _packages(board: BoardModel) -> tuple[list[MountedChannel], list[Remark]]:
    try:
        return mounted_channels(board), []
    except InputError as error:
        return [], [Remark("channels", "resistor-body", f.text(), ERROR) for f in error.findings]


def _heat(board: BoardModel, ambient_c: float) -> tuple[list[Remark], dict[str, float]]:
    try:
        heat = steady_heat(board, ambient_c)
    except InputError as error:
        return [Remark("enclosure", "heat", f.text(), ERROR) for f in error.findings], {}
    found = []
    for part in heat.parts:
        if not part.ok:
            rule = "resistor-power" if part.name.startswith("channel") else "heat"
            message = (
                f"{part.dissipation_w:.3g} W of {part.allowed_w:.3g} W allowed, {part.temp_c:.0f} C of "
                f"{part.limit_c:.0f} C ({part.about}): {part.remedy}"
            )
            found.append(Remark(part.name, rule, message, ERROR))
    return found, {part.name: part.allowed_w for part in heat.parts}


def rules() -> Iterator[tuple[str, str]]:
    """Every rule's name with what it holds."""
    yield from RULES.items()

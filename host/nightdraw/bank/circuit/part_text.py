"""What a part's text says that it is: logic family, channel, direction; is that what the circuit needs?

A board file names parts in words, and the parts list repeats them: a word that contradicts the circuit, or a
voltage below what the file's own key claims, is a part that somebody will buy. Figures are judged elsewhere.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from nightdraw.bank.remarks import ERROR, WARNING, Remark
from nightdraw.board import BoardModel
from nightdraw.board.circuit import MOSFET, Clamp

PROCESSOR_HIGH_V = 2.62  # RP2040 datasheet, output high at IOVDD 3.3 V and rated load
LOGIC = re.compile(r"74([A-Z]+)(\d+)")
FUNCTION = "541"  # the drawing's pins: not inverting, two enables, inputs on one side
STEP_UP = re.compile(r"step[- ]?up|boost", re.IGNORECASE)
# suppressors' own numbers end in CA for both ways, in A for one (common practice): P6KE43CA
SUFFIX = re.compile(r"\b[A-Z0-9.]*[A-Z]+[0-9.]+(CA|A)\b")
VOLTS = re.compile(r"([0-9]+(?:\.[0-9]+)?) ?V\b")


@dataclass(frozen=True)
class Family:
    """A logic family at 4.5 to 5.5 V: the input voltage that is surely high, the output's resistance towards
    its supply, what an output that is off leaks when hot, and whether inputs bear more than the supply."""

    name: str
    high_v: float
    output_ohms: float
    leak_a: float
    tolerant: bool


# From memory of the families' data sheets: output resistance as (4.5 V - least high output) / its current
# (HCT 3.84 V at 6 mA, AHCT and VHCT 3.8 V at 8 mA, ACT 3.76 V at 24 mA), leakage over -40 to 85 C.
FAMILIES = {
    family.name: family
    for family in (
        Family("HCT", 2.0, 110.0, 5e-6, tolerant=False),
        Family("AHCT", 2.0, 88.0, 2.5e-6, tolerant=True),
        Family("VHCT", 2.0, 88.0, 2.5e-6, tolerant=True),
        Family("ACT", 2.0, 31.0, 5e-6, tolerant=False),
    )
}
WORST = FAMILIES["HCT"]  # stands for a family that can't be told, which is an error anyway
HIGH_INPUTS = ("HC", "AHC", "VHC", "AC", "LV")  # 0.7 of the supply: 3.5 V at 5 V, above PROCESSOR_HIGH_V
TTL = ("LS", "ALS", "AS", "S", "F", "BCT", "ABT", "FCT")  # outputs of 2.4 to 3.4 V only


def family(part: str) -> Family | None:
    """The family of a buffer by its text (`74AHCT541`, also with a maker's letters); None where none fits."""
    found = LOGIC.search(part)
    return FAMILIES.get(found[1]) if found else None


def remarks(board: BoardModel) -> Iterator[Remark]:
    """Parts that are of another kind than the circuit needs, by their own words."""
    circuit = board.circuit
    if circuit.gates is not None:
        yield from _buffer(circuit.gates.part)
    if board.switch is not None:
        yield from _channel("switch", board.switch.part, "N", "P", "the switches lie between bank and ground")
        yield from _volts("switch", board.switch.part, float(board.switch.drain_v), "drain")
    reverse = circuit.reverse
    if reverse is not None:
        if reverse.kind == MOSFET:
            yield from _channel("reverse protection", reverse.part, "P", "N", "it lies in the supply's plus")
        elif "diode" not in reverse.part.lower() and _says_channel(reverse.part):
            message = f"kind: diode, but its part is {reverse.part!r}"
            yield Remark("reverse protection", "part-family", message, ERROR)
        yield from _volts("reverse protection", reverse.part, float(reverse.volts), "volts")
    if circuit.clamp is not None:
        yield from _clamp(circuit.clamp)
    if circuit.converter is not None:
        if STEP_UP.search(circuit.converter.part):
            message = "a step-up module can't make less of the supply: take a step-down one"
            yield Remark("converter", "part-family", message, ERROR)
        yield from _volts(
            "converter", circuit.converter.part, float(circuit.converter.input_max_v), "input_max"
        )


def _buffer(part: str) -> Iterator[Remark]:
    found = LOGIC.search(part)
    if found is None:
        message = "its part names no logic family: nothing tells what its inputs need; write 74AHCT541"
        yield Remark("gates", "part-family", message, ERROR)
        return
    name, function = found[1], found[2]
    if name not in FAMILIES:
        why = "isn't known here"
        if name in HIGH_INPUTS:
            why = f"needs 3.5 V at its inputs, the processor is sure of {PROCESSOR_HIGH_V:g} V"
        elif name in TTL:
            why = "gives 2.4 V at its outputs at the least, too little for a gate"
        message = f"74{name} {why}: take 74AHCT{FUNCTION}"
        yield Remark("gates", "part-family", message, ERROR)
    elif not FAMILIES[name].tolerant:
        message = (
            f"on USB alone the processor feeds a 74{name} through its inputs' clamp diodes to about 2.5 "
            "V, and "
            f"with it the converter's output; inputs of 74AHCT{FUNCTION} bear more than their supply"
        )
        yield Remark("gates", "usb-feed", message, WARNING)
    if function != FUNCTION:
        message = f"a 74{name}{function} has other pins or another logic than the {FUNCTION} that is drawn"
        yield Remark("gates", "part-family", message, ERROR)


def _says_channel(part: str) -> str | None:
    """`N` or `P` where the text says so."""
    found = re.search(r"\b([NP])[- ]?(?:ch\b|channel|MOS|type)", part, re.IGNORECASE)
    return found[1].upper() if found else None


def _channel(name: str, part: str, right: str, wrong: str, why: str) -> Iterator[Remark]:
    letter = _says_channel(part)
    if letter == wrong:
        message = f"{part!r} is a {wrong}-channel part: {why}, which takes {right}-channel"
        yield Remark(name, "part-family", message, ERROR)
    elif letter is None and re.search(r"\bdiode\b", part, re.IGNORECASE):
        yield Remark(name, "part-family", f"{part!r} is no MOSFET", ERROR)
    elif letter is None:
        message = f"its part doesn't say whether it is {right}-channel, which it must be"
        yield Remark(name, "part-family", message, WARNING)


def _clamp(clamp: Clamp) -> Iterator[Remark]:
    text = clamp.part.lower()
    suffix = SUFFIX.search(clamp.part)
    one_way = "unidirectional" in text or (
        suffix is not None and suffix[1] == "A" and "bidirectional" not in text
    )
    if one_way:
        message = (
            "a unidirectional suppressor conducts in a reversed supply and blows the fuse: bidirectional"
        )
        yield Remark("clamp", "part-family", message, ERROR)
    elif "bidirectional" not in text and suffix is None:
        message = "its part doesn't say whether it is bidirectional, which it must be"
        yield Remark("clamp", "part-family", message, WARNING)
    kilowatts = re.search(r"([0-9]+(?:\.[0-9]+)?) ?(k?)W\b", clamp.part)
    claimed = float(clamp.clamps_v * clamp.at_a)
    if kilowatts is not None:
        named = float(kilowatts[1]) * (1000 if kilowatts[2] else 1)
        if claimed > 1.05 * named:  # sheets round
            message = (
                f"{float(clamp.clamps_v):g} V at {float(clamp.at_a):g} A are {claimed:.0f} W, its part says "
                f"{named:g} W"
            )
            yield Remark("clamp", "part-text", message, ERROR)


def _volts(name: str, part: str, claimed: float, key: str) -> Iterator[Remark]:
    """A part bought by its words bears what they say, not what a key claims."""
    named = [float(volts) for volts in VOLTS.findall(part)]
    if named and max(named) < claimed:
        message = f"{key} says {claimed:g} V, its part says {max(named):g} V: the parts list names that one"
        yield Remark(name, "part-text", message, ERROR)

"""The circuit around a bank as lines of a board file, such as load_board reads; nothing is decided here."""

from __future__ import annotations

from fractions import Fraction

from nightdraw.board.circuit import (
    Circuit,
    Clamp,
    Controller,
    Converter,
    Fuse,
    Gates,
    Pins,
    Reverse,
    Sense,
    Splice,
    Wire,
)


def number(value: Fraction) -> str:
    """A decimal without an exponent; values of board files have few decimals, nine are kept."""
    if value.denominator == 1:
        return str(value.numerator)
    return f"{float(value):.9f}".rstrip("0").rstrip(".")


def ohms(value: Fraction) -> str:
    """A resistance in ohm, or in kohm from a thousand on."""
    return f"{number(value / 1000)} kohm" if value >= 1000 else f"{number(value)} ohm"


def sense_fields(sense: Sense) -> list[str]:
    """What `sense` holds beside `current`, a line each."""
    fields = []
    if sense.shunt_ohms is not None:
        fields.append(f"shunt: {ohms(sense.shunt_ohms)}")
    if sense.gain is not None:
        fields.append(f"gain: {sense.gain}")
    if sense.divider_ohms is not None:
        top, bottom = sense.divider_ohms
        fields.append(f"divider: {{top: {ohms(top)}, bottom: {ohms(bottom)}}}")
    if sense.thermistor is not None:
        part = sense.thermistor
        fields.append(
            f"thermistor: {{ohms: {ohms(part.ohms)}, beta: {number(part.beta_k)} K, "
            f"pull_up: {ohms(part.pull_up_ohms)}}}"
        )
    return fields


def circuit_lines(circuit: Circuit) -> list[str]:
    """Every section that the circuit has, `sense` left out."""
    return (
        _gates(circuit.gates)
        + _clamp(circuit.clamp)
        + _reverse(circuit.reverse)
        + _converter(circuit.converter)
        + _pins(circuit.pins)
        + _outside(circuit)
    )


def _gates(gates: Gates | None) -> list[str]:
    if gates is None:
        return []
    return _section(
        "gates",
        ("part", gates.part),
        ("supply", _unit(gates.supply_v, "V")),
        ("lockout", _unit(gates.lockout_v, "V")),
        ("series", _ohms(gates.series_ohms)),
        ("pull_down", _ohms(gates.pull_down_ohms)),
        ("enable_pull_up", _ohms(gates.enable_pull_up_ohms)),
    )


def _clamp(clamp: Clamp | None) -> list[str]:
    if clamp is None:
        return []
    return _section(
        "clamp",
        ("part", clamp.part),
        ("standoff", _unit(clamp.standoff_v, "V")),
        ("breakdown", _unit(clamp.breakdown_v, "V")),
        ("clamps", _unit(clamp.clamps_v, "V")),
        ("at", _unit(clamp.at_a, "A")),
    )


def _reverse(reverse: Reverse | None) -> list[str]:
    if reverse is None:
        return []
    return _section(
        "reverse",
        ("kind", reverse.kind),
        ("part", reverse.part),
        ("volts", _unit(reverse.volts, "V")),
        ("ohms", _ohms(reverse.ohms)),
        ("drop", _unit(reverse.drop_v, "V")),
        ("gate_max", _unit(reverse.gate_max_v, "V")),
        ("gate_clamp", _unit(reverse.gate_clamp_v, "V")),
    )


def _converter(converter: Converter | None) -> list[str]:
    if converter is None:
        return []
    return _section(
        "converter",
        ("part", converter.part),
        ("input_max", _unit(converter.input_max_v, "V")),
        ("output", _unit(converter.output_v, "V")),
        ("series", _ohms(converter.series_ohms)),
    )


def _unit(value: Fraction | None, unit: str) -> str | None:
    return None if value is None else f"{number(value)} {unit}"


def _ohms(value: Fraction | None) -> str | None:
    return None if value is None else ohms(value)


def _section(name: str, *rows: tuple[str, str | None]) -> list[str]:
    """A section, a line a key; keys without a value are left out."""
    return [f"{name}:", *(f"  {key}: {value}" for key, value in rows if value is not None)]


def _pins(pins: Pins) -> list[str]:
    selector = ", ".join(str(pin) for pin in pins.selector)
    return [
        f"pins: {{enable: {pins.enable}, selector: [{selector}], arm: {pins.arm}, button: {pins.button}, "
        f"indicator: {pins.indicator}}}"
    ]


def _outside(circuit: Circuit) -> list[str]:
    """Leads, fuse, splice, and how the processor is run."""
    lines = [_wire(name, wire) for name, wire in (("lead", circuit.lead), ("inside", circuit.inside)) if wire]
    if circuit.fuse is not None:
        lines.append(_fuse(circuit.fuse))
    if circuit.splice is not None:
        lines.append(_splice(circuit.splice))
    if circuit.controller is not None:
        lines.append(_controller(circuit.controller))
    return lines


def _wire(name: str, wire: Wire) -> str:
    return (
        f"{name}: {{area: {number(wire.area_mm2)} mm2, length: {number(wire.length_m)} m, "
        f"temp: {number(wire.temp_c)} C}}"
    )


def _fuse(fuse: Fuse) -> str:
    return f"fuse: {{type: {fuse.type}, rating: {number(fuse.rating_a)} A}}"


def _controller(controller: Controller) -> str:
    clock, brightness = number(controller.clock_hz / 1000), number(controller.brightness * 100)
    return f"controller: {{clock: {clock} kHz, brightness: {brightness} %}}"


def _splice(splice: Splice) -> str:
    return f"splice: {{fuse: {number(splice.fuse_a)} A, load: {number(splice.load_a)} A}}"

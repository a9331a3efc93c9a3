"""Reading the circuit around the channels: every key checked at its place; fitness is bank's to judge."""

from __future__ import annotations

from fractions import Fraction

from nightdraw.board.circuit import (
    DIODE,
    FUSE_TYPES,
    MOSFET,
    REVERSE_KINDS,
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
    Thermistor,
    Wire,
)
from nightdraw.board.hardware import full_scale
from nightdraw.fields import Fields, in_range, items, read_with, whole_number
from nightdraw.places import Findings, Node

MONITOR, AMPLIFIER, NO_SENSE = "monitor", "amplifier", "none"
SENSES = (MONITOR, AMPLIFIER, NO_SENSE)
SENSE_KEYS = ("current", "shunt", "gain", "divider", "thermistor")
DIVIDER_KEYS = ("top", "bottom")
THERMISTOR_KEYS = ("ohms", "beta", "pull_up")
PINS_KEYS = ("enable", "selector", "arm", "button", "indicator")
GATES_KEYS = ("part", "supply", "lockout", "series", "pull_down", "enable_pull_up")
CONVERTER_KEYS = ("part", "input_max", "output", "series")
REVERSE_KEYS = ("kind", "part", "volts", "ohms", "drop", "gate_max", "gate_clamp")
CLAMP_KEYS = ("part", "standoff", "breakdown", "clamps", "at")
WIRE_KEYS = ("area", "length", "temp")
FUSE_KEYS = ("type", "rating")
SPLICE_KEYS = ("fuse", "load")
CONTROLLER_KEYS = ("clock", "brightness")
SECTIONS = (
    "pins",
    "gates",
    "converter",
    "reverse",
    "clamp",
    "lead",
    "inside",
    "fuse",
    "splice",
    "controller",
)

MAX_PIN = 29  # the RP2040 has GPIO 0 .. 29
ANY_PIN = 99  # read leniently: what no chip has is the check's to say
SHUNT_BOUNDS = ("0.001 ohm", "10 ohm")  # firmware: at least 1 mohm keeps a full reading in small integers
MOST_GAIN = 500
FULL_BOUNDS = ("0.05 A", "4 A")  # firmware: above 4 A an amplifier's count leaves the small integers
CLOCK_BOUNDS = ("48000 kHz", "133000 kHz")  # USB needs 48 MHz; 133 MHz is the RP2040's rating
CLOCK = Fraction(96_000_000)  # the least that plays 1 ms pulses with room to spare
CLOCK_STEP = 1_000_000  # a whole number of them has a whole divider for the tick
BRIGHTNESS_BOUNDS = ("0 %", "100 %")
BRIGHTNESS_PCT = Fraction(1, 2)  # seen when looked for
OHMS_BOUNDS = ("1 ohm", "1000 kohm")
BETA_BOUNDS = ("1000 K", "10000 K")
LOGIC_BOUNDS = ("1 V", "15 V")
GATE_BOUNDS = ("3 V", "30 V")
VOLTS_BOUNDS = ("5 V", "1000 V")
SMALL_OHMS_BOUNDS = ("0.0001 ohm", "10 ohm")
DROP_BOUNDS = ("0.1 V", "2 V")
CURRENT_BOUNDS = ("0.1 A", "1000 A")
LOAD_BOUNDS = ("0 A", "1000 A")
AREA_BOUNDS = ("0.05 mm2", "120 mm2")
LENGTH_BOUNDS = ("10 mm", "100 m")
WIRE_TEMP_BOUNDS = ("60 C", "260 C")
WIRE_TEMP = Fraction(100)  # ISO 6722 class B, thin-wall PVC vehicle cable (from memory)
DEFAULT_PINS = Pins()


def read_sense(node: Node | None, findings: Findings) -> tuple[str | None, Sense]:
    """What senses the bank's current, and the rest of `sense`."""
    keys = Fields(node, findings, "sense", SENSE_KEYS, ("current",))
    current = keys.choice("current", SENSES)
    shunt = keys.quantity("shunt", "resistance", SHUNT_BOUNDS)
    gain = _gain(keys, current, shunt, findings)
    divider = None
    if "divider" in keys:
        both = Fields(keys.node("divider"), findings, "divider", DIVIDER_KEYS, DIVIDER_KEYS)
        top = both.quantity("top", "resistance", OHMS_BOUNDS)
        bottom = both.quantity("bottom", "resistance", OHMS_BOUNDS)
        divider = (top, bottom) if top is not None and bottom is not None else None
    return current, Sense(shunt, gain, divider, _thermistor(keys, findings), keys.place)


def _gain(keys: Fields, current: str | None, shunt: Fraction | None, findings: Findings) -> int | None:
    if current != AMPLIFIER:
        if "gain" in keys and current is not None:
            findings.add(keys.key_place("gain"), f"gain belongs to current: {AMPLIFIER}, not {current}")
        return None
    for name in ("shunt", "gain"):
        if name not in keys:
            findings.add(keys.place, f"sense with current: {AMPLIFIER} lacks the key {name!r}")
    gain = keys.whole("gain", 1, MOST_GAIN)
    if gain is not None and shunt is not None:
        full = full_scale(shunt, gain)
        in_range(
            keys.value_place("gain"), findings, "an amplifier's full scale", full, FULL_BOUNDS, "current"
        )
    return gain


def _thermistor(keys: Fields, findings: Findings) -> Thermistor | None:
    if "thermistor" not in keys:
        return None
    own = Fields(keys.node("thermistor"), findings, "thermistor", THERMISTOR_KEYS, THERMISTOR_KEYS)
    ohms = own.quantity("ohms", "resistance", OHMS_BOUNDS)
    beta = own.quantity("beta", "absolute temperature", BETA_BOUNDS)
    pull_up = own.quantity("pull_up", "resistance", OHMS_BOUNDS)
    if ohms is None or beta is None or pull_up is None:
        return None
    return Thermistor(ohms, beta, pull_up)


def read_circuit(fields: Fields, sense: Sense, findings: Findings, most_pin: int = MAX_PIN) -> Circuit:
    """Every section of SECTIONS; None where the file has none, or after a finding."""
    return Circuit(
        sense,
        _pins(fields, findings, most_pin),
        _gates(fields, findings),
        _converter(fields, findings),
        _reverse(fields, findings),
        _clamp(fields, findings),
        _wire(fields, "lead", findings),
        _wire(fields, "inside", findings),
        _fuse(fields, findings),
        _splice(fields, findings),
        _controller(fields, findings),
    )


def _section(
    fields: Fields, name: str, findings: Findings, known: tuple[str, ...], required: tuple[str, ...]
) -> Fields | None:
    return Fields(fields.node(name), findings, name, known, required) if name in fields else None


def _pins(fields: Fields, findings: Findings, most: int) -> Pins:
    keys = _section(fields, "pins", findings, PINS_KEYS, ())
    if keys is None:
        return DEFAULT_PINS
    one = {
        key: keys.whole(key, 0, most, getattr(DEFAULT_PINS, key))
        for key in ("enable", "arm", "button", "indicator")
    }
    selector = DEFAULT_PINS.selector
    if "selector" in keys:
        read = [
            read_with(node, findings, "selector", lambda text: whole_number(text, 0, most))
            for node in items(keys.node("selector"), findings, "selector")
        ]
        if len(read) not in (0, 4):
            findings.add(
                keys.value_place("selector"), "selector must list four pins, weights 1 2 4 8, or none"
            )
        selector = tuple(pin for pin in read if pin is not None)
    return Pins(selector=selector, place=keys.place, **{key: pin or 0 for key, pin in one.items()})


def _gates(fields: Fields, findings: Findings) -> Gates | None:
    keys = _section(fields, "gates", findings, GATES_KEYS, ("part", "supply"))
    if keys is None:
        return None
    part = keys.text("part")
    supply = keys.quantity("supply", "voltage", LOGIC_BOUNDS)
    lockout = keys.quantity("lockout", "voltage", LOGIC_BOUNDS)
    series = keys.quantity("series", "resistance", OHMS_BOUNDS)
    pull_down = keys.quantity("pull_down", "resistance", OHMS_BOUNDS)
    pull_up = keys.quantity("enable_pull_up", "resistance", OHMS_BOUNDS)
    if lockout is not None and supply is not None and lockout >= supply:
        findings.add(keys.value_place("lockout"), "lockout must be below the gates' supply")
    if part is None or supply is None:
        return None
    return Gates(part, supply, lockout, series, pull_down, pull_up, keys.place)


def _converter(fields: Fields, findings: Findings) -> Converter | None:
    keys = _section(fields, "converter", findings, CONVERTER_KEYS, CONVERTER_KEYS)
    if keys is None:
        return None
    part = keys.text("part")
    input_max = keys.quantity("input_max", "voltage", VOLTS_BOUNDS)
    output = keys.quantity("output", "voltage", LOGIC_BOUNDS)
    series = keys.quantity("series", "resistance", OHMS_BOUNDS)
    if part is None or input_max is None or output is None or series is None:
        return None
    return Converter(part, input_max, output, series, keys.place)


def _reverse(fields: Fields, findings: Findings) -> Reverse | None:
    keys = _section(fields, "reverse", findings, REVERSE_KEYS, ("kind", "part", "volts"))
    if keys is None:
        return None
    kind = keys.choice("kind", REVERSE_KINDS)
    part = keys.text("part")
    volts = keys.quantity("volts", "voltage", VOLTS_BOUNDS)
    ohms = keys.quantity("ohms", "resistance", SMALL_OHMS_BOUNDS)
    drop = keys.quantity("drop", "voltage", DROP_BOUNDS)
    gate_max = keys.quantity("gate_max", "voltage", GATE_BOUNDS)
    gate_clamp = keys.quantity("gate_clamp", "voltage", GATE_BOUNDS)
    for needs, key in ((MOSFET, "ohms"), (DIODE, "drop")):
        if kind == needs and key not in keys:
            findings.add(keys.place, f"reverse of kind {needs} lacks the key {key!r}")
    if kind is None or part is None or volts is None:
        return None
    return Reverse(kind, part, volts, ohms, drop, gate_max, gate_clamp, keys.place)


def _clamp(fields: Fields, findings: Findings) -> Clamp | None:
    keys = _section(fields, "clamp", findings, CLAMP_KEYS, CLAMP_KEYS)
    if keys is None:
        return None
    part = keys.text("part")
    volts = [keys.quantity(key, "voltage", VOLTS_BOUNDS) for key in ("standoff", "breakdown", "clamps")]
    at = keys.quantity("at", "current", CURRENT_BOUNDS)
    standoff, breakdown, clamps = volts
    if part is None or standoff is None or breakdown is None or clamps is None or at is None:
        return None
    if not standoff < breakdown < clamps:
        findings.add(keys.place, "clamp must have standoff < breakdown < clamps")
    return Clamp(part, standoff, breakdown, clamps, at, keys.place)


def _wire(fields: Fields, name: str, findings: Findings) -> Wire | None:
    keys = _section(fields, name, findings, WIRE_KEYS, ("area", "length"))
    if keys is None:
        return None
    area = keys.quantity("area", "area", AREA_BOUNDS)
    length = keys.quantity("length", "length", LENGTH_BOUNDS)
    temp = keys.quantity("temp", "temperature", WIRE_TEMP_BOUNDS, WIRE_TEMP)
    if area is None or length is None or temp is None:
        return None
    return Wire(area, length, temp, keys.place)


def _fuse(fields: Fields, findings: Findings) -> Fuse | None:
    keys = _section(fields, "fuse", findings, FUSE_KEYS, FUSE_KEYS)
    if keys is None:
        return None
    kind = keys.choice("type", FUSE_TYPES)
    rating = keys.quantity("rating", "current", CURRENT_BOUNDS)
    return None if kind is None or rating is None else Fuse(kind, rating, keys.place)


def _splice(fields: Fields, findings: Findings) -> Splice | None:
    keys = _section(fields, "splice", findings, SPLICE_KEYS, SPLICE_KEYS)
    if keys is None:
        return None
    fuse = keys.quantity("fuse", "current", CURRENT_BOUNDS)
    load = keys.quantity("load", "current", LOAD_BOUNDS)
    return None if fuse is None or load is None else Splice(fuse, load, keys.place)


def _controller(fields: Fields, findings: Findings) -> Controller | None:
    keys = _section(fields, "controller", findings, CONTROLLER_KEYS, ())
    if keys is None:
        return None
    clock = keys.quantity("clock", "frequency", CLOCK_BOUNDS, CLOCK)
    brightness = keys.quantity("brightness", "percent", BRIGHTNESS_BOUNDS, BRIGHTNESS_PCT)
    if clock is None or brightness is None:
        return None
    if clock % CLOCK_STEP:
        findings.add(keys.value_place("clock"), "clock must be a whole number of 1000 kHz")
    return Controller(clock, brightness / 100, keys.place)

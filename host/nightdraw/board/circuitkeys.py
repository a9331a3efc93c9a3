"""The board file's fields of the circuit around the channels; fitness is bank's to judge."""

from __future__ import annotations

from typing import Any

from nightdraw.board.circuit import (
    DIODE,
    FUSE_TYPES,
    MOSFET,
    REVERSE_KINDS,
    Clamp,
    Controller,
    Converter,
    Divider,
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
from nightdraw.fields import SHARE, Choice, Field, Listed, Quantity, Read, Record, Text, When, Whole, in_range
from nightdraw.places import Sequence

MONITOR, AMPLIFIER, NO_SENSE = "monitor", "amplifier", "none"
SENSES = (MONITOR, AMPLIFIER, NO_SENSE)
MAX_PIN = 29  # the RP2040 has GPIO 0 .. 29
ANY_PIN = 99  # read leniently: what no chip has is the check's to say
MOST_GAIN = 500
FULL_BOUNDS = ("0.05 A", "4 A")  # firmware: above 4 A an amplifier's count leaves the small integers
CLOCK_STEP = 1_000_000  # a whole number of them has a whole divider for the tick
SELECTOR_PINS = 4
DEFAULT_PINS = Pins()
OHMS = Quantity("resistance", ("1 ohm", "1000 kohm"))
LOGIC = Quantity("voltage", ("1 V", "15 V"))
GATE = Quantity("voltage", ("3 V", "30 V"))
VOLTS = Quantity("voltage", ("5 V", "1000 V"))
CURRENT = Quantity("current", ("0.1 A", "1000 A"))
PART = Field("part", Text(), "What to buy.", True)


def _full_scale(read: Read) -> None:
    if read["current"] == AMPLIFIER and read["gain"] is not None and read["shunt_ohms"] is not None:
        full = full_scale(read["shunt_ohms"], read["gain"])
        what = "an amplifier's full scale"
        in_range(read.value_place("gain"), read.findings, what, full, FULL_BOUNDS, "current")


def _four_or_none(read: Read) -> None:
    node = read.value_place("selector")
    if isinstance(node, Sequence) and 0 < len(node.items) < SELECTOR_PINS:
        read.add("selector", "selector must list four pins, weights 1 2 4 8, or none")


def _lockout_below(read: Read) -> None:
    if read["lockout_v"] is not None and read["lockout_v"] >= read["supply_v"]:
        read.add("lockout_v", f"{read.key('lockout_v')} must be below the gates' supply")


def _volts_rise(read: Read) -> None:
    rising = ("standoff_v", "breakdown_v", "clamps_v")
    if not read[rising[0]] < read[rising[1]] < read[rising[2]]:
        read.add(None, f"{read.what} must have {' < '.join(map(read.key, rising))}")


def _whole_clock(read: Read) -> None:
    if read["clock_hz"] % CLOCK_STEP:
        read.add("clock_hz", f"{read.key('clock_hz')} must be a whole number of 1000 kHz")


def _sense(current: str, **values: Any) -> tuple[str, Sense]:
    return current, Sense(**values)


DIVIDER = Record(
    "divider",
    (
        Field("top", OHMS, "From the supply to the converter's pin.", True),
        Field("bottom", OHMS, "From there to ground.", True),
    ),
    make=Divider,
)
THERMISTOR = Record(
    "thermistor",
    (
        Field("ohms", OHMS, "At 25 C.", True),
        Field(
            "beta", Quantity("absolute temperature", ("1000 K", "10000 K")), "Its beta.", True, to="beta_k"
        ),
        Field("pull_up", OHMS, "To 3.3 V.", True, to="pull_up_ohms"),
    ),
    make=Thermistor,
)
SENSE = Record(
    "sense",
    (
        Field(
            "current",
            Choice(SENSES),
            "What measures the bank's current: a power monitor, an amplified shunt on a pin, or nothing.",
            True,
        ),
        Field(
            "shunt",
            Quantity(
                "resistance", ("0.001 ohm", "10 ohm")
            ),  # firmware: 1 mohm keeps a reading in small integers
            "Of the monitor or the amplifier, in the return.",
            to="shunt_ohms",
        ),
        Field("gain", Whole(1, MOST_GAIN), "Of the amplifier."),
        Field("divider", DIVIDER, "The supply's divider for the processor's converter.", to="divider_ohms"),
        Field("thermistor", THERMISTOR, "An NTC to ground with a pull-up, on the hottest resistor."),
    ),
    rules=(When("current", AMPLIFIER, ("shunt", "gain"), ("gain",)),),
    check=_full_scale,
    make=_sense,
    placed=True,
)
GATES = Record(
    "gates",
    (
        PART,
        Field("supply", LOGIC, "The buffer's.", True, to="supply_v"),
        Field(
            "lockout", LOGIC, "Lowest supply at which the supervisor releases the outputs.", to="lockout_v"
        ),
        Field("series", OHMS, "Between buffer and gate.", to="series_ohms"),
        Field("pull_down", OHMS, "From each gate to its source.", to="pull_down_ohms"),
        Field(
            "enable_pull_up",
            OHMS,
            "To the buffer's supply: holds the outputs off until the firmware takes them.",
            to="enable_pull_up_ohms",
        ),
        Field(
            "enable_pull_down",
            OHMS,
            "To ground: divides that supply to what the controller's pin bears.",
            to="enable_pull_down_ohms",
        ),
    ),
    check=_lockout_below,
    make=Gates,
    placed=True,
)
CLAMP = Record(
    "clamp",
    (
        PART,
        Field("standoff", VOLTS, "What it bears for good.", True, to="standoff_v"),
        Field("breakdown", VOLTS, "The lowest at which it conducts.", True, to="breakdown_v"),
        Field("clamps", VOLTS, "What it lets through at the current of `at`.", True, to="clamps_v"),
        Field("at", CURRENT, "The current of `clamps`.", True, to="at_a"),
    ),
    check=_volts_rise,
    make=Clamp,
    placed=True,
)
REVERSE = Record(
    "reverse",
    (
        Field("kind", Choice(REVERSE_KINDS), "A P-channel MOSFET or a diode.", True),
        PART,
        Field("volts", VOLTS, "What it blocks.", True),
        Field("ohms", Quantity("resistance", ("0.0001 ohm", "10 ohm")), "A MOSFET's on-resistance."),
        Field("drop", Quantity("voltage", ("0.1 V", "2 V")), "A diode's forward drop.", to="drop_v"),
        Field("gate_max", GATE, "A MOSFET's highest gate voltage.", to="gate_max_v"),
        Field("gate_clamp", GATE, "The zener diode from gate to source.", to="gate_clamp_v"),
    ),
    rules=(When("kind", MOSFET, ("ohms",)), When("kind", DIODE, ("drop",))),
    make=Reverse,
    placed=True,
)
CONVERTER = Record(
    "converter",
    (
        PART,
        Field("input_max", VOLTS, "Most volts at its input.", True, to="input_max_v"),
        Field("output", LOGIC, "What it makes.", True, to="output_v"),
        Field("series", OHMS, "The resistor ahead of its input capacitor.", True, to="series_ohms"),
    ),
    make=Converter,
    placed=True,
)
WIRE = Record(
    "a conductor",
    (
        Field("area", Quantity("area", ("0.05 mm2", "120 mm2")), "Its cross-section.", True, to="area_mm2"),
        Field("length", Quantity("length", ("10 mm", "100 m")), "One way.", True, to="length_m"),
        Field(
            "temp",
            Quantity("temperature", ("60 C", "260 C")),
            "What its insulation bears.",
            default="100 C",  # ISO 6722 class B, thin-wall PVC vehicle cable (from memory)
            to="temp_c",
        ),
    ),
    make=Wire,
    placed=True,
)
FUSE = Record(
    "fuse",
    (
        Field("type", Choice(FUSE_TYPES), "ISO 8820-3: C medium, F miniature, E high current.", True),
        Field("rating", CURRENT, "Its rating.", True, to="rating_a"),
    ),
    make=Fuse,
    placed=True,
)
SPLICE = Record(
    "splice",
    (
        Field("fuse", CURRENT, "That circuit's fuse.", True, to="fuse_a"),
        Field(
            "load", Quantity("current", ("0 A", "1000 A")), "What it carries by itself.", True, to="load_a"
        ),
    ),
    make=Splice,
    placed=True,
)
CONTROLLER = Record(
    "controller",
    (
        Field(
            "clock",
            Quantity(
                "frequency", ("48000 kHz", "133000 kHz")
            ),  # USB needs 48 MHz; the RP2040 is rated 133 MHz
            "Of the processor while the box works, a whole number of 1000 kHz.",
            default="96000 kHz",  # the least that plays 1 ms pulses with room to spare
            to="clock_hz",
        ),
        Field(
            "brightness",
            Quantity("percent", ("0 %", "100 %"), SHARE),
            "Of the indicator; 0 % keeps it dark.",
            default="0.5 %",  # seen when looked for
        ),
    ),
    check=_whole_clock,
    make=Controller,
    placed=True,
)


def _pins(most_pin: int) -> Record:
    pin = Whole(0, most_pin)
    return Record(
        "pins",
        (
            Field(
                "enable",
                pin,
                "The gate buffer's output-enable, low active.",
                default=f"{DEFAULT_PINS.enable}",
            ),
            Field(
                "selector",
                Listed(pin, 0, SELECTOR_PINS, "pins"),
                "Of the slot selector, weights 1 2 4 8: four pins, or none.",
                otherwise=", ".join(map(str, DEFAULT_PINS.selector)),
                instead=DEFAULT_PINS.selector,
            ),
            Field("arm", pin, "The arm switch.", default=f"{DEFAULT_PINS.arm}"),
            Field("button", pin, "The button.", default=f"{DEFAULT_PINS.button}"),
            Field("indicator", pin, "The indicator.", default=f"{DEFAULT_PINS.indicator}"),
        ),
        check=_four_or_none,
        make=Pins,
        placed=True,
    )


def sections(most_pin: int) -> tuple[Field, ...]:
    """Every section but `sense`, named as in `Circuit`."""
    return (
        Field("gates", GATES, "The buffer that drives the gates."),
        Field("clamp", CLAMP, "The transient suppressor across the input, both ways."),
        Field("reverse", REVERSE, "What keeps a reversed supply out."),
        Field("converter", CONVERTER, "The step-down module that feeds the electronics."),
        Field("pins", _pins(most_pin), "GPIO numbers of what isn't a channel.", instead=DEFAULT_PINS),
        Field("lead", WIRE, "From the splice to the box, each of the two."),
        Field("inside", WIRE, "The bank's wires inside the box."),
        Field("fuse", FUSE, "The box's own fuse, at the splice."),
        Field("splice", SPLICE, "The vehicle's circuit that the box is spliced into."),
        Field("controller", CONTROLLER, "How the processor board is run."),
    )

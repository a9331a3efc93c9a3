"""What a board file says of the circuit around its channels: supply side, gates, sensing, pins, leads, fuse.

Plain data in base units, each part optional: a board without them runs on the bench, and `bank check` says
what is missing. Nothing here reads, checks or works anything out.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from typing import NamedTuple

from nightdraw.places import Node

MOSFET, DIODE = "mosfet", "diode"
REVERSE_KINDS = (MOSFET, DIODE)
FUSE_TYPES = ("C", "F", "E")  # ISO 8820-3: medium, miniature, high current
NOWHERE = Node(1, 1)


@dataclass(frozen=True)
class Thermistor:
    """An NTC to ground with a pull-up: ohms at 25 C, beta in kelvin, pull-up ohms."""

    ohms: Fraction
    beta_k: Fraction
    pull_up_ohms: Fraction


class Divider(NamedTuple):
    """The supply's divider, ohms."""

    top: Fraction
    bottom: Fraction


@dataclass(frozen=True)
class Sense:
    """Shunt of the current monitor or amplifier, the supply's divider, the thermistor; None:
    not fitted. gain: of an amplifier on a converter pin that stands in for a monitor, None where none
    does."""

    shunt_ohms: Fraction | None = None
    gain: int | None = None
    divider_ohms: Divider | None = None
    thermistor: Thermistor | None = None
    place: Node = field(default=NOWHERE, compare=False)


@dataclass(frozen=True)
class Controller:
    """How the processor board is run: its clock while it works, the indicator's brightness (0..1)."""

    clock_hz: Fraction
    brightness: Fraction
    place: Node = field(default=NOWHERE, compare=False)


@dataclass(frozen=True)
class Pins:
    """GPIO numbers of what isn't a channel; selector () where none is fitted."""

    enable: int = 12
    selector: tuple[int, ...] = (16, 17, 18, 19)
    arm: int = 20
    button: int = 21
    indicator: int = 22
    place: Node = field(default=NOWHERE, compare=False)


@dataclass(frozen=True)
class Gates:
    """The gates' drive: buffer supply, lock-out (lowest supply that releases the outputs), series resistor,
    pull-down, output-enable pull-up (to that supply) and pull-down; None: not fitted."""

    part: str
    supply_v: Fraction
    lockout_v: Fraction | None
    series_ohms: Fraction | None
    pull_down_ohms: Fraction | None
    enable_pull_up_ohms: Fraction | None
    enable_pull_down_ohms: Fraction | None
    place: Node = field(default=NOWHERE, compare=False)


@dataclass(frozen=True)
class Converter:
    """The step-down module that feeds the electronics: most input volts, output, and its series resistor."""

    part: str
    input_max_v: Fraction
    output_v: Fraction
    series_ohms: Fraction
    place: Node = field(default=NOWHERE, compare=False)


@dataclass(frozen=True)
class Reverse:
    """What keeps a reversed supply out: a P-channel MOSFET (ohms; gate limit, gate clamp) or a diode (its
    forward volts); `volts` is what it blocks."""

    kind: str
    part: str
    volts: Fraction
    ohms: Fraction | None
    drop_v: Fraction | None
    gate_max_v: Fraction | None
    gate_clamp_v: Fraction | None
    place: Node = field(default=NOWHERE, compare=False)


@dataclass(frozen=True)
class Clamp:
    """The transient suppressor across the input, both ways: stand-off, lowest breakdown, and what it lets
    through (clamps_v at at_a)."""

    part: str
    standoff_v: Fraction
    breakdown_v: Fraction
    clamps_v: Fraction
    at_a: Fraction
    place: Node = field(default=NOWHERE, compare=False)


@dataclass(frozen=True)
class Wire:
    """A conductor: area in mm2, metres one way, what its insulation bears."""

    area_mm2: Fraction
    length_m: Fraction
    temp_c: Fraction
    place: Node = field(default=NOWHERE, compare=False)


@dataclass(frozen=True)
class Fuse:
    """The box's own fuse, at the splice: ISO 8820-3 type and rating."""

    type: str
    rating_a: Fraction
    place: Node = field(default=NOWHERE, compare=False)


@dataclass(frozen=True)
class Splice:
    """The vehicle's circuit that the box is spliced into: its fuse, and what it carries by itself."""

    fuse_a: Fraction
    load_a: Fraction
    place: Node = field(default=NOWHERE, compare=False)


@dataclass(frozen=True)
class Circuit:
    """Everything around the channels; None where the file says nothing of it."""

    sense: Sense = Sense()
    pins: Pins = Pins()
    gates: Gates | None = None
    converter: Converter | None = None
    reverse: Reverse | None = None
    clamp: Clamp | None = None
    lead: Wire | None = None
    inside: Wire | None = None
    fuse: Fuse | None = None
    splice: Splice | None = None
    controller: Controller | None = None

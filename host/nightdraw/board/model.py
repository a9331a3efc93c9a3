"""What a board file says, in exact values: the electrical core that the box needs, the parts bank weighs.

Nothing here reads or checks. Parts are optional: a board without them runs, but can't be weighed for heat.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction

from boxcore import bank
from boxcore import board as core

from nightdraw import units
from nightdraw.board.circuit import Circuit
from nightdraw.board.hardware import hardware
from nightdraw.errors import Finding
from nightdraw.places import Node

AIR, PLATE = "air", "plate"
MOUNTINGS = (AIR, PLATE)
ALUMINIUM, PLASTIC = "aluminium", "plastic"
MATERIALS = (ALUMINIUM, PLASTIC)
COVERED, FREE = "covered", "free"
BOTTOMS = (COVERED, FREE)
NOWHERE = Node(1, 1)


@dataclass(frozen=True)
class Channel:
    """One switch with its resistor: GPIO number, resistor (ohms, tolerance in percent), the switch's ohms.

    body: the name of its resistor package, None where the file has none; mounting: in air or on the
    enclosure's metal. Where it is made of several: `each` ohms, `in_series` in a string, `in_parallel` such
    strings.
    """

    pin: int
    ohms: Fraction
    tolerance_pct: Fraction
    on_ohms: Fraction
    package: str | None = None
    mounting: str = AIR
    each: Fraction | None = None
    in_series: int = 1
    in_parallel: int = 1
    place: Node = field(default=NOWHERE, compare=False)

    @property
    def ns(self) -> int:
        """The conductance of resistor and switch together, nanosiemens."""
        return units.to_ns(self.ohms + self.on_ohms)

    @property
    def count(self) -> int:
        """How many resistors the channel is made of; each bears the same share of its power."""
        return self.in_series * self.in_parallel


@dataclass(frozen=True)
class GateRow:
    """One row of a MOSFET's sheet: its greatest on-resistance at 25 C with this many volts on the gate."""

    gate_v: Fraction
    ohms: Fraction


@dataclass(frozen=True)
class Switch:
    """The MOSFET of every channel: drain and gate limits, sheet rows by gate voltage ascending, junction
    limit, thermal resistance to air, and how its on-resistance grows with temperature (1/K)."""

    part: str
    drain_v: Fraction
    gate_max_v: Fraction | None
    specified: tuple[GateRow, ...]
    junction_c: Fraction
    to_air_k_w: Fraction
    tempco: Fraction
    place: Node = field(default=NOWHERE, compare=False)


@dataclass(frozen=True)
class Enclosure:
    """The box's outside: material, metres, emissivity (0..1), whether its bottom stands on something;
    plate_m: an aluminium sheet on its floor that spreads the resistors' heat, 0 where there is none."""

    material: str
    length_m: Fraction
    width_m: Fraction
    height_m: Fraction
    wall_m: Fraction
    emissivity: Fraction
    bottom: str
    place: Node = field(default=NOWHERE, compare=False)
    plate_m: Fraction = Fraction(0)


@dataclass(frozen=True)
class OwnPackage:
    """A resistor package of the board's own: a known one's name, and what it says otherwise, by key, base
    units."""

    name: str
    like: str
    given: dict[str, Fraction]
    place: Node = field(default=NOWHERE, compare=False)


@dataclass(frozen=True)
class BoardModel:
    """A board: supply and own consumption in whole millivolts and microamperes; caps by boxcore's names.

    monitor: the bank's current is measured, by a monitor or an amplified shunt. own_states_ua: the own
    consumption by what the box is doing, as far as the file says; own_basis: how that is known.
    """

    name: str
    about: str
    supply_nominal_mv: int
    supply_min_mv: int
    supply_max_mv: int
    own_ua: int
    channels: tuple[Channel, ...]
    monitor: bool
    caps: dict[str, int]
    switch: Switch | None = None
    enclosure: Enclosure | None = None
    packages: tuple[OwnPackage, ...] = ()
    circuit: Circuit = field(default_factory=Circuit)
    file: str = field(default="", compare=False)
    root: Node = field(default=NOWHERE, compare=False)
    own_states_ua: dict[str, int] = field(default_factory=dict, compare=False)
    own_basis: str = field(default="", compare=False)

    def compile(self) -> core.Board:
        """The integer board that the box (and the bench's box) is given."""
        return core.Board(
            self.name,
            [channel.ns for channel in self.channels],
            [channel.pin for channel in self.channels],
            self.own_ua,
            self.monitor,
            self.caps,
            hardware(self.circuit),
        )

    def bank(self) -> bank.Bank:
        """The switch bank with nominal conductances."""
        return bank.Bank([channel.ns for channel in self.channels])

    def finding(self, node: Node, message: str, hint: str | None = None) -> Finding:
        """A finding at a place of this board's file."""
        return Finding(message, self.file, node.line, node.column, hint)

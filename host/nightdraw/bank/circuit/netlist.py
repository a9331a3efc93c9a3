"""The one netlist: parts with their pins, ratings and worst cases, and which pin is joined to which net.

Pure data and look-ups. What the parts are is front's, drive's and control's to say; whether the whole is
sound is electrical's.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field

BOARD, WALL, PANEL, LEAD = "board", "wall", "panel", "lead"
PLACES = {
    BOARD: "on the circuit board",
    WALL: "on the enclosure's wall",
    PANEL: "on the panel",
    LEAD: "in the lead",
}
GROUND = "GND"  # the box's own; the vehicle's is CHASSIS, a lead away

# Kinds, as the electrical rules and the SPICE deck know them.
RESISTOR, CAPACITOR, SWITCH, REVERSE_FET = "resistor", "capacitor", "switch", "reverse fet"
SCHOTTKY, ZENER, CLAMP, LIGHT = "schottky diode", "zener diode", "clamp", "light"
BUFFER, SUPERVISOR, CONVERTER, PROCESSOR, MONITOR = (
    "buffer",
    "supervisor",
    "converter",
    "processor",
    "monitor",
)
THERMISTOR, CONTACT, TERMINAL, FUSE, WIRE, SPLICE = (
    "thermistor",
    "contact",
    "terminal",
    "fuse",
    "wire",
    "splice",
)


@dataclass(frozen=True)
class Stress:
    """One rating against its worst case, in the same unit."""

    what: str
    worst: float
    rating: float
    unit: str


@dataclass(frozen=True)
class Part:
    """A part to buy. value: for people; number: the same in ohms, farads or volts, for the deck.

    supply: pins that must have a capacitor of their own; near: the part whose capacitor this is; spare: pins
    left open on purpose; second: what else will do; goods: what it is bought as (`drawings/buying`), unless
    given its kind.
    """

    ref: str
    kind: str
    value: str
    rating: str
    package: str
    description: str
    second: str
    pins: tuple[str, ...]
    number: float = 0.0
    place: str = BOARD
    supply: tuple[str, ...] = ()
    near: str | None = None
    spare: tuple[str, ...] = ()
    stress: tuple[Stress, ...] = ()
    goods: str = ""


@dataclass(frozen=True)
class Join:
    """One pin on one net."""

    net: str
    ref: str
    pin: str


@dataclass(frozen=True)
class Netlist:
    """Parts and joins, in the order of the circuit."""

    parts: tuple[Part, ...]
    joins: tuple[Join, ...]

    def part(self, ref: str) -> Part:
        """The part of that reference; raises KeyError."""
        for part in self.parts:
            if part.ref == ref:
                return part
        raise KeyError(ref)

    def of(self, kind: str) -> tuple[Part, ...]:
        """All parts of a kind."""
        return tuple(part for part in self.parts if part.kind == kind)

    def nets(self) -> dict[str, list[Join]]:
        """Every net with its joins."""
        found: dict[str, list[Join]] = defaultdict(list)
        for join in self.joins:
            found[join.net].append(join)
        return dict(found)

    def net(self, ref: str, pin: str) -> str | None:
        """The net of a pin, None where it is on none."""
        for join in self.joins:
            if join.ref == ref and join.pin == pin:
                return join.net
        return None

    def between(self, one: str, other: str) -> Iterator[Part]:
        """Every part with two pins that bridges two nets."""
        for part in self.parts:
            if len(part.pins) == 2 and {self.net(part.ref, pin) for pin in part.pins} == {one, other}:
                yield part


@dataclass
class Draft:
    """A netlist in the making."""

    parts: list[Part] = field(default_factory=list)
    joins: list[Join] = field(default_factory=list)

    def add(self, part: Part, nets: dict[str, str]) -> None:
        """Put a part in, its pins on nets; pins that are on none must be among its spare ones."""
        self.parts.append(part)
        self.joins += [Join(net, part.ref, pin) for pin, net in nets.items()]

    def done(self) -> Netlist:
        """The netlist as it stands."""
        return Netlist(tuple(self.parts), tuple(self.joins))

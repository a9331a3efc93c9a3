"""What a class file and a plan say, checked. Plain data, and the few look-ups that everybody needs."""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

from nightdraw.board import BoardModel
from nightdraw.instruments.model import Instruments
from nightdraw.places import Node
from nightdraw.profile import Profile
from nightdraw.vehicle.model import Vehicle

HALF, NONE, FULL = "half", "none", "full"
UNIT_RULES = (HALF, NONE, FULL)  # what an answer gets that is wrong by a power of 1000 or 60


@dataclass(frozen=True)
class Car:
    """A vehicle of the class: its own name there, what it is, and the splices that boxes may be put at."""

    name: str
    vehicle: Vehicle
    splices: tuple[str, ...]
    place: Node


@dataclass(frozen=True)
class Box:
    """A box: the label on it, the serial of its `*IDN?` (None: whichever is at the address), its board."""

    label: str
    identity: str | None
    board: BoardModel
    place: Node


@dataclass(frozen=True)
class Kit:
    """Instruments that one group has at a time."""

    name: str
    instruments: Instruments
    place: Node


@dataclass(frozen=True)
class Fault:
    """A profile of the class, as its author wrote it: whether a box's board plays it is another question.

    name: the profile's own; file: where it is.
    """

    name: str
    file: Path
    written: Profile
    place: Node


@dataclass(frozen=True)
class Tolerance:
    """How far an answer may be off: percent of the truth, or an amount in amperes or seconds; one is None."""

    percent: Fraction | None
    amount: Fraction | None


@dataclass(frozen=True)
class ClassFile:
    """A class, checked: seconds, points, and everything that it names, loaded.

    tolerances: `current`, `duration`, `interval`, those that the file gives. fit: the share (0..1) by which
    a level may be moved to what a board plays, 0 where the file doesn't allow it.
    """

    name: str
    title: str
    when: str | None
    time_s: float
    groups: tuple[str, ...]
    cars: tuple[Car, ...]
    boxes: tuple[Box, ...]
    kits: tuple[Kit, ...]
    faults: tuple[Fault, ...]
    points: dict[str, int]
    pass_pct: Fraction
    tolerances: dict[str, Tolerance]
    units: str
    hints_s: tuple[float, ...]
    fit: Fraction
    file: str
    places: dict[str, Node] = field(default_factory=dict, compare=False)

    def car(self, name: str) -> Car:
        """The vehicle of that name; KeyError where there is none."""
        return {car.name: car for car in self.cars}[name]

    def box(self, label: str) -> Box:
        """The box of that label; KeyError where there is none."""
        return {box.label: box for box in self.boxes}[label]

    def kit(self, name: str) -> Kit:
        """The kit of that name; KeyError where there is none."""
        return {kit.name: kit for kit in self.kits}[name]

    def fault(self, name: str) -> Fault:
        """The fault whose profile has that name; KeyError where there is none."""
        return {fault.name: fault for fault in self.faults}[name]


@dataclass(frozen=True)
class Assignment:
    """What one group gets: where, from which box and slot, which profile with which seed, measured with what.

    expected_s, p95_s: seconds to isolate it from a sleeping vehicle with that kit; difficulty 0..10. None in
    a plan that a person wrote without them.
    """

    group: str
    vehicle: str
    splice: str
    fuse: str
    box: str
    slot: int
    profile: str
    seed: int
    kit: str
    expected_s: float | None = None
    p95_s: float | None = None
    difficulty: float | None = None

    def document(self) -> dict[str, object]:
        """The JSON contract's keys."""
        return dict(vars(self))


@dataclass(frozen=True)
class Plan:
    """A plan, checked against its class; assignments in the order of the class's groups."""

    name: str
    of: ClassFile
    seed: int
    assignments: tuple[Assignment, ...]
    file: str

    def assignment(self, group: str) -> Assignment:
        """What a group gets; KeyError where it isn't in the plan."""
        return {one.group: one for one in self.assignments}[group]

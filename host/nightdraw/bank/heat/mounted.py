"""A board's channels with their resistor packages resolved, and the enclosure that they are in.

Here a board file's names become parts, or findings at their place; heat is computed elsewhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from nightdraw.bank.heat.enclosure import HeatedEnclosure, Temperatures
from nightdraw.bank.parts.resistor_packages import AIR, CATALOGUE, PLATE, ResistorPackage, own_package
from nightdraw.board import BoardModel, Channel
from nightdraw.errors import Finding, InputError, nearest


@dataclass(frozen=True)
class MountedChannel:
    """A channel with its resistor package resolved. watts: the whole channel's at the supply in question."""

    number: int
    channel: Channel
    package: ResistorPackage

    @property
    def name(self) -> str:
        each = f" (each of {self.channel.count})" if self.channel.count > 1 else ""
        return f"channel {self.number}{each}"

    @property
    def on_plate(self) -> bool:
        return self.channel.mounting == PLATE

    @property
    def least_ohms(self) -> float:
        """The resistor at the low end of its tolerance: most current, most heat."""
        return float(self.channel.ohms) * (1 - float(self.channel.tolerance_pct) / 100)

    def current_a(self, supply_v: float) -> float:
        """The most this channel draws; the switch counts as none."""
        return supply_v / self.least_ohms

    def watts(self, supply_v: float) -> float:
        """The most this channel's resistors dissipate together."""
        return supply_v**2 / self.least_ohms

    def element_volts(self, supply_v: float) -> float:
        """What stands across one of its resistors."""
        return supply_v / self.channel.in_series

    def element_ohms(self) -> float:
        each = self.channel.each
        return float(each if each is not None else self.channel.ohms)

    def rise_k_w(self) -> float:
        """Hot spot over air, or over the wall, by the watts of one resistor."""
        return self.package.plate_k_per_w if self.on_plate else self.package.law(AIR).k_per_w

    def allowed_w(self, air: Temperatures) -> float:
        """What one resistor may dissipate in this box: its derating law, on a plate also its way to the
        wall."""
        if not self.on_plate:
            return self.package.law(AIR).allowed_w(air.air_c)
        by_plate = (self.package.limit_c - air.wall_c) / self.package.plate_k_per_w
        return max(0.0, min(self.package.law(PLATE).allowed_w(air.wall_c), by_plate))


def mounted_channels(board: BoardModel) -> list[MountedChannel]:
    """Every channel with its resistor package; raises InputError with the place of each without one that it
    can have."""
    known = {**CATALOGUE}
    findings: list[Finding] = []
    for own in board.packages:
        if own.like in known:
            known[own.name] = own_package(own.name, known[own.like], own.given)
        else:
            hint = nearest(own.like, known)
            findings.append(board.finding(own.place, f"no resistor package is called {own.like!r}", hint))
    found = []
    for number, channel in enumerate(board.channels, 1):
        problem = _package_problem(board, number, channel, known)
        if problem is not None:
            findings.append(problem)
        elif channel.package is not None:
            found.append(MountedChannel(number, channel, known[channel.package]))
    if findings:
        raise InputError(*findings)
    return found


def _package_problem(
    board: BoardModel, number: int, channel: Channel, known: dict[str, ResistorPackage]
) -> Finding | None:
    if channel.package is None:
        names = ", ".join(CATALOGUE)
        message = f"channel {number} has no resistor package: its heat can't be weighed"
        return board.finding(channel.place, message, f"resistor packages: {names}")
    if channel.package not in known:
        hint = nearest(channel.package, known) or f"known: {', '.join(known)}"
        return board.finding(channel.place, f"no resistor package is called {channel.package!r}", hint)
    if channel.mounting == PLATE and known[channel.package].plate is None:
        message = f"channel {number}: a {channel.package} can't be screwed to a plate"
        return board.finding(channel.place, message, "mounting: air")
    return None


def box_of(board: BoardModel, channels: Sequence[MountedChannel]) -> HeatedEnclosure:
    """The board's enclosure; raises InputError where it has none, or resistors on a wall that is no plate."""
    if board.enclosure is None:
        raise InputError(board.finding(board.root, "the board has no enclosure: heat can't be weighed"))
    box = HeatedEnclosure(board.enclosure)
    stuck = [channel for channel in channels if channel.on_plate and not box.metal]
    if stuck:
        message = f"{stuck[0].name} is mounted on the enclosure's wall, which is no metal plate"
        raise InputError(board.finding(stuck[0].channel.place, message, "mounting: air, or an aluminium box"))
    return box

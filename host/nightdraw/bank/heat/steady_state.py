"""Every part's temperature in the steady state against its limit, with margin and remedy.

The worst case that the firmware allows without end is all channels on at the highest supply of the board's
caps; that case is computed here. Warm-up and pulses of a profile are profile_heat's.

Theory of operation. The box's heat balance (enclosure.py) gives air and mean wall temperature for the heat
put into each; the MOSFETs' heat depends on the air temperature and is found by fixed-point iteration, a
contraction because it is about a hundredth of the whole. The wall's spots come from a conducting sheet
(shell.py). Each part is then judged alone (verdicts.py): derated rating, hot spot, voltage; junctions; air
for the electronics; the wall for hands.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from nightdraw.bank.heat import touch
from nightdraw.bank.heat.enclosure import HeatedEnclosure, Temperatures
from nightdraw.bank.heat.mosfet import switch_w
from nightdraw.bank.heat.mounted import MountedChannel, box_of, mounted_channels
from nightdraw.bank.heat.shell import shell_rises
from nightdraw.bank.heat.verdicts import (
    HeatInput,
    HeatVerdict,
    Wall,
    air_verdict,
    burn_verdict,
    handling_verdict,
    resistor_verdict,
    switch_verdict,
)
from nightdraw.board import BoardModel

FIXED_POINT_STEPS = 50  # the MOSFETs' share of the heat is a hundredth: three steps converge
CONVERGED_K = 1e-6


@dataclass(frozen=True)
class Heat:
    """The whole answer: a verdict for each part, the temperatures in the box, the assumptions."""

    parts: tuple[HeatVerdict, ...]
    air: Temperatures
    ambient_c: float
    supply_v: float
    assumptions: tuple[str, ...] = field(default=())

    @property
    def ok(self) -> bool:
        return all(part.ok for part in self.parts)


def steady_temperatures(
    board: BoardModel, channels: Sequence[MountedChannel], box: HeatedEnclosure, ambient_c: float
) -> tuple[Temperatures, HeatInput]:
    """Air and wall temperature with every channel on at the highest supply; with the heat of MOSFETs and of
    the box itself."""
    supply_v = board.caps["supply_max_mv"] / 1000
    wall_w = sum(channel.watts(supply_v) for channel in channels if channel.on_plate)
    air_w = sum(channel.watts(supply_v) for channel in channels if not channel.on_plate)
    air_w += other_losses_w(board, supply_v, sum(channel.current_a(supply_v) for channel in channels))
    air = box.balance(ambient_c, air_w, wall_w)
    switch = board.switch
    if switch is None:
        return air, HeatInput(air_w, wall_w)
    for _ in range(FIXED_POINT_STEPS):
        switches_w = sum(switch_w(switch, channel.current_a(supply_v), air.air_c) for channel in channels)
        before, air = air, box.balance(ambient_c, air_w + switches_w, wall_w)
        if abs(air.air_c - before.air_c) < CONVERGED_K:
            break
    return air, HeatInput(air_w + switches_w, wall_w)


def other_losses_w(board: BoardModel, supply_v: float, current_a: float) -> float:
    """What the rest of the box puts into its air: own consumption, shunt, reverse protection, watts."""
    watts = board.own_ua / 1e6 * supply_v
    shunt, reverse = board.circuit.sense.shunt_ohms, board.circuit.reverse
    if board.monitor and shunt is not None:
        watts += float(shunt) * current_a**2
    if reverse is not None:
        watts += float(reverse.ohms or 0) * current_a**2 + float(reverse.drop_v or 0) * current_a
    return watts


def steady_heat(board: BoardModel, ambient_c: float) -> Heat:
    """The steady state of a board with every channel on; raises InputError for a board without the parts."""
    channels = mounted_channels(board)
    box = box_of(board, channels)
    supply_v = board.caps["supply_max_mv"] / 1000
    air, load = steady_temperatures(board, channels, box, ambient_c)
    above, wall = _shell(board, channels, box, ambient_c, (air, load))
    parts = [
        resistor_verdict(channel, supply_v, air, box, above_k)
        for channel, above_k in zip(channels, above, strict=True)
    ]
    if board.switch is not None:
        parts += [switch_verdict(board.switch, channel, supply_v, air) for channel in channels]
    parts.append(air_verdict(box, load, air, ambient_c))
    reference = steady_temperatures(board, channels, box, touch.REFERENCE_C)
    _, handled = _shell(board, channels, box, touch.REFERENCE_C, reference)
    parts.append(handling_verdict(box, reference[1], handled))
    parts.append(burn_verdict(box, load, wall, ambient_c))
    return Heat(tuple(parts), air, ambient_c, supply_v, assumptions(board, supply_v))


def _shell(
    board: BoardModel,
    channels: Sequence[MountedChannel],
    box: HeatedEnclosure,
    ambient_c: float,
    settled: tuple[Temperatures, HeatInput],
) -> tuple[list[float], Wall]:
    """How far the wall under each channel's resistors lies above the wall's mean, and the hottest spot."""
    air, load = settled
    sheet = shell_rises(board, channels, box, air, ambient_c)
    supply_v = board.caps["supply_max_mv"] / 1000
    watts = np.array([channel.watts(supply_v) for channel in channels])
    above = [float(rise) for rise in sheet.above_k(watts, load.to_air_w)[:-1]]
    return above, Wall(air.wall_c, sheet.hottest_k(watts, load.to_air_w))


def assumptions(board: BoardModel, supply_v: float) -> tuple[str, ...]:
    """The assumptions of the steady state, as sentences."""
    lines = [
        f"all {len(board.channels)} channels on for ever at {supply_v:g} V, the highest supply of the caps",
        "resistors at the low end of their tolerance; own consumption counted; no sun, no fan, no help from "
        "the temperature guard",
        "outside: Churchill-Chu (upright), McAdams (flat) and grey-body radiation; inside: convection alone",
        "the shell as a conducting sheet with the resistors where the drilling template has them; its "
        "hottest spot is "
        "judged, the bottom's too, in the room's own temperature (handled: at 25 C, as its standard says)",
    ]
    if board.switch is None:
        lines.append("the board names no MOSFET: none is checked")
    return tuple(lines)

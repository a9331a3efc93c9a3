"""Does it burn: every part's temperature in the steady state, against its limit, with margin and remedy.

The worst that the firmware allows for ever is all channels on at the highest supply of the board's caps; that
is what is weighed here. What a profile really does, with warm-up and pulses, is thermal's business.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from nightdraw.bank.heat import touch
from nightdraw.bank.heat.enclosure import Air, Box
from nightdraw.bank.heat.mosfet import switch_w
from nightdraw.bank.heat.mounted import Mounted, box_of, mounted
from nightdraw.bank.heat.shell import spread
from nightdraw.bank.heat.verdicts import (
    Load,
    Part,
    Wall,
    air_part,
    burn_part,
    handling_part,
    resistor_part,
    switch_part,
)
from nightdraw.board import BoardModel

FIXED_POINT_STEPS = 50  # the MOSFETs' share of the heat is a hundredth: three steps settle it
STILL_K = 1e-6


@dataclass(frozen=True)
class Heat:
    """The whole answer: the parts, where the box settles, what was assumed."""

    parts: tuple[Part, ...]
    air: Air
    ambient_c: float
    supply_v: float
    assumptions: tuple[str, ...] = field(default=())

    @property
    def ok(self) -> bool:
        return all(part.ok for part in self.parts)


def settle(board: BoardModel, channels: Sequence[Mounted], box: Box, ambient_c: float) -> tuple[Air, Load]:
    """Where the box settles with every channel on at the highest supply; MOSFETs and the box itself count."""
    supply_v = board.caps["supply_max_mv"] / 1000
    wall_w = sum(channel.watts(supply_v) for channel in channels if channel.on_plate)
    air_w = sum(channel.watts(supply_v) for channel in channels if not channel.on_plate)
    air_w += standing_w(board, supply_v, sum(channel.current_a(supply_v) for channel in channels))
    air = box.settle(ambient_c, air_w, wall_w)
    switch = board.switch
    if switch is None:
        return air, Load(air_w, wall_w)
    for _ in range(FIXED_POINT_STEPS):
        switches_w = sum(switch_w(switch, channel.current_a(supply_v), air.air_c) for channel in channels)
        before, air = air, box.settle(ambient_c, air_w + switches_w, wall_w)
        if abs(air.air_c - before.air_c) < STILL_K:
            break
    return air, Load(air_w + switches_w, wall_w)


def standing_w(board: BoardModel, supply_v: float, current_a: float) -> float:
    """What the rest of the box puts into its air: own consumption, shunt, reverse protection, watts."""
    watts = board.own_ua / 1e6 * supply_v
    shunt, reverse = board.circuit.sense.shunt_ohms, board.circuit.reverse
    if board.monitor and shunt is not None:
        watts += float(shunt) * current_a**2
    if reverse is not None:
        watts += float(reverse.ohms or 0) * current_a**2 + float(reverse.drop_v or 0) * current_a
    return watts


def weigh(board: BoardModel, ambient_c: float) -> Heat:
    """The steady state of a board with every channel on; raises InputError for a board without the parts."""
    channels = mounted(board)
    box = box_of(board, channels)
    supply_v = board.caps["supply_max_mv"] / 1000
    air, load = settle(board, channels, box, ambient_c)
    above, wall = _shell(board, channels, box, ambient_c, (air, load))
    parts = [
        resistor_part(channel, supply_v, air, box, above_k)
        for channel, above_k in zip(channels, above, strict=True)
    ]
    if board.switch is not None:
        parts += [switch_part(board.switch, channel, supply_v, air) for channel in channels]
    parts.append(air_part(box, load, air, ambient_c))
    reference = settle(board, channels, box, touch.REFERENCE_C)
    _, handled = _shell(board, channels, box, touch.REFERENCE_C, reference)
    parts.append(handling_part(box, reference[1], handled))
    parts.append(burn_part(box, load, wall, ambient_c))
    return Heat(tuple(parts), air, ambient_c, supply_v, assumptions(board, supply_v))


def _shell(
    board: BoardModel, channels: Sequence[Mounted], box: Box, ambient_c: float, settled: tuple[Air, Load]
) -> tuple[list[float], Wall]:
    """How far the wall under each channel's resistors lies above the wall's mean, and the hottest spot."""
    air, load = settled
    sheet = spread(board, channels, box, air, ambient_c)
    supply_v = board.caps["supply_max_mv"] / 1000
    watts = np.array([channel.watts(supply_v) for channel in channels])
    above = [float(rise) for rise in sheet.above_k(watts, load.to_air_w)[:-1]]
    return above, Wall(air.wall_c, sheet.hottest_k(watts, load.to_air_w))


def assumptions(board: BoardModel, supply_v: float) -> tuple[str, ...]:
    """What the steady answer takes for granted."""
    said = [
        f"all {len(board.channels)} channels on for ever at {supply_v:g} V, the highest supply of the caps",
        "resistors at the low end of their tolerance; own consumption counted; no sun, no fan, no help from "
        "the temperature guard",
        "outside: Churchill-Chu (upright), McAdams (flat) and grey-body radiation; inside: convection alone",
        "the shell as a conducting sheet with the resistors where the drilling template has them; its "
        "hottest spot is "
        "judged, the bottom's too, in the room's own temperature (handled: at 25 C, as its standard says)",
    ]
    if board.switch is None:
        said.append("the board names no MOSFET: none is weighed")
    return tuple(said)

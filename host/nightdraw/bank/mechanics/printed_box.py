"""An enclosure to print: a tray with the drilled holes in it and a lid, each one solid without supports.

For boards without a resistor on the wall: hot parts keep to metal. Whether the air inside stays cool
enough is for heat to say. x along the front from its left end, y from front to rear, z up from the outside
bottom.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from nightdraw.bank.mechanics.placement import PILLAR_MM
from nightdraw.bank.mechanics.solids import block, cylinder, joined

Round = tuple[float, float, float]  # of a hole: its middle on the face, its diameter
PILOT_MM, PILOT_DEEP_MM = 2.5, 14.0  # for an M3 screw that cuts its thread in plastic (common practice)
LID_HOLE_MM = 3.4  # ISO 273, M3, medium
LIP_MM, LIP_WALL_MM, PLAY_MM = 2.0, 2.0, 0.3  # the lid's rim inside the tray
THROUGH_MM = 1.0  # cutters reach beyond what they cut


@dataclass(frozen=True)
class Printed:
    """Outside length, width and height with the lid on; wall: of all sides, floor and lid; mm."""

    length: float
    width: float
    height: float
    wall: float

    def screws(self) -> list[tuple[float, float]]:
        """The middles of the four pillars."""
        half = PILLAR_MM / 2
        return [(x, y) for x in (half, self.length - half) for y in (half, self.width - half)]


def tray(box: Printed, front: Iterable[Round], rear: Iterable[Round], floor: Iterable[Round]) -> Any:
    """Floor, sides and pillars; holes of the front from outside, of the rear from outside, of the floor from
    inside, each from that face's lower left corner."""
    top = box.height - box.wall
    body = block((0, 0, 0), (box.length, box.width, top))
    body -= block(
        (box.wall, box.wall, box.wall), (box.length - box.wall, box.width - box.wall, top + THROUGH_MM)
    )
    for x, y in box.screws():
        half = PILLAR_MM / 2
        body += block((x - half, y - half, 0), (x + half, y + half, top))
        body -= cylinder((x, y, top - PILOT_DEEP_MM), PILOT_DEEP_MM + THROUGH_MM, PILOT_MM / 2)
    deep = box.wall + 2 * THROUGH_MM
    cuts = [cylinder((x, -THROUGH_MM, z), deep, d / 2, "y") for x, z, d in front]
    back = box.width - box.wall - THROUGH_MM
    cuts += [cylinder((box.length - x, back, z), deep, d / 2, "y") for x, z, d in rear]
    cuts += [cylinder((x, y, -THROUGH_MM), deep, d / 2) for x, y, d in floor]
    return body - joined(cuts)


def lid(box: Printed) -> Any:
    """A plate with a rim that keeps it in place, as it lies on the tray."""
    low = box.height - box.wall
    body = block((0, 0, low), (box.length, box.width, box.height))
    far = box.wall + PLAY_MM
    near = far + LIP_WALL_MM
    rim = block((far, far, low - LIP_MM), (box.length - far, box.width - far, low))
    rim -= block(
        (near, near, low - LIP_MM - THROUGH_MM), (box.length - near, box.width - near, low + THROUGH_MM)
    )
    reach = PILLAR_MM / 2 + PLAY_MM
    rim -= joined(
        [block((x - reach, y - reach, 0), (x + reach, y + reach, low + THROUGH_MM)) for x, y in box.screws()]
    )
    body += rim
    deep = box.wall + 2 * THROUGH_MM
    return body - joined([cylinder((x, y, low - THROUGH_MM), deep, LID_HOLE_MM / 2) for x, y in box.screws()])

"""Enclosures that can be bought, smallest first: common sizes of painted die-cast boxes, and of plastic ones.

Sizes are the trade's usual ones in round millimetres (common practice), not any maker's parts.
"""

from __future__ import annotations

from fractions import Fraction

from nightdraw.board import Enclosure
from nightdraw.board.model import ALUMINIUM, COVERED, FREE, PLASTIC

PAINTED = Fraction(9, 10)  # emissivity of paint, anodising and plastics; handbooks give 0.85 to 0.95
SIZES_MM = (
    (120, 95, 60),
    (171, 121, 55),
    (188, 120, 78),
    (222, 146, 55),
    (222, 146, 82),
    (275, 175, 66),
    (330, 230, 110),
    (400, 310, 110),
)
WALL_MM = {ALUMINIUM: 2, PLASTIC: 3}
# an aluminium sheet on the floor under clad resistors: without one the box is too hot to touch above them
PLATE_MM = 5


def boxes(material: str, plate: bool = False) -> list[Enclosure]:
    """The sizes of one material, standing on their bottom; plate: with a sheet under the resistors, on
    feet."""
    return [
        Enclosure(
            material,
            length_m=Fraction(length, 1000),
            width_m=Fraction(width, 1000),
            height_m=Fraction(height, 1000),
            wall_m=Fraction(WALL_MM[material], 1000),
            emissivity=PAINTED,
            bottom=FREE if plate else COVERED,
            plate_m=Fraction(PLATE_MM if plate else 0, 1000),
        )
        for length, width, height in SIZES_MM
    ]

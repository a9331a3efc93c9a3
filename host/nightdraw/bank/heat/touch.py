"""How hot a box may be to the hand: published limits as tables, by material and by how it is touched.

Only limits live here. Most rows are from memory of the standards, which is said with every answer.
"""

from __future__ import annotations

METAL, GLASS, PLASTIC, WOOD = "metal", "glass", "plastic", "wood"
MATERIALS = (METAL, GLASS, PLASTIC, WOOD)
REFERENCE_C = 25.0  # IEC 62368-1: the limits hold at 25 C, without recalculation to a warmer room

# contact -> limit in C for metal, glass or painted metal, plastic, wood
TS1: dict[str, tuple[float, float, float, float]] = {
    "over 1 min": (48, 48, 48, 48),
    "10 s to 1 min": (51, 56, 60, 60),
    "1 s to 10 s": (60, 71, 77, 107),
    "under 1 s": (70, 85, 94, 140),
}
TS1_SOURCE = "IEC 62368-1 table 38, TS1, from memory (metal 48 and plastic 77 seen quoted)"
HANDLED = "1 s to 10 s"  # a box that is picked up, plugged in and put down

# ISO 13732-1 burn thresholds; contact in seconds -> C for the same materials
BURN: dict[float, tuple[float, float, float, float]] = {
    1.0: (65, 80, 85, 110),
    60.0: (51, 56, 60, 60),
    600.0: (48, 48, 48, 48),
    28_800.0: (43, 43, 43, 43),
}
BURN_SOURCE = "ISO 13732-1 burn thresholds, from memory (metal below 65 C for half a second seen quoted)"
BRUSHED_S = 1.0  # a hand drawn back at once


def handling_limit_c(material: str, contact: str = HANDLED) -> float:
    """The limit at REFERENCE_C for a surface that is touched on purpose, IEC 62368-1 TS1."""
    return TS1[contact][MATERIALS.index(material)]


def burn_limit_c(material: str, contact_s: float = BRUSHED_S) -> float:
    """The burn threshold for a contact no longer than this, at any room temperature, ISO 13732-1.

    Between the table's times the shorter row would be unsafe, so the next longer one holds.
    """
    for row_s, limits in BURN.items():
        if contact_s <= row_s:
            return limits[MATERIALS.index(material)]
    return BURN[max(BURN)][MATERIALS.index(material)]

"""Blade fuses as data: ratings, cold resistance, drop, colours, sizes, derating, each with its source.

Which fuse a board needs is wiring's to say.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

MEDIUM, MINIATURE, HIGH = "C", "F", "E"
NAMES = {MEDIUM: "medium blade", MINIATURE: "miniature blade", HIGH: "high-current blade"}
STANDARD = "ISO 8820-3"
VOLTS = (32, 58)  # rated voltages, ISO 8820-3
RATINGS: dict[str, tuple[float, ...]] = {  # trade lists of the standard's ratings
    MEDIUM: (1, 2, 3, 4, 5, 7.5, 10, 15, 20, 25, 30, 40),
    MINIATURE: (2, 3, 4, 5, 7.5, 10, 15, 20, 25, 30),
    HIGH: (20, 30, 40, 50, 60, 70, 80),
}
# rating -> typical cold resistance, mohm
COLD_MOHM: dict[str, dict[float, float]] = {
    # a maker's medium blade sheet as quoted; 1 A and 7.5 A from memory of it
    MEDIUM: {
        1: 123, 2: 53.50, 3: 31.10, 4: 22.80, 5: 17.85, 7.5: 10.91, 10: 7.70, 15: 4.80, 20: 3.38, 25: 2.52,
        30: 1.97, 40: 1.44,
    },
    MINIATURE: {7.5: 10.85, 15: 4.58},  # as quoted from a maker's sheet; others not seen
    HIGH: {30: 1.9, 40: 1.4},  # as quoted from a maker's sheet
}  # fmt: skip
# rating -> typical drop at rated current, mV, medium blades; 40 A as quoted, the others from memory
RATED_MV = {
    1: 176, 2: 141, 3: 137, 4: 137, 5: 128, 7.5: 116, 10: 109, 15: 102, 20: 98, 25: 92, 30: 84, 40: 96,
}  # fmt: skip
MOST_MV = {20: 125}  # high-current type, DIN 72581-3: 125 mV at 20 A, 100 mV above
MOST_MV_ABOVE = 100
# Colours where two lists agree with the standard; 35 A, on which they differ, has none.
COLOURS: dict[str, dict[float, str]] = {
    MEDIUM: {
        1: "black", 2: "grey", 3: "violet", 4: "pink", 5: "tan", 7.5: "brown", 10: "red", 15: "blue",
        20: "yellow", 25: "clear", 30: "green", 40: "orange",
    },
    HIGH: {
        20: "yellow", 30: "light green", 40: "orange", 50: "red", 60: "light blue", 70: "brown", 80: "clear",
    },
}  # fmt: skip
COLOURS[MINIATURE] = COLOURS[MEDIUM]
# share of the rating for ever, by the air's temperature: points of a 15 A miniature blade's and of a 40 A
# high-current blade's sheet as quoted, straight lines between
DERATING: dict[str, tuple[tuple[float, float], ...]] = {
    MEDIUM: ((20, 13 / 15), (100, 9 / 15)),
    MINIATURE: ((20, 13 / 15), (100, 9 / 15)),
    HIGH: ((65, 34 / 40), (85, 30 / 40), (110, 25 / 40), (125, 22 / 40)),
}
SLOW = 1.35  # a fuse may carry 135 % for 600 s (ISO 8820-3): without end, for the warmth of a thin wire


@dataclass(frozen=True)
class Size:
    """Outside of a fuse: across both blades, thickness, height over all, mm."""

    length_mm: float
    width_mm: float
    height_mm: float


SIZES = {  # trade list of dimensions
    MINIATURE: Size(10.9, 3.6, 16.3),
    MEDIUM: Size(19.1, 5.1, 18.5),
    HIGH: Size(29.2, 8.5, 34.3),
}


def share(kind: str, ambient_c: float) -> float:
    """The share of its rating that a fuse may carry for ever in air of this temperature."""
    points = DERATING[kind]
    if ambient_c <= points[0][0]:
        return points[0][1]
    for (low, at_low), (high, at_high) in pairwise(points):
        if ambient_c <= high:
            return at_low + (at_high - at_low) * (ambient_c - low) / (high - low)
    return points[-1][1]


def next_rating(kind: str, current_a: float, ambient_c: float) -> float | None:
    """The lowest standard rating whose derated share bears this current; None above the type's largest."""
    fitting = (rating for rating in RATINGS[kind] if rating * share(kind, ambient_c) >= current_a)
    return next(fitting, None)


def largest_rating(kind: str, carries_a: float) -> float | None:
    """The largest standard rating that protects a conductor which carries this much for ever: SLOW times the
    rating must not be more; None where even the smallest is too large."""
    return max((rating for rating in RATINGS[kind] if SLOW * rating <= carries_a), default=None)


def cold_mohm(kind: str, rating_a: float) -> tuple[float | None, str]:
    """Typical cold resistance and where it comes from; None where no list knows the rating."""
    if rating_a in COLD_MOHM[kind]:
        return COLD_MOHM[kind][rating_a], "the type's cold-resistance table"
    if kind == MINIATURE and rating_a in COLD_MOHM[MEDIUM]:
        return COLD_MOHM[MEDIUM][rating_a], "as a medium blade of the rating (its own table was not seen)"
    if kind == HIGH and rating_a in RATINGS[HIGH]:
        most = MOST_MV.get(int(rating_a), MOST_MV_ABOVE)
        return most / rating_a, "the standard's highest drop at rated current"
    return None, "no list knows this rating"


def colour(kind: str, rating_a: float) -> str | None:
    """The blade's colour by the standard; None where there is none."""
    return COLOURS[kind].get(rating_a)

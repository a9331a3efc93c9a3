"""The box as a heat exchanger: its outside gives heat to the room, its inside takes it from the air within.

One wall temperature, one air temperature. Radiation from hot parts to the inside is left out and a covered
bottom loses nothing, both on the safe side; sun is not counted.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from nightdraw.bank.heat.air import HELPED, HINDERED, UPRIGHT, convection_w_m2k, radiation_w_m2
from nightdraw.board import Enclosure
from nightdraw.board.model import ALUMINIUM, COVERED, PLASTIC

# W/mK, J/m3K: cast aluminium 130, ABS 0.17, and density times specific heat; handbook values from memory
CONDUCTIVITY = {ALUMINIUM: 130.0, PLASTIC: 0.17}
HEAT_J_M3K = {ALUMINIUM: 2700 * 900.0, PLASTIC: 1050 * 1400.0}
HOTTEST_C = 2000.0  # the search's upper end: what gets there has melted, and every limit is passed


@dataclass(frozen=True)
class Surface:
    """A flat outer face: area, the length that its correlation wants, and how it stands."""

    area_m2: float
    length_m: float
    outside: str
    inside: str
    loses: bool


@dataclass(frozen=True)
class Temperatures:
    """Where a box settles: outer wall, inner wall and inner air, C."""

    wall_c: float
    inner_c: float
    air_c: float


class HeatedEnclosure:
    """An Enclosure in floats, with what its faces lose."""

    def __init__(self, enclosure: Enclosure) -> None:
        self.material = enclosure.material
        self.emissivity = float(enclosure.emissivity)
        self._wall_m = float(enclosure.wall_m)
        length, width, height = (
            float(side) for side in (enclosure.length_m, enclosure.width_m, enclosure.height_m)
        )
        flat = length * width
        flat_m = flat / (2 * (length + width))  # area over perimeter, as the correlations want it
        standing = enclosure.bottom == COVERED
        self.surfaces = (
            Surface(2 * (length + width) * height, height, UPRIGHT, UPRIGHT, True),
            Surface(flat, flat_m, HELPED, HELPED, True),
            Surface(flat, flat_m, HINDERED, HINDERED, not standing),
        )
        self.volume_m3 = flat * height
        self.shell_m3 = sum(face.area_m2 for face in self.surfaces) * self._wall_m

    @property
    def metal(self) -> bool:
        """Whether resistors may be screwed to its wall as to a plate."""
        return self.material == ALUMINIUM

    @property
    def shell_j_k(self) -> float:
        """The wall's heat capacity."""
        return self.shell_m3 * HEAT_J_M3K[self.material]

    def outside_w(self, wall_c: float, ambient_c: float) -> float:
        """What the outside loses by natural convection and radiation, watts (negative when colder)."""
        rise = wall_c - ambient_c
        per_area = radiation_w_m2(self.emissivity, wall_c, ambient_c)
        return sum(
            face.area_m2
            * (convection_w_m2k(face.outside, face.length_m, wall_c, ambient_c) * rise + per_area)
            for face in self.surfaces
            if face.loses
        )

    def inside_w_k(self, air_c: float, inner_c: float) -> float:
        """The conductance from the air within to the inner wall, W/K, natural convection alone.

        Warm air lies against the ceiling (a cold side down: helped) and above the floor (hindered).
        """
        return sum(
            face.area_m2 * convection_w_m2k(face.inside, face.length_m, inner_c, air_c)
            for face in self.surfaces
        )

    def through_k_w(self) -> float:
        """The wall's own thermal resistance, by its losing faces."""
        area = sum(face.area_m2 for face in self.surfaces if face.loses)
        return self._wall_m / (CONDUCTIVITY[self.material] * area)

    def balance(self, ambient_c: float, to_air_w: float, to_wall_w: float) -> Temperatures:
        """The steady temperatures: the wall where losses equal the heat, then the air above it."""
        total = to_air_w + to_wall_w
        wall = _root(lambda wall_c: self.outside_w(wall_c, ambient_c) - total, ambient_c)
        inner = wall + total * self.through_k_w()
        air = _root(lambda air_c: self.inside_w_k(air_c, inner) * (air_c - inner) - to_air_w, inner)
        return Temperatures(wall, inner, air)


def _root(excess: Callable[[float], float], low: float) -> float:
    """The zero of a growing function that is at or below zero at `low`; HOTTEST_C where it lies beyond."""
    from scipy.optimize import brentq

    if excess(low) >= 0:
        return low
    if excess(HOTTEST_C) <= 0:
        return HOTTEST_C
    return float(brentq(excess, low, HOTTEST_C, xtol=1e-9))

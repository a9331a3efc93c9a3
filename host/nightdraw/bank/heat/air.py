"""Heat from surfaces to still air: natural convection and radiation, from published correlations.

Correlations come from the ht library (named ones, never its defaults), air from the 1976 standard atmosphere
in fluids. Areas, walls and boxes are enclosure's business.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

KELVIN = 273.15
SIGMA = 5.670374419e-8  # W/m2K4, CODATA 2018
GRAVITY = 9.80665  # m/s2
SEA_LEVEL_PA = 101_325.0
GAS_J_KGK = 287.053  # dry air, 1976 standard atmosphere
AIR_J_KGK = 1007.0  # specific heat at 300 K (Incropera, table A.4); 1009 at 350 K
LEAST_K = 1e-6  # a surface at the air's own temperature loses nothing


@dataclass(frozen=True)
class Air:
    """Properties of air at one temperature: W/mK, m2/s, m2/s, and 1/K."""

    conductivity: float
    viscosity: float
    diffusivity: float
    expansion: float

    @property
    def prandtl(self) -> float:
        return self.viscosity / self.diffusivity


def air_at(celsius: float, pressure_pa: float = SEA_LEVEL_PA) -> Air:
    """Dry air as an ideal gas; viscosity and conductivity from the 1976 standard atmosphere's formulas."""
    from fluids.atmosphere import ATMOSPHERE_1976

    kelvin = celsius + KELVIN
    density = pressure_pa / (GAS_J_KGK * kelvin)
    conductivity = float(ATMOSPHERE_1976.thermal_conductivity(kelvin))
    viscosity = float(ATMOSPHERE_1976.viscosity(kelvin)) / density
    return Air(conductivity, viscosity, conductivity / (density * AIR_J_KGK), 1 / kelvin)


def grashof(air: Air, length_m: float, rise_k: float) -> float:
    """Buoyancy over viscosity: g beta dT L^3 / nu^2."""
    return GRAVITY * air.expansion * abs(rise_k) * length_m**3 / air.viscosity**2


def _nu_upright(prandtl: float, gr: float) -> float:
    from ht.conv_free_immersed import Nu_vertical_plate_Churchill

    return float(Nu_vertical_plate_Churchill(prandtl, gr))


def _nu_up(prandtl: float, gr: float) -> float:
    from ht.conv_free_immersed import Nu_horizontal_plate_McAdams

    return float(Nu_horizontal_plate_McAdams(prandtl, gr, buoyancy=True))


def _nu_down(prandtl: float, gr: float) -> float:
    from ht.conv_free_immersed import Nu_horizontal_plate_McAdams

    return float(Nu_horizontal_plate_McAdams(prandtl, gr, buoyancy=False))


# How a surface stands to warm air's wish to rise. Length: height, or area over perimeter for a flat one.
UPRIGHT, HELPED, HINDERED = "upright", "helped", "hindered"
CORRELATIONS: dict[str, Callable[[float, float], float]] = {
    UPRIGHT: _nu_upright,  # Churchill and Chu, all Ra: IJHMT 18 (1975) 1323; Incropera 9.26
    HELPED: _nu_up,  # McAdams, hot side up or cold side down: 0.54 Ra^1/4, 0.15 Ra^1/3; Incropera 9.30, 9.31
    HINDERED: _nu_down,  # McAdams, hot side down or cold side up: 0.27 Ra^1/4 (Incropera 9.32)
}


def convection_w_m2k(
    facing: str, length_m: float, surface_c: float, air_c: float, air: Air | None = None
) -> float:
    """The heat transfer coefficient of a flat surface in still air; `air` is at the film temperature unless
    given."""
    rise = surface_c - air_c
    if abs(rise) < LEAST_K:
        return 0.0
    film = air or air_at((surface_c + air_c) / 2)
    nusselt = CORRELATIONS[facing](film.prandtl, grashof(film, length_m, rise))
    return nusselt * film.conductivity / length_m


def radiation_w_m2(emissivity: float, surface_c: float, around_c: float) -> float:
    """Net radiation of a surface to large surroundings: eps sigma (T^4 - T0^4), W/m2."""
    return emissivity * SIGMA * ((surface_c + KELVIN) ** 4 - (around_c + KELVIN) ** 4)

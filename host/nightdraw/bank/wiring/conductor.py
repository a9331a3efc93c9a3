"""Copper conductors: resistance by table and formula, how warm a current makes them, what they carry.

Tables carry their source; a size that stands in none is worked out. Fuses and boards are not known here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from nightdraw.bank.heat.air import air_at, grashof, radiation_w_m2

RHO_OHM_MM2_M = 0.017241  # annealed copper at 20 C, 100 % IACS (IEC 60028, from memory)
ALPHA_1_K = 0.00393  # its temperature coefficient at 20 C (IEC 60028, from memory)
REFERENCE_C = 20.0

# mm2 -> highest mohm/m at 20 C, bare copper.
VEHICLE = {  # ISO 6722-1 conductor table, from memory
    0.22: 84.8, 0.35: 52.0, 0.5: 37.1, 0.75: 24.7, 1.0: 18.5, 1.5: 12.7, 2.5: 7.60, 4.0: 4.71, 6.0: 3.14,
    10.0: 1.82,
}  # fmt: skip
SIZES_MM2 = tuple(VEHICLE)
SAME_SIZE = 0.005  # a gauge within half a percent of a table's size is that size
STRANDING = 1.08  # the tables' limits lie 4.4 to 7.7 % above rho over area: a size of no table gets this
# mm2 -> outside diameter, mm: ISO 6722 thin-wall insulation, highest values, from memory
OUTSIDE_MM = {
    0.22: 1.2, 0.35: 1.4, 0.5: 1.6, 0.75: 1.9, 1.0: 2.1, 1.5: 2.4, 2.5: 3.0, 4.0: 3.7, 6.0: 4.3, 10.0: 6.0,
}  # fmt: skip
INSULATION_W_MK = 0.19  # plasticised PVC, handbooks
EMISSIVITY = 0.9  # plastics: 0.85 to 0.95 in handbooks
BUNDLED = 0.8  # two loaded wires side by side (IEC 60364-5-52 table for two circuits, from memory)
HALVINGS = 60


@dataclass(frozen=True)
class Conductor:
    """A wire of `area_mm2`, whose insulation bears `limit_c`."""

    area_mm2: float
    limit_c: float = 100.0

    @property
    def outside_m(self) -> float:
        """Outside diameter over the insulation: the table's, else 0.3 mm of wall, a tenth for stranding."""
        for size, diameter in OUTSIDE_MM.items():
            if abs(size - self.area_mm2) <= SAME_SIZE * size:
                return diameter / 1000
        return (math.sqrt(4 / math.pi * self.area_mm2) * 1.1 + 0.6) / 1000

    @property
    def copper_m(self) -> float:
        return math.sqrt(4 / math.pi * self.area_mm2) / 1000

    def mohm_m(self, celsius: float = REFERENCE_C) -> float:
        """Highest resistance of one metre: the table's row, else rho over area and STRANDING; by
        R = R20 (1 + alpha (T - 20 C))."""
        return mohm_m_20(self.area_mm2) * (1 + ALPHA_1_K * (celsius - REFERENCE_C))

    @property
    def _through_mk_w(self) -> float:
        """The insulation's thermal resistance, m K/W."""
        return math.log(self.outside_m / self.copper_m) / (2 * math.pi * INSULATION_W_MK)

    def heat_loss_w_m(self, celsius: float, ambient_c: float) -> float:
        """What one metre gives off with its copper at a temperature: through the insulation, then by natural
        convection (Churchill and Chu's horizontal cylinder) and radiation."""
        if celsius <= ambient_c:
            return 0.0
        low, high = ambient_c, celsius
        for _ in range(HALVINGS):
            surface = (low + high) / 2
            given = _surface_w_m(self.outside_m, surface, ambient_c)
            low, high = (
                (surface, high) if given < (celsius - surface) / self._through_mk_w else (low, surface)
            )
        return _surface_w_m(self.outside_m, low, ambient_c)

    def steady_temp_c(self, current_a: float, ambient_c: float) -> float:
        """The copper's temperature with this current for ever, alone in still air.

        Bisected over the surface's temperature, whose loss gives the copper's directly."""
        low, high = ambient_c, ambient_c + 1000.0
        copper = ambient_c
        for _ in range(HALVINGS):
            surface = (low + high) / 2
            lost = _surface_w_m(self.outside_m, surface, ambient_c)
            copper = surface + lost * self._through_mk_w
            heated = current_a**2 * self.mohm_m(copper) / 1000
            low, high = (surface, high) if heated > lost else (low, surface)
        return min(copper, ambient_c + 1000.0)

    def ampacity_a(self, ambient_c: float, together: float = BUNDLED) -> float:
        """The current that it carries for ever at its limit beside its return: I = sqrt(P / R) of one alone
        in still air, times `together`."""
        lost = self.heat_loss_w_m(self.limit_c, ambient_c)
        return together * math.sqrt(lost / (self.mohm_m(self.limit_c) / 1000))


def mohm_m_20(area_mm2: float) -> float:
    """Highest resistance at 20 C, mohm/m: the vehicle cable's row, else the formula with STRANDING."""
    for size, value in VEHICLE.items():
        if abs(size - area_mm2) <= SAME_SIZE * size:
            return value
    return 1000 * RHO_OHM_MM2_M / area_mm2 * STRANDING


def _surface_w_m(diameter_m: float, surface_c: float, ambient_c: float) -> float:
    from ht.conv_free_immersed import Nu_horizontal_cylinder_Churchill_Chu

    air = air_at((surface_c + ambient_c) / 2)
    gr = grashof(air, diameter_m, surface_c - ambient_c)
    convection = float(Nu_horizontal_cylinder_Churchill_Chu(air.prandtl, gr)) * air.conductivity / diameter_m
    flux = convection * (surface_c - ambient_c) + radiation_w_m2(EMISSIVITY, surface_c, ambient_c)
    return math.pi * diameter_m * flux

"""Which resistor package a channel gets: the smallest that stays cool, else several in series and parallel.

A square of equal resistors has the resistance of one of them, so a split from the same series always exists.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from nightdraw.bank.parts.resistor_packages import AIR, PLATE, ResistorPackage

# a resistor is loaded to half its derated rating: common practice for parts that stay in a closed box
USE = 0.5
# (in series, in parallel), fewest resistors first; 3 x 3 is as far as anyone would wire
SPLITS = ((1, 1), (2, 1), (1, 2), (3, 1), (1, 3), (2, 2), (2, 3), (3, 2), (3, 3))


@dataclass(frozen=True)
class Arrangement:
    """A channel as it is built: `count` resistors of `each` ohms, `in_series` in a string; surround_c: what
    its rating was derated for; worst_w: one resistor's watts at the highest supply."""

    ohms: Fraction
    each: Fraction
    in_series: int
    in_parallel: int
    package: ResistorPackage
    mounting: str
    surround_c: float
    worst_w: float
    roomy: bool

    @property
    def count(self) -> int:
        return self.in_series * self.in_parallel

    @property
    def rating_w(self) -> float:
        """The catalogue rating of all its resistors together, as mounted."""
        return self.package.law(self.mounting).rating_w * self.count

    @property
    def allowed_w(self) -> float:
        """The derated rating of all its resistors together."""
        return allowed_w(self.package, self.mounting, self.surround_c) * self.count


def allowed_w(package: ResistorPackage, mounting: str, surround_c: float) -> float:
    """One resistor's derated rating; on a plate its way to the plate counts as well."""
    allowed = package.law(mounting).allowed_w(surround_c)
    if mounting == PLATE and package.plate:
        return max(0.0, min(allowed, (package.limit_c - surround_c) / package.plate_k_per_w))
    return allowed


def arrange(
    ohms: Fraction,
    supply_v: float,
    surround_c: float,
    packages: Sequence[ResistorPackage],
    values: frozenset[Fraction],
) -> Arrangement | None:
    """The first arrangement, fewest and smallest resistors first, loaded to USE; else one within its full
    derated rating (`roomy` False); None where even nine of the biggest would burn.

    supply_v: the highest supply; surround_c: the air's or the wall's temperature; values: the series.
    """
    for share in (USE, 1.0):
        for in_series, in_parallel in SPLITS:
            each = ohms * in_parallel / in_series
            if each not in values:
                continue
            count = in_series * in_parallel
            worst_w = supply_v**2 / float(ohms) / count
            for package in packages:
                mounting = PLATE if package.plate else AIR
                made = package.ohms[0] <= float(each) <= package.ohms[1]
                if not made or supply_v / in_series > package.volts_max:
                    continue
                if worst_w <= share * allowed_w(package, mounting, surround_c):
                    return Arrangement(
                        ohms,
                        each,
                        in_series,
                        in_parallel,
                        package,
                        mounting,
                        surround_c,
                        worst_w,
                        share == USE,
                    )
    return None

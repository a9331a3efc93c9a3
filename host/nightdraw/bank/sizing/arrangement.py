"""Which body a channel gets: the smallest that stays cool, else several of one kind in series and parallel.

A square of equal resistors has the resistance of one of them, so a split from the same series always exists.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from nightdraw.bank.parts.resistor_packages import AIR, PLATE, Body

USE = 0.5  # a body is loaded to half its derated rating: common practice for parts that stay in a closed box
# (in series, in parallel), fewest bodies first; 3 x 3 is as far as anyone would wire
SPLITS = ((1, 1), (2, 1), (1, 2), (3, 1), (1, 3), (2, 2), (2, 3), (3, 2), (3, 3))


@dataclass(frozen=True)
class Arrangement:
    """A channel as it is built: `count` bodies of `each` ohms, `in_series` in a string; surround_c: what its
    rating was derated for; worst_w: one body's watts at the highest supply."""

    ohms: Fraction
    each: Fraction
    in_series: int
    in_parallel: int
    body: Body
    mounting: str
    surround_c: float
    worst_w: float
    roomy: bool

    @property
    def count(self) -> int:
        return self.in_series * self.in_parallel

    @property
    def rating_w(self) -> float:
        """The catalogue rating of all its bodies together, as mounted."""
        return self.body.law(self.mounting).rating_w * self.count

    @property
    def allowed_w(self) -> float:
        """The derated rating of all its bodies together."""
        return allowed_w(self.body, self.mounting, self.surround_c) * self.count


def allowed_w(body: Body, mounting: str, surround_c: float) -> float:
    """One body's derated rating; on a plate its way to the plate counts as well."""
    allowed = body.law(mounting).allowed_w(surround_c)
    if mounting == PLATE and body.plate:
        return max(0.0, min(allowed, (body.limit_c - surround_c) / body.plate_k_per_w))
    return allowed


def arrange(
    ohms: Fraction, supply_v: float, surround_c: float, bodies: Sequence[Body], values: frozenset[Fraction]
) -> Arrangement | None:
    """The first arrangement, fewest and smallest bodies first, loaded to USE; else one within its full
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
            for body in bodies:
                mounting = PLATE if body.plate else AIR
                made = body.ohms[0] <= float(each) <= body.ohms[1]
                if not made or supply_v / in_series > body.volts_max:
                    continue
                if worst_w <= share * allowed_w(body, mounting, surround_c):
                    return Arrangement(
                        ohms, each, in_series, in_parallel, body, mounting, surround_c, worst_w, share == USE
                    )
    return None

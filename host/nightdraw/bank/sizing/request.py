"""The sizing request: what a bank is sized for, and whether that makes sense; nothing is worked out here."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from nightdraw.bank.parts.preferred_values import OHMS_RANGE
from nightdraw.bank.parts.resistor_packages import CATALOGUE
from nightdraw.errors import InputError

MAX_LEVELS = 2000  # more are no course; the search's work grows with them


@dataclass(frozen=True)
class SizingRequest:
    """What is asked for; amperes, volts, ohms, percent and C as exact values."""

    levels_a: tuple[Fraction, ...]
    supply_v: Fraction
    range_v: tuple[Fraction, Fraction]
    series: str = "E24"
    tolerance_pct: Fraction = Fraction(1)
    channels: int = 6
    ambient_c: float = 40.0
    own_a: Fraction = Fraction(0)
    on_ohms: Fraction = Fraction(0)
    ohms_range: tuple[Fraction, Fraction] = OHMS_RANGE
    packages: tuple[str, ...] = ()
    within: float | None = None
    seed: int = 1


def check(request: SizingRequest) -> None:
    """Raise InputError for a request that makes no sense."""
    low, high = request.range_v
    if not request.levels_a:
        raise InputError("no level is wanted")
    if len(request.levels_a) > MAX_LEVELS:
        raise InputError(f"{len(request.levels_a)} levels are wanted, {MAX_LEVELS} are the most")
    if not 0 < low <= request.supply_v <= high:
        raise InputError("the supply must lie within its range, above 0 V")
    if min(request.levels_a) <= max(request.own_a, Fraction(0)):
        raise InputError("every level must be above 0 A and above the box's own consumption")
    unknown = [name for name in request.packages if name not in CATALOGUE]
    if unknown:
        raise InputError(f"no resistor package is called {unknown[0]!r}: there are {', '.join(CATALOGUE)}")

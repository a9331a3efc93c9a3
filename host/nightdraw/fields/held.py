"""How a model holds a quantity: exact, as a whole number of small units, as a float; and as a file has it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from nightdraw import units

MOST_DECIMALS = 9  # a file's values have few decimals


@dataclass(frozen=True)
class Held:
    """`into`: from base units to what the model holds; `per_base` of the model's units make one base unit."""

    into: Callable[[Fraction], Any]
    per_base: Fraction = Fraction(1)

    def base(self, value: Any) -> Fraction:
        """A held value in base units."""
        return Fraction(value) / self.per_base


EXACT = Held(lambda value: value)
FLOAT = Held(float)
SHARE = Held(lambda value: value / 100, Fraction(1, 100))  # percent as 0..1
FLOAT_SHARE = Held(lambda value: float(value) / 100, Fraction(1, 100))
MV = Held(units.to_mv, Fraction(1000))
UA = Held(units.to_ua, Fraction(1_000_000))
TICKS = Held(units.to_ticks, Fraction(units.TICKS_PER_S))
MAS = Held(units.to_mas, Fraction(3_600_000))
CDEG = Held(units.to_cdeg, Fraction(100))


def written(value: Fraction, dimension: str) -> str:
    """A quantity as it stands in a file: in the largest unit that needs no more than three decimals, exact to
    nine decimals."""
    known = sorted(units.UNITS[dimension].items(), key=lambda unit: unit[1], reverse=True)
    fitting = [unit for unit in known if abs(value) >= unit[1]] or known[-1:]
    for name, size in fitting:
        if (value / size * 1000).denominator == 1:
            return f"{decimal(value / size)} {name}"
    name, size = fitting[-1]
    return f"{decimal(value / size)} {name}"


def decimal(value: Fraction) -> str:
    """A decimal number without an exponent, nine decimals at most."""
    if value.denominator == 1:
        return str(value.numerator)
    return f"{float(value):.{MOST_DECIMALS}f}".rstrip("0").rstrip(".")

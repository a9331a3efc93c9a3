"""Click types for quantities with units: what an option's text means, and nothing about what it is for."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import click

from nightdraw import units

Range = tuple[Fraction, Fraction]


class Quantity(click.ParamType[Fraction]):
    """A number with a unit of one dimension (see units.parse); the value is a Fraction in the SI unit."""

    def __init__(self, dimension: str) -> None:
        self.dimension = dimension
        self.name = dimension

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Fraction:
        """The Fraction that the text means; click shows a wrong text as a misuse of the option."""
        if isinstance(value, Fraction):
            return value
        try:
            return units.parse(value, self.dimension)
        except ValueError as error:
            self.fail(str(error), param, ctx)


class QuantityRange(click.ParamType[Range]):
    """`LOW .. HIGH` with units of one dimension (see units.parse_range); the value is two Fractions."""

    def __init__(self, dimension: str) -> None:
        self.dimension = dimension
        self.name = f"{dimension} range"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Range:
        """The two Fractions that the text means; click shows a wrong text as a misuse of the option."""
        if isinstance(value, tuple):
            return value[0], value[1]
        try:
            return units.parse_range(value, self.dimension)
        except ValueError as error:
            self.fail(str(error), param, ctx)


class ClampScale(click.ParamType[Fraction]):
    """What a current clamp puts out, like `100mV/A` or `10A/V`; the value is a Fraction, mA in each mV."""

    name = "clamp scale"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Fraction:
        """The Fraction that the text means; click shows a wrong text, and a scale of zero, as a misuse."""
        if isinstance(value, Fraction):
            return value
        inverse = "A/" in value.replace(" ", "")  # amperes above the line: 10A/V, 1mA/mV
        try:
            scale = units.parse(value, "inverse clamp scale" if inverse else "clamp scale")
        except ValueError as error:
            self.fail(str(error), param, ctx)
        if not scale:
            self.fail(f"{units.shown(value)}: a clamp of no output measures nothing", param, ctx)
        return scale if inverse else 1 / scale

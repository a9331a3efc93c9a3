"""Board models made in a line or two, for the tests of heat and warm-up."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from nightdraw.bank.parts.enclosures import boxes
from nightdraw.bank.sizing.building import MOSFET
from nightdraw.board import BoardModel, Channel, Enclosure, load_board


def channel(
    ohms: float, package: str | None, mounting: str = "air", pin: int = 2, tolerance: int = 0, **more: object
) -> Channel:
    """A channel of one resistor with no tolerance, so that its watts are V^2/R."""
    return Channel(
        pin,
        Fraction(ohms),
        Fraction(tolerance),
        Fraction(1, 20),
        package,
        mounting,
        **more,  # type: ignore[arg-type]
    )


def enclosure(material: str = "aluminium", size: int = -1) -> Enclosure:
    """One of the usual boxes, by default the largest."""
    return boxes(material)[size]


def board(*channels: Channel, box: Enclosure | None = None, supply_mv: int = 16_000) -> BoardModel:
    """The shipped board with other channels, consecutive pins, and another box."""
    shipped = load_board()
    placed = tuple(replace(one, pin=2 + number) for number, one in enumerate(channels))
    caps = {**shipped.caps, "supply_max_mv": supply_mv}
    return replace(
        shipped, channels=placed, caps=caps, switch=MOSFET, enclosure=box or enclosure(), file="made.yaml"
    )

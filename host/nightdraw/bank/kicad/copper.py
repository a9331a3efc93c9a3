"""Copper as the router and the pour see it: pads, tracks and vias as capsules and boxes, and distances to
them.

A capsule is a line with a radius; a pad is one too, or an upright rectangle. Lengths in mm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nightdraw.bank.kicad.placed import At, Placed
from nightdraw.bank.kicad.rules import VIA_MM
from nightdraw.bank.kicad.shapes import RECT

FRONT, BACK = 0, 1
Field = NDArray[np.float64]
Point = tuple[float, float]


@dataclass(frozen=True)
class Track:
    """A straight track on a layer."""

    net: str
    layer: int
    start: Point
    end: Point
    width: float


@dataclass(frozen=True)
class Via:
    """A plated hole from layer to layer."""

    net: str
    x: float
    y: float


@dataclass(frozen=True)
class Metal:
    """Something that copper of another net must keep away from. layer None: both. flat: a rectangle of
    half-sides (x, y) instead of a capsule; net empty: of none."""

    net: str
    layer: int | None
    start: Point
    end: Point
    radius: float
    flat: tuple[float, float] | None = None

    def bounds(self, reach: float) -> tuple[float, float, float, float]:
        """Left, top, right, bottom of all within `reach` of it."""
        over = reach + (max(self.flat) if self.flat else self.radius)
        return (
            min(self.start[0], self.end[0]) - over,
            min(self.start[1], self.end[1]) - over,
            max(self.start[0], self.end[0]) + over,
            max(self.start[1], self.end[1]) + over,
        )

    def distance(self, x: Field, y: Field) -> Field:
        """Distances of points from its edge, negative within (a rectangle's from its sides)."""
        if self.flat:
            dx = np.abs(x - self.start[0]) - self.flat[0]
            dy = np.abs(y - self.start[1]) - self.flat[1]
            outside = np.sqrt(np.maximum(dx, 0) ** 2 + np.maximum(dy, 0) ** 2)
            sides: Field = outside + np.minimum(np.maximum(dx, dy), 0)
            return sides
        ax, ay = self.start
        bx, by = self.end[0] - ax, self.end[1] - ay
        along = bx * bx + by * by
        share = np.clip(((x - ax) * bx + (y - ay) * by) / along, 0, 1) if along else 0.0
        found: Field = np.sqrt((x - ax - share * bx) ** 2 + (y - ay - share * by) ** 2) - self.radius
        return found


def of_pad(at: At) -> Metal:
    """A pad's copper; on both layers."""
    if at.pad.form == RECT:
        return Metal(at.net, None, (at.x, at.y), (at.x, at.y), 0.0, (at.wide / 2, at.high / 2))
    radius, dx, dy = min(at.wide, at.high) / 2, 0.0, 0.0
    if at.wide > at.high:
        dx = (at.wide - at.high) / 2
    else:
        dy = (at.high - at.wide) / 2
    return Metal(at.net, None, (at.x - dx, at.y - dy), (at.x + dx, at.y + dy), radius)


def of_track(track: Track) -> Metal:
    """A track's copper."""
    return Metal(track.net, track.layer, track.start, track.end, track.width / 2)


def of_via(via: Via) -> Metal:
    """A via's copper."""
    return Metal(via.net, None, (via.x, via.y), (via.x, via.y), VIA_MM / 2)


def of_hole(x: float, y: float, radius: float) -> Metal:
    """A mounting hole with its screw's head."""
    return Metal("", None, (x, y), (x, y), radius)


def pads_of(placed: list[Placed]) -> list[At]:
    """Every pad of the board."""
    return [at for part in placed for at in part.pads()]

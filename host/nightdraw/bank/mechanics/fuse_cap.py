"""A printable cap that sits on a blade fuse's head and holds a probe pin on each of its two test points.

Dimensions are parameters, each with its source; the solid is made of boxes and cylinders and is watertight by
construction. Nothing here knows boards.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from nightdraw import outputs
from nightdraw.bank.mechanics import solids
from nightdraw.bank.mechanics.solids import ROUND
from nightdraw.bank.parts.blade_fuses import HIGH, MEDIUM, MINIATURE, SIZES
from nightdraw.errors import InputError

LEAST_WALL_MM = 0.5  # one line of a 0.4 mm nozzle, squeezed
LEAST_GAP_MM = (
    0.3  # between neighbours: a printed part may be 0.1 mm large, a fuse stand 0.1 mm off its place
)
THROUGH_MM = 1.0  # cutters reach beyond what they cut


@dataclass(frozen=True)
class Cap:
    """All in millimetres. length, width: of the fuse (ISO 8820-3 as listed by the trade); spacing: between
    its test points; pitch: of a fuse row (both from memory: measure yours); grip: down over the head;
    fit: play on each side; pin: the probe's diameter; bump: how far two ridges hold the head."""

    name: str
    length: float
    width: float
    spacing: float
    pitch: float
    grip: float
    fit: float = 0.12
    wall: float = 0.6
    roof: float = 2.0
    collar: float = 4.0
    fin: float = 6.5
    pin: float = 0.8
    pin_play: float = 0.15
    bump: float = 0.2

    @property
    def outer_length(self) -> float:
        return self.length + 2 * (self.fit + 2 * self.wall)  # ends are twice as thick: they carry the collars

    @property
    def outer_width(self) -> float:
        return self.width + 2 * (self.fit + self.wall)

    @property
    def beside_cap_mm(self) -> float:
        """Air between two caps on neighbouring fuses."""
        return self.pitch - self.outer_width

    @property
    def beside_fuse_mm(self) -> float:
        """Air between a cap and a bare neighbour."""
        return self.pitch - (self.outer_width + self.width) / 2


CAPS = {
    MINIATURE: Cap("miniature", SIZES[MINIATURE].length_mm, SIZES[MINIATURE].width_mm, 6.6, 5.6, 4.0),
    MEDIUM: Cap("medium", SIZES[MEDIUM].length_mm, SIZES[MEDIUM].width_mm, 11.6, 7.4, 5.0, wall=0.8),
    HIGH: Cap("high-current", SIZES[HIGH].length_mm, SIZES[HIGH].width_mm, 18.0, 13.0, 8.0, wall=1.2),
}


def problems(cap: Cap) -> list[str]:
    """What would make the cap useless: walls that don't print, collars that don't fit, no room in the row."""
    found = []
    if cap.wall < LEAST_WALL_MM:
        found.append(f"walls of {cap.wall:g} mm don't print, {LEAST_WALL_MM:g} mm do")
    if cap.beside_cap_mm < LEAST_GAP_MM:
        found.append(
            f"two caps side by side leave {cap.beside_cap_mm:.2f} mm, {LEAST_GAP_MM:g} mm are needed"
        )
    if cap.spacing + collar_radius(cap) * 2 > cap.outer_length:
        found.append("the collars reach beyond the cap's ends")
    if cap.spacing <= 2 * collar_radius(cap) + 1.0:
        found.append("the collars leave no room for the fin between the pins")
    if 2 * cap.bump >= cap.width:
        found.append("the ridges meet")
    return found


def collar_radius(cap: Cap) -> float:
    """Of the tube around a pin: its play and a wall, no wider than the cap."""
    return min(cap.outer_width / 2, cap.pin / 2 + cap.pin_play + 1.0)


def solid(cap: Cap) -> Any:
    """The cap as a Manifold, z = 0 at the top of the fuse's head; raises InputError for one that can't be."""
    from manifold3d import Manifold

    wrong = problems(cap)
    if wrong:
        raise InputError(*wrong)
    body = _stadium(cap.outer_length, cap.outer_width, -cap.grip, cap.roof)
    radius = collar_radius(cap)
    top = cap.roof + cap.collar
    for side in (-1, 1):
        body += _tube(side * cap.spacing / 2, radius, cap.roof / 2, top)
    body += _box(0.8, cap.outer_width * 0.999, cap.roof / 2, cap.roof + cap.fin)
    inside_l, inside_w = cap.length + 2 * cap.fit, cap.width + 2 * cap.fit
    body -= _box(inside_l, inside_w, -cap.grip - THROUGH_MM, 0.0)
    for side in (-1, 1):
        body += _ridge(cap, side)
    hole = cap.pin / 2 + cap.pin_play
    for side in (-1, 1):
        x = side * cap.spacing / 2
        body -= _tube(x, hole, -THROUGH_MM, top + THROUGH_MM)
        chamfer = Manifold.cylinder(radius - 0.35, hole, hole + radius - 0.35, ROUND)
        body -= chamfer.translate([x, 0.0, top - (radius - 0.35) * 0.7])
    for side in (-1, 1):
        slot = _box(4 * cap.wall, cap.width * 0.3, -cap.grip - THROUGH_MM, -cap.grip / 3)
        body -= slot.translate([side * cap.outer_length / 2, 0.0, 0.0])
    return body


def _box(long: float, wide: float, low: float, high: float) -> Any:
    from manifold3d import Manifold

    return Manifold.cube([long, wide, high - low]).translate([-long / 2, -wide / 2, low])


def _tube(x: float, radius: float, low: float, high: float) -> Any:
    from manifold3d import Manifold

    return Manifold.cylinder(high - low, radius, radius, ROUND).translate([x, 0.0, low])


def _stadium(long: float, wide: float, low: float, high: float) -> Any:
    """A block with rounded ends, wide enough that the fuse's corners keep a wall."""
    from manifold3d import CrossSection, Manifold

    corner = wide * 0.22
    core = CrossSection.square([long - 2 * corner, wide - 2 * corner], True)
    outline = core.offset(corner, _round_join(), 2.0, ROUND)
    return Manifold.extrude(outline, high - low).translate([0.0, 0.0, low])


def _round_join() -> Any:
    from manifold3d import JoinType

    return JoinType.Round


def _ridge(cap: Cap, side: int) -> Any:
    """A ridge inside a long wall that grips the head."""
    y = side * (cap.width / 2 + cap.fit)
    low = -cap.grip + 0.8
    ridge = _box(cap.length * 0.4, 2 * (cap.bump + cap.fit), low, low + 0.8)
    return ridge.translate([0.0, y, 0.0])


def stl(cap: Cap) -> bytes:
    """The cap as a binary STL, millimetres."""
    return solids.stl(solid(cap), f"Nightdraw fuse cap, {cap.name}, mm")


def write(cap: Cap, path: Path) -> None:
    """Write the STL; raises InputError where that fails."""
    outputs.write(path, stl(cap))


def cap_for(kind: str, pin_mm: float | None = None, pitch_mm: float | None = None) -> Cap:
    """A type's cap, with another pin or fuse row where given."""
    cap = CAPS[kind]
    if pin_mm is not None:
        cap = replace(cap, pin=pin_mm)
    return cap if pitch_mm is None else replace(cap, pitch=pitch_mm)

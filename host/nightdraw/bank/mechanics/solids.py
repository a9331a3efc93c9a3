"""Solids in millimetres: blocks, cylinders, prisms as Manifold solids, and a solid's STL.

Nothing in here knows enclosures or boards.
"""

from __future__ import annotations

import math
import struct
from typing import Any

ROUND = 48  # edges of a circle: 0.2 mm steps on the largest cap, finer than a printed line
Point3 = tuple[float, float, float]


def block(low: Point3, high: Point3) -> Any:
    """An upright block between two corners."""
    from manifold3d import Manifold

    return Manifold.cube([b - a for a, b in zip(low, high, strict=True)]).translate(list(low))


def cylinder(low: Point3, length: float, radius: float, along: str = "z") -> Any:
    """A cylinder from the middle of one end along an axis, x, y or z, in its positive direction."""
    from manifold3d import Manifold

    turn = {"x": [0.0, 90.0, 0.0], "y": [-90.0, 0.0, 0.0], "z": [0.0, 0.0, 0.0]}[along]
    return Manifold.cylinder(length, radius, radius, ROUND).rotate(turn).translate(list(low))


def joined(parts: list[Any]) -> Any:
    """All of them as one solid."""
    from manifold3d import Manifold

    return Manifold.batch_boolean(parts, _add()) if parts else Manifold()


def _add() -> Any:
    from manifold3d import OpType

    return OpType.Add


def stl(solid: Any, title: str) -> bytes:
    """A solid as binary STL; title: at most 80 characters, for its head."""
    mesh = solid.to_mesh()
    points, triangles = mesh.vert_properties, mesh.tri_verts
    out = bytearray(title.encode().ljust(80)[:80])
    out += struct.pack("<I", len(triangles))
    for triangle in triangles:
        a, b, c = ([float(value) for value in points[corner][:3]] for corner in triangle)
        out += struct.pack("<12fH", *normal(a, b, c), *a, *b, *c, 0)
    return bytes(out)


def normal(a: list[float], b: list[float], c: list[float]) -> Point3:
    """The unit normal of a triangle, outwards where its corners run anticlockwise."""
    u = [b[k] - a[k] for k in range(3)]
    v = [c[k] - a[k] for k in range(3)]
    n = (u[1] * v[2] - u[2] * v[1], u[2] * v[0] - u[0] * v[2], u[0] * v[1] - u[1] * v[0])
    size = math.sqrt(sum(part * part for part in n)) or 1.0
    return n[0] / size, n[1] / size, n[2] / size

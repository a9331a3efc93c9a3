"""A picture of solids: parallel projection, nearest surface by a depth buffer, shaded by its angle to light.

x right, y to the rear, z up; seen from the front, above and to the right. Needs numpy only.
"""

from __future__ import annotations

import math
import struct
import zlib
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

TURN_DEG, ABOVE_DEG = 24.0, 38.0  # of the looking direction: to the right of the front, above the horizon
LIGHT = (-0.35, -0.6, 0.72)
DARKEST = 0.42  # share of its colour that a surface keeps in the shade
FINER = 2  # pixels a picture's pixel is averaged of, each way
MARGIN_PX = 12
MOST_PIXELS = 20_000  # of a triangle's upright box; a long thin one is cut first, or most pixels miss it
ON_EDGE = -1e-9  # neighbours share their edge: a pixel on it must not fall between them by rounding
Colour = tuple[int, int, int]
Pixels = NDArray[np.uint8]
Floats = NDArray[np.float64]


def axes() -> Floats:
    """Rows: right, up and towards the viewer."""
    turn, above = math.radians(TURN_DEG), math.radians(ABOVE_DEG)
    right = (math.cos(turn), math.sin(turn), 0.0)
    near = (math.sin(turn) * math.cos(above), -math.cos(turn) * math.cos(above), math.sin(above))
    return np.array([right, np.cross(near, right), near])


def picture(solids: Sequence[tuple[Any, Colour]], wide_px: int) -> Pixels:
    """Rows of pixels of three bytes, white where there is nothing, as high as the solids take."""
    corners, normals, colours = _triangles(solids)
    look = axes()
    seen = corners @ look.T
    low, high = seen[..., :2].min(axis=(0, 1)), seen[..., :2].max(axis=(0, 1))
    wide = wide_px * FINER
    scale = (wide - 2 * MARGIN_PX * FINER) / (high[0] - low[0])
    tall = math.ceil((high[1] - low[1]) * scale / FINER + 2 * MARGIN_PX) * FINER
    seen[..., 0] = (seen[..., 0] - low[0]) * scale + MARGIN_PX * FINER
    seen[..., 1] = (high[1] - seen[..., 1]) * scale + MARGIN_PX * FINER
    light = np.array(LIGHT) / np.linalg.norm(LIGHT)
    shade = DARKEST + (1 - DARKEST) * np.clip(normals @ light, 0.0, 1.0)
    facing = normals @ look[2] > 0
    canvas = np.full((tall, wide, 3), 255.0)
    depth = np.full((tall, wide), -np.inf)
    for k in np.flatnonzero(facing):
        _fill(canvas, depth, seen[k], colours[k] * shade[k])
    fine = canvas.reshape(tall // FINER, FINER, wide // FINER, FINER, 3)
    found: Pixels = fine.mean(axis=(1, 3)).round().astype(np.uint8)
    return found


def _triangles(solids: Sequence[tuple[Any, Colour]]) -> tuple[Floats, Floats, Floats]:
    """Corners, unit normals and colours of every triangle."""
    corners, colours = [], []
    for solid, colour in solids:
        mesh = solid.to_mesh()
        points = np.asarray(mesh.vert_properties[:, :3], dtype=float)
        corners.append(points[np.asarray(mesh.tri_verts, dtype=int)])
        colours.append(np.tile(np.array(colour, dtype=float), (len(mesh.tri_verts), 1)))
    every = np.concatenate(corners)
    normals = np.cross(every[:, 1] - every[:, 0], every[:, 2] - every[:, 0])
    sizes = np.linalg.norm(normals, axis=1)
    kept = sizes > 0
    return every[kept], normals[kept] / sizes[kept, None], np.concatenate(colours)[kept]


def _fill(canvas: Floats, depth: Floats, corners: Floats, colour: Floats) -> None:
    """Paint one triangle where it is nearer than what is there: barycentric coordinates of each pixel."""
    (x1, y1, z1), (x2, y2, z2), (x3, y3, z3) = corners
    double = (x2 - x1) * (y3 - y1) - (x3 - x1) * (y2 - y1)
    if abs(double) < 1e-9:  # seen edge on
        return
    if np.ptp(corners[:, 0]) * np.ptp(corners[:, 1]) > MOST_PIXELS:
        _halves(canvas, depth, corners, colour)
        return
    left, right = math.ceil(min(x1, x2, x3)), math.floor(max(x1, x2, x3)) + 1
    top, bottom = math.ceil(min(y1, y2, y3)), math.floor(max(y1, y2, y3)) + 1
    xs, ys = np.arange(left, right), np.arange(top, bottom)[:, None]
    second = ((xs - x1) * (y3 - y1) - (x3 - x1) * (ys - y1)) / double
    third = ((x2 - x1) * (ys - y1) - (xs - x1) * (y2 - y1)) / double
    z = z1 + second * (z2 - z1) + third * (z3 - z1)
    there = depth[top:bottom, left:right]
    inside = (second >= ON_EDGE) & (third >= ON_EDGE) & (second + third <= 1 - ON_EDGE)
    nearer = inside & (z > there)
    there[nearer] = z[nearer]
    canvas[top:bottom, left:right][nearer] = colour


def _halves(canvas: Floats, depth: Floats, corners: Floats, colour: Floats) -> None:
    """Paint a triangle as two, cut from the middle of its longest side."""
    sides = np.linalg.norm((corners - np.roll(corners, -1, axis=0))[:, :2], axis=1)
    a, b, c = np.roll(corners, -int(sides.argmax()), axis=0)
    middle = (a + b) / 2
    _fill(canvas, depth, np.array([a, middle, c]), colour)
    _fill(canvas, depth, np.array([middle, b, c]), colour)


def png(pixels: Pixels) -> bytes:
    """The picture as PNG (ISO/IEC 15948): 8 bits of red, green, blue, no filter."""
    high, wide, _ = pixels.shape
    rows = np.concatenate([np.zeros((high, 1), np.uint8), pixels.reshape(high, wide * 3)], axis=1)

    def chunk(kind: bytes, content: bytes) -> bytes:
        body = kind + content
        return struct.pack(">I", len(content)) + body + struct.pack(">I", zlib.crc32(body))

    head = struct.pack(">IIBBBBB", wide, high, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(rows.tobytes(), 9))
        + chunk(b"IEND", b"")
    )

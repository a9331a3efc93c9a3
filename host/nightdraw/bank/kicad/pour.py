"""The ground's pour on each layer as polygons: what copper of other nets, holes and the edge leave, with
thermal spokes.

Theory: on a grid of STEP_MM, each piece of foreign copper gives every point its distance less what the
rules ask for; the least of these is a field that is positive where copper may lie, and its zero contour is
the pour's outline. A pad of the ground itself counts as foreign copper except along its four spokes. Necks
thinner than LEAST_MM are taken away by an opening (erosion, then dilation), pieces that touch no pad, via
or track of the ground likewise. Holes are joined to the outline by cuts of no width, because the file
format's polygons have none.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np

from nightdraw.bank.circuit.netlist import GROUND
from nightdraw.bank.kicad.copper import (
    BACK,
    FRONT,
    Field,
    Metal,
    Point,
    Track,
    Via,
    of_hole,
    of_pad,
    of_track,
    of_via,
)
from nightdraw.bank.kicad.placed import At
from nightdraw.bank.kicad.rules import EDGE_MM, Rules

STEP_MM = 0.1
APART_MM = 0.3  # least distance to anything
GAP_MM, SPOKE_MM = 0.4, 0.7  # thermal relief
LEAST_MM = 0.3  # narrowest neck
SPARE_MM = 0.02  # the contour is straight between grid points
SIMPLER_MM = 0.015  # points that change the outline by less are left out
FAR_MM = 2.0
Polygon = list[Point]


def pour(
    size: tuple[float, float], pads: list[At], holes: list[tuple[float, float, float]], tracks: list[Track],
    vias: list[Via], rules: Rules,
) -> dict[int, list[Polygon]]:  # fmt: skip
    """The pour's polygons by layer."""
    found = {}
    for layer in (FRONT, BACK):
        field = _edge(size)
        metals = [*(of_hole(*hole) for hole in holes), *map(of_track, tracks), *map(of_via, vias)]
        metals += [of_pad(at) for at in pads]
        for metal in metals:
            if metal.layer in (None, layer) and metal.net != GROUND:
                _away(field, metal, max(APART_MM, rules.net(metal.net).apart_mm) + SPARE_MM)
        own = [of_pad(at) for at in pads if at.net == GROUND]
        for metal in own:
            _spokes(field, metal)
        anchors = own + [of_via(via) for via in vias if via.net == GROUND]
        found[layer] = _polygons(_joined(_opened(field), anchors))
    return found


def _edge(size: tuple[float, float]) -> Field:
    x = np.arange(round(size[0] / STEP_MM) + 1) * STEP_MM
    y = np.arange(round(size[1] / STEP_MM) + 1) * STEP_MM
    across = np.minimum(x, size[0] - x)[np.newaxis, :]
    down = np.minimum(y, size[1] - y)[:, np.newaxis]
    field: Field = np.minimum(np.minimum(across, down) - EDGE_MM - SPARE_MM, FAR_MM)
    return field


def _window(field: Field, metal: Metal, reach: float) -> tuple[tuple[slice, slice], Field, Field]:
    left, top, right, bottom = metal.bounds(reach)
    rows = slice(max(0, int(top / STEP_MM)), min(field.shape[0], int(bottom / STEP_MM) + 2))
    columns = slice(max(0, int(left / STEP_MM)), min(field.shape[1], int(right / STEP_MM) + 2))
    y, x = np.mgrid[rows, columns] * STEP_MM
    return (rows, columns), x, y


def _away(field: Field, metal: Metal, apart: float) -> None:
    window, x, y = _window(field, metal, apart + 0.3)
    np.minimum(field[window], metal.distance(x, y) - apart, out=field[window])


def _spokes(field: Field, metal: Metal) -> None:
    """A gap around a pad of the pour's own net, but for four spokes that reach its middle."""
    window, x, y = _window(field, metal, GAP_MM + 0.3)
    middle = ((metal.start[0] + metal.end[0]) / 2, (metal.start[1] + metal.end[1]) / 2)
    spoke = SPOKE_MM / 2 - np.minimum(np.abs(x - middle[0]), np.abs(y - middle[1]))
    np.minimum(field[window], np.maximum(metal.distance(x, y) - GAP_MM, spoke), out=field[window])


def _opened(field: Field) -> Field:
    """The field without necks thinner than LEAST_MM."""
    from scipy.ndimage import distance_transform_edt

    radius = LEAST_MM / 2 / STEP_MM
    core = distance_transform_edt(field > 0) > radius
    back = (radius - distance_transform_edt(~core)) * STEP_MM
    opened: Field = np.minimum(field, back + STEP_MM / 2)
    return opened


def _joined(field: Field, anchors: list[Metal]) -> Field:
    """The field without pieces that touch fewer than two of the anchors: they join nothing."""
    from scipy.ndimage import label

    pieces, _ = label(field > 0)
    touched = [
        int(pieces[round(metal.start[1] / STEP_MM), round(metal.start[0] / STEP_MM)]) for metal in anchors
    ]
    kept = {piece for piece in touched if piece and touched.count(piece) > 1}
    return np.where(np.isin(pieces, sorted(kept)), field, np.minimum(field, -STEP_MM / 2))


def _polygons(field: Field) -> list[Polygon]:
    """The field's positive parts as polygons without holes."""
    from contourpy import FillType, contour_generator

    framed = np.pad(field, 1, constant_values=-STEP_MM)
    rows, columns = framed.shape
    x, y = (np.arange(columns) - 1) * STEP_MM, (np.arange(rows) - 1) * STEP_MM
    contours = contour_generator(x, y, framed, name="serial", fill_type=FillType.OuterOffset)
    filled: Any = contours.filled(0.0, 1e9)  # of the fill type: points, and where each ring of them starts
    found = []
    for outline, parts in zip(*filled, strict=True):
        rings = [outline[a : b - 1] for a, b in pairwise(parts)]
        simple = [_simpler([(float(px), float(py)) for px, py in ring]) for ring in rings]
        solid = [ring for ring in simple if len(ring) >= 3]
        if solid:
            found.append(_cut(solid[0], solid[1:]))
    return found


def _simpler(ring: Polygon) -> Polygon:
    """Fewer points, none of those left out further than SIMPLER_MM from the outline (Douglas and Peucker)."""
    if len(ring) < 4:
        return []
    far = max(range(len(ring)), key=lambda k: (_square(ring[0], ring[k]), -k))
    halves = _kept(ring[: far + 1]) + _kept([*ring[far:], ring[0]])[1:]
    return [(round(x, 3), round(y, 3)) for x, y in halves[:-1]]


def _square(one: Point, other: Point) -> float:
    return (one[0] - other[0]) ** 2 + (one[1] - other[1]) ** 2


def _kept(line: Polygon) -> Polygon:
    keep = {0, len(line) - 1}
    waiting = [(0, len(line) - 1)]
    points = np.array(line)
    while waiting:
        first, last = waiting.pop()
        if last - first < 2:
            continue
        between = Metal("", None, line[first], line[last], 0.0).distance(
            points[first + 1 : last, 0], points[first + 1 : last, 1]
        )
        k = int(np.argmax(between))
        if between[k] > SIMPLER_MM:
            middle = first + 1 + k
            keep.add(middle)
            waiting += [(first, middle), (middle, last)]
    return [line[k] for k in sorted(keep)]


def _cut(outline: Polygon, holes: list[Polygon]) -> Polygon:
    """Outline and holes as one ring, each hole joined by a cut to what lies left of its leftmost point."""
    ring = outline
    for hole in sorted(holes, key=lambda h: min(h)):
        start = min(range(len(hole)), key=lambda k: hole[k])
        x, y = hole[start]
        best: tuple[float, int] | None = None
        for k, (ax, ay) in enumerate(ring):
            bx, by = ring[(k + 1) % len(ring)]
            if (ay > y) == (by > y):
                continue
            cross = ax + (y - ay) / (by - ay) * (bx - ax)
            if cross <= x and (best is None or cross > best[0]):
                best = (cross, k)
        if best is None:
            continue
        meet = (round(best[0], 4), y)
        ring = [*ring[: best[1] + 1], meet, *hole[start:], *hole[: start + 1], meet, *ring[best[1] + 1 :]]
    return ring

"""A solid as STEP (ISO 10303-21, schema AP214), its surface as plane faces.

Theory: triangles of a closed mesh that share an edge and a plane are one face; an edge whose two triangles
belong to different faces is an edge of both. So every edge is used twice, once each way, which is what a
closed shell asks for. Curved walls stay faceted, as in the STL: circles have ROUND corners.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

FLAT = 1e-4  # mm and, for unit normals, sine: meshes hold 24 bits, so corners lie within 2e-5 of their planes
DIGITS = 4  # of a coordinate in mm
Edge = tuple[int, int]

HEAD = """ISO-10303-21;
HEADER;
FILE_DESCRIPTION(('{name}'),'2;1');
FILE_NAME('{name}.step','2000-01-01T00:00:00',(''),(''),'Nightdraw','Nightdraw','');
FILE_SCHEMA(('AUTOMOTIVE_DESIGN {{ 1 0 10303 214 1 1 1 1 }}'));
ENDSEC;
DATA;
"""
# What makes a shell a product with a length unit; each row is one entity, numbered from 1.
PRODUCT = (
    "APPLICATION_CONTEXT('automotive design')",
    "APPLICATION_PROTOCOL_DEFINITION('international standard','automotive_design',2000,#1)",
    "PRODUCT_CONTEXT('',#1,'mechanical')",
    "PRODUCT('{name}','{name}','',(#3))",
    "PRODUCT_DEFINITION_FORMATION('','',#4)",
    "PRODUCT_DEFINITION_CONTEXT('part definition',#1,'design')",
    "PRODUCT_DEFINITION('design','',#5,#6)",
    "PRODUCT_DEFINITION_SHAPE('','',#7)",
    "(LENGTH_UNIT()NAMED_UNIT(*)SI_UNIT(.MILLI.,.METRE.))",
    "(NAMED_UNIT(*)PLANE_ANGLE_UNIT()SI_UNIT($,.RADIAN.))",
    "(NAMED_UNIT(*)SI_UNIT($,.STERADIAN.)SOLID_ANGLE_UNIT())",
    "UNCERTAINTY_MEASURE_WITH_UNIT(LENGTH_MEASURE(0.0001),#9,'distance_accuracy_value','')",
    "(GEOMETRIC_REPRESENTATION_CONTEXT(3)GLOBAL_UNCERTAINTY_ASSIGNED_CONTEXT((#12))"
    "GLOBAL_UNIT_ASSIGNED_CONTEXT((#9,#10,#11))REPRESENTATION_CONTEXT('',''))",
    "CARTESIAN_POINT('',(0.,0.,0.))",
    "DIRECTION('',(0.,0.,1.))",
    "DIRECTION('',(1.,0.,0.))",
    "AXIS2_PLACEMENT_3D('',#14,#15,#16)",
    "SHAPE_DEFINITION_REPRESENTATION(#8,#19)",
    "ADVANCED_BREP_SHAPE_REPRESENTATION('{name}',(#17,#20),#13)",
    "MANIFOLD_SOLID_BREP('{name}',#21)",
)


class _Writer:
    """Entities by number, equal ones once."""

    def __init__(self, first: int) -> None:
        self.first = first
        self.numbers: dict[str, int] = {}

    def put(self, text: str) -> str:
        number = self.numbers.setdefault(text, self.first + len(self.numbers))
        return f"#{number}"

    def vector(self, kind: str, values: Iterable[float]) -> str:
        return self.put(f"{kind}('',({','.join(map(_real, values))}))")


def _real(value: float) -> str:
    text = f"{value:.{DIGITS + 4}f}".rstrip("0")
    return "0." if text in ("-0.", "0.") else text


def step(solid: Any, name: str) -> bytes:
    """The file's text; name: letters, digits and '-'."""
    mesh = solid.to_mesh()
    points: NDArray[np.float64] = np.round(np.asarray(mesh.vert_properties[:, :3], dtype=float), DIGITS)
    triangles: NDArray[np.int64] = np.asarray(mesh.tri_verts, dtype=int)
    normals = np.cross(
        points[triangles[:, 1]] - points[triangles[:, 0]], points[triangles[:, 2]] - points[triangles[:, 0]]
    )
    normals /= np.linalg.norm(normals, axis=1)[:, None]
    writer = _Writer(len(PRODUCT) + 2)
    faces = [_face(writer, points, loops, normals[one]) for one, loops in _faces(points, triangles, normals)]
    rows = [row.format(name=name) for row in PRODUCT]
    rows.append(f"CLOSED_SHELL('',({','.join(faces)}))")
    body = [f"#{k}={row};" for k, row in enumerate(rows, 1)]
    body += [f"#{number}={text};" for text, number in writer.numbers.items()]
    return (HEAD.format(name=name) + "\n".join(body) + "\nENDSEC;\nEND-ISO-10303-21;\n").encode()


def _faces(
    points: NDArray[np.float64], triangles: NDArray[np.int64], normals: NDArray[np.float64]
) -> list[tuple[int, list[list[int]]]]:
    """Each face's first triangle and its loops of corners, the outer one first."""
    owner = {(int(t[k]), int(t[(k + 1) % 3])): number for number, t in enumerate(triangles) for k in range(3)}
    face = np.full(len(triangles), -1)
    found = []
    for start in range(len(triangles)):
        if face[start] >= 0:
            continue
        face[start], waiting, border = start, [start], []
        level = points[triangles[start][0]] @ normals[start]
        while waiting:
            t = triangles[waiting.pop()]
            for k in range(3):
                edge = int(t[k]), int(t[(k + 1) % 3])
                beside = owner[edge[::-1]]
                flat = (
                    np.linalg.norm(np.cross(normals[beside], normals[start])) < FLAT
                    and normals[beside] @ normals[start] > 0
                    and np.abs(points[triangles[beside]] @ normals[start] - level).max() < FLAT
                )
                if not flat:
                    border.append(edge)
                elif face[beside] < 0:
                    face[beside] = start
                    waiting.append(beside)
        found.append((start, _loops(border, points, normals[start])))
    return found


def _loops(border: list[Edge], points: NDArray[np.float64], up: NDArray[np.float64]) -> list[list[int]]:
    """Closed ways along a face's border, the one around all others first: its area is positive."""
    after = dict(border)
    assert len(after) == len(border), "a face that touches itself at a corner"
    loops = []
    while after:
        loop = [next(iter(after))]
        while (corner := after.pop(loop[-1])) != loop[0]:
            loop.append(corner)
        loops.append(loop)
    return sorted(loops, key=lambda loop: -_twice_the_area(points[loop], up))


def _twice_the_area(ring: NDArray[np.float64], up: NDArray[np.float64]) -> float:
    return float(np.cross(ring - ring[0], np.roll(ring, -1, axis=0) - ring[0]).sum(axis=0) @ up)


def _face(
    writer: _Writer, points: NDArray[np.float64], loops: list[list[int]], up: NDArray[np.float64]
) -> str:
    bounds = []
    for number, loop in enumerate(loops):
        edges = ",".join(_edge(writer, points, a, b) for a, b in zip(loop, [*loop[1:], loop[0]], strict=True))
        kind = "FACE_BOUND" if number else "FACE_OUTER_BOUND"
        around = writer.put(f"EDGE_LOOP('',({edges}))")
        bounds.append(writer.put(f"{kind}('',{around},.T.)"))
    a, b = points[loops[0][0]], points[loops[0][1]]
    along = (b - a) / np.linalg.norm(b - a)
    axes = (writer.vector("CARTESIAN_POINT", a), writer.vector("DIRECTION", up),
            writer.vector("DIRECTION", along))  # fmt: skip
    place = writer.put(f"AXIS2_PLACEMENT_3D('',{','.join(axes)})")
    plane = writer.put(f"PLANE('',{place})")
    return writer.put(f"ADVANCED_FACE('',({','.join(bounds)}),{plane},.T.)")


def _edge(writer: _Writer, points: NDArray[np.float64], a: int, b: int) -> str:
    """An edge as its face walks it; both faces share the curve from the lower to the higher corner."""
    low, high = min(a, b), max(a, b)
    way = points[high] - points[low]
    long = float(np.linalg.norm(way))
    start = writer.vector("CARTESIAN_POINT", points[low])
    end = writer.vector("CARTESIAN_POINT", points[high])
    vector = writer.put(f"VECTOR('',{writer.vector('DIRECTION', way / long)},1.)")
    line = writer.put(f"LINE('',{start},{vector})")
    corners = (writer.put(f"VERTEX_POINT('',{each})") for each in (start, end))
    curve = writer.put(f"EDGE_CURVE('',{','.join(corners)},{line},.T.)")
    return writer.put(f"ORIENTED_EDGE('',*,*,{curve},{'.T.' if a < b else '.F.'})")

"""The router on small boards of random pads, judged by geometry of the test's own: joined, apart, short."""

from __future__ import annotations

import itertools
import math
import random

import pytest
from nightdraw import data
from nightdraw.bank.circuit.assembly import build
from nightdraw.bank.circuit.netlist import GROUND
from nightdraw.bank.kicad.copper import Track, Via
from nightdraw.bank.kicad.placed import At
from nightdraw.bank.kicad.project import files
from nightdraw.bank.kicad.router import PITCH_MM, Router, StuckError
from nightdraw.bank.kicad.rules import EDGE_MM, SIGNAL, VIA_MM, NetClass, Rules
from nightdraw.bank.kicad.shapes import RECT, Pad
from nightdraw.board import load_board

from tests.bank.test_kicad import committed

APART_MM, WIDE_MM = 0.25, 0.3
WIDER = NetClass("Wider", 0.6, 0.4)
SIDE = 48  # nodes: a board of 15.24 mm
MM = SIDE * PITCH_MM
GRID = 12  # nodes between places for pads, 3.81 mm: room for a wide track between two
ROUNDED_MM = 2e-3  # of the printed decimals, and of the router's own samples along a line

Point = tuple[float, float]


def pad(net: str, column: int, row: int, form: str = "circle") -> At:
    """A pad of 1.6 mm on a node of the grid."""
    hole = Pad("1", 0.0, 0.0, 1.6, 1.6, 0.9, form)
    return At(f"{net}{column}.{row}", hole, column * PITCH_MM, row * PITCH_MM, 1.6, 1.6, net)


def routed(pads: list[At], wide: tuple[str, ...] = ()) -> tuple[list[Track], list[Via]]:
    """The tracks and vias of a board without mounting holes; the nets of `wide` are of the class WIDER."""
    classes = {SIGNAL: NetClass(SIGNAL, WIDE_MM, APART_MM), WIDER.name: WIDER}
    return Router((MM, MM), pads, [], Rules(classes, dict.fromkeys(wide, WIDER.name))).route()


def to_segment(point: Point, start: Point, end: Point) -> float:
    """A point's distance from a segment."""
    dx, dy = end[0] - start[0], end[1] - start[1]
    along = dx * dx + dy * dy
    share = ((point[0] - start[0]) * dx + (point[1] - start[1]) * dy) / along if along else 0.0
    share = min(max(share, 0.0), 1.0)
    return math.dist(point, (start[0] + share * dx, start[1] + share * dy))


def between(one: tuple[Point, Point], other: tuple[Point, Point]) -> float:
    """The distance of two segments: 0 where they cross, else from one of the four ends."""

    def side(a: Point, b: Point, c: Point) -> float:
        return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])

    if side(*one, other[0]) * side(*one, other[1]) < 0 and side(*other, one[0]) * side(*other, one[1]) < 0:
        return 0.0
    return min(*(to_segment(p, *other) for p in one), *(to_segment(p, *one) for p in other))


def shapes(pads: list[At], tracks: list[Track], vias: list[Via]) -> list[tuple]:
    """(net, layers, segment, radius) of all copper; a square pad by the circle within it."""
    found: list[tuple] = [(t.net, {t.layer}, (t.start, t.end), t.width / 2) for t in tracks]
    found += [(v.net, {0, 1}, ((v.x, v.y), (v.x, v.y)), VIA_MM / 2) for v in vias]
    return found + [(p.net, {0, 1}, ((p.x, p.y), (p.x, p.y)), p.wide / 2) for p in pads]


def touch(one: tuple, other: tuple) -> bool:
    """Whether two pieces of a net's copper meet: on a common layer an end of one lies on the other's axis."""
    (_, layers, line, _), (_, others, beside, _) = one, other
    ends = [*(to_segment(p, *beside) for p in line), *(to_segment(p, *line) for p in beside)]
    return bool(layers & others) and min(ends) < ROUNDED_MM


def is_joined(net: str, pads: list[At], tracks: list[Track], vias: list[Via]) -> bool:
    """Whether a net's copper is one piece; a track may end on another's middle, or go on through a via."""
    reached, *rest = (part for part in shapes(pads, tracks, vias) if part[0] == net)
    waiting = [reached]
    while waiting:
        part = waiting.pop()
        waiting += [other for other in rest if touch(part, other)]
        rest = [other for other in rest if not touch(part, other)]
    return not rest


def hold(pads: list[At], tracks: list[Track], vias: list[Via], wide: tuple[str, ...] = ()) -> None:
    """Joined, in eight directions, apart from each other and from the edge."""
    for net in sorted({p.net for p in pads}):
        assert is_joined(net, pads, tracks, vias), net
    for track in tracks:
        dx, dy = abs(track.end[0] - track.start[0]), abs(track.end[1] - track.start[1])
        assert min(dx, dy) < ROUNDED_MM or abs(dx - dy) < ROUNDED_MM
        assert track.width == (WIDER.width_mm if track.net in wide else WIDE_MM)
    everything = shapes(pads, tracks, vias)
    for (net, layers, line, radius), (other, others, beside, wider) in itertools.combinations(everything, 2):
        if net == other or not layers & others:
            continue
        apart = WIDER.apart_mm if {net, other} & set(wide) else APART_MM
        assert between(line, beside) - radius - wider >= apart - ROUNDED_MM, (net, other, line, beside)
    for net, _, line, radius in shapes([], tracks, vias):
        nearest = min(min(x, y, MM - x, MM - y) for x, y in line)
        assert nearest - radius >= EDGE_MM - ROUNDED_MM, net


@pytest.mark.parametrize("form", ["circle", RECT])
def test_random_boards_are_joined_and_apart(seed: int, form: str) -> None:
    """Six nets on the sixteen places of a grid, one of them wider and further apart: some are in each other's
    way at first, and are routed again."""
    for turn in range(6):
        draw = random.Random(seed * 10 + turn)
        places = draw.sample([(c, r) for c in range(6, SIDE, GRID) for r in range(6, SIDE, GRID)], 15)
        names = "AAABBBCCCDDEEFF"
        pads = [pad(net, *place, form) for net, place in zip(names, places, strict=True)]
        tracks, vias = routed(pads, ("C",))
        hold(pads, tracks, vias, ("C",))
        assert (tracks, vias) == routed(pads, ("C",)), "the same board has the same tracks"


@pytest.mark.parametrize(("column", "row"), [(40, 8), (40, 24), (8, 40), (40, 40), (24, 40), (16, 10)])
def test_a_net_alone_takes_the_shortest_way(column: int, row: int) -> None:
    """In eight directions: the longer difference and what the diagonal adds to it, at most a tenth more."""
    tracks, vias = routed([pad("A", 8, 8), pad("A", column, row)])
    across, down = abs(column - 8) * PITCH_MM, abs(row - 8) * PITCH_MM
    least = max(across, down) + (math.sqrt(2) - 1) * min(across, down)
    assert vias == []
    assert least - 0.01 <= sum(math.dist(t.start, t.end) for t in tracks) <= 1.1 * least + 0.01


def test_what_would_cross_changes_the_layer_or_goes_round() -> None:
    """Two nets crosswise; and one between walls of pads from edge to edge, with one gap."""
    cross = [pad("A", 8, 24), pad("A", 40, 24), pad("B", 24, 8), pad("B", 24, 40)]
    tracks, vias = routed(cross)
    hold(cross, tracks, vias)
    assert {t.layer for t in tracks} == {0, 1}
    wall = [pad(f"W{row}", 24, row) for row in range(0, SIDE + 1, 6) if row != 36]
    pads = [pad("A", 8, 8), pad("A", 40, 8), *wall]
    tracks, vias = routed(pads)
    hold(pads, tracks, vias)
    barred, gap = 24 * PITCH_MM, 36 * PITCH_MM
    passing = [t for t in tracks if min(t.start[0], t.end[0]) <= barred <= max(t.start[0], t.end[0])]
    assert passing
    assert all(to_segment((barred, gap), t.start, t.end) < 6 * PITCH_MM for t in passing)


def test_a_net_that_finds_no_way_is_named() -> None:
    """Pads of other nets from edge to edge, too near to each other for any track."""
    wall = [pad(f"W{row}", 24, row) for row in range(0, SIDE + 1, 6)]
    with pytest.raises(StuckError, match=r"A finds no way to A40\.8\.1"):
        routed([pad("A", 8, 8), pad("A", 40, 8), *wall])


def test_the_ground_gives_way_to_the_pour() -> None:
    """Ground takes what is left, and a pad of it without a way is the pour's business, no error."""
    wall = [pad(f"W{row}", 24, row) for row in range(0, SIDE + 1, 6)]
    tracks, vias = routed([pad(GROUND, 8, 8), pad(GROUND, 40, 8), *wall, pad("A", 8, 40), pad("A", 16, 40)])
    assert {t.net for t in tracks} == {"A"}
    pads = [pad(GROUND, 8, 8), pad(GROUND, 40, 8), pad("A", 8, 40), pad("A", 40, 40)]
    tracks, vias = routed(pads)
    hold(pads, tracks, vias)


def test_the_committed_tracks_are_those_that_the_router_finds() -> None:
    """The smallest board routed from nothing: a router that finds others has to raise project.ROUTING."""
    board = load_board(data.folder("hardware") / "starter-12v.yaml")
    name = f"{board.name}.kicad_pcb"
    assert files(board, build(board))[name] == committed(board)[name], (
        "raise project.ROUTING, draw all boards"
    )

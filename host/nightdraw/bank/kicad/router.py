"""Tracks on two layers: each net as a tree grown pad by pad, by A* on a grid; nets in the way are ripped up
and rerouted.

Theory of operation. The grid's nodes are points 0.3175 mm apart on two layers, its edges eight directions and
the via. For each net, a node is closed where the net's own width and the distance of the classes leave no
room beside pads, holes and the edge; where only another net's track is in the way it stays open at a price.
What a path crosses is ripped up and routed again later. The price of a node grows each time that it was
contested (as in negotiated routing, McMurchie and Ebeling, 1995), so that nets give way to each other. Cost
is the length, more across a layer's favoured direction, a via as much as VIA_COST. Nothing is random and nets
are taken in a fixed order: the same board has the same tracks.
"""

from __future__ import annotations

import heapq
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

from nightdraw.bank.circuit.netlist import GROUND
from nightdraw.bank.kicad.copper import (
    BACK,
    FRONT,
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
from nightdraw.bank.kicad.rules import EDGE_MM, VIA_MM, Rules
from nightdraw.bank.kicad.sexpr import DECIMALS

PITCH_MM = 0.3175
STRIDE = 2  # nodes that a step takes: those between are looked at, and paths lie on every second one
ROUNDED_MM = 0.001
VIA_COST = 12.0  # in steps
ACROSS = 0.2  # more for a step against the layer's direction
CONTESTED = 4.0  # the price of a node under another net's track, and what each conflict adds
GROWS_AFTER = 150  # routings until the price of crossing others begins to grow, so that conflicts end
MOST_TURNS = 900  # routings, those again included
HOLES_APART_MM = 0.3  # drilled holes' edges, copper between them aside
CLOSED = 255
SLANT = 2**0.5 - 1  # what a diagonal step takes beyond a straight one
# weighted A*: paths that cost up to a tenth more than the cheapest, found several times as fast
HEURISTIC_WEIGHT = 1.1
# A step between two free nodes may pass something round, or a sharp corner, by this much closer than both.
SPARE_MM, CORNER_MM = 0.03, 0.06


# Steps (rows, columns) and their lengths on each layer: the front favours columns, the back rows.
_MOVES = tuple(
    tuple(
        (
            (down, along),
            (1 + SLANT if down and along else 1.0) + (ACROSS if (down if lay == FRONT else along) else 0.0),
        )
        for down in (-1, 0, 1)
        for along in (-1, 0, 1)
        if down or along
    )
    for lay in (FRONT, BACK)
)


class StuckError(Exception):
    """A net found no way, or the conflicts never ended; the text says which."""


@dataclass
class Net:
    """A net on its way: its pads, and what is laid."""

    name: str
    pads: list[At]
    tracks: list[Track] = field(default_factory=list)
    vias: list[Via] = field(default_factory=list)
    missed: int = 0  # pads that found no way

    def metal(self) -> list[Metal]:
        return [*map(of_track, self.tracks), *map(of_via, self.vias)]

    @property
    def span(self) -> float:
        """Half the circumference of the pads' box."""
        x, y = [at.x for at in self.pads], [at.y for at in self.pads]
        return max(x) - min(x) + max(y) - min(y)


class Router:
    """One board's routing."""

    def __init__(
        self, size: tuple[float, float], pads: list[At], holes: Iterable[tuple[float, float, float]],
        rules: Rules, tell: Callable[[int, int], None] = lambda done, all: None,
    ) -> None:  # fmt: skip
        self.rules, self.size, self.pads, self.tell = rules, size, pads, tell
        self.wide, self.deep = (round(side / PITCH_MM) + 1 for side in size)
        self.plane = self.wide * self.deep
        self.fixed = [of_pad(at) for at in pads] + [of_hole(*hole) for hole in holes]
        self.history = np.zeros((2, self.deep, self.wide))
        self.nets: dict[str, Net] = {}
        for at in pads:
            if at.net:
                self.nets.setdefault(at.net, Net(at.net, [])).pads.append(at)

    def route(self) -> tuple[list[Track], list[Via]]:
        """Every net's tracks and vias; raises StuckError."""
        several = [net for net in self.nets.values() if len(net.pads) > 1]
        waiting = deque(sorted((net for net in several if net.name != GROUND), key=self._rank))
        every, turns = len(waiting), 0
        while waiting:
            net = waiting.popleft()
            turns += 1
            if turns > MOST_TURNS:
                raise StuckError(f"{net.name} and {len(waiting)} other nets")
            self.tell(every - len(waiting), every)
            for other in self._lay(net, CONTESTED * max(1.0, turns / GROWS_AFTER)):
                other.tracks, other.vias = [], []
                waiting.append(other)
            if not waiting and net.name != GROUND and self._walled_in():
                waiting.append(self.nets[GROUND])
        nets = [self.nets[name] for name in sorted(self.nets)]
        return [t for net in nets for t in _split(net.tracks)], [v for net in nets for v in net.vias]

    def _walled_in(self) -> bool:
        """Lay the ground where the others left room; whether that is too little for one of its pads, around
        which the pour has no room either."""
        ground = self.nets.get(GROUND)
        if ground is None:
            return False
        self._lay(ground, np.inf)
        return ground.missed > 0

    def _rank(self, net: Net) -> tuple[float, float, str]:
        """Wide and short ones first."""
        return -self.rules.net(net.name).width_mm, net.span, net.name

    def _lay(self, net: Net, contested: float = CONTESTED) -> list[Net]:
        """Route a net, other nets' tracks at the price of `contested`; the nets that it crossed, in order of
        name."""
        net.tracks, net.vias, net.missed = [], [], 0
        steps, holes = self._prices(net, contested)
        tree = list(self._nodes(net.pads[0]))
        left = net.pads[1:]
        done = [net.pads[0]]
        while left:
            nearest = min(
                left,
                key=lambda at: (min(abs(at.x - b.x) + abs(at.y - b.y) for b in done), at.ref, at.pad.name),
            )
            left.remove(nearest)
            done.append(nearest)
            path = _search(steps, holes, self.wide, self.plane, tree, self._nodes(nearest))
            if path is None and net.name == GROUND:
                net.missed += 1
                continue  # the pour's business, and KiCad's to judge
            if path is None:
                raise StuckError(f"{net.name} finds no way to {nearest.ref}.{nearest.pad.name}")
            self._keep(net, path)
            tree = list(dict.fromkeys([*tree, *path, *self._nodes(nearest)]))
        return self._crossed(net)

    def _nodes(self, at: At) -> tuple[int, int]:
        place = round(at.y / PITCH_MM) * self.wide + round(at.x / PITCH_MM)
        return place, place + self.plane

    def _prices(self, net: Net, contested: float) -> tuple[list[float], list[float]]:
        """What each node costs besides the step, for tracks and for vias; infinite where closed."""
        own = self.rules.net(net.name)
        steps = self.history.copy()
        holes = self.history[0] + self.history[1]
        edge = EDGE_MM + SPARE_MM
        self._close_edge(steps, edge + own.width_mm / 2)
        self._close_edge(holes[np.newaxis], edge + VIA_MM / 2)
        others = [m for other in self.nets.values() if other is not net for m in other.metal()]
        for metal in others:
            self._mark(metal, own.width_mm, net.name, steps, holes, contested)
        for metal in self.fixed:
            self._mark(metal, own.width_mm, net.name, steps, holes, np.inf)
        return steps.ravel().tolist(), np.concatenate([holes.ravel(), holes.ravel()]).tolist()

    def _close_edge(self, layers: np.ndarray, reach: float) -> None:
        """Nothing within `reach` of the board's edge."""
        x = np.arange(self.wide) * PITCH_MM
        y = np.arange(self.deep) * PITCH_MM
        layers[:, :, (x < reach) | (x > self.size[0] - reach)] = np.inf
        layers[:, (y < reach) | (y > self.size[1] - reach), :] = np.inf

    def _mark(
        self, metal: Metal, width: float, name: str, steps: np.ndarray, holes: np.ndarray, price: float
    ) -> None:
        """Raise the price of whatever lies too close to a piece of metal."""
        same = metal.net == name
        apart = max(self.rules.net(name).apart_mm, self.rules.net(metal.net).apart_mm)
        apart += CORNER_MM if metal.flat else SPARE_MM
        if same:  # only drilled holes of its own must stay apart
            apart = HOLES_APART_MM if price == np.inf else 0.0
        reach = apart + max(width, VIA_MM) / 2
        left, top, right, bottom = metal.bounds(reach)
        columns = slice(max(0, int(left / PITCH_MM)), min(self.wide, int(right / PITCH_MM) + 2))
        rows = slice(max(0, int(top / PITCH_MM)), min(self.deep, int(bottom / PITCH_MM) + 2))
        y, x = np.mgrid[rows, columns] * PITCH_MM
        distance = metal.distance(x, y)
        holes[rows, columns][distance < apart + VIA_MM / 2] += price
        if same:
            return
        near = distance < apart + width / 2
        for layer in (FRONT, BACK) if metal.layer is None else (metal.layer,):
            steps[layer, rows, columns][near] += price

    def _keep(self, net: Net, path: list[int]) -> None:
        """A path as tracks, straight runs joined, and vias."""
        width = self.rules.net(net.name).width_mm
        points = [
            (node // self.plane, node % self.plane % self.wide, node % self.plane // self.wide)
            for node in path
        ]
        start = points[0]
        for k, (before, here) in enumerate(pairwise(points), 1):
            if here[0] != before[0]:
                net.vias.append(Via(net.name, *_mm(here)))
                self._track(net, start, before, width)
                start = here
                continue
            after = points[k + 1] if k + 1 < len(points) else None
            if after is None or _way(before, here) != _way(here, after):
                self._track(net, start, here, width)
                start = here

    def _track(self, net: Net, start: tuple[int, int, int], end: tuple[int, int, int], width: float) -> None:
        if start != end:
            ends = (_mm(start), _mm(end))
            net.tracks.append(Track(net.name, start[0], *ends, width))

    def _crossed(self, net: Net) -> list[Net]:
        """The nets whose copper is now too close to this one's; the places get a higher price."""
        found = []
        mine = net.metal()
        for name in sorted(self.nets):
            other = self.nets[name]
            if other is net or not other.tracks:
                continue
            apart = max(self.rules.net(net.name).apart_mm, self.rules.net(name).apart_mm)
            places = [_place(a, b, apart) for a in mine for b in other.metal()]
            hits = [place for place in places if place]
            for layer, x, y in hits:
                column, row = round(x / PITCH_MM), round(y / PITCH_MM)
                window = (slice(max(0, row - 2), row + 3), slice(max(0, column - 2), column + 3))
                self.history[layer][window] += CONTESTED / 4
            if hits:
                found.append(other)
        return found


def _mm(node: tuple[int, int, int]) -> Point:
    """A node's point as the file has it: a pour made of tracks that are read back must be the same."""
    return round(node[1] * PITCH_MM, DECIMALS), round(node[2] * PITCH_MM, DECIMALS)


def _split(tracks: list[Track]) -> list[Track]:
    """Tracks cut where another of the net ends on them: KiCad takes a branch from the middle for a loose
    end."""
    found = []
    for track in tracks:
        ends = {p for other in tracks if other.layer == track.layer for p in (other.start, other.end)}
        inner = [p for p in ends if p not in (track.start, track.end) and _on(track, p)]
        inner.sort(key=lambda p: abs(p[0] - track.start[0]) + abs(p[1] - track.start[1]))
        points = [track.start, *inner, track.end]
        found += [replace(track, start=a, end=b) for a, b in pairwise(points)]
    return found


def _on(track: Track, point: Point) -> bool:
    """Whether a point lies on a track's middle line, by a box and the cross product."""
    (ax, ay), (bx, by), (x, y) = track.start, track.end, point
    inside = min(ax, bx) <= x <= max(ax, bx) and min(ay, by) <= y <= max(ay, by)
    return inside and abs((bx - ax) * (y - ay) - (by - ay) * (x - ax)) < 1e-6


def _way(one: tuple[int, int, int], other: tuple[int, int, int]) -> tuple[int, int, int]:
    return other[0] - one[0], other[1] - one[1], other[2] - one[2]


def _place(a: Metal, b: Metal, apart: float) -> tuple[int, float, float] | None:
    """Where two pieces come closer than `apart`: layer and point; None where they don't."""
    if a.layer is not None and b.layer is not None and a.layer != b.layer:
        return None
    reach = apart + a.radius + b.radius
    if (
        max(a.start[0], a.end[0]) + reach < min(b.start[0], b.end[0])
        or max(b.start[0], b.end[0]) + reach < min(a.start[0], a.end[0])
        or max(a.start[1], a.end[1]) + reach < min(b.start[1], b.end[1])
        or max(b.start[1], b.end[1]) + reach < min(a.start[1], a.end[1])
    ):
        return None
    gap, x, y = _apart(a, b)
    if gap >= reach - ROUNDED_MM:
        return None
    return (a.layer if a.layer is not None else b.layer) or FRONT, x, y


def _apart(a: Metal, b: Metal) -> tuple[float, float, float]:
    """The distance of two lines and the point of the first that is nearest, by samples of a quarter step."""
    length = max(abs(a.end[0] - a.start[0]), abs(a.end[1] - a.start[1]))
    count = max(2, int(length / PITCH_MM * 2) + 2)
    share = np.linspace(0, 1, count)
    x = a.start[0] + share * (a.end[0] - a.start[0])
    y = a.start[1] + share * (a.end[1] - a.start[1])
    distance = b.distance(x, y) + b.radius
    k = int(np.argmin(distance))
    return float(distance[k]), float(x[k]), float(y[k])


def _search(
    steps: list[float], holes: list[float], wide: int, plane: int, tree: list[int], goals: tuple[int, int]
) -> list[int] | None:
    """The cheapest path from the tree to either goal, both included; None where there is none."""
    goal_x, goal_y = goals[0] % wide, goals[0] // wide
    nothing = float("inf")
    best = [nothing] * len(steps)
    before: dict[int, int] = {}
    closed = bytearray(len(steps))
    heap = []
    for node in tree:
        best[node] = 0.0
        place = node % plane
        dx, dy = abs(place % wide - goal_x), abs(place // wide - goal_y)
        heap.append((HEURISTIC_WEIGHT * (max(dx, dy) + SLANT * min(dx, dy)), node))
    heapq.heapify(heap)
    moves = [[(down * wide + along, length) for (down, along), length in lay] for lay in _MOVES]
    pop, push = heapq.heappop, heapq.heappush
    while heap:
        _, node = pop(heap)
        if closed[node]:
            continue
        closed[node] = 1
        if node in goals:
            return _traced(before, node)
        paid = best[node]
        layer = FRONT if node < plane else BACK
        for move, length in moves[layer]:
            after = node + STRIDE * move
            price = paid + STRIDE * length + steps[node + move] + steps[after]
            if price < best[after]:
                best[after], before[after] = price, node
                place = after - layer * plane
                dx, dy = abs(place % wide - goal_x), abs(place // wide - goal_y)
                push(
                    heap,
                    (price + HEURISTIC_WEIGHT * (dx + SLANT * dy if dx > dy else dy + SLANT * dx), after),
                )
        after = node + plane if layer == FRONT else node - plane
        price = paid + VIA_COST + holes[node] + steps[after]
        if price < best[after]:
            best[after], before[after] = price, node
            place = node - layer * plane
            dx, dy = abs(place % wide - goal_x), abs(place // wide - goal_y)
            push(heap, (price + HEURISTIC_WEIGHT * (max(dx, dy) + SLANT * min(dx, dy)), after))
    return None


def _traced(before: dict[int, int], node: int) -> list[int]:
    path = [node]
    while node in before:
        node = before[node]
        path.append(node)
    return path[::-1]

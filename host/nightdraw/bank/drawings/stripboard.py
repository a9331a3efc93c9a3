"""Stripboard: from where the pins stand to which strips are cut and which links are laid.

Strips run along the rows. Two pins of different nets on one strip need a cut hole between them; pieces of one
net that no strip joins get a link. Nothing here knows parts or boards.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise

Hole = tuple[int, int]  # column, row


@dataclass(frozen=True)
class StripSegment:
    """A piece of strip between cuts: its row, first and last column, net, and pins' columns."""

    row: int
    first: int
    last: int
    net: str
    taken: tuple[int, ...]


@dataclass(frozen=True)
class Link:
    """A wire on the component side between two free holes."""

    net: str
    start: Hole
    end: Hole


@dataclass(frozen=True)
class StripboardPlan:
    """Cut holes and links."""

    cuts: tuple[Hole, ...]
    links: tuple[Link, ...]


SLANT = 1.3  # a slanting link is harder to read and to lay than an upright one
CROWD = 6.0  # and one that lies over another link's end, or over a part's pin, can't be told from it


class NoRoomError(ValueError):
    """Two pins of different nets are too close for a cut, or a piece has no free hole for its link."""


def plan(pins: Mapping[Hole, str], columns: int, keep: frozenset[Hole] = frozenset()) -> StripboardPlan:
    """Cuts and links for pins (hole -> net) on strips of so many columns; holes in `keep` get neither."""
    cuts: list[Hole] = []
    pieces: list[StripSegment] = []
    for row in sorted({row for _, row in pins}):
        made, cut = _strip(row, pins, columns, keep)
        pieces += made
        cuts += cut
    return StripboardPlan(tuple(cuts), tuple(_links(pieces, frozenset(pins), keep)))


def _strip(
    row: int, pins: Mapping[Hole, str], columns: int, keep: frozenset[Hole]
) -> tuple[list[StripSegment], list[Hole]]:
    there = sorted((column, net) for (column, at), net in pins.items() if at == row)
    pieces, cuts, first = [], [], 0
    run = [there[0][0]]
    for (left, net), (right, following) in pairwise(there):
        if net == following:
            run.append(right)
            continue
        cut = _cut(row, left, right, keep)
        cuts.append((cut, row))
        pieces.append(StripSegment(row, first, cut - 1, net, tuple(run)))
        first, run = cut + 1, [right]
    pieces.append(StripSegment(row, first, columns - 1, there[-1][1], tuple(run)))
    return pieces, cuts


def _cut(row: int, left: int, right: int, keep: frozenset[Hole]) -> int:
    free = [column for column in range(left + 1, right) if (column, row) not in keep]
    if not free:
        raise NoRoomError(f"no hole to cut between columns {left} and {right} of row {row}")
    middle = (left + right) / 2
    return min(free, key=lambda column: (abs(column - middle), column))


def _links(pieces: list[StripSegment], pins: frozenset[Hole], keep: frozenset[Hole]) -> Iterator[Link]:
    """For every net a tree over its pieces, the shortest link first; nets with the least choice of holes come
    first, so that others' links keep clear of them."""
    nets: dict[str, list[StripSegment]] = {}
    for piece in pieces:
        nets.setdefault(piece.net, []).append(piece)
    used, covered = {*keep, *pins}, set[Hole]()
    for net, there in sorted(
        nets.items(), key=lambda item: min(len(_free(piece, used)) for piece in item[1])
    ):
        joined, rest = [there[0]], there[1:]
        while rest:
            choices = [_between(a, b, used, covered) for a in joined for b in rest]
            found = min((choice for choice in choices if choice), key=lambda choice: choice[0], default=None)
            if found is None:
                raise NoRoomError(f"no free hole for a link of {net}")
            _, start, end, piece = found
            used |= {start, end}
            covered |= _under(start, end)
            joined.append(piece)
            rest.remove(piece)
            yield Link(net, start, end)


def _between(
    a: StripSegment, b: StripSegment, used: set[Hole], covered: set[Hole]
) -> tuple[float, Hole, Hole, StripSegment] | None:
    """The shortest way between two pieces' free holes: upright where they overlap."""
    best: tuple[float, Hole, Hole, StripSegment] | None = None
    for column in _free(a, used):
        for other in _free(b, used):
            start, end = (column, a.row), (other, b.row)
            crowded = len(_under(start, end) & used) + len({start, end} & covered)
            length = abs(column - other) * SLANT + abs(a.row - b.row) + CROWD * crowded
            if best is None or length < best[0]:
                best = (length, start, end, b)
    return best


def _under(start: Hole, end: Hole) -> set[Hole]:
    """The holes that an upright link lies over; a slanting one lies between holes."""
    if start[0] != end[0]:
        return set()
    low, high = sorted((start[1], end[1]))
    return {(start[0], row) for row in range(low + 1, high)}


def _free(piece: StripSegment, used: set[Hole]) -> list[int]:
    return [
        column
        for column in range(piece.first, piece.last + 1)
        if column not in piece.taken and (column, piece.row) not in used
    ]

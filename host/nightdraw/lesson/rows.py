"""What may be chosen together, as rows of a linear program over candidates, each with the rule it stands for.

A row says: so many of these at most. Nothing is solved here.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

from nightdraw.lesson.alike import alike
from nightdraw.lesson.candidates import Candidate, Made, Room

BOXES, KITS, SPLICES, BATTERY, APART, HIDDEN = "boxes", "kits", "splices", "battery", "neighbours", "hidden"


@dataclass(frozen=True)
class Row:
    """At most `most` of the weighted candidates (by their places in the list), by a rule."""

    rule: str
    weights: dict[int, float]
    most: float


class Cuts:
    """Pairs on one car that were found to hide one another: (car, splice, profile) twice."""

    def __init__(self) -> None:
        self.pairs: set[frozenset[tuple[int, str, str]]] = set()

    def add(self, one: Candidate, other: Candidate) -> None:
        """Never choose both again."""
        self.pairs.add(frozenset((_key(one), _key(other))))


def rows(room: Room, found: Sequence[Candidate], cuts: Cuts, own_faults: bool = False) -> list[Row]:
    """Every row of the class; own_faults: no fault is given to two groups, neighbours or not."""
    of = room.of
    made = [*_counted(room, found)]
    for car in range(len(of.cars)):
        here = [k for k, one in enumerate(found) if one.car == car]
        made += _at_places(found, here)
        made.append(Row(BATTERY, {k: found[k].day_a for k in here}, max(0.0, room.budget_a(car))))
        if room.budget_a(car) < 0:
            made.append(Row(BATTERY, dict.fromkeys(here, 1.0), 0.0))
        made += _unlike(room, found, here)
        made += _cut(found, here, cuts)
    most = 1 if own_faults else -(-len(of.groups) // 2)  # half of a row of groups, no two side by side
    for members in _by(found, range(len(found)), lambda one: one.profile):
        made.append(Row(APART, dict.fromkeys(members, 1.0), most))
    return [row for row in made if row.weights]


def _counted(room: Room, found: Sequence[Candidate]) -> Iterator[Row]:
    for kind in range(len(room.boards.each)):
        of_kind = {k: 1.0 for k, one in enumerate(found) if one.board == kind}
        yield Row(BOXES, of_kind, room.boards.places.count(kind))
    for kind in range(len(room.kits.each)):
        of_kind = {k: 1.0 for k, one in enumerate(found) if one.kit == kind}
        yield Row(KITS, of_kind, room.kits.places.count(kind))


def _at_places(found: Sequence[Candidate], here: list[int]) -> Iterator[Row]:
    """One box at a splice and on a fuse, a fault once on a car."""
    for members in _by(found, here, lambda one: one.splice):
        yield Row(SPLICES, dict.fromkeys(members, 1.0), 1)
    for members in _by(found, here, lambda one: one.fuse):
        yield Row(SPLICES, dict.fromkeys(members, 1.0), 1)
    for members in _by(found, here, lambda one: one.profile):
        yield Row(APART, dict.fromkeys(members, 1.0), 1)


def _unlike(room: Room, found: Sequence[Candidate], here: list[int]) -> Iterator[Row]:
    """Faults that can be taken for each other are not on one car."""
    members: dict[tuple[str, int], list[int]] = defaultdict(list)
    for k in here:
        members[found[k].profile, found[k].board].append(k)
    for one, other in combinations(members, 2):
        if one[0] != other[0] and alike(_made(room, one), _made(room, other)):
            yield Row(HIDDEN, dict.fromkeys(members[one] + members[other], 1.0), 1)


def _made(room: Room, key: tuple[str, int]) -> Made:
    return room.made(room.of.fault(key[0]), key[1])


def _cut(found: Sequence[Candidate], here: list[int], cuts: Cuts) -> Iterator[Row]:
    members: dict[tuple[int, str, str], list[int]] = defaultdict(list)
    for k in here:
        members[_key(found[k])].append(k)
    for pair in sorted(cuts.pairs, key=sorted):
        held = [k for key in pair for k in members.get(key, [])]
        if len([key for key in pair if key in members]) == 2:
            yield Row(HIDDEN, dict.fromkeys(held, 1.0), 1)


def _key(one: Candidate) -> tuple[int, str, str]:
    return one.car, one.splice, one.profile


def _by(
    found: Sequence[Candidate], places: Iterable[int], key: Callable[[Candidate], str]
) -> list[list[int]]:
    groups: dict[str, list[int]] = defaultdict(list)
    for k in places:
        groups[key(found[k])].append(k)
    return list(groups.values())

"""Which group gets which of the chosen candidates, with which box and kit: neighbours get different faults.

Neighbours stand next to each other in the class's list; who shares a car has different faults already.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from itertools import count

from nightdraw.lesson.candidates import Candidate, Room
from nightdraw.lesson.model import Assignment

SLOT = 0  # every box plays it, with a selector or without
MOST_STEPS = 100_000  # of a search for an order beside kept groups: it ends at once, or there is none

Kept = Mapping[str, Assignment]


def arrange(room: Room, found: Sequence[Candidate], kept: Kept) -> list[Assignment] | None:
    """The assignments in the order of the groups; None where no order keeps neighbours apart.

    kept: what groups had before. Who had a place that was chosen keeps it; boxes, kits, slots and seeds stay
    where they fit.
    """
    draw = random.Random(room.seed)
    order = _Order(room, found, kept, draw).found()
    if order is None:
        return None
    of = room.of
    boxes = _given(
        order, {g: one.box for g, one in kept.items()}, _by_kind(room.labels, room.board_of), _board, draw
    )
    names = [kit.name for kit in of.kits]
    kits = _given(order, {g: one.kit for g, one in kept.items()}, _by_kind(names, room.kit_of), _kit, draw)
    seeds = _seeds(room, order, kept)
    return [_assignment(room, g, order[g], boxes[g], kits[g], seeds[g], kept.get(g)) for g in of.groups]


def same_place(room: Room, one: Candidate, had: Assignment) -> bool:
    """Whether a candidate sits where a group's box sat."""
    return (room.of.cars[one.car].name, one.splice) == (had.vehicle, had.splice)


class _Order:
    """Who gets which: those whose place was chosen again first, the rest so that no neighbours are alike."""

    def __init__(self, room: Room, found: Sequence[Candidate], kept: Kept, draw: random.Random) -> None:
        self._groups = room.of.groups
        self._left = list(found)
        draw.shuffle(self._left)
        self._fixed: dict[str, Candidate] = {}
        for group in self._groups:
            mine = [one for one in self._left if group in kept and same_place(room, one, kept[group])]
            if mine:
                self._fixed[group] = mine[0]
                self._left.remove(mine[0])
        self._steps = 0

    def found(self) -> dict[str, Candidate] | None:
        """The order, or None."""
        chosen: list[Candidate] = []
        return dict(zip(self._groups, chosen, strict=True)) if self._go_on(chosen, self._left) else None

    def _go_on(self, chosen: list[Candidate], left: list[Candidate]) -> bool:
        if len(chosen) == len(self._groups):
            return True
        self._steps += 1
        fixed = self._fixed.get(self._groups[len(chosen)])
        last = chosen[-1].profile if chosen else None
        tries = [fixed] if fixed is not None else _worth_trying(left, last, not self._fixed)
        for one in tries:
            if one.profile == last or self._steps > MOST_STEPS:
                continue
            rest = left if fixed is not None else [other for other in left if other is not one]
            chosen.append(one)
            if self._go_on(chosen, rest):
                return True
            chosen.pop()
        return False


def _worth_trying(left: list[Candidate], last: str | None, free: bool) -> list[Candidate]:
    """One of each fault; with no group fixed only those after which an order is still possible: of what is
    left nothing more than half, rounded up, and of the last one no more than half, rounded down."""
    each = list({one.profile: one for one in reversed(left)}.values())
    if not free:
        return each
    good = []
    for one in each:
        counts = Counter(other.profile for other in left if other is not one)
        rest = len(left) - 1
        if counts[one.profile] <= rest // 2 and max(counts.values(), default=0) <= -(-rest // 2):
            good.append(one)
    return [one for one in good if one.profile != last]


def _board(one: Candidate) -> int:
    return one.board


def _kit(one: Candidate) -> int:
    return one.kit


def _by_kind(names: Sequence[str], kind_of: Callable[[str], int]) -> dict[int, list[str]]:
    found: dict[int, list[str]] = {}
    for name in names:
        found.setdefault(kind_of(name), []).append(name)
    return found


def _given(
    order: Mapping[str, Candidate],
    had: Mapping[str, str],
    names: dict[int, list[str]],
    kind: Callable[[Candidate], int],
    draw: random.Random,
) -> dict[str, str]:
    """Things of the kinds that the candidates want: the same as before where they can, else by lot."""
    given = {g: had[g] for g, one in order.items() if had.get(g) in names.get(kind(one), [])}
    for group, one in order.items():
        if group not in given:
            free = [name for name in names[kind(one)] if name not in given.values()]
            given[group] = draw.choice(free)
    return given


def _stays(room: Room, one: Candidate, had: Assignment | None) -> bool:
    return had is not None and same_place(room, one, had) and had.profile == one.profile


def _seeds(room: Room, order: Mapping[str, Candidate], kept: Kept) -> dict[str, int]:
    """A seed for each group that no other one has: a box that stays as it was keeps its own."""
    given: dict[str, int] = {}
    for group, one in order.items():
        if _stays(room, one, kept.get(group)) and kept[group].seed not in given.values():
            given[group] = kept[group].seed
    for group, one in order.items():
        if group not in given:
            seeds = (room.seed_of(one.profile, turn) for turn in count())
            given[group] = next(seed for seed in seeds if seed not in given.values())
    return given


def _assignment(
    room: Room, group: str, chosen: Candidate, box: str, kit: str, seed: int, had: Assignment | None
) -> Assignment:
    one, stays = room.with_seed(chosen, seed), _stays(room, chosen, had)
    return Assignment(
        group=group,
        vehicle=room.of.cars[one.car].name,
        splice=one.splice,
        fuse=one.fuse,
        box=box,
        slot=had.slot if stays and had is not None else SLOT,
        profile=one.profile,
        seed=seed,
        kit=kit,
        expected_s=one.expected_s,
        p95_s=one.p95_s,
        difficulty=one.difficulty,
    )
